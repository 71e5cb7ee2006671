"""Delivered water: how much of the flow arrives where, and how far a stream is effective.

Every class of drops lands, or crosses an upright plane, as a Gaussian cloud around the path of its own: classes differ
by drag and wind drift, and the clouds have the stream's width and fill the gaps between classes. Shares of the flow
sum to one.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from jetsim.errors import InputError
from jetsim.jet.sizes import cubic_weights
from jetsim.jet.spray import Spray
from jetsim.jet.thrown import DELIVERED_SHARE, landed
from jetsim.jet.thrown import HIGHEST_BEST as HIGHEST_BEST
from jetsim.jet.thrown import Thrown as Thrown
from jetsim.jet.trajectory import FINE, ROUGH, Effort
from jetsim.quantities import did_you_mean

Array = NDArray[np.float64]
_At = Callable[[Thrown, Array], Thrown]

# Elevations [deg] that are flown to find the best one, up to a target above the nozzle twice as many. Elsewhere the
# last is the best to 1 % without a head wind, and in one to 3 % where the one before reaches less far.
_TRIED, _TRIED_RISING = np.linspace(0.0, HIGHEST_BEST, 5), np.linspace(0.0, HIGHEST_BEST, 9)
# Tail wind [m/s], and fall from nozzle to target [m], from which on fine drops may drift beyond the mean flight.
_DRIFTING, _DEEP = 2.0, 3.0
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
    after = np.clip((spray.ahead <= at).sum(axis=0, dtype=np.int16), 1, stations - 1).ravel()
    place = after * np.intp(after.size) + np.arange(after.size)  # in paths laid out flat
    paths = (spray.ahead.ravel(), *spray.position[1:].reshape(2, -1))
    start, across, height = (path.take(place - after.size) for path in paths)
    end, across_end, height_end = (path.take(place) for path in paths)
    step = np.maximum(end - start, _SHORTEST)
    part = (np.tile(at, classes) - start) / step
    part[part > 1 + _ROUNDING] = np.nan
    found = [(a + part * (b - a)).reshape(classes, cases) for a, b in ((height, height_end), (across, across_end))]
    slope = ((height_end - height) / step).reshape(classes, cases)
    width = spray.width(at[None])
    upright = np.sqrt(width**2 * (1 + slope**2) + _between(found[0]) ** 2)  # `hypot` takes six times as long
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

    Where no more than `least` of the flow comes at the window's height, that share is returned without an aim: it is
    the most that any aim could bring.
    """
    shares = np.zeros(clouds.centre[0].shape[1])
    near, upright = _on_height(clouds, window)
    across, aside = (values[1][:, near] for values in (clouds.centre, clouds.deviation))
    half = np.broadcast_to(np.asarray(window.width, dtype=float) / 2, shares.shape)[near]
    if not aimed:
        shares[near] = np.nan_to_num(upright * _inside(across, aside, -half, half)).sum(axis=0)
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
    close = np.abs(rise - (low + high) / 2) < _FAR * up + (high - low) / 2
    near, some = np.flatnonzero(close.any(axis=0)), np.flatnonzero(close)
    case, upright = some % len(low), np.zeros(close.shape)
    inside = _inside(rise.ravel().take(some), up.ravel().take(some), low.take(case), high.take(case))
    upright.ravel()[some] = inside
    return near, clouds.share[:, None] * upright.take(near, axis=1)


def _best_aim(upright: Array, centre: Array, deviation: Array, half: Array) -> Array:
    """Share within a slot of half-width `half` about the best line, (n,).

    `upright` holds the shares of all classes on the slot's height. The best of a few lines that part this water, then
    the top of a parabola through the shares there and half a slot to both sides.
    """
    centre, deviation, column = np.nan_to_num(centre), np.nan_to_num(deviation, nan=1.0), np.arange(half.size)
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


def _inside(centre: Array, deviation: Array, low: Array, high: Array) -> Array:
    """Share of each class between two ends along an axis, (classes, n); NaN of what never arrives."""
    return np.asarray(ndtr((high - centre) / deviation) - ndtr((low - centre) / deviation))


# --------------------------------------------------------------------------------------------------------
# Effective reach


def _carried(thrown: Thrown, mass_below: float, effort: Effort = FINE) -> Array:
    """How far drops of one size, below which a share of the mass lies, carry [m]; (n,).

    0 where they never get up to the target height or come down behind the nozzle in a head wind; never beyond the
    extreme reach.
    """
    found = np.minimum(np.nan_to_num(landed(thrown, mass_below, effort)), thrown.flight.extreme_reach)
    return np.asarray(np.maximum(found, 0.0))


