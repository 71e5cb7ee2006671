"""Explicit Runge-Kutta methods as arrays for `trajectory`."""

from typing import NamedTuple, Self

import numpy as np
from numpy.typing import DTypeLike, NDArray
from scipy.integrate import DOP853

Array = NDArray[np.float64]


class Stage(NamedTuple):
    """One stage after the first, or the step itself: a sum of earlier stages' rates.

    Attributes
    ----------
    weights : ndarray, shape (k,)
        Of the earlier stages in the slots from `first` on.
    stages : ndarray, shape (k,)
        Which stages lie in these slots.
    first : int
    slot : int
        Where its own rates go.
    """

    weights: Array
    stages: NDArray[np.intp]
    first: int
    slot: int


class Method(NamedTuple):
    """A method whose step ends with the rates there, the next step's first stage.

    Attributes
    ----------
    nodes : ndarray, shape (stages + 1,)
        Of the stages, then of the end of the step.
    stages : tuple of Stage
        The stages after the first; the last one is the step itself.
    weights : ndarray, shape (stages,)
        Of the step.
    earlier : ndarray, shape (stages, stages)
        Weights of the earlier stages for each stage, row by row.
    """

    nodes: Array
    stages: tuple[Stage, ...]
    weights: Array
    earlier: Array

    @classmethod
    def of(cls, nodes: Array, earlier: Array, weights: Array, reused: tuple[int, ...] = ()) -> Self:
        """A method from its tableau.

        Parameters
        ----------
        nodes : ndarray, shape (stages,)
        earlier : ndarray, shape (stages, stages)
        weights : ndarray, shape (stages,)
        reused : tuple of int, optional
            Slots in which the rates of the stages lie, where some make room for later ones.
        """
        count = len(weights)
        slots = reused or tuple(range(count + 1))
        stages = []
        for number, row in enumerate([*earlier[1:], weights], start=1):
            held = dict(zip(slots[:number], range(number), strict=True))  # later stages take the place of earlier ones
            live = np.array([held[slot] for slot in sorted(held)])
            first = int(np.flatnonzero(row[live])[0])
            stages.append(Stage(row[live[first:]], live[first:], first, slots[number]))
        return cls(np.array([*nodes, 1.0]), tuple(stages), np.asarray(weights), np.asarray(earlier))

    def of_numbers(self, kind: DTypeLike) -> Self:
        """The same method with weights of another type of numbers."""
        stages = tuple(stage._replace(weights=stage.weights.astype(kind)) for stage in self.stages)
        return self._replace(stages=stages, weights=self.weights.astype(kind), earlier=self.earlier.astype(kind))

    @property
    def slots(self) -> int:
        """Rates that are kept at a time."""
        return max(stage.slot for stage in self.stages) + 1


# Order 8. Coefficients of Dormand & Prince, Hairer, Norsett & Wanner (1993), Solving Ordinary Differential Equations I,
# second edition, section II.5 (method DOP853), as scipy holds them. No stage after the fourth looks back at the second,
# and none after the fifth at the third.
EIGHTH = Method.of(DOP853.C, DOP853.A[:12, :12], DOP853.B, (0, 1, 2, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10))
# Order 4: the rule of three eighths (Kutta 1901, from memory).
FOURTH = Method.of(
    np.array([0.0, 1.0, 2.0, 3.0]) / 3,
    np.array([[0.0, 0.0, 0.0, 0.0], [1 / 3, 0.0, 0.0, 0.0], [-1 / 3, 1.0, 0.0, 0.0], [1.0, -1.0, 1.0, 0.0]]),
    np.array([1.0, 3.0, 3.0, 1.0]) / 8,
)
