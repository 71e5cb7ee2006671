"""Runs behind a card: the set-up at its medians and over joint draws, its path, its pump chart, and its mistakes."""

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim.cards.question import CardsQuestion
from jetsim.equipment.crews import drawn_force, drawn_nozzle, share_within
from jetsim.equipment.department import SetUp
from jetsim.equipment.model import FORCE, PUMP_ERROR, SetUpModel, stream_fields
from jetsim.equipment.questions import Asked
from jetsim.equipment.setups_table import QUANTITIES_TOLD, STILL, middle_of
from jetsim.hydraulics.nozzle_kinds import SelectableFlow
from jetsim.hydraulics.required_pressure import required_pump_pressure
from jetsim.simulation import simulate, sparing
from jetsim.stream import Stream, equivalent_fields

Array = NDArray[np.float64]
Question = Asked[CardsQuestion]

KINK_LOSS, STEP = "supply.kink_loss_coefficient", "supply.setting_step"
OUTPUTS = (*QUANTITIES_TOLD.values(), FORCE)
ENDS = (0.05, 0.95)
# Draws whose paths are flown for the band of the side view, and where its height is told.
FLOWN, PLACES = 64, 121
CHANGED = ("flow_rate", "reaction_force", "extreme_reach")


@dataclass(frozen=True, eq=False)
class Side:
    """A stream from the side, SI: its middle path with the heights of nine in ten, shape (n,)."""

    distance: Array
    height: Array
    low: Array
    high: Array


@dataclass(frozen=True, eq=False)
class Mistakes:
    """What each mistake alone delivers: words to results of `CHANGED`, SI; the first row is without one."""

    rows: Mapping[str, Mapping[str, float]]


@dataclass(frozen=True, eq=False)
class Card:
    """Everything that a card tells.

    Attributes
    ----------
    setup : SetUp
    middle : mapping of str to float
        At the medians, by name of the set-ups' table, SI.
    runs : xarray.Dataset
        `OUTPUTS` over the draws.
    within : float
        Chance that the force with the measured excess is within the limit stated for the crew; NaN without a limit.
    force : float
        At the target by the formula that the limit was stated for [N]; NaN without a limit.
    side : Side
    chart : ndarray, shape (lengths, floors), or None
        Pump pressure [Pa]; None without a line.
    most : float
        Of the pump [Pa]; infinite where none is named.
    mistakes : Mistakes or None
        None without a line.
    """

    setup: SetUp
    middle: Mapping[str, float]
    runs: xr.Dataset
    within: float
    force: float
    side: Side
    chart: Array | None
    most: float
    mistakes: Mistakes | None

    def spread(self, name: str) -> tuple[float, float]:
        """Nine in ten of a result by name of the model; NaN where fewer than half of the draws have one."""
        values = self.runs[name].values
        if np.isfinite(values).mean() < 0.5:
            return np.nan, np.nan
        low, high = np.nanquantile(values, ENDS)
        return float(low), float(high)


def cards_of(asked: Question, executor: Executor | None = None) -> list[Card]:
    """A card for each set-up, on common draws; each on a thread of `executor`, if there is one.

    Raises
    ------
    InputError
        A target outside the pump's reach; the best achievable is named.
    """
    each = map if executor is None else executor.map
    return list(each(partial(_card, asked), *zip(*asked.drawn(OUTPUTS), strict=True)))


def _card(asked: Question, model: SetUpModel, draws: Mapping[str, Any]) -> Card:
    setup, lined = model.setup, model.setup.line is not None
    runs = model(xr.Dataset({name: ("sample", values) for name, values in draws.items()}))
    force, within = _against_limit(model, draws)
    return Card(
        setup,
        middle_of(setup, asked.learnt),
        runs,
        within,
        force,
        _side(model, draws),
        pump_chart(asked.question, model) if lined else None,
        setup.pump.maximum_pressure if setup.pump else np.inf,
        _mistakes(asked.question, model) if lined else None,
    )


