"""The measured throws and heights as cases to fly, and their flying: shared by the benchmarks of flight.

Rows: Theobald (1981), read as digitised in an open repository, and vertical heights by two handbook formulas, both from
memory. Unknown in the sources, hence assumed: nozzle height 1 m, velocity coefficient 0.98, still air and 15 degC.
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from jetsim import media, published
from jetsim.hydraulics.nozzle import exit_speed
from jetsim.jet.breakup import breakup_length_over_diameter
from jetsim.jet.core import Flight, Launch
from jetsim.jet.drag import DragLaw, Jet
from jetsim.jet.trajectory import fly
from jetsim.units import STANDARD_GRAVITY
from tests.published import THEOBALD_1981

Array = NDArray[np.float64]

VELOCITY_COEFFICIENT = 0.98
NOZZLE_HEIGHT = 1.0  # m
TEMPERATURE = 15.0  # degC
TURBULENCE = 0.07  # of a clear tip, assumed; the valve adds nothing
GOOD_STREAM = 210.0  # x_b/d of the vertical streams, assumed: the middle of Theobald's

RANGE_SD = 0.045  # of ln range: about the scatter around a plain regression of all of his ranges
HEIGHT_SD = 0.04  # of ln height, assumed
HEIGHT_WEIGHT = 0.3  # the 30 smooth values count as 9 data

WATER_DENSITY = float(media.water_density(TEMPERATURE))
AIR_DENSITY = float(media.air_density(TEMPERATURE))
AIR_VISCOSITY = float(media.air_viscosity(TEMPERATURE))
SURFACE_TENSION = float(media.water_surface_tension(TEMPERATURE))


def _column(name: str) -> Array:
    return np.array([np.nan if (v := getattr(t, name)) is None else v for t in THEOBALD_1981], dtype=float)


TIP, PRESSURE = _column("tip_diameter") * 1e-3, _column("pressure") * 1e5
ELEVATION, BREAKUP_RATIO = _column("elevation"), _column("breakup_ratio")
RANGE, HEIGHT, DISTANCE = _column("greatest_range"), _column("greatest_height"), _column("distance_to_height")
# Tip-and-profile groups: rows of one group share a nozzle and are not independent.
GROUP = np.array([f"{t.nozzle}/{t.tip_diameter:g}" for t in THEOBALD_1981])
GROUPS = tuple(str(g) for g in np.unique(GROUP))
LARGE_GROUPS = tuple(g for g in GROUPS if (g == GROUP).sum() >= 10)

_tips, _heads = np.meshgrid([0.019, 0.022, 0.025, 0.028, 0.032, 0.038], [20.0, 30.0, 40.0, 50.0, 60.0])
VERTICAL_TIP, HEAD = _tips.ravel(), _heads.ravel()
LUEGER = published.lueger_height(HEAD, VERTICAL_TIP)
FREEMAN = published.freeman_height(HEAD, VERTICAL_TIP)

RANGES, HEIGHTS = RANGE.size, HEAD.size
LawBuilder = Callable[[Jet, Array], DragLaw]


class Cases(NamedTuple):
    """Streams to fly."""

    jet: Jet
    launch: Launch

    @property
    def size(self) -> int:
        """Number of cases."""
        return self.launch.speed.size

    def take(self, cases: NDArray[np.intp] | slice | NDArray[np.bool_]) -> Self:
        """A choice of the cases."""
        return self._replace(
            jet=Jet(*(a[cases] for a in self.jet)),
            launch=Launch(*(a[cases] for a in self.launch)),
        )

    def repeat(self, times: int) -> Self:
        """All cases one after another, `times` over."""
        return self.take(np.tile(np.arange(self.size), times))


def speed_of(pressure: Array) -> Array:
    """Exit speed [m/s] from the nozzle pressure [Pa]."""
    return exit_speed(pressure, VELOCITY_COEFFICIENT, WATER_DENSITY)


def cases_of(tip: Array, speed: Array, ratio: Array, launch: tuple[Array | float, float, Array | float]) -> Cases:
    """Cases in still air; `launch` is elevation [deg], nozzle and target height [m]."""
    fixed = (WATER_DENSITY, AIR_DENSITY, AIR_VISCOSITY, SURFACE_TENSION)
    arrays = np.broadcast_arrays(tip, speed, np.multiply(ratio, tip), *fixed, launch[0], 0.0, 0.0, *launch[1:])
    columns = [np.array(a, dtype=float) for a in arrays]
    return Cases(Jet(*columns[:10]), Launch(columns[1], columns[7], *columns[10:]))


def throws(nozzle_height: float = NOZZLE_HEIGHT, ratio: Array = BREAKUP_RATIO) -> Cases:
    """Theobald's 47 throws."""
    return cases_of(TIP, speed_of(PRESSURE), ratio, (ELEVATION, nozzle_height, 0.0))


def vertical_streams() -> Cases:
    """The 30 vertical streams; only their apex is wanted, so the target lies above it and the flight ends there."""
    speed = VELOCITY_COEFFICIENT * np.sqrt(2 * STANDARD_GRAVITY * HEAD)
    return cases_of(VERTICAL_TIP, speed, np.asarray(GOOD_STREAM), (90.0, 0.0, 2 * HEAD))


def both(nozzle_height: float = NOZZLE_HEIGHT) -> Cases:
    """The throws, then the vertical streams."""
    first, second = throws(nozzle_height), vertical_streams()
    jet = Jet(*(np.concatenate(pair) for pair in zip(first.jet, second.jet, strict=True)))
    launch = Launch(*(np.concatenate(pair) for pair in zip(first.launch, second.launch, strict=True)))
    return Cases(jet, launch)


def breakup_ratio_end_to_end(tip: Array = TIP, speed: Array | None = None) -> Array:
    """x_b/d by jetsim's own breakup model; of Theobald's throws, instead of the measured one, by default."""
    exit_ = speed_of(PRESSURE) if speed is None else speed
    return breakup_length_over_diameter(
        weber_number=WATER_DENSITY * exit_**2 * tip / SURFACE_TENSION,
        turbulence_intensity=TURBULENCE,
        density_ratio=WATER_DENSITY / AIR_DENSITY,
    )


def fly_cases(build: LawBuilder, constants: Array, cases: Cases, chunk: int = 4096) -> Flight:
    """Fly all cases under a law with constants of shape (k, n), in chunks on all processors."""
    everything = np.broadcast_to(constants, (len(constants), cases.size))

    def one(start: int) -> Flight:
        part = slice(start, start + chunk)
        some = cases.take(part)
        return fly(build(some.jet, everything[:, part]), some.launch, some.jet.breakup_length)

    starts = range(0, cases.size, chunk)
    if len(starts) == 1:
        return one(0)
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        flights = list(pool.map(one, starts))
    return Flight(*(np.concatenate([getattr(f, name) for f in flights]) for name in Flight.__dataclass_fields__))
