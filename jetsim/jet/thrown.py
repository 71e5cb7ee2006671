"""A stream as it was thrown, and where its drops of one size land.

Fine drops may be carried along by the stream's air, in a head wind even ride in it to its end. Nothing is known of
that, and they gain nothing by it: a finer stream counts as a coarser one.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.jet.core import Flight, Launch
from jetsim.jet.drag import FlightConstants, Jet
from jetsim.jet.laws import DEFAULT
from jetsim.jet.laws.law import Law
from jetsim.jet.sizes import drop_ratio
from jetsim.jet.trajectory import FINE, Effort, fly

Array = NDArray[np.float64]

# Share of the flow that must carry for a reach to be called effective: Freeman (1889), criterion read in reprints.
DELIVERED_SHARE = 0.90
# Elevation [deg] up to which the best one is sought.
HIGHEST_BEST = 10.0
# Speed [m/s] and tip [m] to which what follows belongs, and the powers with which it grows with them. All of it was
# chosen on some 20,000 streams of all sorts, up to 1 1/2 in and 14 bar.
_SPEED, _TIP = 40.0, 0.025
# Finer drops [-], over `SprayLaw.finest`, would be carried farther: there the reach is least, and flat about it. By a
# factor e less for so many m/s of head wind in flat throws, and in those this much [deg] steeper than `HIGHEST_BEST`.
_CARRIED, _CARRIED_POWERS = 1.3, (1.3, 0.37)
_FLAT_WIND, _STEEP_WIND, _STEEP = 15.0, 5.0, 10.0
# Part of the way up to the apex from which on a target is so near it that the wind no longer does that, and wholly.
_HIGH, _AT_APEX, _TINY = 0.5, 0.75, 1e-9
# In steep throws finer drops may ride: up to this size and so much more for every m/s of head wind times the tangent of
# the elevation, up to a greatest; from so many m/s on all are blown back.
_RIDING, _RIDING_RISE, _MOST_RIDING, _RIDING_POWERS = 0.85, 0.2, 1.3, (0.87, 0.385)
_BLOWN_BACK = 5.0
# Coarser drops that they are held against.
_SPACING = 1.05
_HOLDS: Array = _SPACING ** np.arange(1.0, 22.0)


@dataclass(frozen=True)
class Thrown:
    """A stream as it was thrown: what a criterion of effective reach may use; arrays of shape (n,).

    A law without spray does not say what becomes of it.
    """

    jet: Jet
    launch: Launch
    constants: FlightConstants
    flight: Flight
    law: Law = DEFAULT

    @property
    def too_fine(self) -> NDArray[np.bool_]:
        """Whether more than a tenth of the water is finer than the law can say."""
        if self.law.spray is None:
            return np.zeros(self.launch.elevation.shape, dtype=bool)
        return np.asarray(self.size() < 1.0)

    def size(self, mass_below: float = 1 - DELIVERED_SHARE) -> Array:
        """Drop [-], over `SprayLaw.finest`, below which a share of the mass, at most a tenth, lies; (n,)."""
        assert self.law.spray is not None
        share = min(mass_below, 1 - DELIVERED_SHARE)
        below = drop_ratio(share, self.constants.drop_spread, self.constants.farthest_share)
        return np.asarray(self.law.spray.drop(self.jet, self.constants) * below / self.law.spray.finest)

    def take(self, cases: NDArray[np.intp]) -> "Thrown":
        """Some of the cases."""
        size = self.launch.elevation.size
        flight = Flight(**{item.name: getattr(self.flight, item.name)[cases] for item in fields(Flight)})
        jet, launch = Jet(*(a[cases] for a in self.jet)), Launch(*(a[cases] for a in self.launch))
        return Thrown(jet, launch, self.constants.take(cases, size), flight, self.law)


def landed(thrown: Thrown, mass_below: float, effort: Effort = FINE) -> Array:
    """Where drops of one size, below which a share of the mass lies, land [m]; (n,).

    Those of a stream no finer than `kept_from`; where they may ride against the wind, the nearest landing of all
    coarser streams. NaN where they never get up to the target height; negative behind the nozzle.

    Parameters
    ----------
    thrown : Thrown
        Of a law with spray.
    mass_below : float
    effort : Effort, optional
    """
    finest, count = kept_from(thrown), thrown.launch.elevation.size
    case, coarser = _coarser(thrown, np.maximum(finest, thrown.size(mass_below)))
    # Flown together: a few flights on their own would take as many steps as all.
    tried = thrown.take(np.concatenate([np.arange(count), case])) if case.size else thrown
    places = flight_of(tried, mass_below, np.concatenate([finest, coarser]), effort).extreme_reach
    found, least = places[:count], places[:count].copy()
    with np.errstate(invalid="ignore"):  # of drops that never get up to the target height
        np.minimum.at(least, case, np.maximum(np.nan_to_num(places[count:]), 0.0))
    found = found + _steep(thrown) * (least - found)
    # Drops all alike fly the mean flight, which is known more closely.
    ratio = drop_ratio(mass_below, thrown.constants.drop_spread, thrown.constants.farthest_share)
    return np.where(ratio == 1.0, thrown.flight.extreme_reach, found)


def flight_of(thrown: Thrown, mass_below: float, finest: ArrayLike, effort: Effort) -> Flight:
    """Flight of drops of one size, in a stream so coarse that `Thrown.size` is no less than `finest` [-]."""
    assert thrown.law.spray is not None
    ratio = drop_ratio(mass_below, thrown.constants.drop_spread, thrown.constants.farthest_share)
    scale = np.maximum(1.0, np.asarray(finest) / thrown.size(mass_below))
    coarse = replace(thrown.constants, drop_scale=np.asarray(thrown.constants.drop_scale) * scale)
    law = thrown.law.spray.classes(thrown.jet, coarse, ratio)
    return fly(law, thrown.launch, thrown.jet.breakup_length, effort=effort)


def kept_from(thrown: Thrown) -> Array:
    """Drop [-], over `SprayLaw.finest`, from which a stream is kept from getting finer, (n,): at least 1.

    Finer drops would be carried farther by the stream's air.
    """
    steep = 1 / _FLAT_WIND + (1 / _STEEP_WIND - 1 / _FLAT_WIND) * _steep(thrown)
    wind = np.minimum(thrown.jet.wind_along, 0.0) * steep * (1 - _at_apex(thrown))
    return np.asarray(np.maximum(1.0, _CARRIED * _grown(thrown, *_CARRIED_POWERS) * np.exp(wind)))


def _grown(thrown: Thrown, with_speed: float, with_tip: float) -> Array:
    """What grows with speed and tip [-]."""
    return np.asarray((thrown.jet.exit_speed / _SPEED) ** with_speed * (thrown.jet.tip_diameter / _TIP) ** with_tip)


def _steep(thrown: Thrown) -> Array:
    """How steep a throw is: 0 up to `HIGHEST_BEST`, then to 1."""
    return np.asarray(np.clip((thrown.launch.elevation - HIGHEST_BEST) / _STEEP, 0.0, 1.0))


def _at_apex(thrown: Thrown) -> Array:
    """How near its apex a stream comes down to its target, 0 to 1."""
    bottom = thrown.launch.nozzle_height
    part = (thrown.launch.target_height - bottom) / np.maximum(thrown.flight.apex_height - bottom, _TINY)
    return np.asarray(np.clip((np.nan_to_num(part) - _HIGH) / (_AT_APEX - _HIGH), 0.0, 1.0))


def _coarser(thrown: Thrown, own: Array) -> tuple[NDArray[np.intp], Array]:
    """Coarser drops [-] that some are held against, for they may ride against the wind; and their cases."""
    lift = np.maximum(-thrown.jet.wind_along, 0.0) * np.tan(np.deg2rad(thrown.launch.elevation))
    may = (lift > 0) & (lift < _BLOWN_BACK) & (_steep(thrown) > 0)
    edge = np.minimum(_RIDING + _RIDING_RISE * lift, _MOST_RIDING) * _grown(thrown, *_RIDING_POWERS)
    near = np.flatnonzero(may & (own < edge))
    case, hold = np.nonzero((own[near, None] < _HOLDS) & (_SPACING * edge[near, None] > _HOLDS))
    return near[case], _HOLDS[hold]
