"""A check beyond variance: how far the whole distribution of an output moves when one input is held.

The PAWN index (Pianosi & Wagener 2018, Environmental Modelling & Software 108, 197-207) is the
Kolmogorov-Smirnov distance between the output's distribution within a slice of an input and over all runs. It
uses the plain runs of a Sobol' design, so it costs no further run. It is never zero, so dummies that have
nothing to do with the output give its floor (Khorashadi Zadeh et al. 2017, same journal 91, 210-222).
Inputs are taken as they are, with what they share through latents: the index is of the input, not of a cause.
"""

from collections.abc import Iterable
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy import stats

from jetsim.errors import InputError
from jetsim.experiment.design import Seed, spawn
from jetsim.experiment.ensemble import layout_of
from jetsim.experiment.outputs import independent_runs, output_names

Array = NDArray[np.float64]
_DUMMIES = 40
_FEWEST_IN_SLICE = 20


def moment_independent(
    results: xr.Dataset, outputs: Iterable[str] | None = None, slices: int = 10, rng: Seed = 0
) -> xr.Dataset:
    """PAWN indices of the parameters, with the floor below which they mean nothing.

    Parameters
    ----------
    results : xarray.Dataset
        Of a Sobol' design or a plain sample.
    outputs : iterable of str, optional
        All outputs by default. Runs where an output is undefined are left out.
    slices : int, optional
        Equally filled slices of each number; a choice has one slice for each of its values.
    rng : int, SeedSequence or Generator, optional
        Of the dummies.

    Returns
    -------
    xarray.Dataset
        Along ``output`` and ``parameter``: ``pawn`` (median over slices), ``pawn_mean``, ``pawn_max``, and
        ``above_floor``; along ``output``: ``floor`` (95 % of dummies lie below), ``skewness``, ``runs``.
    """
    if isinstance(slices, bool) or not isinstance(slices, int) or not 2 <= slices <= 100:
        raise InputError(f"slices = {slices!r}: must be a whole number from 2 to 100")
    layout = layout_of(results)
    names = output_names(results, layout, outputs)
    runs = independent_runs(results)
    (seed,) = spawn(rng, 1)
    tables = [_table(runs, name, layout.parameters, slices, seed) for name in names]
    data = xr.Dataset(coords={"output": names, "parameter": list(layout.parameters)})
    for key in tables[0]:
        values = np.stack([table[key] for table in tables])
        data[key] = (("output", "parameter")[: values.ndim], values)
    data["above_floor"] = data["pawn"] > data["floor"]
    return data


def _table(
    runs: xr.Dataset, output: str, parameters: Iterable[str], slices: int, rng: np.random.Generator
) -> dict[str, Any]:
    y = runs[output].values.astype(float)
    defined = np.isfinite(y)
    y = y[defined]
    if len(y) < slices * _FEWEST_IN_SLICE:
        raise InputError(f"{output} is defined in {len(y)} plain runs: {slices * _FEWEST_IN_SLICE} are needed")
    whole = _Whole.of(y)
    found = [whole.distances(slice_labels(runs[name].values[defined], slices)) for name in parameters]
    even = np.arange(len(y)) * slices // len(y)
    dummies = [np.median(whole.distances(rng.permutation(even))) for _ in range(_DUMMIES)]
    return {
        "pawn": np.array([np.median(distances) for distances in found]),
        "pawn_mean": np.array([distances.mean() for distances in found]),
        "pawn_max": np.array([distances.max() for distances in found]),
        "floor": np.quantile(dummies, 0.95),
        "skewness": stats.skew(y) if np.ptp(y) > 0 else 0.0,
        "runs": len(y),
    }


def slice_labels(x: NDArray[Any], slices: int) -> NDArray[np.int64]:
    """The slice of each value: equally filled ones of numbers, or one for each of a few distinct values.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Numbers or texts.
    slices : int
    """
    if x.dtype.kind != "f":
        return np.unique(x.astype(str), return_inverse=True)[1]
    order = np.argsort(x, kind="stable")
    if np.count_nonzero(np.diff(x[order])) < slices:
        return np.unique(x, return_inverse=True)[1]
    label = np.empty_like(order)
    label[order] = np.arange(len(x)) * slices // len(x)
    return label


def slice_distances(label: NDArray[np.int64], y: Array) -> Array:
    """Kolmogorov-Smirnov distance between the distribution of `y` in each slice and that of all `y`.

    Parameters
    ----------
    label : ndarray of int, shape (n,)
        The slice of each run, from 0; those that no run is in are left out.
    y : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (slices,)
    """
    return _Whole.of(y).distances(label)


class _Whole(NamedTuple):
    """All runs in the order of an output, and where equal values of it end: only there are distributions compared."""

    order: NDArray[np.intp]
    end: NDArray[np.intp]  # of the equal values that each place belongs to
    before: NDArray[np.intp]  # of the equal values that come before, -1 for the first

    @classmethod
    def of(cls, y: Array) -> "_Whole":
        order = np.argsort(y, kind="stable")
        ends = np.flatnonzero(np.append(np.diff(y[order]) > 0, True))
        lengths = np.diff(ends, prepend=-1)
        return cls(order, np.repeat(ends, lengths), np.repeat(np.append(-1, ends[:-1]), lengths))

    def distances(self, label: NDArray[np.int64]) -> Array:
        """As `slice_distances`."""
        counts = np.bincount(label)
        # Numbers of 16 bits are sorted by their digits, which is several times as fast.
        few = label.astype(np.uint16) if counts.size <= 2**16 else label
        places = np.argsort(few[self.order], kind="stable")
        parts = np.split(places, np.cumsum(counts[counts > 0])[:-1])
        return np.array([self._distance(part) for part in parts])

    def _distance(self, places: NDArray[np.intp]) -> float:
        """Between all runs and those at some places: largest where a step of theirs ends, or just before one."""
        ends = np.concatenate([self.end[places], self.before[places]])
        inside = np.searchsorted(places, ends, side="right") / len(places)
        return float(np.abs(inside - (ends + 1) / len(self.order)).max())
