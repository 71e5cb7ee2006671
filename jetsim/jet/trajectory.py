"""The flown path: launch, drag-free core, spray, apex and landing, for all cases at once.

The core up to the breakup length is a parabola in closed form, so no step ever straddles the jump in drag at
breakup. Beyond it an eighth-order Runge-Kutta method advances whole arrays, with steps that grow from a cubic start:
the air begins to move at breakup, and everything changes fastest there. Apex and landing are found on the
fifth-degree Hermite polynomial of their step. The tests hold the reach against an event-split DOP853 at rtol 1e-12.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from jetsim.jet.drag import DragLaw
from jetsim.jet.runge_kutta import NODES, STAGES
from jetsim.units import STANDARD_GRAVITY as G

Array = NDArray[np.float64]

# Steps over the drag-free flight time: they hold the reach to 1e-6 even in steep flights against the wind.
STEPS = 26
# A flight that takes more steps is not a fire stream but fog settling for minutes: an error, never a guess.
MOST_STEPS = 500 * STEPS
# Where the steps' cubic start turns into even steps, in shares of the flight time.
_TURN = 1.0
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


class _Step(NamedTuple):
    """One step of some cases in Hermite form: position, velocity, acceleration (3, n) at both ends."""

    length: Array
    start: tuple[Array, Array, Array]
    end: tuple[Array, Array, Array]

    def take(self, cases: NDArray[np.intp]) -> "_Step":
        start, end = (tuple(a[:, cases] for a in side) for side in (self.start, self.end))
        return _Step(self.length[cases], start, end)  # type: ignore[arg-type] # triples stay triples

    def coefficients(self) -> Array:
        """Fifth-degree polynomials in u = t/length, shape (6, 3, n)."""
        h = self.length
        p0, v0, a0 = self.start[0], self.start[1] * h, self.start[2] * (h * h / 2)
        p1, v1, a1 = self.end[0], self.end[1] * h, self.end[2] * (h * h / 2)
        gap = p1 - p0
        c3 = 10 * gap - 6 * v0 - 4 * v1 - 3 * a0 + a1
        c4 = -15 * gap + 8 * v0 + 7 * v1 + 3 * a0 - 2 * a1
        c5 = 6 * gap - 3 * (v0 + v1) - a0 + a1
        return np.stack([p0, v0, a0, c3, c4, c5])


def _polynomial(c: Array, u: Array) -> Array:
    """Value at u of polynomials with coefficients in rising order along the first axis."""
    value = c[-1] * u + c[-2]
    for row in c[-3::-1]:
        value = value * u + row
    return np.asarray(value)


def _derivative(c: Array) -> Array:
    return np.asarray(c[1:] * np.arange(1, len(c)).reshape(-1, *[1] * (c.ndim - 1)))


def _root_from(c: Array, u: Array) -> Array:
    """Newton's root of polynomials (degree + 1, n) near u; quadratic, so six rounds are ample."""
    slope = _derivative(c)
    for _ in range(6):
        u = u - _polynomial(c, u) / _polynomial(slope, u)
    return u


class _Core:
    """The drag-free start: a parabola in closed form."""

    def __init__(self, launch: Launch) -> None:
        angle = np.deg2rad(launch.elevation)
        self.along = launch.speed * np.cos(angle)
        self.up = launch.speed * np.sin(angle)
        self.height = launch.nozzle_height

    def time_of_path(self, length: Array) -> Array:
        """Time at which the path is `length` long, by Newton on the closed-form arc length."""
        start = self._arc(self.up)
        time = length / np.hypot(self.along, self.up)
        for _ in range(60):
            up = self.up - G * time
            excess = (start - self._arc(up)) / (2 * G) - length
            step = excess / np.maximum(np.hypot(self.along, up), 1e-3)
            time = np.maximum(time - step, 0.0)
            if np.all(np.abs(step) <= 1e-14 * time):
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


def fall_time(up: Array, above: Array) -> Array:
    """Drag-free time to come down to a level `above` metres below the start [s]; NaN where too high.

    The form avoids the cancellation of the textbook root when the start falls from just above the level.
    """
    discriminant = up * up + 2 * G * above
    root = np.sqrt(np.where(discriminant >= 0, discriminant, np.nan))
    falling = 2 * above / np.maximum(root - up, _TINY)
    time = np.where(up > 0, (up + root) / G, falling)
    return np.asarray(np.where((time >= 0) & ((up > 0) | (above >= 0)), time, np.nan))


