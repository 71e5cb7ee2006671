"""The flown path: launch, drag-free core, spray, apex and landing, for all cases at once.

The core up to the breakup length is a parabola in closed form, so no step ever straddles the jump in drag at
breakup. Beyond it each flight stays in one upright plane of the wind's frame, for no force points out of it; two
components of place and velocity describe it. A Runge-Kutta method, of order eight or of order four, advances whole
arrays, with steps that grow from a cubic start: the air begins to move at breakup, and everything changes fastest
there. Apex and landing are found on the fifth-degree Hermite polynomial of their step. The tests hold the reach against
an event-split DOP853 at rtol 1e-12, in three dimensions.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from jetsim.jet.core import Core, Flight, Launch, core_results, fall_time, heading
from jetsim.jet.drag import DragLaw, SinglePrecision
from jetsim.jet.runge_kutta import EIGHTH, FOURTH, Method
from jetsim.units import STANDARD_GRAVITY as G

Array = NDArray[np.float64]

# A flight that takes more steps, or ends in no numbers, is flown again in finer ones, so many to one; if that does not
# help the law cannot say where the water goes: the flight is lost, and its results are NaN.
MOST_STEPS, FINER = 4000, 8
# Every so many steps the flights still in the air are looked at, so that an unstable one ends at once.
CHECK = 64
# Bytes in the state of the cases flown together: work arrays that stay in the processor's cache, and yet pieces of
# work long enough for threads not to wait for each other.
BLOCK = 786_432


@dataclass(frozen=True)
class Effort:
    """Method and steps of a flight.

    Attributes
    ----------
    method : Method
    level, upright : float
        Steps over the drag-free flight time: so many at level launch, and so many more straight up as the wind sees it,
        where the water turns round almost on the spot.
    turn : float
        The step number at which the steps' cubic start turns into even steps.
    leap : float
        Part of a law's `longest_step` that one step leaps over.
    single : bool
        In single precision, where the law can.
    """

    method: Method
    level: float
    upright: float
    turn: float
    leap: float
    single: bool = False

    def clock(self, step: float) -> tuple[float, float]:
        """Time since breakup after so many steps, and its rate per step, over the pace: cubic at first, then even."""
        sum_ = step + self.turn
        return step * (step / sum_) ** 2, step**2 * (step + 3 * self.turn) / sum_**3

    def pace(self, expected: Array, angle: Array, law: DragLaw) -> Array:
        """Length of the even steps [s], from the drag-free time beyond breakup and the angle that the wind sees."""
        steps = self.level + self.upright * (angle / (np.pi / 2)) ** 4
        return np.asarray(
            np.minimum(expected / (steps * (steps / (steps + self.turn)) ** 2), self.leap * law.longest_step)
        )


# Holds the reach to 1e-6 of itself, mostly to 1e-8; where the wind all but cancels the level speed of a stream, to
# 1e-4, at worst to a few centimetres.
FINE = Effort(EIGHTH, 15, 36, 26.0, 1.0)
# For drop classes, at about a quarter of the cost: holds the effective reach of fire streams to a few parts in 10,000,
# at worst to about 0.3 % or some millimetres; of streams of all sorts, mist in wind among them, to a part in 1,000, at
# worst to 1.3 %. The mean flight begins less smoothly and comes within 2 %, enough to bound its drops. No step leaps
# over more than the method is stable for. Single precision adds a few parts in a million, at worst 3 in 10,000.
ROUGH = Effort(FOURTH, 10, 10, 18.0, 0.6, single=True)


class _Step(NamedTuple):
    """One step of some cases in Hermite form: place, velocity, acceleration (2, n), level and up, at both ends."""

    length: Array
    start: tuple[Array, Array, Array]
    end: tuple[Array, Array, Array]

    def take(self, cases: NDArray[np.intp]) -> "_Step":
        start, end = (tuple(a[:, cases] for a in side) for side in (self.start, self.end))
        return _Step(self.length[cases], start, end)  # type: ignore[arg-type] # triples stay triples

    def copy(self) -> "_Step":
        """The same step in arrays of its own."""
        start, end = (tuple(a.copy() for a in side) for side in (self.start, self.end))
        return _Step(self.length, start, end)  # type: ignore[arg-type] # triples stay triples

    def coefficients(self) -> Array:
        """Fifth-degree polynomials in u = t/length, shape (6, 2, n)."""
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
    return np.asarray(c[1:] * np.arange(1, len(c), dtype=c.dtype).reshape(-1, *[1] * (c.ndim - 1)))


def _root_from(c: Array, u: Array) -> Array:
    """Newton's root of polynomials (degree + 1, n) near u; quadratic, so six rounds are ample."""
    slope = _derivative(c)
    for _ in range(6):
        u = u - _polynomial(c, u) / _polynomial(slope, u)
    return u


