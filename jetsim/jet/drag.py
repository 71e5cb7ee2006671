"""Laws of drag on the stream: what slows the water between the tip and the ground.

A law is a small class that holds the arrays of its cases and gives rates of change; `trajectory` advances
them. `DRAG_LAWS` is the one table of selectable laws.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple, Protocol, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.errors import InputError
from jetsim.jet.drops import DRAG_FAR, DRAG_NEAR, FLATTENED, FLATTENING, longest_stable_step
from jetsim.quantities import did_you_mean
from jetsim.units import STANDARD_GRAVITY

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
        c, tan(alpha) and q of the air-stream law. Fitted by ``benchmarks/flight_laws.py`` to the 47 ranges of Theobald
        (1981; read as digitised) and to 30 vertical heights by Lueger's formula (from memory), nozzle height 1 m and
        Cv 0.98 assumed. From resampling tips: standard deviations of ln c 0.33 and ln tan(alpha) 0.20, correlated by
        0.95; q between 0.4 and 1.7 in nine of ten resamples. Never fitted: apex, upper edge, wind.
    drop_scale : float
        Factor on the air-stream law's drop: what differs from nozzle to nozzle at one breakup length; lognormal
        (1, `DROP_SCATTER`) reproduces the law's residual scatter.
    drop_spread : float
        Standard deviation of ln(drop diameter) by mass, for the classes of `jetsim.jet.sizes`. Fitted by
        ``benchmarks/drop_spread.py`` to the effective horizontal reach of Freeman's 3/4-inch tip (1889, from memory)
        alone: 0.75 by mean absolute error, 0.76 by mean square.
    sphere_drag : float
        Drag coefficient of the two-stage law, 0.44 (sphere at high Reynolds number).
    diameter_ratio, breakup_exponent, speed_exponent : float
        c, q and p of the two-stage law's effective diameter ``c d (x_b / 210 d)^q (V / 28 m/s)^p``. Fitted by the same
        benchmark to the 47 ranges alone: vertical heights come out 15 % too low.
    """

    drop_ratio: ArrayLike = 0.2503
    spread: ArrayLike = 0.011166
    quality_exponent: ArrayLike = 1.263
    drop_scale: ArrayLike = 1.0
    drop_spread: ArrayLike = 0.75

    sphere_drag: ArrayLike = 0.44
    diameter_ratio: ArrayLike = 0.8759
    breakup_exponent: ArrayLike = 0.9708
    speed_exponent: ArrayLike = -0.3774


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


# The 47 throws of Theobald (1981): x_b/d, tip [m], exit speed [m/s] at Cv 0.98, elevation [deg].
THEOBALD = FittedRange((160.0, 255.0), (0.0129, 0.0255), (20.0, 34.6), (20.0, 45.0))


class DragLaw(Protocol):
    """Rates of change of the active state after breakup, in the wind's frame.

    There each flight stays in one upright plane. The active state ``y`` has shape (2 + extra, n): velocity relative to
    the wind (level and up) in m/s, then the law's own rows. No step may be longer than `longest_step` [s], which keeps
    stiff laws stable. A law keeps work arrays, so one law must not fly in two threads.
    """

    extra: int
    fitted: FittedRange | None
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


class Vacuum:
    """No drag at all: the exact limit that every law must approach in thin air."""

    extra = 0
    fitted: FittedRange | None = None
    longest_step: Array | float = np.inf

    def __init__(self, jet: Jet, constants: FlightConstants) -> None:
        self.wind = np.zeros((2, jet.exit_speed.size))

    def start(self, time: Array, velocity: Array) -> Array:
        """No rows of its own."""
        return np.empty((0, time.size))

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Gravity alone."""
        out[0] = 0.0
        out[1] = -STANDARD_GRAVITY

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = object.__new__(type(self))
        copy.wind = self.wind[:, cases]
        return copy


class TwoStage:
    """No drag up to the breakup length, then quadratic drag of one effective drop.

    ``a = -(3/4) (Cd / D) (rho_g / rho_l) |r| r + g`` with r the velocity relative to the wind and the
    effective diameter ``D = c d (x_b / 210 d)^q (V / 28)^p``. The form is a common simplification; c, q and p
    are fitted to ranges alone, so apex and vertical height come out about 15 % too low.
    """

    extra = 0
    fitted: FittedRange | None = THEOBALD
    longest_step: Array | float = np.inf

    def __init__(self, jet: Jet, constants: FlightConstants) -> None:
        quality = (jet.breakup_length / (210 * jet.tip_diameter)) ** np.asarray(constants.breakup_exponent)
        speed = (jet.exit_speed / 28) ** np.asarray(constants.speed_exponent)
        diameter = np.asarray(constants.diameter_ratio) * jet.tip_diameter * quality * speed
        density = jet.air_density / jet.water_density
        drag = 0.75 * np.asarray(constants.sphere_drag) / diameter * density
        # Rows: drag per path [1/m], wind along and across [m/s].
        self._rows = np.stack(np.broadcast_arrays(drag, jet.wind_along, jet.wind_across))

    @property
    def drag(self) -> Array:
        """Drag per path [1/m], (n,)."""
        return np.asarray(self._rows[0])

    @property
    def wind(self) -> Array:
        """Wind along and across the throw, (2, n) [m/s]."""
        return self._rows[1:3]

    def start(self, time: Array, velocity: Array) -> Array:
        """No rows of its own."""
        return np.empty((0, time.size))

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Quadratic drag against the moving air, and gravity."""
        factor = y[0] * y[0]
        factor += y[1] * y[1]
        np.sqrt(factor, out=factor)
        factor *= self._rows[0]
        np.negative(factor, out=factor)
        np.multiply(factor, y, out=out)
        out[1] -= STANDARD_GRAVITY

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = object.__new__(type(self))
        copy._rows = self._rows[:, cases]
        return copy


