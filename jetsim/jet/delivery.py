"""Delivered water: how much of the flow arrives where, and how far a stream is effective.

Every class of drops lands, or crosses an upright plane, as a Gaussian cloud around the path of its own: classes differ
by drag and wind drift, and the clouds have the stream's width and fill the gaps between classes. Shares of the flow
sum to one.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chndtr, ndtr, ndtri

from jetsim.errors import InputError
from jetsim.jet.core import Flight, Launch
from jetsim.jet.drag import FlightConstants, Jet
from jetsim.jet.sizes import DropClasses, cubic_weights, drop_classes, drop_ratio
from jetsim.jet.spray import Spray, SprayClasses, Throws, fly_spray, interpolate
from jetsim.jet.trajectory import fly
from jetsim.quantities import did_you_mean
from jetsim.units import INCH

Array = NDArray[np.float64]

# Shares of the flow that make a good stream, and radii of the circles that must hold them: Freeman (1889), criteria
# read in reprints. The larger share is also the one that must carry for a reach to be called effective.
GOOD_STREAM = ((0.90, 7.5 * INCH), (0.75, 5.0 * INCH))
DELIVERED_SHARE = 0.90
STEEPEST = 80.0  # deg; steeper throws have no effective reach along the ground
# Clouds of drops that fall upright still have a length along the ground (sine of the steepest grazing angle).
_GRAZING = 0.05
# Steps between stations are not shorter than this [m], and a plane may stand this much of a step past the last one.
_SHORTEST, _ROUNDING = 1e-9, 1e-9
# Standard normal scores of the sizes that are flown for a delivered fraction, and edges of classes of equal mass.
_SIZES = np.array([-2.3, -1.3, -0.5, 0.4, 1.1, 1.6, 2.3])
_EDGES = np.clip(ndtri(np.linspace(0.0, 1.0, 65)), -2.6, 2.6)
# Less of the flow than this on the height of an opening is not worth an aim.
_NOTHING = 1e-3
# A cloud holds nothing beyond so many deviations: 1e-12 of it.
_FAR = 7.0
# Lines of aim that are tried leave these shares of the water to one side.
_PARTINGS = (0.3, 0.7)


@dataclass(frozen=True)
class Clouds:
    """Where the classes arrive on a plane: Gaussian clouds with axes along the plane's own.

    Attributes
    ----------
    share : ndarray, shape (classes,)
        Share of the flow.
    centre, deviation : tuple of two ndarray, each of shape (classes, n)
        Along and across the throw on the ground, or height and across on an upright plane [m]; NaN where the class
        never arrives.
    """

    share: Array
    centre: tuple[Array, Array]
    deviation: tuple[Array, Array]

    def beyond(self, place: ArrayLike, axis: int = 0) -> Array:
        """Share of the flow beyond places (m,) along an axis; (m, n). What never arrives counts as not beyond."""
        at = np.asarray(place, dtype=float).reshape(-1, 1, 1)
        parts = ndtr((self.centre[axis] - at) / self.deviation[axis])
        return np.asarray(np.einsum("k,mkn->mn", self.share, np.nan_to_num(parts)))

    def ground_shares(self, along: Array, across: Array, case: int = 0) -> Array:
        """Shares of the flow in the cells between edges along and across, (cells along, cells across).

        The outermost edges may be infinite: then the shares sum to one wherever all classes land.
        """
        parts = [
            np.diff(ndtr((np.asarray(edges)[:, None] - c[:, case]) / s[:, case]), axis=0)
            for edges, c, s in zip((along, across), self.centre, self.deviation, strict=True)
        ]
        return np.asarray(np.einsum("k,ik,jk->ij", self.share, np.nan_to_num(parts[0]), np.nan_to_num(parts[1])))


def landing(spray: Spray) -> Clouds:
    """Clouds of the classes where they come down to their target height.

    Parameters
    ----------
    spray : Spray

    Returns
    -------
    Clouds
        Along and across the throw.
    """
    end, before = spray.position[:, -1], spray.position[:, -2]
    width = spray.width(end[0])
    step = end - before
    sine = np.abs(step[2]) / np.sqrt((step * step).sum(axis=0))
    along = np.hypot(width / np.maximum(sine, _GRAZING), _between(end[0]))
    return Clouds(spray.share, (end[0], end[1]), (along, width))


def crossing(spray: Spray, distance: ArrayLike) -> Clouds:
    """Clouds of the classes on an upright plane across the throw.

    Parameters
    ----------
    spray : Spray
    distance : array_like, shape () or (n,)
        Stand-off of the plane along the ground [m].

    Returns
    -------
    Clouds
        Height and across; NaN for classes that land before the plane or never come down to their target height.
    """
    stations, classes, cases = spray.time.shape
    at = np.broadcast_to(np.asarray(distance, dtype=float), cases)
    ahead = spray.ahead.reshape(stations, -1)
    after = np.clip(np.count_nonzero(spray.ahead <= at, axis=0), 1, stations - 1).ravel()
    column = np.arange(after.size)
    paths = (ahead, *spray.position.reshape(3, stations, -1)[1:])
    start, across, height = (path[after - 1, column] for path in paths)
    end, across_end, height_end = (path[after, column] for path in paths)
    step = np.maximum(end - start, _SHORTEST)
    part = (np.tile(at, classes) - start) / step
    part[part > 1 + _ROUNDING] = np.nan
    found = [(a + part * (b - a)).reshape(classes, cases) for a, b in ((height, height_end), (across, across_end))]
    slope = ((height_end - height) / step).reshape(classes, cases)
    width = spray.width(at[None])
    upright = np.hypot(width * np.hypot(1.0, slope), _between(found[0]))
    return Clouds(spray.share, (found[0], found[1]), (upright, np.broadcast_to(width, upright.shape)))


def _between(centre: Array) -> Array:
    """Deviation of drops of all sizes between neighbouring classes (classes, n), which fill the gap evenly."""
    if len(centre) == 1:
        return np.zeros_like(centre)
    gap = np.abs(np.diff(centre, axis=0))
    gap = np.where(np.isnan(gap), 0.0, gap)
    return np.asarray((np.concatenate([gap[:1], gap]) + np.concatenate([gap, gap[-1:]])) / (2 * np.sqrt(12.0)))


class Window(NamedTuple):
    """An opening in an upright wall across the throw, centred on the line of aim; SI.

    Attributes
    ----------
    distance : float or ndarray, shape (n,)
        Stand-off along the ground [m].
    sill, height, width : float or ndarray, shape (n,)
        Height of the lower edge above the ground, height and width of the opening [m].
    """

    distance: ArrayLike
    sill: ArrayLike
    height: ArrayLike
    width: ArrayLike


def through_window(spray: Spray, window: Window, aimed: bool = True) -> Array:
    """Share of the flow that passes a window, (n,).

    Parameters
    ----------
    spray : Spray
    window : Window
    aimed : bool, optional
        The crew turns the nozzle until the part of the stream that serves best stands on the window's middle line, as
        one does by eye in a crosswind; otherwise it keeps the nozzle square to the wall.
    """
    return through_opening(crossing(spray, window.distance), window, aimed)


def through_opening(clouds: Clouds, window: Window, aimed: bool = True, least: ArrayLike = 0.0) -> Array:
    """As `through_window`, for clouds on the plane of the window.

    Where no more than `least` of the flow comes at the window's height, that share is returned without an aim: it is the
    most that any aim could bring.
    """
    shares = np.zeros(clouds.centre[0].shape[1])
    near, upright = _on_height(clouds, window)
    across, aside = (values[1][:, near] for values in (clouds.centre, clouds.deviation))
    half = np.broadcast_to(np.asarray(window.width, dtype=float) / 2, shares.shape)[near]
    if not aimed:
        shares[near] = (upright * _inside(across, aside, -half, half)).sum(axis=0)
        return shares
    found = upright.sum(axis=0)
    some = np.flatnonzero(found > np.maximum(np.broadcast_to(least, shares.shape)[near], _NOTHING))
    found[some] = _best_aim(upright[:, some], across[:, some], aside[:, some], half[some])
    shares[near] = found
    return shares


def _on_height(clouds: Clouds, window: Window) -> tuple[NDArray[np.intp], Array]:
    """Cases of which some class comes near a window's height, and the shares of their classes on it."""
    rise, up = clouds.centre[0], clouds.deviation[0]
    low = np.broadcast_to(np.asarray(window.sill, dtype=float), rise.shape[1:])
    high = low + np.asarray(window.height)
    margin = _FAR * up
    near = np.flatnonzero(((rise + margin > low) & (rise - margin < high)).any(axis=0))
    return near, clouds.share[:, None] * _inside(rise[:, near], up[:, near], low[near], high[near])


