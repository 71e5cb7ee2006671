"""What a fitted law of flight is judged by: the rows of the comparison table."""

from dataclasses import dataclass, field

import numpy as np

from benchmarks import flight_data as data
from benchmarks.flight_data import Array
from benchmarks.flight_fit import Law, fit, log_predictions, ranges_alone, without
from jetsim.jet.trajectory import trace

_ANGLES = np.arange(20.0, 56.0)
_GAMMAS = np.arange(0.0, 8.01, 0.25)
_STATIONS = 241
ELEVATIONS = (20.0, 25.0, 30.0, 35.0, 40.0, 45.0)


@dataclass(frozen=True)
class Error:
    """Mean absolute error and bias of relative errors, in per cent."""

    absolute: float
    bias: float

    @classmethod
    def of(cls, relative: Array) -> "Error":
        """Of relative errors [-]; NaN rows are left out."""
        return cls(100 * float(np.nanmean(np.abs(relative))), 100 * float(np.nanmean(relative)))

    def __str__(self) -> str:
        return f"{self.absolute:5.2f} {self.bias:+6.2f}"


@dataclass(frozen=True)
class Edge:
    """Upper edge of the plume, one spread angle gamma [deg] for all rows: distance to its apex, and its height."""

    gamma: float
    distance: Error
    height: Error


@dataclass(frozen=True, eq=False)
class Checks:
    """One law's row of the table; errors in per cent.

    `left_out` is the mean absolute error over the rows of the large groups, each judged by a fit without it;
    `best_elevation` the lowest and highest over Theobald's tips and pressures.
    """

    ranges: Error
    left_out: float
    lueger: Error
    freeman: Error
    edge: Edge
    by_elevation: Array = field(repr=False)
    best_elevation: tuple[float, float] = (np.nan, np.nan)
    end_to_end: Error = Error(np.nan, np.nan)


@dataclass(frozen=True, eq=False)
class Fitted:
    """A law with its fit: `constants` by name, `x` in fit coordinates, and the fits without each large group."""

    law: Law
    x: Array
    without_group: dict[str, Array]

    @property
    def constants(self) -> dict[str, float]:
        """Constant to fitted value."""
        return dict(zip(self.law.start, self.law.constants(self.x).tolist(), strict=True))

    def column(self) -> Array:
        """Constants, shape (k, 1)."""
        return self.law.constants(self.x)[:, None]


def fit_with_groups(law: Law, heights_too: bool = True, nozzle_height: float = data.NOZZLE_HEIGHT) -> Fitted:
    """Fit a law to all rows, and to all but each of the large groups."""
    weigh = without if heights_too else ranges_alone
    groups = (None, *data.LARGE_GROUPS)
    if not law.start:
        return Fitted(law, law.first(), {})
    x = fit(law, np.stack([weigh(group) for group in groups]), data.both(nozzle_height))
    return Fitted(law, x[0], dict(zip(data.LARGE_GROUPS, x[1:], strict=True)))


def check(fitted: Fitted, nozzle_height: float = data.NOZZLE_HEIGHT) -> Checks:
    """All checks of a fitted law."""
    cases = data.both(nozzle_height)
    values = np.exp(log_predictions(fitted.law, fitted.x[None], cases)[0])
    error = values[: data.RANGES] / data.RANGE - 1
    heights = values[data.RANGES :]
    return Checks(
        ranges=Error.of(error),
        left_out=_left_out(fitted, nozzle_height),
        lueger=Error.of(heights / data.LUEGER - 1),
        freeman=Error.of(heights / data.FREEMAN - 1),
        edge=upper_edge(fitted, nozzle_height),
        by_elevation=100 * np.array([error[angle == data.ELEVATION].mean() for angle in ELEVATIONS]),
        best_elevation=best_elevations(fitted, nozzle_height),
        end_to_end=_end_to_end(fitted, nozzle_height),
    )