def _along_the_ground(thrown: Thrown, carried: Callable[[Thrown, NDArray[np.intp]], Array]) -> Array:
    """What spray does along the ground, (n,): NaN without spray and above `STEEPEST`."""
    found = np.full(thrown.launch.elevation.shape, np.nan)
    cases = np.flatnonzero(np.abs(thrown.launch.elevation) <= STEEPEST)
    if thrown.law.spray is not None and cases.size:
        found[cases] = carried(thrown.take(cases), cases)
    return found


def delivered_reach(thrown: Thrown, share: float = DELIVERED_SHARE, effort: Effort = ROUGH) -> Array:
    """Distance to which a share of the flow carries [m]: where the drops land that this share outdoes in size.

    Larger drops land farther, so one class decides and only that one is flown. The stream's own width and a tail wind
    that carries fine spray beyond the coarse are left out: `landing` has them.

    From some size on, 0.6 mm at 8 bar from a 1-inch tip, finer drops are carried farther by the stream's air; in a head
    wind they may ride in it to its end, up to 40 m beyond coarser ones. Nothing is known of that. So a stream counts as
    no finer than that size, which hangs on speed, tip and wind (`jetsim.jet.thrown.kept_from`), and in steep
    throws against the wind as that coarser one which reaches least, among some that are 5 % apart. What getting finer
    still adds is printed by ``benchmarks/finer_streams.py``: up to 10 bar more than 0.1 m in 1 to 3 of 100 streams;
    up to 2 m at 14 bar below 8 deg, where drops that fall more slowly do fly farther; some metres above 75 deg. A tail
    wind takes finer drops farther along. With a target above the nozzle finer drops, which rise in the stream's air,
    may get to what coarser ones miss; and those that barely get up there come down sooner, in a head wind some metres
    farther out.

    Parameters
    ----------
    thrown : Thrown
    share : float, optional
    effort : Effort, optional
        Of the flight: `FINE` is a hundred times as exact, at some three times the cost.

    Returns
    -------
    ndarray, shape (n,)
        From 0 to the extreme reach; NaN where the stream never reaches the target height, under a drag law without
        spray, and above `STEEPEST`: a stream thrown upright carries nothing along the ground, and its drops fall back
        through it.
    """
    return _along_the_ground(thrown, lambda some, _: _carried(some, 1 - share, effort))


def deciding_landing(thrown: Thrown) -> Array:
    """Where the drops land that decide the effective reach [m]: `delivered_reach` before it is held within its ends.

    It goes on smoothly where the effective reach stops at 0 or at the extreme reach, so that tables can be read between
    their entries.

    Parameters
    ----------
    thrown : Thrown

    Returns
    -------
    ndarray, shape (n,)
        Negative behind the nozzle; NaN where the drops never get up to the target height, and as `delivered_reach`.
    """
    return _along_the_ground(thrown, lambda some, _: landed(some, 1 - DELIVERED_SHARE, ROUGH))


def effective_reach_at_best(thrown: Thrown) -> Array:
    """Effective reach at the elevation up to `HIGHEST_BEST` that serves best [m]: what tables of reach mean.

    Steeper throws are left out: there, large tips at low pressure would lob their water farther, a 1 1/8-inch tip at
    30 psi 18 % beyond the one table instead of 8 %. A good stream is stiff, no lob (Freeman 1889, criteria read). The
    cap was chosen on the rows of that table, so their errors are no validation; it lies below the 20 to 45 deg that the
    flight was fitted at.

    Parameters
    ----------
    thrown : Thrown
        Its elevation and flight are not used.

    Returns
    -------
    ndarray, shape (n,)
        NaN where the stream never reaches the target height at such elevations, and under a drag law without spray.
    """
    found = np.full(thrown.launch.elevation.size, np.nan)
    rising = thrown.launch.target_height > thrown.launch.nozzle_height
    for which, search in ((~rising, _best_level), (rising, _best_rising)):
        cases = np.flatnonzero(which)
        if thrown.law.spray is not None and cases.size:
            found[cases] = search(thrown.take(cases))
    return found


def _best_level(thrown: Thrown) -> Array:
    """Effective reach at the best elevation where targets are no higher than the nozzle, (n,)."""
    last = np.asarray(_carried_at(thrown, _TRIED[-1:], _level_at)[0])
    against = np.flatnonzero(thrown.jet.wind_along < 0)
    before = _carried_at(thrown.take(against), _TRIED[-2:-1], _level_at)[0]
    fall = ~(last[against] > before)
    falling = against[fall]
    if falling.size:
        some = thrown.take(falling)
        reached = np.stack([*_carried_at(some, _TRIED[:-2], _level_at), before[fall], last[falling]])
        last[falling] = _farthest(some, _TRIED, reached, _level_at)
    return last


def _best_rising(thrown: Thrown) -> Array:
    """The same up to targets above the nozzle, which steep throws alone may reach and which bend over more, (n,)."""
    # Whether a stream gets there at all is told by its mean flight.
    return _farthest(thrown, _TRIED_RISING, _carried_at(thrown, _TRIED_RISING, _thrown_at), _thrown_at)