def _best_aim(upright: Array, centre: Array, deviation: Array, half: Array) -> Array:
    """Share within a slot of half-width `half` about the best line, (n,).

    `upright` holds the shares of all classes on the slot's height. The best of a few lines that part this water, then
    the top of a parabola through the shares there and half a slot to both sides.
    """
    centre, column = np.nan_to_num(centre), np.arange(half.size)
    below = np.tril(np.ones((len(upright), len(upright)))) @ (upright / upright.sum(axis=0))
    lines = np.stack([centre[np.argmax(below >= part, axis=0), column] for part in _PARTINGS])

    def share(line: Array) -> Array:
        return np.asarray((upright * _inside(centre, deviation, line - half, line + half)).sum(axis=0))

    shares = np.stack([share(line) for line in lines])
    first = np.argmax(shares, axis=0)
    best, here = lines[first, column], shares[first, column]
    left, right = share(best - half / 2), share(best + half / 2)
    bend = np.minimum(left - 2 * here + right, -1e-12)
    top = share(best + half / 2 * np.clip((left - right) / (2 * bend), -2.0, 2.0))
    return np.asarray(np.max([left, here, right, top], axis=0))


def _inside(centre: Array, deviation: Array, low: ArrayLike, high: ArrayLike) -> Array:
    """Share of each class between two ends along an axis, (classes, n); nothing of what never arrives."""
    parts = ndtr((np.asarray(high) - centre) / deviation) - ndtr((np.asarray(low) - centre) / deviation)
    return np.asarray(np.nan_to_num(parts))


