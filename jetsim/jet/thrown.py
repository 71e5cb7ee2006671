"""A stream as it was thrown, and where its drops of one size land.

In a head wind fine drops may ride in the stream's air to its end; nothing is known of that, and they gain nothing by
it.
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
from jetsim.units import STANDARD_GRAVITY

Array = NDArray[np.float64]

# Share of the flow that must carry for a reach to be called effective: Freeman (1889), criterion read in reprints.
DELIVERED_SHARE = 0.90
# Elevation [deg] up to which the best one is sought.
HIGHEST_BEST = 10.0
# Head wind [m/s], and elevation [deg] above `HIGHEST_BEST`, from which on a finer stream is wholly kept from reaching
# farther than a coarser one; and the coarser ones that it is held against: their finest tenth, over `SprayLaw.finest`.
_HEAD_WIND, _STEEP = 0.02, 10.0
_HOLDS = 1.03 ** np.arange(1, 17)
# Drops that ride in the stream's air rise to all but this part of its apex, less by a factor e for every so many m/s of
# head wind, and fly so many times as long as without drag. Chosen on 8,000 streams above 20 deg, up to 1 1/2 in and
# 10 bar: of those in which getting finer gains 0.3 m, none is missed.
_FALLEN, _LIFTING, _LATE = 0.26, 2.0, 1.65


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

    def held(self, finest: ArrayLike = 1.0) -> FlightConstants:
        """Constants of a stream no finer than the law can say: the finest tenth begins at `SprayLaw.finest`.

        What finer streams do with that tenth is not known; they count as this one, so that getting finer never helps.

        Parameters
        ----------
        finest : array_like, shape () or (n,), optional
            Drop [-], over `SprayLaw.finest`, that holds in its place.
        """
        scale = np.maximum(1.0, np.asarray(finest) / self.tenth)
        return replace(self.constants, drop_scale=np.asarray(self.constants.drop_scale) * scale)

    @property
    def too_fine(self) -> NDArray[np.bool_]:
        """Whether more than a tenth of the water is finer than the law can say."""
        if self.law.spray is None:
            return np.zeros(self.launch.elevation.shape, dtype=bool)
        return np.asarray(self.tenth < 1.0)

    @property
    def tenth(self) -> Array:
        """Drop [-], over the finest that the law can say, below which the finest tenth of the water lies."""
        assert self.law.spray is not None
        below = drop_ratio(1 - DELIVERED_SHARE, self.constants.drop_spread, self.constants.farthest_share)
        return np.asarray(self.law.spray.drop(self.jet, self.constants) * below / self.law.spray.finest)

    def take(self, cases: NDArray[np.intp]) -> "Thrown":
        """Some of the cases."""
        size = self.launch.elevation.size
        flight = Flight(**{item.name: getattr(self.flight, item.name)[cases] for item in fields(Flight)})
        jet, launch = Jet(*(a[cases] for a in self.jet)), Launch(*(a[cases] for a in self.launch))
        return Thrown(jet, launch, self.constants.take(cases, size), flight, self.law)


def landed(thrown: Thrown, mass_below: float, effort: Effort = FINE) -> Array:
    """Where drops of one size, below which a share of the mass lies, land [m]; (n,).

    Where drops may ride against the wind, the nearest landing of those of all coarser streams: getting finer does not
    help. NaN where they never get up to the target height; negative behind the nozzle.

    Parameters
    ----------
    thrown : Thrown
        Of a law with spray.
    mass_below : float
    effort : Effort, optional
    """
    flight = flight_of(thrown, mass_below, 1.0, effort)
    found = flight.extreme_reach
    part = _against_the_wind(thrown)
    riding = np.flatnonzero(_may_ride(thrown, flight) & (part > 0))
    if riding.size:
        least = np.minimum(found[riding], _least(thrown.take(riding), mass_below, effort))
        found[riding] += part[riding] * (least - found[riding])
    # Drops all alike fly the mean flight, which is known more closely.
    ratio = drop_ratio(mass_below, thrown.constants.drop_spread, thrown.constants.farthest_share)
    return np.where(ratio == 1.0, thrown.flight.extreme_reach, found)


def flight_of(thrown: Thrown, mass_below: float, finest: ArrayLike, effort: Effort) -> Flight:
    """Flight of drops of one size, in a stream held at `finest`."""
    assert thrown.law.spray is not None
    ratio = drop_ratio(mass_below, thrown.constants.drop_spread, thrown.constants.farthest_share)
    law = thrown.law.spray.classes(thrown.jet, thrown.held(finest), ratio)
    return fly(law, thrown.launch, thrown.jet.breakup_length, effort=effort)


def _against_the_wind(thrown: Thrown) -> Array:
    """How far getting finer is kept from helping, 0 to 1: not in still air nor in flat throws."""
    wind, steep = -thrown.jet.wind_along / _HEAD_WIND, (thrown.launch.elevation - HIGHEST_BEST) / _STEEP
    return np.asarray(np.clip(wind, 0.0, 1.0) * np.clip(steep, 0.0, 1.0))


def _may_ride(thrown: Thrown, flight: Flight) -> NDArray[np.bool_]:
    """Whether the drops of a flight may have ridden in the stream's air, judged by how high and how long they flew.

    All that ride do, and some more: of those that leave the stream on its way, the wind keeps the apex up as well.
    """
    fallen = _FALLEN * np.exp(thrown.jet.wind_along / _LIFTING)
    high = flight.apex_height > (1 - fallen) * thrown.flight.apex_height
    rise = thrown.launch.speed * np.sin(np.deg2rad(thrown.launch.elevation)) / STANDARD_GRAVITY
    late = flight.flight_time > _LATE * 2 * rise
    return np.asarray((thrown.tenth < _HOLDS[-1]) & (flight.extreme_reach > 0) & high & late)


def _least(thrown: Thrown, mass_below: float, effort: Effort) -> Array:
    """Nearest landing [m], 0 where behind the nozzle, of drops of one size in all coarser streams tried, (n,)."""
    case, hold = np.nonzero(thrown.tenth[:, None] < _HOLDS)
    places = np.full((thrown.launch.elevation.size, _HOLDS.size), np.inf)
    flight = flight_of(thrown.take(case), mass_below, _HOLDS[hold], effort)
    places[case, hold] = np.maximum(np.nan_to_num(flight.extreme_reach), 0.0)
    return np.asarray(places.min(axis=1))
