"""A sheet that was read in, laid over what the model expected before the test."""

from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jetsim.throws import expected, model
from jetsim.throws.conditions import throws_of
from jetsim.throws.question import FieldTest
from jetsim.throws.sheet import Sheet

Array = NDArray[np.float64]

DRAWS, QUICK_DRAWS = 512, 64
BAND = (0.05, 0.95)
SHOWN = {"farthest_drops": "farthest drops", "breakup_distance": "breakup as seen"}


@dataclass(frozen=True, eq=False)
class Overlay:
    """Measured and predicted for one column of the sheet, arrays of shape (throws,), SI.

    `wind_effect` is what the model says the wind of the throw added; `inside` says whether the band holds the throw.
    """

    column: str
    measured: Array
    middle: Array
    low: Array
    high: Array
    wind_effect: Array

    @property
    def still(self) -> Array:
        """Measured, with the effect of wind taken off."""
        return self.measured - self.wind_effect

    @property
    def read(self) -> bool:
        """Whether it was read of any throw."""
        return not bool(np.isnan(self.measured).all())

    @property
    def inside(self) -> NDArray[np.bool_]:
        """Whether the band of prediction holds the throw."""
        return np.asarray((self.measured >= self.low) & (self.measured <= self.high))

    def given(self, at: NDArray[np.intp]) -> NDArray[np.intp]:
        """Those throws of which it was read."""
        return at[~np.isnan(self.measured[at])]

    def bias(self, at: NDArray[np.intp]) -> float:
        """Mean of predicted minus measured; NaN where nothing was read."""
        given = self.given(at)
        return float((self.middle - self.measured)[given].mean()) if given.size else float("nan")

    def rmse(self, at: NDArray[np.intp]) -> float:
        """Root of the mean squared difference; NaN where nothing was read."""
        given = self.given(at)
        return float(np.sqrt(((self.middle - self.measured)[given] ** 2).mean())) if given.size else float("nan")

    def coverage(self, at: NDArray[np.intp]) -> float:
        """Share of measured throws inside the band."""
        given = self.given(at)
        return float(self.inside[given].mean()) if given.size else float("nan")


@dataclass(frozen=True, eq=False)
class Reading:
    """A sheet with its overlays by column, the simulated flights, and their validity."""

    sheet: Sheet
    thrown: expected.Throws
    overlays: dict[str, Overlay]
    runs: int
    flags: NDArray[np.int16]


def overlay(
    test: FieldTest,
    sheet: Sheet,
    values: dict[str, Array],
    rng: np.random.Generator,
    executor: Executor | None = None,
) -> Reading:
    """Lay predictions over the throws that count.

    Parameters
    ----------
    test : FieldTest
    sheet : Sheet
    values : dict of name to ndarray, shape (draws,)
        Draws of the unknowns: priors before the test, a posterior after it.
    rng : Generator
        Draws the scatter of each throw.
    executor : concurrent.futures.Executor, optional
        Each set-up's flights are a piece of work for it.
    """
    counted = sheet.accepted
    thrown = throws_of(test, counted)
    flags: list[NDArray[np.int16]] = []
    shown = expected.expected(test, thrown, values, flags, executor)
    middle = {name: np.array([np.median(value)]) for name, value in values.items()}
    winds = expected.each_alone(test, [thrown, thrown.in_still_air()], middle)
    scatters = expected.scatter_of_throw(test, thrown, shown, values, SHOWN)
    overlays = {}
    for column, scatter in scatters.items():
        drawn = shown[column] * (1 + scatter * rng.standard_normal(scatter.shape))
        low, central, high = np.quantile(drawn, (BAND[0], 0.5, BAND[1]), axis=0)
        effect = winds[column][0] - winds[column][1]
        overlays[column] = Overlay(column, counted.numbers[column], central, low, high, effect)
    runs = (len(values[model.GAUGE]) + 2) * len(counted.setups)
    return Reading(sheet, thrown, overlays, runs, np.concatenate(flags))
