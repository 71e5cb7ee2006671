"""Likelihood of throws: normal readings, with errors that all readings of one throw share.

A gauge that is misread, a nozzle that is held a little too high and a gust after the wind was read move everything that
is read of that throw together. Such errors are integrated out in closed form: the covariance of a throw's readings is
diagonal plus a term of low rank (matrix inversion lemma). Solid, given that readings are normal and the effects linear.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from jetsim.throws import expected, model
from jetsim.throws.emulated import Emulated
from jetsim.throws.question import FieldTest
from jetsim.throws.sheet import Sheet

Array = NDArray[np.float64]


def log_density(residuals: Array, weights: Array, shared: Array) -> Array:
    """Log-density of readings, up to a constant, summed over throws.

    Parameters
    ----------
    residuals : ndarray, shape (columns, throws, draws)
        Reading over what is expected, minus 1; 0 where there is no reading.
    weights : ndarray, shape (columns, throws, draws)
        One over the variance of each residual on its own; 0 where there is no reading.
    shared : ndarray, shape (errors, columns, throws)
        What one standard deviation of each error, independent from throw to throw, adds to the residuals.

    Returns
    -------
    ndarray, shape (draws,)
    """
    weighted = weights * residuals
    explained, spread = _shared_part(weights, weighted, shared)
    own = np.einsum("ctd,ctd->d", weighted, residuals)
    logs = _log_product(np.where(weights > 0, weights, 1.0))
    return np.asarray(0.5 * (explained - own + logs) - spread)


def _log_product(values: Array) -> Array:
    """Logarithm of the product over columns and throws, with one logarithm for each throw; shape (draws,)."""
    return np.asarray(np.log(values.prod(axis=0)).sum(axis=0))


def _shared_part(weights: Array, weighted: Array, shared: Array) -> tuple[Array, Array]:
    """What shared errors explain of the squares, and half the log-determinant that they add; shape (draws,).

    Forward substitution with the Cholesky factor of ``1 + S' W S``, row by row for all throws and draws.
    """
    effects = shared.transpose(2, 0, 1)  # (throws, errors, columns)
    seen = effects @ weighted.swapaxes(0, 1)  # (throws, errors, draws)
    first, second = np.tril_indices(len(shared))
    inner = (effects[:, first] * effects[:, second]) @ weights.swapaxes(0, 1)
    pairs = dict(zip(zip(first.tolist(), second.tolist(), strict=True), inner.swapaxes(0, 1), strict=True))
    factor: list[list[Array]] = []
    solved: list[Array] = []
    for i in range(len(shared)):
        row: list[Array] = []
        for j in range(i):
            row.append((pairs[i, j] - sum(a * b for a, b in zip(row, factor[j], strict=False))) / factor[j][j])
        end = np.sqrt(1 + pairs[i, i] - sum(a * a for a in row))
        solved.append((seen[:, i] - sum(a * y for a, y in zip(row, solved, strict=False))) / end)
        factor.append([*row, end])
    explained = sum((y**2 for y in solved), np.zeros(1)).sum(axis=0)
    return explained, np.log(np.prod([row[-1] for row in factor], axis=0)).sum(axis=0)


@dataclass(frozen=True, eq=False)
class Likelihood:
    """Log-likelihood of the throws that count: readings are normal about what is expected.

    Each reading scatters by the stream's own scatter and by its instrument's error; elevation, the gauge's reading
    and the wind's err for all readings of a throw together. Readings that the sheet lacks take no part; unknowns that
    give a stream which cannot be simulated have no likelihood.
    """

    test: FieldTest
    sheet: Sheet
    emulated: Emulated

    @cached_property
    def _readings(self) -> Array:
        return np.array([self.sheet.numbers[column] for column in expected.COMPARED])[:, :, None]

    @cached_property
    def _shared(self) -> Array:
        return np.where(np.isnan(self._readings[..., 0]), 0.0, self.emulated.shared_errors)

    def __call__(self, values: Mapping[str, Array]) -> Array:
        """Of shape (draws,), at unknowns by name."""
        # One set-up after another, so that arrays stay in the cache.
        parts = (self._of_throws(at, shown, values) for at, shown in self.emulated.by_setup(values))
        return np.where(model.possible(self.test, values), sum(parts, np.zeros(1)), -np.inf)

    def _of_throws(self, at: NDArray[np.intp], shown: Mapping[str, Array], values: Mapping[str, Array]) -> Array:
        """Log-density of the readings of some throws."""

        def each(function: Callable[[str], Array]) -> Array:
            return np.array([function(column).T for column in expected.COMPARED])

        readings, middle = self._readings[:, at], each(lambda column: shown[column])
        weights = each(lambda column: 1 / expected.relative_variance(self.test, column, shown[column], values))
        if not (given := ~np.isnan(readings)).all():
            readings, middle, weights = (np.where(given, *pair) for pair in ((readings, 1), (middle, 1), (weights, 0)))
        # Residuals are shares of what is expected, so its logarithm belongs to the density.
        return log_density(readings / middle - 1, weights, self._shared[:, :, at]) - _log_product(middle)
