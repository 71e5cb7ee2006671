"""Streams that the tests of spray and delivery throw."""

import numpy as np

from jetsim.jet.core import Launch
from jetsim.jet.delivery import Thrown
from jetsim.jet.drag import FlightConstants, Jet
from jetsim.jet.laws.air_stream import AirStream
from jetsim.jet.trajectory import fly


def thrown(diameter, speed, elevation=30.0, wind=(0.0, 0.0), target=0.0, height=1.0, ratio=223.4):
    """Streams as thrown, at standard air; scalars or arrays of one length."""
    d, v, e, along, across = (
        np.array(a, dtype=float) for a in np.broadcast_arrays(*np.atleast_1d(diameter, speed, elevation, *wind))
    )
    same = np.ones_like(d)
    jet = Jet(d, v, ratio * d, 999.1 * same, 1.225 * same, 1.8e-5 * same, 0.0735 * same, e, along, across)
    launch = Launch(v, e, height * same, target * same)
    return Thrown(jet, launch, FlightConstants(), fly(AirStream(jet, FlightConstants()), launch, jet.breakup_length))


def coarse(case):
    """Those of some streams whose finest tenth the law can speak of."""
    return case.take(np.flatnonzero(~case.too_fine))


def some(count=24, seed=5, wind=4.0):
    """Fire streams of all sorts."""
    rng = np.random.default_rng(seed)
    pressure = rng.uniform(2e5, 7e5, count)
    return thrown(
        rng.uniform(0.013, 0.03, count),
        0.98 * np.sqrt(2 * pressure / 999.1),
        rng.uniform(5, 60, count),
        rng.uniform(-wind, wind, (2, count)) if wind else (0.0, 0.0),
    )
