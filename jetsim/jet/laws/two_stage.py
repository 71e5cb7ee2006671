"""Flight in two stages: no drag up to the breakup length, then quadratic drag."""

from typing import Self

import numpy as np
from numpy.typing import NDArray

from jetsim.jet.core import Flight, Launch
from jetsim.jet.drag import THEOBALD, Array, FlightConstants, Jet
from jetsim.jet.hodograph import fly_constant_drag
from jetsim.jet.laws.law import Law
from jetsim.units import STANDARD_GRAVITY

# Rows of the cases: drag per path [1/m], wind along and across [m/s].
_DRAG, _WIND = 0, slice(1, 3)


class TwoStage:
    """No drag up to the breakup length, then quadratic drag of one effective drop.

    ``a = -(3/4) (Cd / D) (rho_g / rho_l) |r| r + g`` with r the velocity relative to the wind and the
    effective diameter ``D = c d (x_b / 210 d)^q (V / 28)^p``. The form is a common simplification; c, q and p
    are fitted to ranges alone, so apex and vertical height come out about 15 % too low.
    """

    extra = 0
    longest_step: Array | float = np.inf

    def __init__(self, jet: Jet, constants: FlightConstants) -> None:
        quality = (jet.breakup_length / (210 * jet.tip_diameter)) ** np.asarray(constants.breakup_exponent)
        speed = (jet.exit_speed / 28) ** np.asarray(constants.speed_exponent)
        diameter = np.asarray(constants.diameter_ratio) * jet.tip_diameter * quality * speed
        density = jet.air_density / jet.water_density
        drag = 0.75 * np.asarray(constants.sphere_drag) / diameter * density
        self._rows = np.stack(np.broadcast_arrays(drag, jet.wind_along, jet.wind_across))

    @property
    def drag(self) -> Array:
        """Drag per path [1/m], (n,)."""
        return np.asarray(self._rows[_DRAG])

    @property
    def wind(self) -> Array:
        """Wind along and across the throw, (2, n) [m/s]."""
        return self._rows[_WIND]

    def start(self, time: Array, velocity: Array) -> Array:
        """No rows of its own."""
        return np.empty((0, time.size))

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Quadratic drag against the moving air, and gravity."""
        factor = y[0] * y[0]
        factor += y[1] * y[1]
        np.sqrt(factor, out=factor)
        factor *= self._rows[_DRAG]
        np.negative(factor, out=factor)
        np.multiply(factor, y, out=out)
        out[1] -= STANDARD_GRAVITY

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = object.__new__(type(self))
        copy._rows = self._rows[:, cases]
        return copy


def _closed_form(law: TwoStage, launch: Launch, breakup_length: Array) -> Flight:
    """The flight by its hodograph."""
    return fly_constant_drag(law.drag, law.wind[0], law.wind[1], launch, breakup_length)


LAW = Law(
    "two_stage",
    TwoStage,
    words="two stage drag",
    fitted=THEOBALD,
    constants=("sphere_drag", "diameter_ratio", "breakup_exponent", "speed_exponent"),
    closed_form=_closed_form,
)
