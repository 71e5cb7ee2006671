"""Flight without drag."""

from typing import Self

import numpy as np
from numpy.typing import NDArray

from jetsim.jet.drag import Array, FlightConstants, Jet
from jetsim.jet.laws.law import Law
from jetsim.units import STANDARD_GRAVITY


class Vacuum:
    """No drag at all: the exact limit that every law must approach in thin air."""

    extra = 0
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


LAW = Law("vacuum", Vacuum, words="no drag")
