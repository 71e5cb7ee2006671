"""The start of every flight: launch, and the drag-free core up to the breakup length, in closed form."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from jetsim.units import STANDARD_GRAVITY as G

Array = NDArray[np.float64]

_TINY = 1e-300


class Launch(NamedTuple):
    """Launch of each case; arrays of shape (n,): speed [m/s], elevation [deg], heights [m]."""

    speed: Array
    elevation: Array
    nozzle_height: Array
    target_height: Array


@dataclass
class Flight:
    """Where the water went; arrays of shape (n,), SI, NaN where undefined.

    Attributes
    ----------
    extreme_reach, lateral_drift, flight_time : ndarray
        At the crossing of the target height going down: downrange distance from the point below the tip,
        drift to the thrower's left, time [m, m, s]. NaN where the stream never gets there.
    apex_height, apex_distance : ndarray
        Height above ground, and downrange distance, of the highest point [m].
    breakup_distance : ndarray
        Downrange distance at which the path length equals the breakup length [m]; where the water lands
        earlier, that of the path carried on.
    breakup_height : ndarray
        Height above ground there [m].
    landed_before_breakup : ndarray of bool
    """

    extreme_reach: Array
    lateral_drift: Array
    flight_time: Array
    apex_height: Array
    apex_distance: Array
    breakup_distance: Array
    breakup_height: Array
    landed_before_breakup: NDArray[np.bool_]

    @property
    def lost(self) -> NDArray[np.bool_]:
        """Flights that the law cannot follow to their end: they have not even an apex."""
        return np.isnan(self.apex_height)

    def lose(self, cases: NDArray[np.intp]) -> None:
        """Give up some flights."""
        for result in (self.extreme_reach, self.lateral_drift, self.flight_time, self.apex_height, self.apex_distance):
            result[cases] = np.nan


class Core:
    """The drag-free start: a parabola in closed form."""

    def __init__(self, launch: Launch) -> None:
        angle = np.deg2rad(launch.elevation)
        self.along = launch.speed * np.cos(angle)
        self.up = launch.speed * np.sin(angle)
        self.height = launch.nozzle_height

    def time_of_path(self, length: Array) -> Array:
        """Time at which the path is `length` long, by Newton on the closed-form arc length."""
        start, speed = self._arc(self.up), np.hypot(self.along, self.up)
        time = length / speed
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):  # of a trickle, which has no series
            bend = G * time / (speed * speed)
            series = time * (1 + bend * (0.5 * self.up + bend * (2 / 3 * self.up * self.up - speed * speed / 6)))
            time = np.where(bend * speed < 0.2, series, time)
        for _ in range(60):
            up = self.up - G * time
            excess = (start - self._arc(up)) / (2 * G) - length
            step = excess / np.maximum(np.hypot(self.along, up), 1e-3)
            time = np.maximum(time - step, 0.0)
            # Rounding of the arcs keeps steps of this size coming; where it is more of the time they never end.
            if np.all(np.abs(step) <= 1e-9 * time):
                break
        return np.asarray(time)

    def _arc(self, up: Array) -> Array:
        """Twice g times the arc length between the apex and the point with upward speed `up`."""
        square = self.along * self.along
        level = np.maximum(np.abs(self.along), _TINY)
        return np.asarray(up * np.sqrt(square + up * up) + square * np.arcsinh(up / level))

    def position(self, time: Array) -> Array:
        """Along, across, above ground; (3, n)."""
        up = self.height + time * (self.up - 0.5 * G * time)
        return np.stack([self.along * time, np.zeros_like(up), up])

    def velocity(self, time: Array) -> Array:
        """Along, across, up; (3, n)."""
        return np.stack([self.along, np.zeros_like(self.up), self.up - G * time])

    def landing_time(self, target: Array) -> Array:
        """Time of crossing `target` going down; NaN where the parabola never gets there."""
        return fall_time(self.up, self.height - target)


def heading(level: Array) -> tuple[Array, Array]:
    """Size (n,) and direction (2, n) of level velocities; straight along the throw where there is none."""
    size = np.hypot(*level)
    along = np.array([[1.0], [0.0]])
    return size, np.where(size > 0, level / np.where(size > 0, size, 1.0), along)


def fall_time(up: Array, above: Array) -> Array:
    """Drag-free time to come down to a level `above` metres below the start [s]; NaN where too high.

    The form avoids the cancellation of the textbook root when the start falls from just above the level.
    """
    discriminant = up * up + 2 * G * above
    root = np.sqrt(np.where(discriminant >= 0, discriminant, np.nan))
    falling = 2 * above / np.maximum(root - up, _TINY)
    time = np.where(up > 0, (up + root) / G, falling)
    return np.asarray(np.where((time >= 0) & ((up > 0) | (above >= 0)), time, np.nan))


def core_results(core: Core, launch: Launch, broken: Array, position: Array) -> Flight:
    """What the core alone decides: breakup point, an apex or a landing before breakup."""
    landing = core.landing_time(launch.target_height)
    lands = landing <= broken
    landed = core.position(np.where(lands, landing, np.nan))
    apex = core.position(np.maximum(core.up, 0.0) / G)
    in_core = core.up <= G * broken
    return Flight(
        extreme_reach=landed[0],
        lateral_drift=np.where(lands, 0.0, np.nan),
        flight_time=np.where(lands, landing, np.nan),
        apex_height=np.where(in_core, apex[2], np.nan),
        apex_distance=np.where(in_core, apex[0], np.nan),
        breakup_distance=position[0],
        breakup_height=position[2],
        landed_before_breakup=lands,
    )
