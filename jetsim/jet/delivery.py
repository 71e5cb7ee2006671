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
from scipy.special import chndtr, ndtr

from jetsim.errors import InputError
from jetsim.jet.core import Flight, Launch
from jetsim.jet.drag import FlightConstants, Jet
from jetsim.jet.spray import DropClasses, Spray, SprayClasses, drop_ratio, fly_spray, interpolate
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

    def within(self, low: tuple[ArrayLike, ArrayLike], high: tuple[ArrayLike, ArrayLike]) -> Array:
        """Share of the flow inside a rectangle given by its corners; (n,)."""
        inside = [
            ndtr((np.asarray(h) - c) / s) - ndtr((np.asarray(w) - c) / s)
            for w, h, c, s in zip(low, high, self.centre, self.deviation, strict=True)
        ]
        return np.asarray(np.einsum("k,kn->n", self.share, np.nan_to_num(inside[0] * inside[1])))

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
    at = np.broadcast_to(np.asarray(distance, dtype=float), (1, classes, cases)).reshape(1, -1)
    along, across, height = spray.position.reshape(3, stations, -1)
    ahead = np.maximum.accumulate(np.nan_to_num(along), axis=0)
    found = [interpolate(at, ahead, values, np.nan)[0].reshape(classes, cases) for values in (height, across)]
    slope = np.gradient(height, axis=0) / np.maximum(np.gradient(along, axis=0), 1e-9)
    steep = interpolate(at, ahead, slope)[0].reshape(classes, cases)
    width = spray.width(at.reshape(classes, cases))
    upright = np.hypot(width * np.hypot(1.0, steep), _between(found[0]))
    return Clouds(spray.share, (found[0], found[1]), (upright, width))


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


def through_opening(clouds: Clouds, window: Window, aimed: bool = True) -> Array:
    """As `through_window`, for clouds on the plane of the window."""
    half = np.asarray(window.width, dtype=float) / 2
    sill = np.asarray(window.sill, dtype=float)
    top = sill + np.asarray(window.height)
    middles = np.nan_to_num(clouds.centre[1]) if aimed else np.zeros((1, clouds.centre[1].shape[1]))
    shares = [clouds.within((sill, middle - half), (top, middle + half)) for middle in middles]
    return np.asarray(np.max(shares, axis=0))


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
        Never beyond the extreme reach; 0 where the drops in question never get up to the target height. NaN under
        a drag law without spray, and above `STEEPEST`: a stream thrown upright carries nothing along the ground,
        and its drops fall back through it.
    """
    reach = np.full(thrown.launch.elevation.shape, np.nan)
    if not thrown.has_spray:
        return reach
    thrown_out = np.flatnonzero(np.abs(thrown.launch.elevation) <= STEEPEST)
    if thrown_out.size:
        law = SprayClasses(thrown.jet, thrown.constants, drop_ratio(1 - share, thrown.constants.drop_spread))
        launch = Launch(*(a[thrown_out] for a in thrown.launch))
        found = fly(law.take(thrown_out), launch, thrown.jet.breakup_length[thrown_out]).extreme_reach
        reach[thrown_out] = np.minimum(np.nan_to_num(found), thrown.flight.extreme_reach[thrown_out])
    return reach


def compact_reach(thrown: Thrown, classes: DropClasses | None = None) -> Array:
    """Distance to which the stream stays compact [m]: `GOOD_STREAM` holds in planes square to the stream's middle.

    Spray is a Gaussian about the path of its class, with the stream's width; the share that is not yet spray stays on
    the middle path. Along the path as thrown; meant for low trajectories.

    Returns
    -------
    ndarray, shape (n,)
    """
    if not thrown.has_spray:
        return np.full(thrown.launch.elevation.shape, np.nan)
    spray = fly_spray(thrown.jet, thrown.launch, thrown.constants, classes)
    along, _, height = spray.middle.position
    spare = np.min([_share_within(spray, radius) - share for share, radius in GOOD_STREAM], axis=0)
    lost = spare < 0
    first = np.where(lost.any(axis=0), lost.argmax(axis=0), len(along) - 1)
    case = np.arange(first.size)
    before = np.maximum(first - 1, 0)
    start, end = spare[before, case], spare[first, case]
    part = np.clip(start / np.where(start > end, start - end, np.inf), 0, 1)
    reach = along[before, case] + part * (along[first, case] - along[before, case])
    whole = np.where(lost.any(axis=0), reach, thrown.flight.extreme_reach)
    return np.asarray(np.where(np.isnan(height[-1]), np.nan, whole))


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