@dataclass
class Trace:
    """Points on the flown paths at given times; `time` (stations, n), `position` (3, stations, n), SI.

    Points at times beyond the flight, or NaN, stay NaN.
    """

    time: Array
    position: Array

    @classmethod
    def even(cls, flight_time: Array, stations: int) -> "Trace":
        """Stations evenly spread in time from the tip to the landing."""
        time = np.linspace(0.0, 1.0, stations)[:, None] * flight_time
        return cls(time, np.full((3, *time.shape), np.nan))

    def add_core(self, core: "_Core", until: Array) -> None:
        """Fill in the stations within the core."""
        inside = self.time <= until
        self.position = np.where(inside, core.position(self.time), self.position)

    def add_step(self, step: "_Step", start: Array, cases: NDArray[np.intp]) -> None:
        """Fill in the stations within one step of the given cases."""
        station, column = np.nonzero((self.time[:, cases] > start) & (self.time[:, cases] <= start + step.length))
        time = self.time[station, cases[column]]
        u = (time - start[column]) / step.length[column]
        self.position[:, station, cases[column]] = _polynomial(step.take(column).coefficients(), u)


def trace(law: DragLaw, launch: Launch, breakup_length: Array, stations: int) -> Trace:
    """Points on each case's path, evenly spread in time from tip to landing; NaN where it never lands.

    Parameters
    ----------
    law, launch, breakup_length
        As in `fly`.
    stations : int
        Points on each path, at least 2.
    """
    points = Trace.even(fly(law, launch, breakup_length).flight_time, stations)
    fly(law, launch, breakup_length, points)
    return points


def fly(law: DragLaw, launch: Launch, breakup_length: Array, points: Trace | None = None) -> Flight:
    """Fly every case to its target height.

    Parameters
    ----------
    law : DragLaw
        Drag beyond the breakup length, for the same cases.
    launch : Launch
        Arrays of shape (n,).
    breakup_length : ndarray, shape (n,)
        Path length of the drag-free core [m].
    points : Trace, optional
        Filled in on the way.

    Returns
    -------
    Flight

    Raises
    ------
    ArithmeticError
        A flight does not come down within any sensible time.
    """
    core = _Core(launch)
    broken = core.time_of_path(breakup_length)
    position, velocity = core.position(broken), core.velocity(broken)
    flight = _core_results(core, launch, broken, position)
    if points is not None:
        points.add_core(core, broken)
    march = _March(law, launch.target_height, broken, position, velocity)
    march.run(flight, points)
    return flight


def _core_results(core: _Core, launch: Launch, broken: Array, position: Array) -> Flight:
    """What the core alone decides: breakup point, an apex or a landing before breakup."""
    landing = core.landing_time(launch.target_height)
    lands = landing <= broken
    landed = core.position(np.where(lands, landing, np.nan))
    apex = core.position(np.maximum(core.up, 0.0) / G)
    in_core = core.up <= G * broken
    return Flight(
        extreme_reach=landed[0],
        lateral_drift=landed[1],
        flight_time=np.where(lands, landing, np.nan),
        apex_height=np.where(in_core, apex[2], np.nan),
        apex_distance=np.where(in_core, apex[0], np.nan),
        breakup_distance=position[0],
        breakup_height=position[2],
        landed_before_breakup=lands,
    )


def _clock(step: float) -> tuple[float, float]:
    """Share of the drag-free flight time after so many steps, and its rate per step: cubic at first, then even."""
    tau = step / STEPS
    share = tau * (tau * (1 + _TURN) / (tau + _TURN)) ** 2
    rate = (1 + _TURN) ** 2 * tau**2 * (tau + 3 * _TURN) / (tau + _TURN) ** 3
    return share, rate / STEPS


