"""Flight in the air that the stream drags along: the default law, and its drops by size.

The mean flight (`AirStream`) says where the stream goes and how its air moves. Every class of drops carries a copy of
it on a clock of its own, which runs so that the copy stays abreast of the class: fine drops that lag behind meet the
air of water that left the tip later, as in a steady stream. A class with the mean flight's own drop flies the mean
flight.
"""

import math
from dataclasses import replace
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.jet.core import heading
from jetsim.jet.drag import THEOBALD, Array, FlightConstants, Jet
from jetsim.jet.drops import DRAG_FAR, DRAG_NEAR, FLATTENED, FLATTENING, longest_stable_step
from jetsim.jet.laws.law import Law, SprayLaw
from jetsim.units import STANDARD_GRAVITY

# Finer drops [m] fly as this one (assumed). Below it the law lets drops ride in the stream's air to its very end, the
# finer the farther, and nothing is known of that.
FINEST = 5e-4
# Momentum of the air per mass of water [m/s] from which on the wind's part in its flux is whole.
_TRACE = 1e-3
# A copy of the mean flight never runs faster than by this factor: the bend of the path is long against the offset.
_FASTEST = 4.0
# Rows of the cases: velocity without drag (level, up) [m/s] and half-width [m] at launch, then what each gains in a
# second; the constants of the air's speed and of the drag, as in `rates`; the time of breakup [s]; the wind, and half
# of what of its level part in the plane of flight acts on the air's flux [m/s].
(
    _LEVEL, _UP, _HALF, _LEVEL_GAIN, _UP_GAIN, _WIDENING, _GAIN, _DRAG, _NEAR, _FLATTENING, _BROKEN, _ALONG, _ACROSS,
    _FRAME, _GAIN_SQUARED,
) = range(15)  # fmt: skip
_LAUNCH, _GAINS, _WIND = slice(_LEVEL, _LEVEL_GAIN), slice(_LEVEL_GAIN, _GAIN), slice(_ALONG, _ACROSS + 1)
# Root of 16/pi: a uniform trail of length 2 delta seen through a Gaussian of width b.
_OVERLAP = 4 / math.sqrt(math.pi)


