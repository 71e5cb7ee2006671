"""Flight under quadratic drag with one constant for each case, from the closed form of its hodograph.

Beyond breakup ``dr/dt = -k |r| r + g``, where r is the velocity relative to a uniform level wind. The motion
then stays in one upright plane of the wind's frame, and the curve that r traces there (the hodograph of the
classical problem of ballistics) has a closed form. With u the level and w the upward part of r, u_0 the level
part at breakup and ``m = u_0 w / u``,

``(u_0 / u)^2 = D(m) = 1 + (k/g) (Q(m_0) - Q(m))``, ``Q(m) = m sqrt(u_0^2 + m^2) + u_0^2 asinh(m / u_0)``,
``g dt = -dm / sqrt(D)``, ``g dx = -u_0 dm / D``, ``g dz = -m dm / D``.

The apex is m = 0, and the integrals up to it and down to the target are Gauss-Legendre sums of a few terms;
m copes with upright flights, where the slope w / u does not. The limit of the fall is estimated beforehand,
and what is then left of the way is a Taylor series in time. Flights that the few terms do not suffice for
(upright ones, falls at terminal speed, cores as long as the flight) are worked out again with more terms.
All formulas are elementary mechanics: there is nothing fitted or assumed beyond the law of drag itself. The
tests hold the results against an event-split DOP853 at rtol 1e-12.
"""

from dataclasses import fields
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from jetsim.jet.core import Array, Core, Flight, Launch, core_results
from jetsim.units import STANDARD_GRAVITY as G

Bools = NDArray[np.bool_]

# Cases worked on at a time, so that their work arrays stay in the processor's cache.
BLOCK = 8192
# The Taylor series at the end of the fall is trusted while the velocity changes by this part: the error is then
# below 1e-8 of the flight.
_SHORT = 0.015
# Slopes of the path in the wind's frame beyond which a flight is no more bent.
_UPRIGHT = 20.0
# A fall of this over k metres ends at terminal speed to 1e-14, and goes on at it.
_TERMINAL = 16.0
_TINY = 1e-300


class _Rule(NamedTuple):
    """Gauss-Legendre nodes and weights on 0..1, and the most bent integrals they are trusted with."""

    nodes: Array
    weights: Array
    rise_limit: float
    fall_limit: float

    @classmethod
    def of(cls, terms: int, rise_limit: float = np.inf, fall_limit: float = np.inf) -> "_Rule":
        nodes, weights = np.polynomial.legendre.leggauss(terms)
        return cls((nodes + 1) / 2, weights / 2, rise_limit, fall_limit)


class _Effort(NamedTuple):
    """Rule of the sums, rule and number of rounds that correct the limit of the fall, and how cores are flown."""

    rule: _Rule
    correction: _Rule
    rounds: int
    long_cores: bool = False


# The limits keep the sums within about 3e-8 of the integrals (m, s), on average within 1e-10.
EFFORTS = (
    _Effort(_Rule.of(10, 4.0, 5.0), _Rule.of(4), 0),
    _Effort(_Rule.of(16, 12.0, 19.0), _Rule.of(8), 2),
    _Effort(_Rule.of(32, np.inf, 24.0), _Rule.of(12), 4),
    _Effort(_Rule.of(96), _Rule.of(24), 10, long_cores=True),
)


class _Cases(NamedTuple):
    """All that the flights depend on; arrays of shape (n,), SI and degrees."""

    drag: Array
    wind_along: Array
    wind_across: Array
    launch: Launch
    breakup_length: Array

    def take(self, which: slice | NDArray[np.intp]) -> "_Cases":
        launch = Launch(*(a[which] for a in self.launch))
        along, across = self.wind_along[which], self.wind_across[which]
        return _Cases(self.drag[which], along, across, launch, self.breakup_length[which])


def fly_constant_drag(
    drag: Array, wind_along: Array, wind_across: Array, launch: Launch, breakup_length: Array
) -> Flight:
    """Fly all cases under quadratic drag beyond breakup; the same as `trajectory.fly`, at a small part of its cost.

    Parameters
    ----------
    drag : ndarray, shape (n,)
        k of ``dr/dt = -k |r| r + g``, not negative [1/m].
    wind_along, wind_across : ndarray, shape (n,)
        Uniform wind along the throw and to the thrower's left [m/s].
    launch : Launch
        Arrays of shape (n,).
    breakup_length : ndarray, shape (n,)
        Path length of the drag-free core [m].

    Returns
    -------
    Flight
        Lengths and times within 1e-7 of the larger of their size and 1 (m, s) for fire streams.
        A landing that is not found is lost; not known to happen with finite input.
    """
    # What a trickle overflows is not settled, and lost in the end.
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        return _fly(_Cases(drag, wind_along, wind_across, launch, breakup_length), 0)