# --------------------------------------------------------------------------------------------------------
# Effective reach


@dataclass(frozen=True)
class Thrown:
    """A stream as it was thrown: what a criterion of effective reach may use; arrays of shape (n,).

    `has_spray` is False for a drag law that does not say what becomes of the spray.
    """

    jet: Jet
    launch: Launch
    constants: FlightConstants
    flight: Flight
    has_spray: bool = True


def delivered_reach(thrown: Thrown, share: float = DELIVERED_SHARE) -> Array:
    """Distance to which a share of the flow carries [m]: where the drops land that this share outdoes in size.

    Larger drops land farther, so one class decides and only that one is flown, in the air-stream law. The stream's
    own width and a tail wind that carries fine spray beyond the coarse are left out: `landing` has them.

    Parameters
    ----------
    thrown : Thrown
    share : float, optional

    Returns
    -------
    ndarray, shape (n,)
        Never beyond the extreme reach; 0 where the drops in question never get up to the target height, or come down
        behind the nozzle in a head wind. NaN under a drag law without spray, and above `STEEPEST`: a stream thrown
        upright carries nothing along the ground, and its drops fall back through it.
    """
    reach = np.full(thrown.launch.elevation.shape, np.nan)
    if not thrown.has_spray:
        return reach
    thrown_out = np.flatnonzero(np.abs(thrown.launch.elevation) <= STEEPEST)
    if thrown_out.size:
        law = SprayClasses(thrown.jet, thrown.constants, drop_ratio(1 - share, thrown.constants.drop_spread))
        launch = Launch(*(a[thrown_out] for a in thrown.launch))
        found = fly(law.take(thrown_out), launch, thrown.jet.breakup_length[thrown_out]).extreme_reach
        carried = np.maximum(np.nan_to_num(found), 0.0)
        reach[thrown_out] = np.minimum(carried, thrown.flight.extreme_reach[thrown_out])
    return reach


def delivered_fraction(thrown: Thrown, distance: ArrayLike) -> Array:
    """Share of the flow that comes down to the target height beyond a distance, (n,).

    The counterpart of `delivered_reach`: the same drops, the stream's own width left out, so that the share beyond the
    effective reach is the share that defines it. Seven sizes are flown, the others lie between them by cubics.

    Parameters
    ----------
    thrown : Thrown
    distance : array_like, shape () or (n,)
        Along the ground [m].

    Returns
    -------
    ndarray, shape (n,)
        0 where no drops get up to the target height. NaN under a drag law without spray, and above `STEEPEST`.
    """
    fraction = np.full(thrown.launch.elevation.shape, np.nan)
    cases = np.flatnonzero(np.abs(thrown.launch.elevation) <= STEEPEST)
    if not thrown.has_spray or not cases.size:
        return fraction
    launch, length = Launch(*(a[cases] for a in thrown.launch)), thrown.jet.breakup_length[cases]
    landed = []
    for below in ndtr(_SIZES):
        law = SprayClasses(thrown.jet, thrown.constants, drop_ratio(below, thrown.constants.drop_spread))
        landed.append(np.nan_to_num(fly(law.take(cases), launch, length).extreme_reach))
    edges = cubic_weights(_SIZES, _EDGES) @ np.array(landed)
    near, far = np.minimum(edges[1:], edges[:-1]), np.maximum(edges[1:], edges[:-1])
    place = np.broadcast_to(np.asarray(distance, dtype=float), fraction.shape)[cases]
    beyond = np.clip((far - place) / np.maximum(far - near, _SHORTEST), 0.0, 1.0)
    fraction[cases] = beyond.mean(axis=0)
    return fraction