def _left_out(fitted: Fitted, nozzle_height: float) -> float:
    if not fitted.without_group:
        return np.nan
    values = log_predictions(fitted.law, np.stack(list(fitted.without_group.values())), data.both(nozzle_height))
    errors = np.abs(np.exp(values[:, : data.RANGES]) / data.RANGE - 1)
    rows = [errors[n, group == data.GROUP] for n, group in enumerate(fitted.without_group)]
    return 100 * float(np.concatenate(rows).mean())


def _end_to_end(fitted: Fitted, nozzle_height: float) -> Error:
    cases = data.throws(nozzle_height, data.breakup_ratio_end_to_end())
    return Error.of(data.fly_cases(fitted.law.build, fitted.column(), cases).extreme_reach / data.RANGE - 1)


def upper_edge(fitted: Fitted, nozzle_height: float = data.NOZZLE_HEIGHT) -> Edge:
    """Compare `z + s tan(gamma)` along the path s with the seen upper edge; the one best gamma for all rows."""
    rows = np.flatnonzero(np.isfinite(data.HEIGHT))
    cases = data.throws(nozzle_height).take(rows)
    law = fitted.law.build(cases.jet, np.broadcast_to(fitted.column(), (len(fitted.column()), rows.size)))
    x, _, z = trace(law, cases.launch, cases.jet.breakup_length, _STATIONS).position
    path = np.concatenate([np.zeros((1, rows.size)), np.cumsum(np.hypot(np.diff(x, axis=0), np.diff(z, axis=0)), 0)])
    edges = []
    for gamma in _GAMMAS:
        distance, height = _tops(x, z + path * np.tan(np.radians(gamma)))
        errors = Error.of(distance / data.DISTANCE[rows] - 1), Error.of(height / data.HEIGHT[rows] - 1)
        edges.append(Edge(float(gamma), *errors))
    return min(edges, key=lambda edge: edge.distance.absolute + edge.height.absolute)


def _tops(x: Array, z: Array) -> tuple[Array, Array]:
    """Highest point of each column: the parabola through the three highest stations."""
    at, column = np.clip(z.argmax(axis=0), 1, len(z) - 2), np.arange(z.shape[1])
    points = [(x[at + n, column], z[at + n, column]) for n in (-1, 0, 1)]
    (x0, z0), (x1, z1), (x2, z2) = points
    rise, fall = (z1 - z0) / (x1 - x0), (z2 - z1) / (x2 - x1)
    bend = (fall - rise) / (x2 - x0)
    top = np.where(bend < 0, 0.5 * (x0 + x1) - rise / (2 * np.minimum(bend, -1e-12)), x1)
    return top, z1 + (top - x1) * (rise + bend * (top - x0))


def best_elevations(fitted: Fitted, nozzle_height: float = data.NOZZLE_HEIGHT) -> tuple[float, float]:
    """Lowest and highest best elevation [deg] over Theobald's tips and pressures, each with its mean x_b/d."""
    pairs = sorted(set(zip(data.TIP.tolist(), data.PRESSURE.tolist(), strict=True)))
    same = [(tip == data.TIP) & (pressure == data.PRESSURE) for tip, pressure in pairs]
    ratio = np.array([data.BREAKUP_RATIO[rows].mean() for rows in same])
    tip, pressure = np.array(pairs).T
    columns = [np.repeat(v, _ANGLES.size) for v in (tip, data.speed_of(pressure), ratio)]
    cases = data.cases_of(*columns, (np.tile(_ANGLES, len(pairs)), nozzle_height, 0.0))
    reach = data.fly_cases(fitted.law.build, fitted.column(), cases).extreme_reach.reshape(len(pairs), -1)
    top = np.clip(reach.argmax(axis=1), 1, _ANGLES.size - 2)
    before, at, after = (reach[np.arange(len(pairs)), top + n] for n in (-1, 0, 1))
    best = _ANGLES[top] + 0.5 * (before - after) / (before - 2 * at + after)
    return float(best.min()), float(best.max())