class _Plane(NamedTuple):
    """The plane of each flight: where it starts at breakup, its direction and the wind; rows along and across."""

    start: Array
    direction: Array
    wind: Array

    def take(self, cases: NDArray[np.intp]) -> "_Plane":
        return _Plane(*(a[:, cases] for a in self))

    def ground(self, level: Array, elapsed: Array) -> Array:
        """Along and across the throw over ground (2, n), from the level way in the wind's frame since breakup."""
        return np.asarray(self.start + self.direction * level + self.wind * elapsed)


def _single(numbers: Array) -> Array:
    return numbers.astype(np.float32)


class _Spray(NamedTuple):
    """The flights at breakup: time, plane, place (2, n), state, target height, and the length of the even steps [s]."""

    time: Array
    plane: _Plane
    place: Array
    y: Array
    target: Array
    pace: Array

    @classmethod
    def of(cls, law: DragLaw, launch: Launch, core: Core, broken: Array, effort: Effort) -> "_Spray":
        """All flights where their cores end."""
        place, velocity = core.position(broken), core.velocity(broken)
        size, direction = heading(velocity[:2] - law.wind)
        start = np.stack([size, velocity[2]])
        y = np.concatenate([start, law.start(broken, start)])
        expected = fall_time(velocity[2], place[2] - launch.target_height)
        # Cases that cannot reach their target fly to their apex and a little on, to be seen not to.
        expected = np.where(expected > 0, expected, np.abs(velocity[2]) / G + 0.1)
        pace = effort.pace(expected, np.arctan2(np.abs(core.up), size), law)
        plane = _Plane(place[:2], direction, law.wind)
        return cls(broken, plane, np.stack([np.zeros_like(size), place[2]]), y, launch.target_height, pace)

    def take(self, cases: NDArray[np.intp]) -> "_Spray":
        # take() keeps the row order in memory, on which the flat views of the work arrays rely.
        return _Spray(
            self.time[cases],
            self.plane.take(cases),
            self.place.take(cases, axis=1),
            self.y.take(cases, axis=1),
            self.target[cases],
            self.pace[cases],
        )

    def in_single(self) -> "_Spray":
        """The same in single precision."""
        time, plane, *others = self
        return _Spray(_single(time), _Plane(*map(_single, plane)), *map(_single, others))


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

    def add_core(self, core: Core, until: Array) -> None:
        """Fill in the stations within the core."""
        inside = self.time <= until
        self.position = np.where(inside, core.position(self.time), self.position)

    def add_step(self, step: _Step, plane: _Plane, elapsed: Array, start: Array, cases: NDArray[np.intp]) -> None:
        """Fill in the stations within one step of the given cases, which begins at `start`, `elapsed` after breakup."""
        station, column = np.nonzero((self.time[:, cases] > start) & (self.time[:, cases] <= start + step.length))
        since = self.time[station, cases[column]] - start[column]
        level, height = _polynomial(step.take(column).coefficients(), since / step.length[column])
        self.position[:2, station, cases[column]] = plane.take(column).ground(level, elapsed[column] + since)
        self.position[2, station, cases[column]] = height


class _Recording(Trace):
    """Keeps the steps of a flight: stations hang on the landing, and so need not wait for a second flight."""

    def __init__(self) -> None:
        self._core: tuple[Core, Array] | None = None
        self._steps: list[tuple[_Step, _Plane, Array, Array, NDArray[np.intp]]] = []

    def add_core(self, core: Core, until: Array) -> None:
        """Keep the core."""
        self._core = core, until

    def add_step(self, step: _Step, plane: _Plane, elapsed: Array, start: Array, cases: NDArray[np.intp]) -> None:
        """Keep one step; the flight goes on to use the arrays of its ends."""
        self._steps.append((step.copy(), plane, elapsed, start, cases))

    def replayed(self, points: Trace) -> Trace:
        """Fill in points."""
        if self._core is not None:
            points.add_core(*self._core)
        for kept in self._steps:
            points.add_step(*kept)
        return points


