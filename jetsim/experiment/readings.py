"""What a reading would tell of an output: the expected fall of its variance, from a plain sample of both.

The variance of an output that is expected to be left once a reading is known is ``E[Var(y | r)]``; the fall is the
rest, ``Var(E[y | r]) / Var(y)``. The conditional mean is estimated from runs in which output and reading were drawn
together: straight lines (planes) in cells of equal count along the reading, with the share of variance corrected for
the number of their coefficients, as in adjusted R2. The reading carries its error, so nothing is assumed of which
inputs it shows.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from jetsim.errors import InputError

Array = NDArray[np.float64]
# Runs for each cell at least, most cells along one reading.
_RUNS, _CELLS = 40, 32


class Fall(NamedTuple):
    """Expected fall of a variance as a share of it, with the ends of its interval."""

    share: float
    low: float
    high: float


def expected_fall(readings: ArrayLike, output: ArrayLike, parts: ArrayLike, confidence: float = 0.95) -> Fall:
    """Share of an output's variance that readings are expected to take away.

    Parameters
    ----------
    readings : array_like, shape (n, k)
        Readings of each run, their errors in them; runs must be independent draws.
    output : array_like, shape (n,)
    parts : array_like of int, shape (n,)
        Which independent part of the sample a run belongs to, two parts or more: their spread gives the interval.
    confidence : float, optional

    Returns
    -------
    Fall
        About 0 where the readings tell nothing, so it may be negative; NaN where the output is constant.

    Raises
    ------
    InputError
        Shapes do not fit, values are not finite, there are fewer than two parts, or too few runs.
    """
    x, y, labels = np.asarray(readings, dtype=float), np.asarray(output, dtype=float), np.asarray(parts)
    if x.ndim != 2 or y.shape != x.shape[:1] or labels.shape != y.shape:
        raise InputError(f"readings of shape {x.shape}, outputs {y.shape}, parts {labels.shape}: must be (n, k), n, n")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise InputError("readings and outputs must be finite: leave out runs in which one is undefined")
    names = np.unique(labels)
    if len(names) < 2 or len(y) < 2 * _RUNS:
        raise InputError(f"{len(y)} runs in {len(names)} parts: at least {2 * _RUNS} runs in 2 parts are needed")
    if np.ptp(y) == 0:
        return Fall(np.nan, np.nan, np.nan)
    share = _share(x, y)
    left_out = np.array([_share(x[labels != name], y[labels != name]) for name in names])
    # Jackknife over the parts: Quenouille and Tukey's, from any textbook.
    error = np.sqrt((len(names) - 1) * np.mean((left_out - left_out.mean()) ** 2))
    half = float(error * stdtrit(len(names) - 1, (1 + confidence) / 2))
    return Fall(share, share - half, share + half)


def _share(x: Array, y: Array) -> float:
    """Adjusted R2 of planes in cells."""
    cells = _cells(x)
    left, coefficients = 0.0, 0
    for cell in cells:
        terms = np.column_stack([np.ones(len(cell)), x[cell] - x[cell].mean(axis=0)])
        solution, _, rank, _ = np.linalg.lstsq(terms, y[cell], rcond=None)
        left += float(np.sum((y[cell] - terms @ solution) ** 2))
        coefficients += int(rank)
    total = float(np.sum((y - y.mean()) ** 2))
    return 1 - left / total * (len(y) - 1) / (len(y) - coefficients)


def _cells(x: Array) -> Sequence[NDArray[np.intp]]:
    """Rows of each cell: parts of equal count along the first reading, each parted along the next."""
    count, dimensions = x.shape
    each = min(_CELLS, max(1, round((count / _RUNS) ** (1 / dimensions))))
    cells = [np.arange(count)]
    for column in x.T:
        cells = [part for cell in cells for part in np.array_split(cell[np.argsort(column[cell])], each)]
    return cells