def _farthest(thrown: Thrown, tried: Array, reached: Array, at: _At) -> Array:
    """Farthest reach at elevations tried, evenly spread, and at that where it bends over, (n,)."""
    beyond = np.full((1, reached.shape[1]), np.nan)
    first = np.nan_to_num(reached, nan=-1.0).argmax(axis=0)
    known = np.concatenate([beyond, reached, beyond])
    before, here, after = (np.take_along_axis(known, first[None] + step, axis=0)[0] for step in range(3))
    bent = np.abs(tried[first] + tried[1] * _bend(before, here, after))
    bent = HIGHEST_BEST - np.abs(HIGHEST_BEST - bent)  # from an end half-way in
    return np.asarray(np.fmax(here, _carried_at(thrown, bent[None], at)[0]))


def _bend(before: Array, here: Array, after: Array) -> Array:
    """Where a parabola through three values is highest, in steps from the middle; half-way to one that is none."""
    bend, slope = np.minimum(before - 2 * here + after, -1e-12), (after - before) / 2
    top = np.clip(-slope / bend, -1.0, 1.0)
    return np.where(before > 0, np.where(after > 0, top, 0.5), -0.5)


def _carried_at(thrown: Thrown, elevations: Array, at: _At) -> Array:
    """How far the deciding drops carry at other elevations [deg], (m,) for all or (m, n) for each; (m, n) [m].

    `at` throws the streams at them.
    """
    cases = thrown.launch.elevation.size
    each = np.broadcast_to(elevations.reshape(len(elevations), -1), (len(elevations), cases))
    tried = at(thrown.take(np.tile(np.arange(cases), len(each))), each.ravel())
    return np.asarray(_carried(tried, 1 - DELIVERED_SHARE, ROUGH).reshape(each.shape))


def _thrown_at(thrown: Thrown, elevation: Array, effort: Effort = FINE) -> Thrown:
    """The same streams at other elevations [deg]."""
    turned = _turned(thrown, elevation)
    law = thrown.law.of(turned.jet, turned.constants)
    return replace(turned, flight=thrown.law.fly(law, turned.launch, turned.jet.breakup_length, effort))


def _turned(thrown: Thrown, elevation: Array) -> Thrown:
    """The same with the flights as they were."""
    jet, launch = thrown.jet._replace(elevation=elevation), thrown.launch._replace(elevation=elevation)
    return replace(thrown, jet=jet, launch=launch)


def _level_at(thrown: Thrown, elevation: Array) -> Thrown:
    """The same up to targets no higher than the nozzle, flown only where the mean flight bounds its drops.

    Elsewhere it has no end. It bounds them in tail wind and on a deep fall; else in one stream of 10,000, by 2 %.
    """
    turned, reach = _turned(thrown, elevation), np.full(elevation.size, np.inf)
    deep = thrown.launch.nozzle_height - thrown.launch.target_height > _DEEP
    alike = np.asarray(thrown.constants.drop_spread) == 0
    bound = np.flatnonzero((thrown.jet.wind_along > _DRIFTING) | deep | alike)
    if bound.size:
        reach[bound] = _thrown_at(turned.take(bound), elevation[bound], ROUGH).flight.extreme_reach
    return replace(turned, flight=replace(thrown.flight, extreme_reach=reach))


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
    places = np.broadcast_to(np.asarray(distance, dtype=float), thrown.launch.elevation.shape)

    def beyond(some: Thrown, cases: NDArray[np.intp]) -> Array:
        carried = np.array([np.nan_to_num(_carried(some, below)) for below in ndtr(_SIZES)])
        edges = cubic_weights(_SIZES, _EDGES) @ carried
        near, far = np.minimum(edges[1:], edges[:-1]), np.maximum(edges[1:], edges[:-1])
        parts = np.clip((far - places[cases]) / np.maximum(far - near, _SHORTEST), 0.0, 1.0)
        return np.asarray(parts.mean(axis=0))

    return _along_the_ground(thrown, beyond)


def breakup_reach(thrown: Thrown) -> Array:
    """Distance along the ground at which the stream has broken up [m], never beyond the extreme reach."""
    return np.asarray(np.minimum(thrown.flight.breakup_distance, thrown.flight.extreme_reach))


class Criterion(NamedTuple):
    """One selectable criterion of effective reach: its function, what it says, and whether the spray's drops decide."""

    reach: Callable[[Thrown], Array]
    words: str
    by_drops: bool


REACH_CRITERIA: Mapping[str, Criterion] = MappingProxyType(
    {
        "delivered share": Criterion(delivered_reach, "distance to which 90 % of the flow carries as thrown", True),
        "breakup": Criterion(breakup_reach, "distance along the ground at which the stream has broken up", False),
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