class _March:
    """The spray stage: advances the cases still in the air and writes their apex and landing."""

    def __init__(self, law: DragLaw, target: Array, time: Array, position: Array, velocity: Array) -> None:
        self.law = law
        self.cases = np.arange(time.size)
        self.target = target
        self.breakup = time
        self.position = position.copy()
        self.y = np.concatenate([velocity, law.start(time, velocity)])
        expected = fall_time(velocity[2], position[2] - target)
        # Cases that cannot reach their target fly to their apex and a little on, to be seen not to.
        scale = np.where(expected > 0, expected, np.abs(velocity[2]) / G + 0.1)
        self.scale = np.minimum(scale, np.asarray(law.longest_step) * STEPS / (1 + _TURN) ** 2)
        self.number = 0
        self._allocate()
        law.rates(time, self.y, self.stages[0])
        self.accelerations[0][:] = self.stages[0][:3]

    def _allocate(self) -> None:
        """Work arrays, kept from step to step: fresh large arrays would cost more than the arithmetic."""
        rows, cases = self.y.shape
        self.stages = np.empty((13, rows, cases))
        self.velocities = np.empty((12, 3, cases))
        self.ends = [np.empty((rows, cases)), np.empty((rows, cases))]
        self.places = [np.empty((3, cases)), np.empty((3, cases))]
        self.accelerations = [np.empty((3, cases)), np.empty((3, cases))]

    def run(self, flight: Flight, points: Trace | None) -> None:
        """March until every case has come down or is seen never to reach its target."""
        self._keep(np.flatnonzero(~flight.landed_before_breakup))
        for _ in range(MOST_STEPS):
            if self.cases.size == 0:
                return
            step = self._advance()
            done = self._record(step, flight)
            if points is not None:
                points.add_step(step, self._time(), self.cases)
            self._shift()
            if done.any():
                self._finished |= done
                self.scale[done] = 0.0  # they stand still until they are dropped
                if self._finished.sum() * 4 >= self.cases.size:
                    self._keep(np.flatnonzero(~self._finished))
        raise ArithmeticError(f"{self.cases.size} flights did not come down within {MOST_STEPS} steps")

    def _keep(self, keep: NDArray[np.intp]) -> None:
        """Drop finished cases from all arrays."""
        self._finished = np.zeros(keep.size, dtype=bool)
        if keep.size == self.cases.size:
            return
        for name in ("cases", "target", "breakup", "scale"):
            setattr(self, name, getattr(self, name)[keep])
        # take() keeps the row order in memory, on which the flat views of the work arrays rely.
        self.position, self.y = self.position.take(keep, axis=1), self.y.take(keep, axis=1)
        first, acceleration = self.stages[0].take(keep, axis=1), self.accelerations[0].take(keep, axis=1)
        self.law = self.law.take(keep)
        self._allocate()
        self.stages[0], self.accelerations[0] = first, acceleration

    def _time(self) -> Array:
        """Time since launch at the start of the step."""
        return self.breakup + self.scale * _clock(self.number)[0]

    def _advance(self) -> _Step:
        """One Runge-Kutta step; the last stage stands at the end of the step."""
        stages, velocities, end, place = self.stages, self.velocities, self.ends[0], self.places[0]
        flat = stages.reshape(13, -1)
        rate = self.scale * _clock(self.number)[1]
        np.multiply(self.y[:3], rate, out=velocities[0])
        np.multiply(stages[0], rate, out=stages[0])
        for number, weights in enumerate(STAGES, start=1):
            np.einsum("i,ij->j", weights, flat[:number], out=end.reshape(-1))
            np.add(end, self.y, out=end)
            share, rate_share = _clock(self.number + NODES[number])
            self.law.rates(self.breakup + self.scale * share, end, stages[number])
            if number < 12:
                rate = self.scale * rate_share
                np.multiply(end[:3], rate, out=velocities[number])
                np.multiply(stages[number], rate, out=stages[number])
        self.accelerations[1][:] = stages[12][:3]
        np.einsum("i,ij->j", STAGES[-1], velocities.reshape(12, -1), out=place.reshape(-1))
        np.add(place, self.position, out=place)
        length = self.scale * (_clock(self.number + 1)[0] - _clock(self.number)[0])
        start = (self.position, self.y[:3], self.accelerations[0])
        return _Step(length, start, (place, end[:3], self.accelerations[1]))

    def _shift(self) -> None:
        """Make the end of the step the start of the next; the old start becomes work space."""
        self.number += 1
        self.y, self.ends = self.ends[0], [self.ends[1], self.y]
        self.position, self.places = self.places[0], [self.places[1], self.position]
        self.stages[0] = self.stages[12]
        self.accelerations.reverse()

    def _record(self, step: _Step, flight: Flight) -> NDArray[np.bool_]:
        """Write apex and landing of the cases that have them in this step; return who is done."""
        rising, falling = step.start[1][2] >= 0, step.end[1][2] < 0
        top = rising & falling & ~self._finished
        peak = self._record_apex(step, np.flatnonzero(top), flight) if top.any() else None
        highest = step.start[0][2].copy()
        earliest = np.zeros_like(highest)
        if peak is not None:
            highest[top], earliest[top] = peak
        below: NDArray[np.bool_] = falling & (step.end[0][2] <= self.target) & ~self._finished
        lands = below & (highest > self.target)
        if lands.any():
            chosen = np.flatnonzero(lands)
            self._record_landing(step, chosen, earliest[chosen], flight)
        return below

    def _record_apex(self, step: _Step, chosen: NDArray[np.intp], flight: Flight) -> tuple[Array, Array]:
        c = step.take(chosen).coefficients()
        rate = _derivative(c[:, 2])
        before, after = rate[0], _polynomial(rate, np.ones(chosen.size))
        u = np.clip(_root_from(rate, before / (before - after)), 0.0, 1.0)
        cases = self.cases[chosen]
        height = _polynomial(c[:, 2], u)
        flight.apex_height[cases] = height
        flight.apex_distance[cases] = _polynomial(c[:, 0], u)
        return height, u

    def _record_landing(self, step: _Step, chosen: NDArray[np.intp], earliest: Array, flight: Flight) -> None:
        c = step.take(chosen).coefficients()
        c[0, 2] -= self.target[chosen]
        # From the far end Newton closes in from one side, since the height is concave in time.
        u = np.clip(_root_from(c[:, 2], np.ones(chosen.size)), earliest, 1.0)
        cases = self.cases[chosen]
        flight.extreme_reach[cases] = _polynomial(c[:, 0], u)
        flight.lateral_drift[cases] = _polynomial(c[:, 1], u)
        flight.flight_time[cases] = self._time()[chosen] + u * step.length[chosen]