def trace(law: DragLaw, launch: Launch, breakup_length: Array, stations: int, effort: Effort = FINE) -> Trace:
    """Points on each case's path, evenly spread in time from tip to landing; NaN where it never lands.

    Parameters
    ----------
    law, launch, breakup_length
        As in `fly`.
    stations : int
        Points on each path, at least 2.
    effort : Effort, optional
    """
    flown = _Recording()
    landed = fly(law, launch, breakup_length, flown, effort).flight_time
    return flown.replayed(Trace.even(landed, stations))


def fly(
    law: DragLaw, launch: Launch, breakup_length: Array, points: Trace | None = None, effort: Effort = FINE
) -> Flight:
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
    effort : Effort, optional

    Returns
    -------
    Flight
        All NaN but for the breakup distance where a flight is lost (`Flight.lost`).
    """
    core = Core(launch)
    broken = core.time_of_path(breakup_length)
    flight = core_results(core, launch, broken, core.position(broken))
    if points is not None:
        points.add_core(core, broken)
    flying = np.flatnonzero(~flight.landed_before_breakup)
    spray = _Spray.of(law, launch, core, broken, effort)
    flown, part = law, spray
    if effort.single and isinstance(law, SinglePrecision):
        with np.errstate(over="ignore"):  # of numbers that only double precision holds: these flights are lost at first
            flown, part = law.in_single(), spray.in_single()
    block = BLOCK // (part.y.itemsize * (2 + law.extra))
    for start in range(0, flying.size, block):
        cases = flying[start : start + block]
        whole = cases.size == broken.size
        _March(flown if whole else flown.take(cases), part.take(cases), cases, effort).run(flight, points)
    again = np.flatnonzero(flight.lost)
    if again.size:
        begun = core_results(core, launch, broken, core.position(broken))
        for name in ("apex_height", "apex_distance"):  # of an apex before breakup, which marching finds no more
            getattr(flight, name)[again] = getattr(begun, name)[again]
        finer = spray._replace(pace=spray.pace / FINER).take(again)
        _March(law.take(again), finer, again, effort).run(flight, points, FINER * MOST_STEPS)
    return flight


class _March:
    """The spray stage: advances the cases still in the air and writes their apex and landing."""

    def __init__(self, law: DragLaw, spray: _Spray, cases: NDArray[np.intp], effort: Effort) -> None:
        self.law, self.cases, self.effort = law, cases, effort
        self.method = effort.method.of_numbers(spray.y.dtype)
        self.breakup, self.plane, self.place, self.y, self.target, self.pace = spray
        self.number = 0
        self._finished = np.zeros(cases.size, dtype=bool)
        self._allocate()

    def _allocate(self) -> None:
        """Work arrays, kept from step to step: fresh large arrays would cost more than the arithmetic."""
        slots = self.effort.method.slots
        self.stages = np.empty((slots, *self.y.shape), self.y.dtype)
        self.end, self.end_place = np.empty_like(self.y), np.empty_like(self.place)
        self.time = np.empty_like(self.pace)

    def run(self, flight: Flight, points: Trace | None, most: int = MOST_STEPS) -> None:
        """March until every case has come down, is seen never to reach its target, or is lost."""
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # of flights that are being lost
            self.law.rates(self.breakup, self.y, self.stages[0])
            self._march(flight, points, most)

    def _march(self, flight: Flight, points: Trace | None, most: int) -> None:
        for _ in range(most):
            if self.cases.size == 0:
                return
            step = self._advance()
            done = self._record(step, flight)
            if points is not None:
                elapsed = self._elapsed()
                points.add_step(step, self.plane, elapsed, self.breakup + elapsed, self.cases)
            self._shift()
            if self.number % CHECK == 0:
                done |= self._lose(np.asarray(~np.isfinite(self.y).all(axis=0)), flight)
            if done.any():
                self._finished |= done
                self.pace[done] = 0.0  # they stand still until they are dropped
                if self._finished.sum() * 4 >= self.cases.size:
                    self._keep(np.flatnonzero(~self._finished))
        self._lose(np.ones(self.cases.size, dtype=bool), flight)

    def _lose(self, which: NDArray[np.bool_], flight: Flight) -> NDArray[np.bool_]:
        """Give up cases that still fly: no results, and none that were noted on the way."""
        which = which & ~self._finished
        flight.lose(self.cases[which])
        return which

    def _keep(self, keep: NDArray[np.intp]) -> None:
        """Drop finished cases from all arrays."""
        for name in ("cases", "target", "breakup", "pace", "_finished"):
            setattr(self, name, getattr(self, name)[keep])
        # take() keeps the row order in memory, on which the flat views of the work arrays rely.
        self.place, self.y = self.place.take(keep, axis=1), self.y.take(keep, axis=1)
        first = self.stages[0].take(keep, axis=1)
        self.law, self.plane = self.law.take(keep), self.plane.take(keep)
        self._allocate()
        self.stages[0] = first

    def _elapsed(self) -> Array:
        """Time since breakup at the start of the step."""
        return self.pace * self.effort.clock(self.number)[0]

    def _advance(self) -> _Step:
        """One Runge-Kutta step; the last stage stands at the end of the step."""
        stages, end, flat = self.stages, self.end, self.stages.reshape(len(self.stages), -1)
        method, clock = self.method, self.effort.clock
        shares, rates = np.array([clock(self.number + node) for node in method.nodes], end.dtype).T
        for stage, share in zip(method.stages, shares[1:], strict=True):
            live = flat[stage.first : stage.first + stage.weights.size]
            np.einsum("i,ij->j", stage.weights * rates[stage.stages], live, out=end.reshape(-1))
            end *= self.pace
            end += self.y
            np.multiply(self.pace, share, out=self.time)
            self.time += self.breakup
            self.law.rates(self.time, end, stages[stage.slot])
        self._advance_place(rates[:-1])
        length = self.pace * (shares[-1] - shares[0])
        return _Step(length, (self.place, self.y[:2], stages[0][:2]), (self.end_place, end[:2], stages[-1][:2]))

    def _advance_place(self, rates: Array) -> None:
        """The way is the sum of the stages' velocities, which are themselves sums of the stages before them."""
        method = self.method
        weights, last = method.weights * rates, method.stages[-1]
        earlier = (weights @ method.earlier * rates)[last.stages]
        np.einsum("i,ijk->jk", earlier, self.stages[last.first : last.first + earlier.size, :2], out=self.end_place)
        self.end_place *= self.pace
        self.end_place += self.y[:2] * weights.sum()
        self.end_place *= self.pace
        self.end_place += self.place

    def _shift(self) -> None:
        """Make the end of the step the start of the next; the old start becomes work space."""
        self.number += 1
        self.y, self.end = self.end, self.y
        self.place, self.end_place = self.end_place, self.place
        self.stages[0] = self.stages[-1]

    def _record(self, step: _Step, flight: Flight) -> NDArray[np.bool_]:
        """Write apex and landing of the cases that have them in this step; return who is done."""
        rising, falling = step.start[1][1] >= 0, step.end[1][1] < 0
        top = rising & falling & ~self._finished
        peak = self._record_apex(step, np.flatnonzero(top), flight) if top.any() else None
        highest = step.start[0][1].copy()
        earliest = np.zeros_like(highest)
        if peak is not None:
            highest[top], earliest[top] = peak
        below: NDArray[np.bool_] = falling & (step.end[0][1] <= self.target) & ~self._finished
        lands = below & (highest > self.target)
        if lands.any():
            chosen = np.flatnonzero(lands)
            self._record_landing(step, chosen, earliest[chosen], flight)
        return below

    def _record_apex(self, step: _Step, chosen: NDArray[np.intp], flight: Flight) -> tuple[Array, Array]:
        c = step.take(chosen).coefficients()
        rate = _derivative(c[:, 1])
        before, after = rate[0], _polynomial(rate, np.ones(chosen.size))
        u = np.clip(_root_from(rate, before / (before - after)), 0.0, 1.0)
        level, height = _polynomial(c, u)
        elapsed = self._elapsed()[chosen] + u * step.length[chosen]
        cases = self.cases[chosen]
        flight.apex_height[cases] = height
        flight.apex_distance[cases] = self.plane.take(chosen).ground(level, elapsed)[0]
        return height, u

    def _record_landing(self, step: _Step, chosen: NDArray[np.intp], earliest: Array, flight: Flight) -> None:
        c = step.take(chosen).coefficients()
        c[0, 1] -= self.target[chosen]
        # From the far end Newton closes in from one side, since the height is concave in time.
        u = np.clip(_root_from(c[:, 1], np.ones(chosen.size)), earliest, 1.0)
        elapsed = self._elapsed()[chosen] + u * step.length[chosen]
        cases = self.cases[chosen]
        place = self.plane.take(chosen).ground(_polynomial(c[:, 0], u), elapsed)
        flight.extreme_reach[cases], flight.lateral_drift[cases] = place
        flight.flight_time[cases] = self.breakup[chosen] + elapsed
