"""What all laws of drag share: the jet they slow, their constants, and what each must say.

A law is a small class that holds the arrays of its cases and gives rates of change; `trajectory` advances them. Each
law has a file of its own in `jetsim.jet.laws`, with all that is special to it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, NamedTuple, Protocol, Self, runtime_checkable

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# Standard deviation of ln `FlightConstants.drop_scale` that reproduces the air-stream law's scatter of 3.8 % around
# Theobald's 47 ranges. Fitted by ``benchmarks/flight_laws.py``; an upper limit, for it holds errors of measurement too.
DROP_SCATTER = 0.31


@dataclass(frozen=True)
class FlightConstants:
    """Constants of all drag laws; every member may be a scalar or an array of cases.

    Attributes
    ----------
    drop_ratio, spread, quality_exponent : float
        c, tan(alpha) and q of the air-stream law: effective constants, for neither drops of c d nor so slender an air
        stream were ever measured in a fire stream. Fitted by ``benchmarks/flight_laws.py`` to the 47 ranges of Theobald
        (1981; read as digitised) and to 30 vertical heights by Lueger's formula (from memory), nozzle height 1 m and
        Cv 0.98 assumed. From resampling tips: standard deviations of ln c 0.33 and ln tan(alpha) 0.20, correlated by
        0.95; q between 0.4 and 1.7 in nine of ten resamples. Never fitted: apex, upper edge, wind.
    drop_scale : float
        Factor on the air-stream law's drop: what differs from nozzle to nozzle at one breakup length; lognormal
        (1, `DROP_SCATTER`) reproduces the law's residual scatter.
    drop_spread : float
        Standard deviation of ln(drop diameter) by mass, for the classes of `jetsim.jet.sizes`. Fitted by
        ``benchmarks/drop_spread.py`` to the effective horizontal reach of Freeman's 3/4-inch tip (1889, from memory)
        alone, in the moderate wind that the table names, taken as a head wind of 3 m/s (assumed): 0.62 by mean
        absolute error, 0.63 by mean square. In still air it would be 0.75.
    farthest_share : float
        Share of the mass below the flight law's drop, which is that of the farthest drops. Assumed: 0.95, prior uniform
        0.90 to 0.99. The fitted tenth stays where it is, so this moves what lies between.
    wind_frame : float
        f of the air-stream law, 0 to 1: in which frame the air's momentum flux is counted in wind. Assumed: 0.5, the
        middle of what is possible, so that no end is off by more than half of it; prior uniform 0 to 1.
    sphere_drag : float
        Drag coefficient of the two-stage law, 0.44 (sphere at high Reynolds number).
    diameter_ratio, breakup_exponent, speed_exponent : float
        c, q and p of the two-stage law's effective diameter ``c d (x_b / 210 d)^q (V / 28 m/s)^p``. Fitted by the same
        benchmark to the 47 ranges alone: vertical heights come out 15 % too low.
    own : mapping of str to array_like
        Constants that registered laws bring with them, by name.
    """

    drop_ratio: ArrayLike = 0.2503
    spread: ArrayLike = 0.011166
    quality_exponent: ArrayLike = 1.263
    drop_scale: ArrayLike = 1.0
    drop_spread: ArrayLike = 0.62
    farthest_share: ArrayLike = 0.95
    wind_frame: ArrayLike = 0.5

    sphere_drag: ArrayLike = 0.44
    diameter_ratio: ArrayLike = 0.8759
    breakup_exponent: ArrayLike = 0.9708
    speed_exponent: ArrayLike = -0.3774

    own: Mapping[str, ArrayLike] = field(default_factory=dict)

    @classmethod
    def of(cls, members: Mapping[str, Any]) -> Self:
        """Constants by name; names that are no members belong to `own`."""
        known = {item.name for item in fields(cls)} - {"own"}
        own = {name: value for name, value in members.items() if name not in known}
        return cls(**{name: value for name, value in members.items() if name in known}, own=own)

    def members(self) -> dict[str, Any]:
        """All constants by name, those of `own` among them."""
        return {item.name: getattr(self, item.name) for item in fields(self) if item.name != "own"} | dict(self.own)

    def take(self, cases: NDArray[np.intp], size: int) -> Self:
        """The constants of some of `size` cases."""
        return self.of({name: np.broadcast_to(value, size)[cases] for name, value in self.members().items()})


class Jet(NamedTuple):
    """What a drag law may know of each case; arrays of shape (n,), SI."""

    tip_diameter: Array
    exit_speed: Array
    breakup_length: Array
    water_density: Array
    air_density: Array
    air_viscosity: Array
    surface_tension: Array
    elevation: Array
    wind_along: Array
    wind_across: Array


class FittedRange(NamedTuple):
    """Ranges of the data that a law was fitted on; beyond them results are flagged, never clamped."""

    breakup_length_over_diameter: tuple[float, float]
    tip_diameter: tuple[float, float]
    exit_speed: tuple[float, float]
    elevation: tuple[float, float]
    wind: tuple[float, float]


# The 47 throws of Theobald (1981): x_b/d, tip [m], exit speed [m/s] at Cv 0.98, elevation [deg]. Wind [m/s]: up to that
# of the one table that names any, "moderate" (Freeman 1889, from memory), taken as 5 m/s at most (assumed).
THEOBALD = FittedRange((160.0, 255.0), (0.0129, 0.0255), (20.0, 34.6), (20.0, 45.0), (0.0, 5.0))


class DragLaw(Protocol):
    """Rates of change of the active state after breakup, in the wind's frame.

    There each flight stays in one upright plane. The active state ``y`` has shape (2 + extra, n): velocity relative to
    the wind (level and up) in m/s, then the law's own rows. No step may be longer than `longest_step` [s], which keeps
    stiff laws stable. A law keeps work arrays, so one law must not fly in two threads.
    """

    extra: int
    longest_step: Array | float

    @property
    def wind(self) -> Array:
        """Wind along and across the throw, (2, n) [m/s]."""

    def start(self, time: Array, velocity: Array) -> Array:
        """Law's own rows at breakup, shape (extra, n), from time and velocity (2, n) there."""

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Write dy/dt at `time` since launch [s] into `out`; y and out have shape (2 + extra, n)."""

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""


@runtime_checkable
class SinglePrecision(DragLaw, Protocol):
    """A law that can also be flown in single precision: rough flights then cost half."""

    def in_single(self) -> Self:
        """The same law with numbers, and so time, state and rates of its cases, in single precision."""
