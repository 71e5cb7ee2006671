"""Explicit Runge-Kutta methods as arrays for `trajectory`."""

from typing import NamedTuple, Self

import numpy as np
from numpy.typing import DTypeLike, NDArray

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
# second edition, section II.5 (method DOP853), as scipy holds them, whose integrators take long to load. No stage after
# the fourth looks back at the second, and none after the fifth at the third.
# fmt: off
_NODES = np.array([
    0.0, 0.05260015195876773, 0.0789002279381516, 0.1183503419072274, 0.2816496580927726, 0.3333333333333333,
    0.25, 0.3076923076923077, 0.6512820512820513, 0.6, 0.8571428571428571, 1.0,
])
_SUMS = (  # each stage's weights of the earlier ones; in the last row those of the step
    [0.05260015195876773],
    [0.0197250569845379, 0.0591751709536137],
    [0.02958758547680685, 0.0, 0.08876275643042054],
    [0.2413651341592667, 0.0, -0.8845494793282861, 0.924834003261792],
    [0.037037037037037035, 0.0, 0.0, 0.17082860872947386, 0.12546768756682242],
    [0.037109375, 0.0, 0.0, 0.17025221101954405, 0.06021653898045596, -0.017578125],
    [0.03709200011850479, 0.0, 0.0, 0.17038392571223998, 0.10726203044637328, -0.015319437748624402,
     0.008273789163814023],
    [0.6241109587160757, 0.0, 0.0, -3.3608926294469414, -0.868219346841726, 27.59209969944671,
     20.154067550477894, -43.48988418106996],
    [0.47766253643826434, 0.0, 0.0, -2.4881146199716677, -0.590290826836843, 21.230051448181193,
     15.279233632882423, -33.28821096898486, -0.020331201708508627],
    [-0.9371424300859873, 0.0, 0.0, 5.186372428844064, 1.0914373489967295, -8.149787010746927,
     -18.52006565999696, 22.739487099350505, 2.4936055526796523, -3.0467644718982196],
    [2.273310147516538, 0.0, 0.0, -10.53449546673725, -2.0008720582248625, -17.9589318631188, 27.94888452941996,
     -2.8589982771350235, -8.87285693353063, 12.360567175794303, 0.6433927460157636],
    [0.054293734116568765, 0.0, 0.0, 0.0, 0.0, 4.450312892752409, 1.8915178993145003, -5.801203960010585,
     0.3111643669578199, -0.1521609496625161, 0.20136540080403034, 0.04471061572777259],
)
# fmt: on
EIGHTH = Method.of(
    _NODES,
    np.array([[*row, *[0.0] * (12 - len(row))] for row in ([], *_SUMS[:-1])]),
    np.array(_SUMS[-1]),
    (0, 1, 2, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10),
)
# Order 4: the rule of three eighths (Kutta 1901, from memory).
FOURTH = Method.of(
    np.array([0.0, 1.0, 2.0, 3.0]) / 3,
    np.array([[0.0, 0.0, 0.0, 0.0], [1 / 3, 0.0, 0.0, 0.0], [-1 / 3, 1.0, 0.0, 0.0], [1.0, -1.0, 1.0, 0.0]]),
    np.array([1.0, 3.0, 3.0, 1.0]) / 8,
)