def _fly(cases: _Cases, effort: int) -> Flight:
    """Fly cases block by block with an effort, and those that need more with the next."""
    count = cases.drag.size
    flight = _blank(count)
    if effort == len(EFFORTS):
        flight.lose(np.arange(count))
        return flight
    more, in_core = np.empty(count, dtype=bool), np.empty(count, dtype=bool)
    for start in range(0, count, BLOCK):
        block = slice(start, start + BLOCK)
        part, settled, in_core[block] = _attempt(cases.take(block), EFFORTS[effort])
        _put(flight, block, part)
        np.logical_or(settled, in_core[block], out=more[block])
    np.logical_not(more, out=more)
    for which, again in ((in_core, _fly_core), (more, lambda rest: _fly(rest, effort + 1))):
        chosen = np.flatnonzero(which)
        if chosen.size:
            _put(flight, chosen, again(cases.take(chosen)))
    return flight


def _blank(count: int) -> Flight:
    numbers = {field.name: np.full(count, np.nan) for field in fields(Flight) if field.name != "landed_before_breakup"}
    return Flight(**numbers, landed_before_breakup=np.zeros(count, dtype=bool))


def _put(flight: Flight, where: slice | NDArray[np.intp], part: Flight) -> None:
    for field in fields(Flight):
        getattr(flight, field.name)[where] = getattr(part, field.name)


def _fly_core(cases: _Cases) -> Flight:
    """Flights that have landed by the end of their core, or are below their target there and falling."""
    core = Core(cases.launch)
    time = core.time_of_path(cases.breakup_length)
    return core_results(core, cases.launch, time, core.position(time))


# --------------------------------------------------------------------------------------------------------
# The core


class _Breakup(NamedTuple):
    """The end of the drag-free core: time, place and velocity over ground; arrays of shape (n,), SI."""

    time: Array
    along: Array
    height: Array
    along_speed: Array
    up_speed: Array
    launch_up_speed: Array
    settled: Bools


def _breakup(launch: Launch, length: Array) -> _Breakup:
    """The end of cores: a series in g L / V^2, then Halley's rule on the closed form of the path length."""
    half = np.tan(launch.elevation * (np.pi / 360))  # far cheaper than a sine and a cosine
    half_square, square = half * half, launch.speed * launch.speed
    ratio = launch.speed / (1 + half_square)
    along, up = ratio * (1 - half_square), 2 * ratio * half
    time = length / launch.speed
    bend = G * time / square
    time = time * (1 + bend * (0.5 * up + bend * (2 / 3 * up * up - square / 6)))
    square, moment, reach = along * along, up * launch.speed, np.maximum(up + launch.speed, _TINY)
    step = time
    for _ in range(2):
        now = up - G * time
        speed = np.sqrt(square + now * now)
        logarithm = np.log(reach / np.maximum(now + speed, _TINY))
        excess = (moment - now * speed + square * logarithm) / (2 * G) - length
        step = excess * speed / (speed * speed + 0.5 * G * excess * now / speed)
        time = time - step
    height = launch.nozzle_height + time * (up - 0.5 * G * time)
    return _Breakup(time, along * time, height, along, up - G * time, up, np.abs(step) <= 1e-5 * time)


def _long_breakup(launch: Launch, length: Array) -> _Breakup:
    """The end of cores of any length."""
    core = Core(launch)
    time = core.time_of_path(length)
    along, _, height = core.position(time)
    return _Breakup(time, along, height, core.along, core.up - G * time, core.up, np.ones(time.size, dtype=bool))


# --------------------------------------------------------------------------------------------------------
# The spray


class _Way(NamedTuple):
    """What a part of the flight adds up to; each (n,): time [s], level way over u_0 [s], height [m]."""

    time: Array
    level: Array
    height: Array


