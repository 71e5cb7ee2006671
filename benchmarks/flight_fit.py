"""Fits of laws of flight: many fits of one law at once, their covariance, and bootstrap over groups of throws.

Fits run in coordinates: logarithms of positive constants, exponents as they are. A fit flies all its finite
differences, of all its replicates, in one batch.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchmarks import flight_data as data
from benchmarks.flight_data import Array, Cases, LawBuilder

_LOST = 9.0  # in place of the log of a range or height that is none
# Large enough that rounding and the last bits of landing do not matter, small enough to be linear: see
# `benchmarks/flight_laws.py`, which prints how the covariance depends on it.
STEP = 0.01
_FORWARD = 1e-3  # of the fits' forward differences


@dataclass(frozen=True)
class Law:
    """A law to fit: its builder, and its constants by name with starting values.

    Attributes
    ----------
    name : str
    build : callable
        From the jet and constants of shape (k, n).
    start : mapping of str to float
        Constant to starting value; those in `exponents` are fitted as they are, all others as logarithms.
    exponents : frozenset of str
    farthest : float
        How far from its starting value a constant may go, in fit coordinates.
    """

    name: str
    build: LawBuilder
    start: dict[str, float] = field(default_factory=dict)
    exponents: frozenset[str] = frozenset()
    farthest: float = 3.0

    @property
    def _linear(self) -> NDArray[np.bool_]:
        return np.array([name in self.exponents for name in self.start], dtype=bool)

    def coordinates(self, constants: Array) -> Array:
        """Fit coordinates of constants along the last axis."""
        return np.where(self._linear, constants, np.log(np.where(self._linear, 1.0, constants)))

    def constants(self, coordinates: Array) -> Array:
        """Constants of fit coordinates along the last axis."""
        return np.where(self._linear, coordinates, np.exp(np.where(self._linear, 0.0, coordinates)))

    def first(self) -> Array:
        """Starting point in fit coordinates."""
        return self.coordinates(np.array(list(self.start.values()), dtype=float))


def log_predictions(law: Law, x: Array, cases: Cases) -> Array:
    """Log of predicted ranges and heights, shape (replicates, 77), at coordinates (replicates, k)."""
    constants = law.constants(x)
    columns = np.repeat(constants, cases.size, axis=0).T
    with np.errstate(all="ignore"):  # a fit's worst trials are lost flights: bad results, no warnings
        flight = data.fly_cases(law.build, columns, cases.repeat(len(x)))
        reach = flight.extreme_reach.reshape(len(x), -1)[:, : data.RANGES]
        top = flight.apex_height.reshape(len(x), -1)[:, data.RANGES :]
        logs = np.log(np.concatenate([reach, top], axis=1))
    return np.clip(np.nan_to_num(logs, nan=_LOST), -_LOST, _LOST)


def log_measured() -> Array:
    """Log of measured ranges, then of Lueger's heights."""
    return np.log(np.concatenate([data.RANGE, data.LUEGER]))


def standard_weights() -> Array:
    """Square roots of the weights of all 77 rows: one over standard deviation."""
    heights = np.full(data.HEIGHTS, np.sqrt(data.HEIGHT_WEIGHT) / data.HEIGHT_SD)
    return np.concatenate([np.full(data.RANGES, 1 / data.RANGE_SD), heights])


def without(group: str | None) -> Array:
    """Square-root weights of the fit that leaves out one group."""
    keep = np.ones(data.RANGES + data.HEIGHTS)
    keep[: data.RANGES] = group != data.GROUP
    return standard_weights() * keep


def ranges_alone(group: str | None = None) -> Array:
    """Square-root weights of the fit to the ranges alone, less one group."""
    weights = without(group)
    weights[data.RANGES :] = 0.0
    return weights


def jacobian(law: Law, x: Array, cases: Cases, step: float = 0.0) -> tuple[Array, Array]:
    """Predictions (replicates, 77) and their slopes (replicates, 77, k): central differences if a step is given."""
    k = x.shape[1]
    ahead, back = (step, step) if step else (_FORWARD, 0.0)
    shifts = np.concatenate([np.zeros((1, k)), ahead * np.eye(k), -back * np.eye(k) if back else np.empty((0, k))])
    points = (x[:, None] + shifts).reshape(-1, k)
    values = log_predictions(law, points, cases).reshape(len(x), len(shifts), -1)
    behind = values[:, k + 1 :] if back else values[:, :1]
    slopes = (values[:, 1 : k + 1] - behind) / (ahead + back)
    return values[:, 0], np.swapaxes(slopes, 1, 2)


