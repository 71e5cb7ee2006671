"""Spray in classes of drop size, each flown in the air that the whole stream drags along.

The mean flight (`AirStream`) says where the stream goes and how its air moves. Every class carries a copy of it on a
clock of its own, which runs so that the copy stays abreast of the class: fine drops that lag behind meet the air of
water that left the tip later, as in a steady stream. A class with the mean flight's own drop flies the mean flight.
"""

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.jet.core import Launch, heading
from jetsim.jet.drag import THEOBALD, AirStream, FittedRange, FlightConstants, Jet
from jetsim.jet.sizes import DropClasses, cubic_weights, drop_classes
from jetsim.jet.trajectory import Trace, trace
from jetsim.units import STANDARD_GRAVITY

Array = NDArray[np.float64]

# Finer drops [m] fly as this one: a mist that hangs in the air for minutes is not delivered anyway (assumed).
FINEST = 1e-4
STATIONS = 61
# A copy of the mean flight never runs faster than by this factor: the bend of the path is long against the offset.
_FASTEST = 4.0


class SprayClasses:
    """Drag of one drop class in the stream's air; the laws of motion are those of `AirStream`.

    ``dv/dt = g - (1 - t_b / t) (3/4) (Cd / D) (rho_g / rho_l) |r| r`` with ``r = v - W - u exp(-(e/b)^2)``: e is the
    distance from the stream's middle path, b its half-width and u its air abreast of the drop (form of the edge
    assumed). Rows of the state after the velocity: offset from the middle path (level, up, and out of the plane of
    flight), velocity (2) and moment (1) of the mean flight abreast, and its time since launch. The middle path stands
    still over ground, so the offset drifts with the wind unless the copy keeps pace.
    """

    extra = 7
    fitted: FittedRange | None = THEOBALD

    def __init__(self, jet: Jet, constants: FlightConstants, ratio: ArrayLike) -> None:
        drop, scale = effective_drop(jet, constants), np.asarray(constants.drop_scale)
        finest = FINEST / drop
        mean = replace(constants, drop_scale=scale * np.maximum(1.0, finest))
        own = replace(constants, drop_scale=scale * np.maximum(ratio, finest))
        self._mean, self._own = AirStream(jet, mean), AirStream(jet, own)
        self._drift = _wind_in_plane(jet)
        self.longest_step: Array | float = self._own.longest_step

    @property
    def wind(self) -> Array:
        """Wind along and across the throw, (2, n) [m/s]."""
        return self._mean.wind

    def start(self, time: Array, velocity: Array) -> Array:
        """At breakup every class flies with the stream."""
        moment = self._mean.start(time, velocity)
        self._own.start(time, velocity)
        return np.concatenate([np.zeros((3, time.size)), velocity, moment, time[None]])

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Drag against the air abreast; the copy of the mean flight runs along."""
        velocity, offset, mean, clock = y[:2], y[2:5], y[5:8], y[8]
        self._mean.rates(clock, mean, out[5:8])
        pace = self._pace(velocity, offset, mean, out[5:7])
        # Velocity of the class over ground less that of its copy.
        np.multiply(self._drift, 1.0 - pace, out=out[2:5])
        out[2:4] += velocity
        out[2:4] -= pace * mean[:2]
        out[5:8] *= pace
        out[8] = pace
        aside = _dot(offset, offset)
        aside += offset[2] * offset[2]
        slip = self._mean.air(clock, mean, aside)
        np.subtract(velocity, slip, out=slip)
        np.multiply(self._own.slowing(time, _dot(slip, slip)), slip, out=out[:2])
        out[1] -= STANDARD_GRAVITY

    def _pace(self, velocity: Array, offset: Array, mean: Array, acceleration: Array) -> Array:
        """Rate of the mean flight's clock that keeps it abreast: the offset stays at right angles to the path."""
        drift = self._drift
        mean = mean[:2] + drift[:2]
        square = _dot(mean, mean)
        pace = _dot(velocity + drift[:2], mean)
        if drift[2].any():
            across = drift[2] * drift[2]
            square += across
            pace += across
        bend = square - _dot(offset, acceleration)
        square /= _FASTEST
        pace /= np.maximum(bend, square, out=bend)
        return np.asarray(np.maximum(pace, 0.0, out=pace))

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = object.__new__(type(self))
        copy.longest_step = np.asarray(self.longest_step)[cases]
        copy._mean, copy._own = self._mean.take(cases), self._own.take(cases)
        copy._drift = self._drift.take(cases, axis=1)
        return copy


def _wind_in_plane(jet: Jet) -> Array:
    """Wind along the level direction of the plane of flight, up, and out of the plane (3, n)."""
    along = jet.exit_speed * np.cos(np.deg2rad(jet.elevation)) - jet.wind_along
    size, (cosine, sine) = heading(np.stack([along, -jet.wind_across]))
    level = cosine * jet.wind_along + sine * jet.wind_across
    return np.stack([level, np.zeros_like(size), cosine * jet.wind_across - sine * jet.wind_along])


def _dot(a: Array, b: Array) -> Array:
    """Product of the first two rows."""
    total: Array = a[0] * b[0]
    total += a[1] * b[1]
    return total