class _Side:
    """One side of the hodograph, rising (sign -1) or falling (+1), in terms of the size of m.

    Along it ``|m| = first + sign scale (e^y - 1)`` with y from 0: the exponential keeps the pole of 1/D, which
    lies just before breakup where fast fine streams are slowed within metres, away from the integrals.
    """

    def __init__(self, sign: int, first: Array, bent: Array, scale: Array, spray: "_Spray") -> None:
        self.sign, self.first, self.scale = sign, first, sign * scale
        self.pull, self.square = sign * spray.drag / G, spray.square
        self.constant = np.zeros_like(first)
        self.constant = bent - self.hodograph(first)[1]

    def hodograph(self, m: Array) -> tuple[Array, Array]:
        """``sqrt(u_0^2 + m^2)`` [m/s] and D."""
        speed = np.sqrt(m * m + self.square)
        return speed, self.constant + self.pull * (m * speed + self.square * np.log(m + speed))

    def span(self, last: Array) -> Array:
        """The y at which the size of m is `last`."""
        return np.asarray(np.log1p((last - self.first) / self.scale))

    def way(self, span: Array, rule: _Rule) -> _Way:
        """Integrals for y from 0 to `span`; no array is made within the loop, which takes most of the time."""
        base = self.first - self.scale
        m, speed, bent, part = (np.empty_like(span) for _ in range(4))
        time, level, height = (np.zeros_like(span) for _ in range(3))
        for node, weight in zip(rule.nodes, rule.weights, strict=True):
            np.multiply(span, node, out=part)
            np.exp(part, out=part)
            part *= self.scale  # dm/dy
            np.add(part, base, out=m)
            self._hodograph(m, speed, bent)
            part *= weight
            part /= bent
            level += part
            np.sqrt(bent, out=bent)
            bent *= part
            time += bent
            part *= m
            height += part
        factor = span * (self.sign / G)
        return _Way(time * factor, level * factor, height * factor)

    def _hodograph(self, m: Array, work: Array, out: Array) -> None:
        """D into `out`, without making arrays."""
        np.multiply(m, m, out=work)
        work += self.square
        np.sqrt(work, out=work)
        np.add(m, work, out=out)
        np.log(out, out=out)
        out *= self.square
        work *= m
        out += work
        out *= self.pull
        out += self.constant