class AirStream:
    """Drops that fly in the air which the stream drags along, and which goes straight on where gravity bends it.

    Beyond the breakup length, with t since launch and ``X = x_b / 210 d``:

    - ``M = v0 + g t - v``, the air's momentum per mass of water: exact balance of momentum (solid).
    - ``dN/dt = (v - W) x M``, its moment about the water: exact balance of angular momentum (solid). The lever arm
      ``|N| / |M|`` says how far the air has been left behind.
    - ``b = d/2 + tan(alpha) X^-q V0 t``, half-width of the air stream; ``D = c d X^q``, effective drop (forms assumed;
      c, tan(alpha) and q fitted). A better stream breaks later, spreads less and sheds larger drops.
    - ``rho_g b^2 u (u + f W_M) = rho_l (d/2)^2 V0 |M| o``, momentum flux of a top-hat air stream; ``o = 1 / sqrt(1 +
      (16/pi) (|N| / |M| b)^2)``, the share of it that is still around the water (idealised). W_M is the wind along M.
    - ``dv/dt = g - (1 - t_b / t) (3/4) (Cd / D) (rho_g / rho_l) |r| r`` with slip ``r = v - W - u M / |M|``; the factor
      turns the core into spray gradually (assumed); Cd by `drop_drag_coefficient`.

    W is the wind. All forces on drops depend on velocities relative to it, so for them a change of frame is exact. What
    it does to the air stream is open, and `f` (`wind_frame`) spans it: 0 sees the flux in the wind's frame, as if the
    nozzle travelled with it; 1 through a section that stays with the nozzle, as in a steady jet, but with a width that
    does not answer to the wind. A head wind of 5 m/s costs a 15/16-inch stream 18 % of its reach with 0 and 6 % with 1;
    single drops lose 14 %. The default is the middle, for no measurement of a fire stream in wind was found. All
    vectors lie in one upright plane of the wind's frame; M has two components there, and N is one number.
    """

    extra = 1

    def __init__(self, jet: Jet, constants: FlightConstants) -> None:
        quality = (jet.breakup_length / (210 * jet.tip_diameter)) ** np.asarray(constants.quality_exponent)
        drop = np.maximum(effective_drop(jet, constants), FINEST)
        angle = np.deg2rad(jet.elevation)
        ratio = jet.air_density / jet.water_density
        # Half-widths stand over the root of the overlap's constant, which saves a product in `rates`.
        half = jet.tip_diameter / 2 / _OVERLAP
        still = np.zeros_like(jet.exit_speed)
        rows = {
            _LEVEL: np.hypot(jet.exit_speed * np.cos(angle) - jet.wind_along, jet.wind_across),
            _UP: jet.exit_speed * np.sin(angle),
            _HALF: half,
            _LEVEL_GAIN: still,
            _UP_GAIN: still - STANDARD_GRAVITY,
            _WIDENING: np.asarray(constants.spread) / quality * jet.exit_speed / _OVERLAP,
            _GAIN: half * np.sqrt(jet.exit_speed / ratio),
            _DRAG: 0.75 * DRAG_FAR * ratio / drop,
            _NEAR: DRAG_NEAR * np.sqrt(jet.air_viscosity / (jet.air_density * drop)),
            _FLATTENING: FLATTENING / FLATTENED * (jet.air_density * drop / jet.surface_tension) ** 2,
            _BROKEN: still,
            _ALONG: jet.wind_along,
            _ACROSS: jet.wind_across,
            _GAIN_SQUARED: half * half * jet.exit_speed / ratio,
            _FRAME: 0.5 * np.asarray(constants.wind_frame) * _wind_in_plane(jet)[0],
        }
        self._rows = np.stack(np.broadcast_arrays(*(rows[row] for row in range(len(rows)))))
        longest = longest_stable_step(drop, jet.water_density, jet.air_viscosity)
        self.longest_step: Array | float = np.broadcast_to(longest, jet.exit_speed.shape)
        self._allocate()

    def _allocate(self) -> None:
        """Work arrays of `rates`, kept from call to call."""
        self._work = np.empty((9, self._rows.shape[1]), self._rows.dtype)
        self._in_wind = bool(self._rows[_FRAME].any())

    @property
    def wind(self) -> Array:
        """Wind along and across the throw, (2, n) [m/s]."""
        return self._rows[_WIND]

    @property
    def coefficients(self) -> Array:
        """Half-width at the tip [m] and its growth [m/s], over the root of 16/pi; then the constants of the air's speed
        and of the drag, and the wind's part in the air's flux, as in `rates`; (7, n)."""
        return self._rows[[_HALF, _WIDENING, _GAIN, _DRAG, _NEAR, _FLATTENING, _FRAME]]

    def start(self, time: Array, velocity: Array) -> Array:
        """At breakup the air is still at rest; a trace of moment keeps what follows defined."""
        self._rows[_BROKEN] = time
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
        np.multiply(self._rows[_GAINS], time, out=grown)
        grown += self._rows[_LAUNCH]
        momentum = grown[:2]
        momentum -= y[:2]
        np.multiply(momentum, momentum, out=squares[:2])
        np.divide(y[2], width, out=lever)
        np.multiply(lever, lever, out=squares[2])
        factor = np.add.reduce(squares, axis=0, out=lever)
        np.sqrt(factor, out=factor)
        if self._in_wind:
            self._seen_from_the_nozzle(momentum[0], factor)
            return momentum, factor
        np.sqrt(factor, out=factor)
        factor *= width
        np.divide(self._rows[_GAIN], factor, out=factor)
        return momentum, factor

    def _seen_from_the_nozzle(self, level: Array, factor: Array) -> None:
        """Finish the factor where the flux is partly seen from the nozzle: the root of ``u^2 + 2 h u = flux``."""
        width, half, square = self._work[2], self._work[4], self._work[5]
        factor *= width
        factor *= width
        np.divide(self._rows[_GAIN_SQUARED], factor, out=factor)
        half += square
        half += _TRACE * _TRACE
        np.divide(self._rows[_FRAME], half, out=half)
        half *= level
        np.multiply(half, half, out=square)
        factor += square
        np.sqrt(factor, out=factor)
        factor -= half

    def slowing(self, time: Array, slip_squared: Array) -> Array:
        """Minus the drag per speed [1/s], from the square of the slip, which is overwritten; square roots only."""
        drag, near, flattening, broken = self._rows[_DRAG : _BROKEN + 1]
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
        return np.asarray(_OVERLAP * (self._rows[_HALF] + self._rows[_WIDENING] * time))

    def beside(self, aside_squared: Array) -> Array:
        """Velocity of the air (2, n) beside the stream's middle, Gaussian across it with the half-width (assumed).

        Parameters
        ----------
        aside_squared : ndarray, shape (n,)
            Square of the distance from the middle [m2]; overwritten.

        Returns
        -------
        ndarray
            Relative to the wind [m/s], where `rates` was last called; ask once for each call.
        """
        velocity, width = self._work[:2], self._work[2]
        width *= width
        aside_squared /= width
        aside_squared *= -1 / _OVERLAP**2
        velocity *= np.exp(aside_squared, out=aside_squared)
        return velocity

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = object.__new__(type(self))
        copy._rows = self._rows.take(cases, axis=1)
        copy.longest_step = np.asarray(self.longest_step)[cases]
        copy._allocate()
        return copy

    def in_single(self) -> Self:
        """The same law in single precision."""
        copy = object.__new__(type(self))
        copy._rows, copy.longest_step = self._rows.astype(np.float32), self.longest_step
        copy._allocate()
        return copy


