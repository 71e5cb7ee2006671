"""Spray in classes of drop size, each flown in the air that the whole stream drags along.

How a class flies is the law's to say (`jetsim.jet.laws`); here stands what is made of the paths.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from jetsim.errors import InputError
from jetsim.jet.core import Launch
from jetsim.jet.drag import FlightConstants, Jet
from jetsim.jet.laws import DEFAULT, DRAG_LAWS
from jetsim.jet.laws.law import Law, MeanFlight, SprayLaw
from jetsim.jet.sizes import DropClasses, cubic_weights, drop_classes
from jetsim.jet.trajectory import ROUGH, Effort, Trace, trace

Array = NDArray[np.float64]

STATIONS = 61
_SHORTEST = 1e-12  # m


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
    law : MeanFlight
        The mean flight's law.
    """

    share: Array
    drop: Array
    time: Array
    position: Array
    middle: Trace
    law: MeanFlight

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


def interpolate(at: Array, known: Array, values: Array) -> Array:
    """Values at `at` (m, n), linear between `known` (stations, n) column by column; those of the ends beyond them."""
    column, last = np.arange(known.shape[1]), len(known) - 1
    rows = []
    for row in at:
        after = np.clip(np.count_nonzero(known <= row, axis=0), 1, last)
        start, end = known[after - 1, column], known[after, column]
        part = np.clip((row - start) / np.maximum(end - start, _SHORTEST), 0.0, 1.0)
        before = values[after - 1, column]
        rows.append(before + part * (values[after, column] - before))
    return np.stack(rows)


def between_elevations(spray: Spray, flown: Array, wanted: Array, law: MeanFlight) -> Spray:
    """The spray at more elevations than were flown, by cubics along the paths.

    Paths change smoothly with elevation: from every 2.5 deg they come within a few centimetres.

    Parameters
    ----------
    spray : Spray
        Cases in the order (draw, elevation flown); a class that never comes down counts as one that stays at the tip.
    flown, wanted : ndarray
        Elevations [deg], rising; at least four flown.
    law : MeanFlight
        The mean flight's law for the cases (draw, elevation wanted).
    """
    weights = cubic_weights(flown, wanted).T

    def blend(values: Array) -> Array:
        by_draw = np.nan_to_num(values).reshape(*values.shape[:-1], -1, flown.size)
        return np.asarray((by_draw @ weights).reshape(*values.shape[:-1], -1))

    middle = Trace(blend(spray.middle.time), blend(spray.middle.position))
    drop = np.repeat(spray.drop[:, :: flown.size], wanted.size, axis=1)
    return Spray(spray.share, drop, blend(spray.time), blend(spray.position), middle, law)


def spray_of(law: Law) -> SprayLaw:
    """What a law says of its drops by size.

    Raises
    ------
    InputError
        It says nothing of them.
    """
    if law.spray is None:
        known = ", ".join(name for name, other in DRAG_LAWS.items() if other.spray)
        raise InputError(f"drag_model = {law.name!r}: says nothing of spray; laws that do: {known}")
    return law.spray


def fly_spray(
    jet: Jet,
    launch: Launch,
    constants: FlightConstants,
    classes: DropClasses | None = None,
    stations: int = STATIONS,
    law: Law = DEFAULT,
    effort: Effort = ROUGH,
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
    law : Law, optional
        One with spray.
    effort : Effort, optional
        Of the classes' flights: `FINE` moves their paths by some centimetres at most, at three times the cost.

    Returns
    -------
    Spray
    """
    classes = classes or drop_classes(constants.drop_spread, farthest=constants.farthest_share)
    ratio = np.broadcast_to(classes.ratio, (classes.share.size, jet.exit_speed.size))
    own = spray_of(law)
    mean = own.mean(jet, constants)
    time, position = _paths(classes, Throws(jet, launch, constants, own, effort), stations)
    return Spray(
        share=classes.share,
        drop=np.maximum(ratio * own.drop(jet, constants), own.finest),
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
    law: SprayLaw
    effort: Effort

    def take(self, cases: NDArray[np.intp]) -> "Throws":
        """Some of the cases."""
        jet, launch = Jet(*(a[cases] for a in self.jet)), Launch(*(a[cases] for a in self.launch))
        return Throws(jet, launch, self.constants.take(cases, self.jet.exit_speed.size), self.law, self.effort)


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
    law = start.law.classes(tiled.jet, tiled.constants, np.broadcast_to(ratio, (count, cases)).ravel())
    points = trace(law, tiled.launch, tiled.jet.breakup_length, stations, start.effort)
    return points.time.reshape(stations, count, cases), points.position.reshape(3, stations, count, cases)