class _Spray:
    """Flights beyond breakup, in the wind's frame."""

    def __init__(self, cases: _Cases, end: _Breakup) -> None:
        self.drag = np.maximum(cases.drag, _TINY)
        self.along, self.across = end.along_speed - cases.wind_along, -cases.wind_across
        self.square = np.maximum(self.along * self.along + self.across * self.across, 1e-18)
        up = end.up_speed
        self.falls = up <= 0
        size, first = np.maximum(-up, 0.0), np.maximum(up, 0.0)
        speed = np.sqrt(self.square + up * up)
        # About the distance of m from the pole of 1/D; bounded, as without drag there is none.
        pole = 1 / (self.drag / G + 1e-6 / (1 + speed * speed))
        pole = pole / (speed + np.sqrt(speed * speed + pole))
        self.rise = _Side(-1, first, np.ones_like(up), pole, self)
        # D where the fall begins, at the apex or at breakup.
        self.bent = self.rise.hodograph(np.zeros_like(up))[1]
        self.fall = _Side(1, size, self.bent, pole + first, self)

    def up(self, rule: _Rule) -> tuple[_Way, Bools]:
        """The way to the apex, none where the water falls at breakup; and whether the rule suffices."""
        span = self.rise.span(np.zeros_like(self.drag))
        bent = span + np.minimum(self.rise.first / np.sqrt(self.square), _UPRIGHT)
        return self.rise.way(span, rule), bent <= rule.rise_limit

    def down(self, drop: Array, effort: _Effort) -> tuple[_Way, Bools]:
        """The way down by `drop` metres, and whether the effort suffices."""
        deep = np.maximum(drop - _TERMINAL / self.drag, 0.0)
        drop = drop - deep
        last = self._last(drop)
        for _ in range(effort.rounds):
            way = self.fall.way(self.fall.span(last), effort.correction)
            last = self._corrected(last, way.height - drop)
        way = self.fall.way(self.fall.span(last), effort.rule)
        time, level, near = self._rest(last, way.height - drop)
        bent = self.fall.span(last) + np.minimum(last / np.sqrt(self.square), _UPRIGHT)
        suffices = (bent <= effort.rule.fall_limit) & near
        time = time + deep * np.sqrt(self.drag / G)
        return _Way(way.time + time, way.level + level, drop), suffices

    def _last(self, drop: Array) -> Array:
        """Estimate of the size of m at the end of a fall, mostly within a per cent."""
        fall, pull = self.fall, self.drag / G
        start = fall.first * fall.first
        # In terms of m^2, D is a straight line for an upright fall; its start is moved up by what the level
        # speed adds about half-way.
        growth = np.expm1(2 * self.drag * drop) / pull
        middle = 0.45 * (start + self.bent * growth)
        gain = growth * (fall.hodograph(np.sqrt(middle))[1] - pull * (middle - start))
        # One round of Newton, the height by the two-point rule for functions of the root.
        fallen = np.zeros_like(gain)
        for part, weight in zip(_ROOT_NODES, _ROOT_WEIGHTS, strict=True):
            fallen += weight / fall.hodograph(np.sqrt(start + part * gain))[1]
        last = fall.hodograph(np.sqrt(start + gain))[1]
        return np.asarray(np.sqrt(start + np.maximum(gain + last * (2 * G * drop - gain * fallen), 0.1 * gain)))

    def _corrected(self, last: Array, excess: Array) -> Array:
        """A round of Newton in m^2, in which the height is concave: from below it never overshoots."""
        start, square = self.fall.first * self.fall.first, last * last
        better = square - 2 * G * self.fall.hodograph(last)[1] * excess
        return np.asarray(np.sqrt(np.maximum(better, start + 0.1 * (square - start))))

    def _rest(self, last: Array, excess: Array) -> tuple[Array, Array, Bools]:
        """Time and level way that correct a fall too deep by `excess`, by Taylor series; whether it holds."""
        speed, bent = self.fall.hodograph(last)
        share = 1 / np.sqrt(bent)  # of u_0 that is left
        down, speed = last * share, speed * share
        pull = self.drag * speed
        # First and second derivatives of the share, the speed down, and the speed.
        slowing, gain = -pull * share, G - pull * down
        growth = self.drag * (G * down / speed - pull * speed)
        bend, jerk = -growth * share - pull * slowing, -growth * down - pull * gain
        time = -excess / down
        for _ in range(2):
            wrong = excess + time * (down + time * (gain / 2 + time * (jerk / 6)))
            time = time - wrong / (down + time * (gain + time * (jerk / 2)))
        level = time * (share + time * (slowing / 2 + time * (bend / 6)))
        return time, level, np.abs(time) * (pull + G / speed) <= _SHORT


# Nodes in x and weights on 0..1 that are exact for cubic polynomials in the square root of x.
_ROOT_NODES = ((6 - np.sqrt(6)) / 10) ** 2, ((6 + np.sqrt(6)) / 10) ** 2
_ROOT_WEIGHTS = 0.5 - np.sqrt(6) / 18, 0.5 + np.sqrt(6) / 18


def _attempt(cases: _Cases, effort: _Effort) -> tuple[Flight, Bools, Bools]:
    """Flights with an effort; whether it suffices; and whether they end with the core."""
    target = cases.launch.target_height
    end = (_long_breakup if effort.long_cores else _breakup)(cases.launch, cases.breakup_length)
    spray = _Spray(cases, end)
    rise, rise_settled = spray.up(effort.rule)
    top = end.height + rise.height
    reached = top > target
    fall, fall_settled = spray.down(np.where(reached, top - target, 1.0), effort)
    time = np.where(reached, rise.time + fall.time, np.nan)
    in_core = np.maximum(end.launch_up_speed, 0.0) / G  # time of the apex, if it is there
    flight = Flight(
        extreme_reach=end.along + spray.along * (rise.level + fall.level) + cases.wind_along * time,
        lateral_drift=spray.across * (rise.level + fall.level) + cases.wind_across * time,
        flight_time=end.time + time,
        apex_height=np.where(spray.falls, cases.launch.nozzle_height + 0.5 * G * in_core * in_core, top),
        apex_distance=np.where(
            spray.falls,
            end.along_speed * in_core,
            end.along + spray.along * rise.level + cases.wind_along * rise.time,
        ),
        breakup_distance=end.along,
        breakup_height=end.height,
        landed_before_breakup=np.zeros(time.size, dtype=bool),
    )
    settled = end.settled & rise_settled & (fall_settled | ~reached)
    return flight, settled, spray.falls & ~reached & end.settled
