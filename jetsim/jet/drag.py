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
        Standard deviation of ln(drop diameter) by mass, for the classes of `jetsim.jet.spray`. Fitted to the effective
        horizontal reach of Freeman's 3/4-inch tip (1889, from memory) alone.
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
    """Rates of change of the active state after breakup.

    The active state ``y`` has shape (3 + extra, n): velocity (along, across, up) in m/s relative to the
    ground, then the law's own rows. No step may be longer than `longest_step` [s], which keeps stiff laws stable.
    """

    extra: int
    fitted: FittedRange | None
    longest_step: Array | float

    def start(self, time: Array, velocity: Array) -> Array:
        """Law's own rows at breakup, shape (extra, n), from time and velocity (3, n) there."""

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Write dy/dt at `time` since launch [s] into `out`; y and out have shape (3 + extra, n)."""

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""


class Vacuum:
    """No drag at all: the exact limit that every law must approach in thin air."""

    extra = 0
    fitted: FittedRange | None = None
    longest_step: Array | float = np.inf

    def __init__(self, jet: Jet, constants: FlightConstants) -> None:
        self._cases = jet.exit_speed.size

    def start(self, time: Array, velocity: Array) -> Array:
        """No rows of its own."""
        return np.empty((0, self._cases))

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Gravity alone."""
        out[:2] = 0.0
        out[2] = -STANDARD_GRAVITY

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = object.__new__(type(self))
        copy._cases = cases.size
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
        # Rows: drag per path [1/m], wind along and across [m/s], exit speed [m/s].
        self._rows = np.stack(np.broadcast_arrays(drag, jet.wind_along, jet.wind_across, jet.exit_speed))

    def start(self, time: Array, velocity: Array) -> Array:
        """No rows of its own."""
        return np.empty((0, velocity.shape[1]))

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Quadratic drag against the moving air, and gravity."""
        drag, along, across, _ = self._rows
        np.subtract(y[0], along, out=out[0])
        np.subtract(y[1], across, out=out[1])
        factor = out[0] * out[0]
        square = out[1] * out[1]
        factor += square
        np.multiply(y[2], y[2], out=square)
        factor += square
        np.sqrt(factor, out=factor)
        factor *= drag
        np.negative(factor, out=factor)
        out[:2] *= factor
        np.multiply(factor, y[2], out=out[2])
        out[2] -= STANDARD_GRAVITY

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = object.__new__(type(self))
        copy._rows = self._rows[:, cases]
        return copy


# 16/pi: a uniform trail of length 2 delta seen through a Gaussian of width b.
_OVERLAP = 16 / np.pi
# Abraham (1970), Phys. Fluids 13, 2194 (from memory): smooth in the Reynolds number, square roots only.
_DRAG_FAR, _DRAG_NEAR = 0.2924, 9.06
# Flattening of large drops, fitted to Gunn & Kinzer (1949), 0.4 to 5 mm; the cap is a disc-like drop (assumed).
_FLATTENING, _FLATTENED = 0.0139, 1.5


def drop_drag_coefficient(reynolds_number: ArrayLike, weber_number: ArrayLike) -> Array:
    """Drag coefficient of a falling drop, ``0.2924 (1 + 9.06 / sqrt(Re))^2 (1 + f / (1 + f / 1.5))``.

    The first factor is Abraham's (1970, from memory) for spheres; f = 0.0139 We^2 flattens large drops and is fitted
    to the terminal speeds of Gunn & Kinzer (1949), 0.4 to 5 mm, which it holds within 5 %.

    Parameters
    ----------
    reynolds_number, weber_number : array_like
        With the drop's diameter and slip, and the air's viscosity and density [-].

    Returns
    -------
    ndarray
        [-]
    """
    flattening = _FLATTENING * np.asarray(weber_number, dtype=float) ** 2
    sphere = _DRAG_FAR * (1 + _DRAG_NEAR / np.sqrt(np.asarray(reynolds_number, dtype=float))) ** 2
    return np.asarray(sphere * (1 + flattening / (1 + flattening / _FLATTENED)))


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
    relative to the nozzle). No measurement of a fire stream in wind was found: this part is untested.
    """

    extra = 3
    fitted: FittedRange | None = THEOBALD
    longest_step: Array | float = np.inf

    def __init__(self, jet: Jet, constants: FlightConstants) -> None:
        quality = (jet.breakup_length / (210 * jet.tip_diameter)) ** np.asarray(constants.quality_exponent)
        drop = np.asarray(constants.drop_ratio) * np.asarray(constants.drop_scale) * jet.tip_diameter * quality
        angle = np.deg2rad(jet.elevation)
        ratio = jet.air_density / jet.water_density
        rows = (
            jet.exit_speed * np.cos(angle),
            jet.exit_speed * np.sin(angle),
            jet.tip_diameter / 2,
            np.asarray(constants.spread) / quality * jet.exit_speed,
            (jet.tip_diameter / 2) ** 2 * jet.exit_speed / ratio,
            0.75 * _DRAG_FAR * ratio / drop,
            _DRAG_NEAR * np.sqrt(jet.air_viscosity / (jet.air_density * drop)),
            _FLATTENING * (jet.air_density * drop / jet.surface_tension) ** 2,
            jet.wind_along,
            jet.wind_across,
            np.zeros_like(jet.exit_speed),
        )
        self._rows = np.stack(np.broadcast_arrays(*rows))

    def start(self, time: Array, velocity: Array) -> Array:
        """At breakup the air is still at rest."""
        self._rows[10] = time
        return np.zeros_like(velocity)

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Slip against the air stream; momentum left in the air."""
        along, up, half, widening, gain, _, _, _, wind_x, wind_y, _ = self._rows
        vx, vy, vz = y[0] - wind_x, y[1] - wind_y, y[2].copy()
        mx, my = along - y[0], -y[1]
        mz = up - STANDARD_GRAVITY * time
        mz -= vz
        _cross((vx, vy, vz), (mx, my, mz), out[3:])
        narrow = widening * time
        narrow += half
        narrow *= narrow
        np.reciprocal(narrow, out=narrow)  # 1 / b^2
        lever = _squared(y[3], y[4], y[5])
        lever *= narrow
        lever *= _OVERLAP
        lever += _squared(mx, my, mz)
        lever += 1e-24  # at breakup, where the air is at rest
        np.sqrt(lever, out=lever)
        narrow *= gain
        narrow /= lever
        np.sqrt(narrow, out=narrow)  # u / |M|
        for momentum, slip in ((mx, vx), (my, vy), (mz, vz)):
            momentum *= narrow
            slip -= momentum
        rate = self.slowing(time, _squared(vx, vy, vz))
        for row, slip in zip(out, (vx, vy, vz), strict=False):
            np.multiply(rate, slip, out=row)
        out[2] -= STANDARD_GRAVITY

    def slowing(self, time: Array, slip_squared: Array) -> Array:
        """Minus the drag per speed [1/s], from the square of the slip; square roots only."""
        drag, near, flattening, broken = self._rows[5], self._rows[6], self._rows[7], self._rows[10]
        flat = slip_squared * slip_squared
        flat *= flattening
        rounder = flat / _FLATTENED
        rounder += 1.0
        flat /= rounder
        flat += 1.0
        np.sqrt(slip_squared, out=slip_squared)
        np.sqrt(slip_squared, out=slip_squared)
        slip_squared += near
        slip_squared *= slip_squared  # |r| (1 + 9.06 / sqrt(Re))^2
        slip_squared *= flat
        slip_squared *= drag
        spray = broken / time
        spray -= 1.0
        slip_squared *= spray
        return slip_squared

    def half_width(self, time: Array) -> Array:
        """Half-width b of the air stream [m] at times since launch."""
        return np.asarray(self._rows[2] + self._rows[3] * time)

    def unbroken(self, time: Array) -> Array:
        """Share of the water that still holds together at times since launch [-] (form assumed)."""
        return np.asarray(np.minimum(1.0, self._rows[10] / np.maximum(time, 1e-12)))

    def air(self, time: Array, y: Array, aside_squared: Array) -> Array:
        """Velocity of the air (3, n) beside the stream's middle, Gaussian across it with the half-width (assumed).

        Parameters
        ----------
        time : ndarray, shape (n,)
            Since launch [s].
        y : ndarray, shape (6, n)
            State of the law.
        aside_squared : ndarray, shape (n,)
            Square of the distance from the middle [m2].
        """
        along, up, _, _, gain, _, _, _, wind_x, wind_y, _ = self._rows
        momentum = np.empty_like(y[:3])
        np.subtract(along, y[0], out=momentum[0])
        np.negative(y[1], out=momentum[1])
        np.subtract(up - STANDARD_GRAVITY * time, y[2], out=momentum[2])
        square = self.half_width(time) ** 2
        lever = _squared(*y[3:])
        lever *= _OVERLAP
        lever /= square
        lever += _squared(*momentum)
        lever += 1e-24
        aside = aside_squared / square
        square *= np.sqrt(lever)
        momentum *= np.sqrt(gain / square) * np.exp(-aside)
        momentum[0] += wind_x
        momentum[1] += wind_y
        return momentum

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = object.__new__(type(self))
        copy._rows = self._rows.take(cases, axis=1)
        return copy


def _squared(x: Array, y: Array, z: Array) -> Array:
    total = x * x
    total += y * y
    total += z * z
    return total


def _cross(a: tuple[Array, Array, Array], b: tuple[Array, Array, Array], out: Array) -> None:
    for row, (i, j) in zip(out, ((1, 2), (2, 0), (0, 1)), strict=True):
        np.multiply(a[i], b[j], out=row)
        row -= a[j] * b[i]


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
