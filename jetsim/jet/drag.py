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


@dataclass(frozen=True)
class FlightConstants:
    """Constants of all drag laws; every member may be a scalar or an array of cases.

    Attributes
    ----------
    sphere_drag : float
        Drag coefficient of the two-stage law, 0.44 (sphere at high Reynolds number).
    diameter_ratio, breakup_exponent, speed_exponent : float
        c, q and p of the two-stage law's effective diameter ``c d (x_b / 210 d)^q (V / 28 m/s)^p``. Fitted to
        47 throws of Theobald (1981) by ``benchmarks/flight_laws.py``.
    """

    sphere_drag: ArrayLike = 0.44
    diameter_ratio: ArrayLike = 0.876
    breakup_exponent: ArrayLike = 0.971
    speed_exponent: ArrayLike = -0.377


class Jet(NamedTuple):
    """What a drag law may know of each case; arrays of shape (n,), SI."""

    tip_diameter: Array
    exit_speed: Array
    breakup_length: Array
    water_density: Array
    air_density: Array
    air_viscosity: Array
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
    ground, then the law's own rows.
    """

    extra: int
    fitted: FittedRange | None

    def start(self, velocity: Array) -> Array:
        """Law's own rows at breakup, shape (extra, n), from the velocity there, shape (3, n)."""

    def settling(self) -> Array:
        """Rate of approach to the terminal fall [1/s], shape (n,): steps must stay well below its inverse."""

    def rates(self, y: Array, out: Array) -> None:
        """Write dy/dt into `out`, both of shape (3 + extra, n)."""

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""


class Vacuum:
    """No drag at all: the exact limit that every law must approach in thin air."""

    extra = 0
    fitted: FittedRange | None = None

    def __init__(self, jet: Jet, constants: FlightConstants) -> None:
        self._cases = jet.exit_speed.size

    def start(self, velocity: Array) -> Array:
        """No rows of its own."""
        return np.empty((0, self._cases))

    def settling(self) -> Array:
        """There is no terminal fall."""
        return np.zeros(self._cases)

    def rates(self, y: Array, out: Array) -> None:
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

    def __init__(self, jet: Jet, constants: FlightConstants) -> None:
        quality = (jet.breakup_length / (210 * jet.tip_diameter)) ** np.asarray(constants.breakup_exponent)
        speed = (jet.exit_speed / 28) ** np.asarray(constants.speed_exponent)
        diameter = np.asarray(constants.diameter_ratio) * jet.tip_diameter * quality * speed
        density = jet.air_density / jet.water_density
        drag = 0.75 * np.asarray(constants.sphere_drag) / diameter * density
        # Rows: drag per path [1/m], wind along and across [m/s], exit speed [m/s].
        self._rows = np.stack(np.broadcast_arrays(drag, jet.wind_along, jet.wind_across, jet.exit_speed))

    def start(self, velocity: Array) -> Array:
        """No rows of its own."""
        return np.empty((0, velocity.shape[1]))

    def settling(self) -> Array:
        """``2 sqrt(g k)``: quadratic drag k linearised at the terminal fall."""
        return np.asarray(2 * np.sqrt(STANDARD_GRAVITY * self._rows[0]))

    def rates(self, y: Array, out: Array) -> None:
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


DRAG_LAWS: Mapping[str, type[Vacuum] | type[TwoStage]] = MappingProxyType({"two_stage": TwoStage, "vacuum": Vacuum})


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