# Root of 16/pi: a uniform trail of length 2 delta seen through a Gaussian of width b.
_OVERLAP = 4 / np.sqrt(np.pi)


class AirStream:
    """Drops that fly in the air which the stream drags along, and which goes straight on where gravity bends it.

    Beyond the breakup length, with t since launch and ``X = x_b / 210 d``:

    - ``M = v0 + g t - v``, the air's momentum per mass of water: exact balance of momentum (solid).
    - ``dN/dt = (v - W) x M``, its moment about the water: exact balance of angular momentum (solid). The lever arm
      ``|N| / |M|`` says how far the air has been left behind.
    - ``b = d/2 + tan(alpha) X^-q V0 t``, half-width of the air stream; ``D = c d X^q``, effective drop (forms assumed;
      c, tan(alpha) and q fitted). A better stream breaks later, spreads less and sheds larger drops.
    - ``rho_g b^2 u^2 = rho_l (d/2)^2 V0 |M| o``, momentum flux of a top-hat air stream; ``o = 1 / sqrt(1 + (16/pi)
      (|N| / |M| b)^2)``, the share of it that is still around the water (idealised).
    - ``dv/dt = g - (1 - t_b / t) (3/4) (Cd / D) (rho_g / rho_l) |r| r`` with slip ``r = v - W - u M / |M|``; the factor
      turns the core into spray gradually (assumed); Cd by `drop_drag_coefficient`.

    W is the wind: all forces depend on velocities relative to it, so a change of frame is exact (V0 stays the speed
    relative to the nozzle). No measurement of a fire stream in wind was found: this part is untested. All vectors lie
    in one upright plane of the wind's frame; M has two components there, and N is one number.
    """

    extra = 1
    fitted: FittedRange | None = THEOBALD

    def __init__(self, jet: Jet, constants: FlightConstants) -> None:
        quality = (jet.breakup_length / (210 * jet.tip_diameter)) ** np.asarray(constants.quality_exponent)
        drop = np.asarray(constants.drop_ratio) * np.asarray(constants.drop_scale) * jet.tip_diameter * quality
        angle = np.deg2rad(jet.elevation)
        ratio = jet.air_density / jet.water_density
        # Half-widths stand over the root of the overlap's constant, which saves a product in `rates`.
        half = jet.tip_diameter / 2 / _OVERLAP
        still = np.zeros_like(jet.exit_speed)
        rows = (
            # What grows with time: velocity without drag (level and up), half-width.
            np.hypot(jet.exit_speed * np.cos(angle) - jet.wind_along, jet.wind_across),
            jet.exit_speed * np.sin(angle),
            half,
            still,
            still - STANDARD_GRAVITY,
            np.asarray(constants.spread) / quality * jet.exit_speed / _OVERLAP,
            half * np.sqrt(jet.exit_speed / ratio),
            0.75 * DRAG_FAR * ratio / drop,
            DRAG_NEAR * np.sqrt(jet.air_viscosity / (jet.air_density * drop)),
            FLATTENING / FLATTENED * (jet.air_density * drop / jet.surface_tension) ** 2,
            still,
            jet.wind_along,
            jet.wind_across,
        )
        self._rows = np.stack(np.broadcast_arrays(*rows))
        longest = longest_stable_step(drop, jet.water_density, jet.air_viscosity)
        self.longest_step: Array | float = np.broadcast_to(longest, jet.exit_speed.shape)
        self._allocate()

    def _allocate(self) -> None:
        """Work arrays of `rates`, kept from call to call."""
        self._work = np.empty((9, self._rows.shape[1]))

    @property
    def wind(self) -> Array:
        """Wind along and across the throw, (2, n) [m/s]."""
        return self._rows[11:13]

    @property
    def coefficients(self) -> Array:
        """Half-width at the tip [m] and its growth [m/s], over the root of 16/pi; then the constants of the air's speed
        and of the drag, as in `rates`; (6, n)."""
        return self._rows[[2, 5, 6, 7, 8, 9]]

    def start(self, time: Array, velocity: Array) -> Array:
        """At breakup the air is still at rest; a trace of moment keeps what follows defined."""
        self._rows[10] = time
        return np.full((1, time.size), 1e-12)

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Slip against the air stream; momentum left in the air."""
        velocity, slip, product = y[:2], self._work[4:6], self._work[6:8]
        momentum, factor = self._air(time, y)
        # Before `momentum` turns into the air's velocity: the moment.
        np.multiply(velocity[::-1], momentum, out=product)
        np.subtract(product[1], product[0], out=out[2])
        momentum *= factor
        np.subtract(velocity, momentum, out=slip)
        np.multiply(slip, slip, out=product)
        np.add(product[0], product[1], out=factor)
        np.multiply(self.slowing(time, factor), slip, out=out[:2])
        out[1] -= STANDARD_GRAVITY

    def _air(self, time: Array, y: Array) -> tuple[Array, Array]:
        """The air's momentum per mass of water (2, n), and the factor u / |M| that makes it the air's velocity."""
        grown, width, lever, squares = self._work[:3], self._work[2], self._work[3], self._work[4:7]
        np.multiply(self._rows[3:6], time, out=grown)
        grown += self._rows[:3]
        momentum = grown[:2]
        momentum -= y[:2]
        np.multiply(momentum, momentum, out=squares[:2])
        np.divide(y[2], width, out=lever)
        np.multiply(lever, lever, out=squares[2])
        factor = np.add.reduce(squares, axis=0, out=lever)
        np.sqrt(factor, out=factor)
        np.sqrt(factor, out=factor)
        factor *= width
        np.divide(self._rows[6], factor, out=factor)
        return momentum, factor

    def slowing(self, time: Array, slip_squared: Array) -> Array:
        """Minus the drag per speed [1/s], from the square of the slip, which is overwritten; square roots only."""
        drag, near, flattening, broken = self._rows[7:11]
        flat = self._work[8]
        np.multiply(slip_squared, slip_squared, out=flat)
        flat *= flattening
        flat += 1.0
        np.divide(-FLATTENED, flat, out=flat)
        flat += 1.0 + FLATTENED
        flat *= drag
        np.sqrt(slip_squared, out=slip_squared)
        np.sqrt(slip_squared, out=slip_squared)
        slip_squared += near
        slip_squared *= slip_squared  # |r| (1 + 9.06 / sqrt(Re))^2
        slip_squared *= flat
        np.divide(broken, time, out=flat)
        flat -= 1.0
        slip_squared *= flat
        return slip_squared

    def half_width(self, time: Array) -> Array:
        """Half-width b of the air stream [m] at times since launch."""
        return np.asarray(_OVERLAP * (self._rows[2] + self._rows[5] * time))

    def unbroken(self, time: Array) -> Array:
        """Share of the water that still holds together at times since launch [-] (form assumed)."""
        return np.asarray(np.minimum(1.0, self._rows[10] / np.maximum(time, 1e-12)))

    def air(self, time: Array, y: Array, aside_squared: Array) -> Array:
        """Velocity of the air (2, n) beside the stream's middle, Gaussian across it with the half-width (assumed).

        Parameters
        ----------
        time : ndarray, shape (n,)
            Since launch [s].
        y : ndarray, shape (3, n)
            State of the law.
        aside_squared : ndarray, shape (n,)
            Square of the distance from the middle [m2].

        Returns
        -------
        ndarray
            Relative to the wind [m/s]; overwritten by the next call.
        """
        momentum, factor = self._air(time, y)
        width = self._work[2] * _OVERLAP
        factor *= np.exp(-aside_squared / (width * width))
        momentum *= factor
        return momentum

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = object.__new__(type(self))
        copy._rows = self._rows.take(cases, axis=1)
        copy.longest_step = np.asarray(self.longest_step)[cases]
        copy._allocate()
        return copy


DRAG_LAWS: Mapping[str, type[AirStream] | type[TwoStage] | type[Vacuum]] = MappingProxyType(
    {"air_stream": AirStream, "two_stage": TwoStage, "vacuum": Vacuum}
)


def drag_law(name: str, jet: Jet, constants: FlightConstants) -> DragLaw:
    """Build the named law for an array of cases.

    Raises
    ------
    InputError
        Unknown law; the known ones are named.
    """
    if name not in DRAG_LAWS:
        raise InputError(f"drag_model = {name!r}: unknown{did_you_mean(name, DRAG_LAWS)}")
    return DRAG_LAWS[name](jet, constants)
