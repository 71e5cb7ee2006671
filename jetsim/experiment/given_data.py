"""First-order shares from runs as they are, such as those of the throws that reach a target.

Among such runs the inputs are no longer independent, so the crossed runs of a design say nothing there. What is left is
the correlation ratio, the variance of the conditional mean over the variance: for each input on its own, by regression.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np
import xarray as xr
from numpy.polynomial import legendre
from numpy.typing import NDArray

from jetsim.experiment.ensemble import layout_of
from jetsim.experiment.outputs import add_interval, check_confidence, independent_runs, output_names

Array = NDArray[np.float64]
DEGREE = 4
# Runs in each part of the replicates that gives an estimate of its own, and parts for an interval.
FEWEST_RUNS, FEWEST_PARTS = 40, 4


def first_order_given(
    results: xr.Dataset, outputs: Iterable[str] | None = None, confidence: float = 0.95
) -> xr.Dataset:
    """First-order shares among those plain runs of which an output is defined.

    The conditional mean along each input is a polynomial of fourth degree of its value (a mean for each text of a
    choice); its share of the variance is corrected for the number of terms (adjusted R2). Replicates that hold few such
    runs are taken together. Of tied inputs the value itself is meant, with all that it tells of the others.

    Parameters
    ----------
    results : xarray.Dataset
        Of a Sobol' design; its plain runs are used.
    outputs : iterable of str, optional
        All by default.
    confidence : float, optional
        Of each interval.

    Returns
    -------
    xarray.Dataset
        Along ``output`` and ``parameter``: ``S1`` with ``_low``, ``_high`` and ``_replicates`` (Student's t over the
        parts); along ``output``: ``used_share`` of the plain runs. Coordinate ``reason``: why there is no estimate.
    """
    layout = layout_of(results)
    names = output_names(results, layout, outputs)
    check_confidence(confidence)
    runs = independent_runs(results)
    parts = _parts(runs, names)
    inputs = list(layout.parameters)
    data = xr.Dataset(coords={"output": names, "parameter": inputs})
    shares = np.full((max(len(parts), 2), len(names), len(inputs)), np.nan)
    for place, rows in enumerate(parts):
        part = runs.isel(sample=rows)
        for number, name in enumerate(names):
            y = part[name].values.astype(float)
            defined = np.isfinite(y)
            shares[place, number] = [correlation_ratio(part[x].values[defined], y[defined]) for x in inputs]
    data["S1_replicates"] = (("replicate", "output", "parameter"), shares)
    add_interval(data, "S1", confidence)
    used = [float(np.isfinite(runs[name].values.astype(float)).mean()) for name in names]
    data["used_share"] = ("output", used)
    data.coords["reason"] = ("output", [_reason(data["S1"].sel(output=name).values) for name in names])
    data.attrs["confidence"] = confidence
    return data


def _reason(shares: Array) -> str:
    if np.isfinite(shares).all():
        return ""
    return f"it takes {FEWEST_PARTS * FEWEST_RUNS} or more of them, spread over all replicates, that differ"


def _parts(runs: xr.Dataset, names: list[str]) -> list[NDArray[np.intp]]:
    """Rows of as many parts of the replicates as hold enough runs of which every output is defined; none if too few."""
    defined = np.logical_and.reduce([np.isfinite(runs[name].values.astype(float)) for name in names])
    replicate = runs["replicate"].values
    for count in range(int(replicate.max()) + 1, FEWEST_PARTS - 1, -1):
        groups = np.array_split(np.arange(replicate.max() + 1), count)
        rows = [np.flatnonzero(np.isin(replicate, group)) for group in groups]
        if min(int(defined[part].sum()) for part in rows) >= FEWEST_RUNS:
            return rows
    return []


def correlation_ratio(x: NDArray[Any], y: Array) -> float:
    """Share of the variance of `y` that the mean of `y` given `x` carries, corrected for the number of terms.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Numbers, or texts.
    y : ndarray, shape (n,)

    Returns
    -------
    float
        Around 0 where `x` tells nothing, so it may be negative; NaN where `y` is constant or `n` is too small.
    """
    terms = _terms(x)
    count, columns = terms.shape
    total = float(((y - y.mean()) ** 2).sum()) if count else 0.0
    if count <= columns or total == 0.0:
        return float("nan")
    fitted = terms @ np.linalg.lstsq(terms, y, rcond=None)[0]
    left = float(((y - fitted) ** 2).sum())
    return float(1 - left / total * (count - 1) / (count - columns))


def _terms(x: NDArray[Any]) -> Array:
    """Columns of the regression: polynomials of numbers, one for each of a few values, shape (n, terms)."""
    values, place = np.unique(x if x.dtype.kind == "f" else x.astype(str), return_inverse=True)
    if x.dtype.kind != "f" or len(values) <= DEGREE:
        return np.asarray(np.eye(len(values))[place])
    low, high = values[0], values[-1]
    return np.asarray(legendre.legvander((2 * x - low - high) / (high - low), DEGREE))