@dataclass(frozen=True)
class Spray:
    """Flown paths of all classes; stations are evenly spread in time from tip to landing.

    Attributes
    ----------
    share : ndarray, shape (classes,)
        Share of the flow.
    drop : ndarray, shape (classes, n)
        Drop diameter [m].
    time : ndarray, shape (stations, classes, n)
        Since launch [s]; NaN where the class never comes down to its target height.
    position : ndarray, shape (3, stations, classes, n)
        Along, across (towards the left), above ground [m].
    middle : Trace
        Path of the mean flight, (stations, n).
    law : AirStream
        The mean flight's law.
    """

    share: Array
    drop: Array
    time: Array
    position: Array
    middle: Trace
    law: AirStream

    @cached_property
    def ahead(self) -> Array:
        """Farthest distance along so far (stations, classes, n) [m]: never falls, 0 where there is no path."""
        return np.maximum.accumulate(np.nan_to_num(self.position[0]), axis=0)

    def width(self, along: Array) -> Array:
        """Standard deviation of the stream's spray across the stream [m] at distances along the ground (m, n).

        Half of the air stream's half-width, as for a disc that is filled evenly (assumed).
        """
        clock = interpolate(along, self.middle.position[0], self.middle.time)
        return self.law.half_width(clock) / 2


def interpolate(at: Array, known: Array, values: Array, beyond: float | None = None) -> Array:
    """Values at `at` (m, n), linear between `known` (stations, n) column by column; `beyond` past the last one."""
    columns = (np.interp(a, k, v, right=beyond) for a, k, v in zip(at.T, known.T, values.T, strict=True))
    return np.stack(list(columns), axis=1)


def between_elevations(spray: Spray, flown: Array, wanted: Array, law: AirStream) -> Spray:
    """The spray at more elevations than were flown, by cubics along the paths.

    Paths change smoothly with elevation: from every 2.5 deg they come within a few centimetres.

    Parameters
    ----------
    spray : Spray
        Cases in the order (draw, elevation flown); a class that never comes down counts as one that stays at the tip.
    flown, wanted : ndarray
        Elevations [deg], rising; at least four flown.
    law : AirStream
        The mean flight's law for the cases (draw, elevation wanted).
    """
    weights = cubic_weights(flown, wanted).T

    def blend(values: Array) -> Array:
        by_draw = np.nan_to_num(values).reshape(*values.shape[:-1], -1, flown.size)
        return np.asarray((by_draw @ weights).reshape(*values.shape[:-1], -1))

    middle = Trace(blend(spray.middle.time), blend(spray.middle.position))
    drop = np.repeat(spray.drop[:, :: flown.size], wanted.size, axis=1)
    return Spray(spray.share, drop, blend(spray.time), blend(spray.position), middle, law)


def effective_drop(jet: Jet, constants: FlightConstants) -> Array:
    """Drop diameter of the flight law [m], shape (n,)."""
    quality = (jet.breakup_length / (210 * jet.tip_diameter)) ** np.asarray(constants.quality_exponent)
    scale = np.asarray(constants.drop_ratio) * np.asarray(constants.drop_scale)
    return np.asarray(scale * jet.tip_diameter * quality)


def fly_spray(
    jet: Jet, launch: Launch, constants: FlightConstants, classes: DropClasses | None = None, stations: int = STATIONS
) -> Spray:
    """Fly all drop classes of all cases to their target heights.

    Parameters
    ----------
    jet, launch
        Arrays of shape (n,).
    constants : FlightConstants
    classes : DropClasses, optional
        By default those of the constants' spread.
    stations : int, optional

    Returns
    -------
    Spray
    """
    classes = classes or drop_classes(constants.drop_spread)
    ratio = np.broadcast_to(classes.ratio, (classes.share.size, jet.exit_speed.size))
    mean = AirStream(jet, constants)
    time, position = _paths(classes, Throws(jet, launch, constants), stations)
    return Spray(
        share=classes.share,
        drop=np.maximum(ratio * effective_drop(jet, constants), FINEST),
        time=time,
        position=position,
        middle=trace(mean, launch, jet.breakup_length, stations),
        law=mean,
    )


class Throws(NamedTuple):
    """What flies and how it starts, (n,)."""

    jet: Jet
    launch: Launch
    constants: FlightConstants

    def take(self, cases: NDArray[np.intp]) -> "Throws":
        """Some of the cases."""
        size = self.jet.exit_speed.size
        members = {
            f.name: np.broadcast_to(getattr(self.constants, f.name), size)[cases] for f in fields(FlightConstants)
        }
        return Throws(
            Jet(*(a[cases] for a in self.jet)), Launch(*(a[cases] for a in self.launch)), FlightConstants(**members)
        )


def _paths(classes: DropClasses, start: Throws, stations: int) -> tuple[Array, Array]:
    """Times (stations, classes, n) and positions (3, stations, classes, n) of all classes."""
    if classes.flown is None or classes.weights is None:
        return _fly_each(classes.ratio, start, stations)
    flown = _fly_each(classes.flown, start, stations)
    time, position = (classes.weights @ values for values in flown)
    # Where some sizes never get up to the target, a blend would be made of paths that are not there.
    lost = np.flatnonzero(np.isnan(flown[0][-1]).any(axis=0))
    if lost.size:
        ratio = np.broadcast_to(classes.ratio, time.shape[1:])[:, lost]
        time[..., lost], position[..., lost] = _fly_each(ratio, start.take(lost), stations)
    return time, position


def _fly_each(ratio: Array, start: Throws, stations: int) -> tuple[Array, Array]:
    """As `_paths`, for each ratio (sizes, 1) or (sizes, n) on its own."""
    count, cases = len(ratio), start.jet.exit_speed.size
    tiled = start.take(np.tile(np.arange(cases), count))
    law = SprayClasses(tiled.jet, tiled.constants, np.broadcast_to(ratio, (count, cases)).ravel())
    points = trace(law, tiled.launch, tiled.jet.breakup_length, stations)
    return points.time.reshape(stations, count, cases), points.position.reshape(3, stations, count, cases)