def fit(law: Law, weights: Array, cases: Cases, shift: Array | float = 0.0, rounds: int = 25) -> Array:
    """Damped Gauss-Newton of many weighted least-squares fits at once.

    Parameters
    ----------
    law : Law
    weights : ndarray, shape (replicates, 77)
        Square-root weights of the rows in each fit.
    cases : Cases
        The throws, then the vertical streams.
    shift : array_like, shape (replicates, 77), optional
        Added to the measured logarithms.
    rounds : int, optional
        Most iterations.

    Returns
    -------
    ndarray, shape (replicates, k)
        Fit coordinates.
    """
    target = log_measured() + np.broadcast_to(shift, weights.shape)
    first = law.first()
    x = np.tile(first, (len(weights), 1))
    best, slopes = jacobian(law, x, cases)
    cost, damping = _cost(weights, best - target), np.full(len(x), 1e-3)
    active = np.arange(len(x))
    for _ in range(rounds):
        error = weights[active] * (best[active] - target[active])
        move = _damped(weights[active, :, None] * slopes[active], error, damping[active])
        move = np.clip(x[active] + move, first - law.farthest, first + law.farthest) - x[active]
        tried, tried_slopes = jacobian(law, x[active] + move, cases)
        new = _cost(weights[active], tried - target[active])
        gain = cost[active] - new
        better = active[gain > 0]
        x[better] += move[gain > 0]
        best[better], slopes[better], cost[better] = tried[gain > 0], tried_slopes[gain > 0], new[gain > 0]
        damping[active] *= np.where(gain > 0, 0.2, 10.0)
        active = active[~((np.abs(gain) < 1e-6 * cost[active]) | (damping[active] > 1e6))]
        if active.size == 0:
            break
    return x


def _cost(weights: Array, error: Array) -> Array:
    return np.asarray(((weights * error) ** 2).sum(axis=-1))


def _damped(slopes: Array, error: Array, damping: Array) -> Array:
    normal = np.einsum("rmi,rmj->rij", slopes, slopes)
    diagonal = np.einsum("rii->ri", normal)
    damped = normal + np.einsum("ri,ij->rij", damping[:, None] * diagonal + 1e-9, np.eye(normal.shape[1]))
    move = -np.linalg.solve(damped, np.einsum("rmi,rm->ri", slopes, error)[..., None])[..., 0]
    return np.clip(move, -0.5, 0.5)


def covariance(law: Law, x: Array, weights: Array, cases: Cases, step: float = STEP) -> tuple[Array, float, Array]:
    """Gauss-Newton covariance of the fit coordinates, scaled by the scatter of the fitted ranges.

    Returns
    -------
    covariance : ndarray, shape (k, k)
    scatter : float
        Standard deviation of ln range around the law, over the fitted ranges.
    slopes : ndarray, shape (77, k)
    """
    values, slopes = (a[0] for a in jacobian(law, x[None], cases, step))
    used = np.flatnonzero(weights[: data.RANGES])
    error = (values - log_measured())[used]
    scatter = float(np.sqrt((error**2).sum() / (used.size - x.size)))
    weighted = weights[:, None] * slopes
    return np.linalg.inv(weighted.T @ weighted) * (scatter / data.RANGE_SD) ** 2, scatter, slopes


def bootstrap(law: Law, replicates: int, cases: Cases, rng: np.random.Generator, height_error: float) -> Array:
    """Refits to groups of throws drawn with replacement, shape (replicates, k).

    Each replicate also draws one common error of the height formula, standard deviation `height_error` of ln height:
    its rows share one memory of one formula.
    """
    drawn = rng.integers(0, len(data.GROUPS), (replicates, len(data.GROUPS)))
    counts = np.stack([(drawn == g).sum(axis=1) for g in range(len(data.GROUPS))], axis=1)
    rows = np.array([data.GROUPS.index(g) for g in data.GROUP])
    weights = np.tile(standard_weights(), (replicates, 1))
    weights[:, : data.RANGES] *= np.sqrt(counts[:, rows])
    shift = np.zeros_like(weights)
    shift[:, data.RANGES :] = rng.normal(0.0, height_error, (replicates, 1))
    return fit(law, weights, cases, shift)
