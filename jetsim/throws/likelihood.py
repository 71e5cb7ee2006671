"""Likelihood of throws: normal readings, with errors that all readings of one throw share.

A gauge that is misread, a nozzle that is held a little too high and a gust after the wind was read move everything that
is read of that throw together. Such errors are integrated out in closed form: the covariance of a throw's readings is
diagonal plus a term of low rank (matrix inversion lemma). Solid, given that readings are normal and the effects linear.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from jetsim.experiment.calibration import LogLikelihood
from jetsim.throws import expected, model
from jetsim.throws.emulated import Emulated
from jetsim.throws.question import FieldTest
from jetsim.throws.sheet import Sheet

Array = NDArray[np.float64]


def log_density(residuals: Array, scatters: Array, shared: Array) -> Array:
    """Log-density of readings, up to a constant, summed over throws.

    Parameters
    ----------
    residuals : ndarray, shape (draws, columns, throws)
        Reading over what is expected, minus 1; 0 where there is no reading.
    scatters : ndarray, shape (draws, columns, throws)
        Standard deviation of each residual on its own; infinite where there is no reading.
    shared : ndarray, shape (errors, columns, throws)
        What one standard deviation of each error, independent from throw to throw, adds to the residuals.

    Returns
    -------
    ndarray, shape (draws,)
    """
    weights = scatters**-2.0
    own = (weights * residuals**2).sum(axis=1)
    explained, spread = _shared_part(weights, weights * residuals, shared)
    logs = np.where(weights > 0, np.log(np.where(weights > 0, scatters, 1.0)), 0.0).sum(axis=1)
    return np.asarray((-0.5 * (own - explained) - spread - logs).sum(axis=1))


def _shared_part(weights: Array, weighted: Array, shared: Array) -> tuple[Array, Array]:
    """What shared errors explain of the squares, and half the log-determinant that they add; shape (draws, throws).

    Forward substitution with the Cholesky factor of ``1 + S' W S``, row by row for all draws and throws.
    """
    factor: list[list[Array]] = []
    solved: list[Array] = []
    for i, effect in enumerate(shared):
        row: list[Array] = []
        for j in range(i):
            inner = np.einsum("dct,ct->dt", weights, effect * shared[j])
            row.append((inner - sum(a * b for a, b in zip(row, factor[j], strict=False))) / factor[j][j])
        own = 1 + np.einsum("dct,ct->dt", weights, effect**2)
        seen = np.einsum("dct,ct->dt", weighted, effect)
        end = np.sqrt(own - sum(a * a for a in row))
        solved.append((seen - sum(a * y for a, y in zip(row, solved, strict=False))) / end)
        factor.append([*row, end])
    explained = np.sum([y**2 for y in solved], axis=0)
    return explained, np.sum([np.log(row[-1]) for row in factor], axis=0)


def likelihood(test: FieldTest, sheet: Sheet, emulated: Emulated) -> LogLikelihood:
    """Log-likelihood of the throws that count: readings are normal about what is expected.

    Each reading scatters by the stream's own scatter and by its instrument's error; elevation, the gauge's reading
    and the wind's err for all readings of a throw together. Readings that the sheet lacks take no part; unknowns that
    give a stream which cannot be simulated have no likelihood.
    """
    readings = np.array([sheet.numbers[column] for column in expected.COMPARED])
    given = ~np.isnan(readings)
    shared = np.where(given, emulated.shared_errors, 0.0)

    def log_likelihood(values: Mapping[str, Array]) -> Array:
        shown = emulated.expected(values)
        residuals = np.array([readings[k] / shown[column] - 1 for k, column in enumerate(expected.COMPARED)])
        scatters = np.array([expected.relative_scatter(test, c, shown[c], values) for c in expected.COMPARED])
        residuals, scatters = residuals.swapaxes(0, 1), scatters.swapaxes(0, 1)
        middle = np.array([shown[column] for column in expected.COMPARED]).swapaxes(0, 1)
        # Residuals are shares of what is expected, so its logarithm belongs to the density.
        sizes = np.log(np.where(given, middle, 1.0)).sum(axis=(1, 2))
        density = log_density(np.where(given, residuals, 0.0), np.where(given, scatters, np.inf), shared)
        return np.where(model.possible(test, values), density - sizes, -np.inf)

    return log_likelihood