class SprayClasses:
    """Drag of one drop class in the stream's air; the laws of motion are those of `AirStream`.

    ``dv/dt = g - (1 - t_b / t) (3/4) (Cd / D) (rho_g / rho_l) |r| r`` with ``r = v - W - u exp(-(e/b)^2)``: e is the
    distance from the stream's middle path, b its half-width and u its air abreast of the drop (form of the edge
    assumed). Rows of the state after the velocity: offset from the middle path (level, up, and out of the plane of
    flight), velocity (2) and moment (1) of the mean flight abreast, and its time since launch. The middle path stands
    still over ground, so the offset drifts with the wind unless the copy keeps pace.

    The balances are exact for the mean flight alone: the classes together lose two to three times the momentum that
    the mean flight gives to the air. `SharedAir` in ``benchmarks/rival_laws.py`` closes them for all classes at once,
    holds the same throws and heights, and with another spread the effective reaches, at some fifteen times the cost.
    """

    extra = 7

    def __init__(self, jet: Jet, constants: FlightConstants, ratio: ArrayLike) -> None:
        own = replace(constants, drop_scale=np.asarray(constants.drop_scale) * np.asarray(ratio))
        self._mean, self._own = AirStream(jet, constants), AirStream(jet, own)
        self._drift = _wind_in_plane(jet)
        self.longest_step: Array | float = self._own.longest_step
        self._allocate()

    def _allocate(self) -> None:
        """Work arrays of `rates`, kept from call to call."""
        self._work = np.empty((8, self._drift.shape[1]), self._drift.dtype)
        self._in_crosswind = bool(self._drift[2].any())

    @property
    def wind(self) -> Array:
        """Wind along and across the throw, (2, n) [m/s]."""
        return self._mean.wind

    def start(self, time: Array, velocity: Array) -> Array:
        """At breakup every class flies with the stream."""
        moment = self._mean.start(time, velocity)
        self._own.start(time, velocity)
        return np.concatenate([np.zeros((3, time.size)), velocity, moment, time[None]])

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Drag against the air abreast; the copy of the mean flight runs along."""
        velocity, offset, mean, ground, pace = y[:2], y[2:5], y[5:8], out[2:4], out[8]
        middle = self._work[:2]
        self._mean.rates(y[8], mean, out[5:8])
        # Over ground, where the offset grows by the velocity of the class less that of its copy.
        np.add(velocity, self._drift[:2], out=ground)
        np.add(mean[:2], self._drift[:2], out=middle)
        self._pace(ground, middle, offset, out)
        middle *= pace
        ground -= middle
        out[5:8] *= pace
        aside = _dot(offset, offset, self._work[2:4])
        self._drift_aside(offset[2], out, aside)
        slip = np.subtract(velocity, self._mean.beside(aside), out=middle)
        np.multiply(self._own.slowing(time, _dot(slip, slip, self._work[2:4])), slip, out=out[:2])
        out[1] -= STANDARD_GRAVITY

    def _pace(self, ground: Array, middle: Array, offset: Array, out: Array) -> None:
        """Rate of the mean flight's clock that keeps it abreast: the offset stays at right angles to the path."""
        bend = _dot(offset, out[5:7], self._work[2:4])
        size = _dot(middle, middle, self._work[4:6])
        forward = _dot(ground, middle, self._work[6:8])
        if self._in_crosswind:
            across = np.multiply(self._drift[2], self._drift[2], out=self._work[3])
            size += across
            forward += across
        np.subtract(size, bend, out=bend)
        size /= _FASTEST
        np.divide(forward, np.maximum(bend, size, out=bend), out=out[8])
        np.maximum(out[8], 0.0, out=out[8])

    def _drift_aside(self, offset: Array, out: Array, aside_squared: Array) -> None:
        """Out of the plane of flight, where only the wind moves a class, unless its copy keeps pace."""
        if not self._in_crosswind:
            out[4] = 0.0
            return
        work = self._work[4:6]
        aside_squared += np.multiply(offset, offset, out=work[0])
        np.multiply(self._drift[2], np.subtract(1.0, out[8], out=work[0]), out=out[4])

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = object.__new__(type(self))
        copy.longest_step = np.asarray(self.longest_step)[cases]
        copy._mean, copy._own = self._mean.take(cases), self._own.take(cases)
        copy._drift = self._drift.take(cases, axis=1)
        copy._allocate()
        return copy

    def in_single(self) -> Self:
        """The same law in single precision."""
        copy = object.__new__(type(self))
        copy._mean, copy._own, copy.longest_step = self._mean.in_single(), self._own.in_single(), self.longest_step
        copy._drift = self._drift.astype(np.float32)
        copy._allocate()
        return copy


