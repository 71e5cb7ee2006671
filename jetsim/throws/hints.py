"""Where a sheet's throws speak against themselves, or against what is believed: facts that deserve a second look."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jetsim.experiment.order import always_in_one_order, runs_score, separate
from jetsim.throws.predicted import BY_FORMULA, Predictor, offsets
from jetsim.throws.question import FieldTest
from jetsim.throws.sheet import Sheet

Array = NDArray[np.float64]

NOT_RANDOM = -2.6  # standard deviations: some one order in two hundred
FEWEST = 8  # throws that a hint rests on
WIDENED, NARROWED = 1.15, 0.85  # scatter with the wind taken off, over the scatter as measured
_NINE_IN_TEN = 1.645


@dataclass(frozen=True)
class Offset:
    """Readings of a set-up that lie off what is believed: by how much in the mean, and what was believed possible.

    Attributes
    ----------
    setup, column : str
    share, believed : float
        Mean of the logarithm of readings over predictions, and the half-width of its middle 90 %.
    """

    setup: str
    column: str
    share: float
    believed: float


@dataclass(frozen=True)
class WindTwist:
    """Scatter of the throws within set-ups [m]: as measured, with the wind taken off, and with it taken off turned."""

    measured: float
    still: float
    turned: float


@dataclass(frozen=True)
class Order:
    """How the throws stood to each other.

    Attributes
    ----------
    score : float
        Of runs of one set-up, in standard deviations from a random order; NaN where none is known.
    stated : bool
        Whether the sheet gives an order.
    repeated : bool
        Every block threw the set-ups in the same order.
    days, observers : list of (set-ups, groups)
        Sets of set-ups that no day, or observer, joins; a single one where all hang together.
    """

    score: float
    stated: bool
    repeated: bool
    days: list[tuple[list[str], list[str]]]
    observers: list[tuple[list[str], list[str]]]

    @property
    def in_turn(self) -> bool:
        """Whether one set-up was thrown after another."""
        return self.score < NOT_RANDOM


def order_of(sheet: Sheet) -> Order:
    """How the throws that count stood to each other."""
    counted = sheet.accepted
    days = counted.texts.get("day", [""] * len(counted.setups))
    order = np.lexsort((counted.numbers["run_order"], np.array(days)))
    setups = [counted.setups[n] for n in order]
    blocks = counted.numbers["block"][order]
    repeated = not np.isnan(blocks).any() and always_in_one_order(setups, blocks.tolist())
    observers = counted.texts.get("observer", [""] * len(setups))
    joined = [separate(counted.setups, groups) for groups in (days, observers)]
    return Order(runs_score(setups), sheet.ordered, repeated, *joined)


def offsets_of(test: FieldTest, sheet: Sheet) -> list[Offset]:
    """Gauges whose mean readings of a set-up lie outside the middle 90 % of what is believed."""
    counted, predictor = sheet.accepted, Predictor.of(test)
    found = []
    for setup in test.setups:
        own = np.array(counted.setups) == setup.name
        for column in BY_FORMULA:
            given = own & ~np.isnan(counted.numbers[column]) & ~np.isnan(counted.numbers["nozzle_pressure"])
            if given.sum() < 2:
                continue
            numbers = {name: values[given] for name, values in counted.numbers.items()}
            logs, spread = offsets(predictor, [setup.name] * int(given.sum()), numbers, column)
            believed = _NINE_IN_TEN * float(spread.mean())
            if abs(float(logs.mean())) > believed:
                found.append(Offset(setup.name, column, float(np.expm1(logs.mean())), float(np.expm1(believed))))
    return found


def beyond_the_pump(test: FieldTest, sheet: Sheet) -> dict[str, tuple[float, float]]:
    """Set-ups whose largest flow [m3/s] is more than their pump's stated maximum, with that."""
    counted = sheet.accepted
    found = {}
    for setup in test.setups:
        flows = counted.numbers["flow"][np.array(counted.setups) == setup.name]
        most = None if setup.pump is None else setup.pump.maximum_flow
        if most is not None and flows.size and np.nanmax(np.append(flows, 0.0)) > most:
            found[setup.name] = (float(np.nanmax(flows)), float(most))
    return found


def wind_twist(setups: Sequence[str], measured: Array, effect: Array) -> WindTwist | None:
    """Scatter before and after wind is taken off, if taking it off widens it; None where it does not, or says nothing.

    Parameters
    ----------
    setups : sequence of str
    measured : ndarray, shape (throws,)
        [m]; NaN where nothing was read.
    effect : ndarray, shape (throws,)
        What the model says wind did [m].
    """
    given = ~np.isnan(measured)
    if given.sum() < FEWEST or not effect[given].any():
        return None
    names = np.array(setups)[given]
    plain, still, turned = (
        _within(names, values[given]) for values in (measured, measured - effect, measured + effect)
    )
    return WindTwist(plain, still, turned) if still > WIDENED * plain else None


def _within(setups: NDArray[np.str_], values: Array) -> float:
    """Pooled standard deviation within set-ups."""
    groups: Mapping[str, Array] = {str(name): values[setups == name] for name in np.unique(setups)}
    squares = sum(float(((group - group.mean()) ** 2).sum()) for group in groups.values())
    return float(np.sqrt(squares / max(len(values) - len(groups), 1)))