def _against_limit(model: SetUpModel, draws: Mapping[str, Any]) -> tuple[float, float]:
    """Force at the target by the limit's formula [N], and the chance of being within with the measured excess."""
    crew = model.setup.crew
    if crew is None or crew.limits is None:
        return np.nan, np.nan
    at = model.target_pressure
    within = share_within(crew, drawn_force(crew, model, draws)(at))
    return float(crew.limits.force(model.nozzle({}), at)), within


def pump_chart(question: CardsQuestion, model: SetUpModel) -> Array:
    """Pump pressure for the target by length of the last section and by floor, by the stated coefficients [Pa]."""
    line = model.setup.hose_line(model.fixed)
    assert line is not None
    last: Any = line.sections[-1]
    longer = replace(last, length=np.array(question.lengths)[:, np.newaxis])
    rise = np.asarray(line.rise, dtype=float) + np.array(question.floors) * question.floor_height
    laid = replace(line, sections=(*line.sections[:-1], longer), rise=rise)
    nozzle = model.nozzle({})
    flow = nozzle.flow(model.target_pressure, model.density)
    return required_pump_pressure(laid, nozzle, flow=flow, density=model.density).pump_pressure


def _mistakes(question: CardsQuestion, model: SetUpModel) -> Mistakes:
    """One mistake at a time, all else at its median and in still air, pumped for the target."""
    rows: dict[str, tuple[str, float]] = {
        "as set": (PUMP_ERROR, 0.0),
        "pump too low": (PUMP_ERROR, -question.pump_error),
        "pump too high": (PUMP_ERROR, question.pump_error),
    }
    if isinstance(model.nozzle({}), SelectableFlow):
        rows["ring one setting low"] = (STEP, -1.0)
    rows["kinks"] = (KINK_LOSS, question.kink_loss_coefficient)
    names = dict.fromkeys(name for name, _ in rows.values())
    samples = {n: ("sample", np.array([v if n == m else 0.0 for m, v in rows.values()])) for n in names}
    pumped = SetUpModel(model.setup, {**model.fixed, **STILL}, CHANGED, "pump")
    found = pumped(xr.Dataset(samples))
    return Mistakes({words: {n: float(found[n][row]) for n in CHANGED} for row, words in enumerate(rows)})


def _side(model: SetUpModel, draws: Mapping[str, Any]) -> Side:
    """The path at the medians in still air, and the heights of nine in ten of some draws; flown side by side."""
    paths = _paths(model, {name: _middle_first(model, draws, name) for name in {**draws, **STILL}})
    along, height = paths["path_along"].values, paths["path_height"].values
    far = np.nanmax(along[-1])
    distance = np.linspace(0.0, float(far), PLACES)
    heights = np.array([np.interp(distance, x, z) for x, z in zip(along.T[1:], height.T[1:], strict=True)])
    low, high = np.quantile(heights, ENDS, axis=0)
    return Side(distance, np.interp(distance, along[:, 0], height[:, 0], right=np.nan), low, high)


def _middle_first(model: SetUpModel, draws: Mapping[str, Any], name: str) -> Array:
    """An input at its median, in still air, then as it is drawn."""
    middle = STILL.get(name, model.fixed.get(name, np.nan))
    drawn = draws[name][:FLOWN] if name in draws else np.full(FLOWN, model.fixed.get(name, middle))
    return np.concatenate([[middle], drawn])


def _paths(model: SetUpModel, values: Mapping[str, Array]) -> xr.Dataset:
    """Flown paths at the target's pressure."""
    own = {**model.fixed, **values}
    nozzle = drawn_nozzle(model, own)
    thrown = {**stream_fields(model.setup, own), **equivalent_fields(nozzle, model.target_pressure), **sparing(CHANGED)}
    cases = {n: xr.DataArray(v, dims="case") if np.ndim(v) else v for n, v in thrown.items()}
    return simulate(Stream.from_values(cases), path=True, workers=1)


def results_of(cards: Sequence[Card]) -> xr.Dataset:
    """All draws of all cards, along ``setup`` and ``sample``."""
    names = xr.DataArray([card.setup.name for card in cards], dims="setup", name="setup")
    return xr.concat([card.runs for card in cards], names)