def _wind_in_plane(jet: Jet) -> Array:
    """Wind along the level direction of the plane of flight, up, and out of the plane (3, n)."""
    along = jet.exit_speed * np.cos(np.deg2rad(jet.elevation)) - jet.wind_along
    size, (cosine, sine) = heading(np.stack([along, -jet.wind_across]))
    level = cosine * jet.wind_along + sine * jet.wind_across
    return np.stack([level, np.zeros_like(size), cosine * jet.wind_across - sine * jet.wind_along])


def _dot(a: Array, b: Array, work: Array) -> Array:
    """Product of the first two rows, in the first row of some work space of two."""
    np.multiply(a[:2], b[:2], out=work)
    total: Array = work[0]
    total += work[1]
    return total


def effective_drop(jet: Jet, constants: FlightConstants) -> Array:
    """Drop diameter of the flight law [m], shape (n,)."""
    quality = (jet.breakup_length / (210 * jet.tip_diameter)) ** np.asarray(constants.quality_exponent)
    scale = np.asarray(constants.drop_ratio) * np.asarray(constants.drop_scale)
    return np.asarray(scale * jet.tip_diameter * quality)


LAW = Law(
    "air_stream",
    AirStream,
    words="air stream drag",
    fitted=THEOBALD,
    constants=("drop_ratio", "spread", "quality_exponent", "drop_scale", "drop_spread", "farthest_share", "wind_frame"),
    spray=SprayLaw(effective_drop, AirStream, SprayClasses, FINEST),
)