def compact_reach(thrown: Thrown, classes: DropClasses | None = None) -> Array:
    """Distance to which the stream stays compact [m]: `GOOD_STREAM` holds in planes square to the stream's middle.

    Spray is a Gaussian about the path of its class, with the stream's width; the share that is not yet spray stays on
    the middle path. Along the path as thrown; meant for low trajectories.

    Returns
    -------
    ndarray, shape (n,)
        NaN under a drag law without spray, and above `STEEPEST`.
    """
    reach = np.full(thrown.launch.elevation.shape, np.nan)
    cases = np.flatnonzero(np.abs(thrown.launch.elevation) <= STEEPEST)
    if not thrown.has_spray or not cases.size:
        return reach
    chosen = Throws(thrown.jet, thrown.launch, thrown.constants).take(cases)
    spray = fly_spray(*chosen, classes or _compact_classes(chosen.constants.drop_spread))
    reach[cases] = _compact(spray, thrown.flight.extreme_reach[cases])
    return reach


def _compact(spray: Spray, extreme_reach: Array) -> Array:
    """Where the stream first fails a criterion of `GOOD_STREAM`; its whole reach where it never does."""
    along, _, height = spray.middle.position
    spare = np.min([_share_within(spray, radius) - share for share, radius in GOOD_STREAM], axis=0)
    lost = spare < 0
    first = np.where(lost.any(axis=0), lost.argmax(axis=0), len(along) - 1)
    case = np.arange(first.size)
    before = np.maximum(first - 1, 0)
    start, end = spare[before, case], spare[first, case]
    part = np.clip(start / np.where(start > end, start - end, np.inf), 0, 1)
    reach = along[before, case] + part * (along[first, case] - along[before, case])
    whole = np.where(lost.any(axis=0), reach, extreme_reach)
    return np.asarray(np.where(np.isnan(height[-1]), np.nan, whole))


def _compact_classes(spread: ArrayLike) -> DropClasses:
    """Fewer classes than elsewhere, for they are costly: against 96 they change the reach by 0.3 % in the mean."""
    return drop_classes(spread, 24)


def _share_within(spray: Spray, radius: float) -> Array:
    """Share of the flow within a circle about the middle path at its stations; (stations, n)."""
    along, _, height = spray.middle.position
    slope = np.gradient(height, axis=0) / np.maximum(np.gradient(along, axis=0), 1e-9)
    inside = np.zeros_like(along)
    width = np.maximum(spray.width(along), 1e-9)
    for share, path in zip(spray.share, spray.position.transpose(2, 0, 1, 3), strict=True):
        ahead = np.maximum.accumulate(np.nan_to_num(path[0]), axis=0)
        aside = (interpolate(along, ahead, path[2], np.nan) - height) / np.hypot(1.0, slope)
        part = chndtr((radius / width) ** 2, 2, (aside / width) ** 2)
        inside += share * np.nan_to_num(part)
    core = spray.law.unbroken(spray.middle.time)
    return np.asarray(core + (1 - core) * inside)


def breakup_reach(thrown: Thrown) -> Array:
    """Distance along the ground at which the stream has broken up [m], never beyond the extreme reach."""
    return np.asarray(np.minimum(thrown.flight.breakup_distance, thrown.flight.extreme_reach))


class Criterion(NamedTuple):
    """One selectable criterion of effective reach: its function, and what it says."""

    reach: Callable[[Thrown], Array]
    words: str


REACH_CRITERIA: Mapping[str, Criterion] = MappingProxyType(
    {
        "delivered share": Criterion(delivered_reach, "distance to which 90 % of the flow carries as thrown"),
        "compactness": Criterion(
            compact_reach, "distance to which 90 % stays within a 15-inch circle and 75 % within a 10-inch one"
        ),
        "breakup": Criterion(breakup_reach, "distance along the ground at which the stream has broken up"),
    }
)


def reach_criterion(name: str) -> Criterion:
    """Look up a criterion by name.

    Raises
    ------
    InputError
        Unknown criterion; the known ones are named.
    """
    if name not in REACH_CRITERIA:
        raise InputError(f"reach_criterion = {name!r}: unknown{did_you_mean(name, REACH_CRITERIA)}")
    return REACH_CRITERIA[name]
