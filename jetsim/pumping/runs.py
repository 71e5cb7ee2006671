"""What the pump must give, and what the crew then gets: spreads, charts, sweeps, choices, mistakes and rankings."""

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from jetsim.equipment.learnt import Learnt
from jetsim.equipment.model import DEVIATIONS, FORCE, PUMP
from jetsim.equipment.questions import Asked
from jetsim.equipment.setups_table import middle_of
from jetsim.equipment.spaces import joint_draws
from jetsim.errors import InputError
from jetsim.experiment.design import Layout, sobol_layout
from jetsim.experiment.ensemble import evaluate, sobol_design
from jetsim.experiment.gate import convergence_gate
from jetsim.experiment.ranking import rank
from jetsim.experiment.sensitivity import convergence, sobol_indices
from jetsim.experiment.space import SMALLEST_SAMPLES, ParameterSpace
from jetsim.experiment.wholes import as_wholes
from jetsim.hydraulics.believed import Deviation
from jetsim.hydraulics.operating_point import operating_point
from jetsim.hydraulics.required_pressure import RequiredPressure
from jetsim.pumping.question import NOTHING_WRONG, SHOWN, ChartPart, ChoicePart, PumpQuestion
from jetsim.pumping.subject import Subject
from jetsim.workers import begun

Array = NDArray[np.float64]

_QUANTILES = (0.05, 0.5, 0.95)
SWEEP_POINTS = 33
RANKED = ("flow_rate", "extreme_reach")


@dataclass(frozen=True, eq=False)
class Loaded:
    """The question with its department."""

    asked: Asked[PumpQuestion]

    @property
    def draws(self) -> int:
        """How many draws of the inputs to take."""
        return 4 * self.question.base_samples

    @property
    def question(self) -> PumpQuestion:
        """What is asked."""
        return self.asked.question

    @cached_property
    def subjects(self) -> list[Subject]:
        """Every set-up that is asked about."""
        return [Subject(setup, self.asked.inputs(setup), self.asked.model(setup)) for setup in self.asked.setups]

    def quick(self) -> "Loaded":
        """The same with few runs."""
        return Loaded(replace(self.asked, question=self.question.quick()))

    def drawn(self) -> list[xr.Dataset]:
        """Draws of the inputs of each set-up, which share what they share."""
        inputs = [subject.inputs for subject in self.subjects]
        drawn = joint_draws(inputs, self.draws, self.question.seed, self.asked.learnt)
        return [xr.Dataset({name: ("sample", values) for name, values in own.items()}) for own in drawn]


@dataclass(frozen=True, eq=False)
class Spread:
    """Median and the ends of the middle 90 % of a quantity, SI; arrays of one shape."""

    low: Array
    middle: Array
    high: Array


def spread(values: ArrayLike) -> Spread:
    """Spread along the last axis; NaN where fewer than half of the values are defined."""
    array = np.asarray(values, dtype=float)
    finite = np.isfinite(array)
    if finite.all():
        return Spread(*np.quantile(array, _QUANTILES, axis=-1))
    few = finite.mean(axis=-1) < 0.5
    known = np.where(few[..., np.newaxis], 0.0, array)
    return Spread(*(np.where(few, np.nan, end) for end in np.nanquantile(known, _QUANTILES, axis=-1)))


# --------------------------------------------------------------------------------------------------------
# What the pump must give


@dataclass(frozen=True, eq=False)
class Estimate:
    """What the pump must give for a set-up's target, and what that delivers.

    Attributes
    ----------
    subject : Subject
    pump_pressure : Spread
        What is really needed [Pa].
    delivered : xarray.Dataset
        At the median of it, along ``sample``.
    middle : mapping of str to float
        At the medians without kinks, as every study tells it, by name of the set-ups' table, SI.
    """

    subject: Subject
    pump_pressure: Spread
    delivered: xr.Dataset
    middle: Mapping[str, float]

    @property
    def stated(self) -> RequiredPressure:
        """By the stated coefficients, without kinks or wear."""
        return self.subject.believed

    @property
    def reaction(self) -> float:
        """Steady reaction at the target, by the formula [N]."""
        return float(self.stated.point.reaction_force)

    @property
    def force(self) -> float:
        """Force at the target by the formula that the crew's limits were stated for [N]; NaN without limits."""
        limits = self.subject.limits
        if limits is None:
            return float("nan")
        return float(limits.force(self.subject.model.nozzle({}), self.stated.point.nozzle_pressure))

    @property
    def share_within(self) -> float:
        """Share of runs with the crew's force within its stated limit; NaN where there is none."""
        within = self.subject.within(self.delivered[FORCE].values)
        return float("nan") if within is None else float(within.mean())


def estimate(subject: Subject, samples: xr.Dataset, learnt: Learnt | None = None) -> Estimate:
    """Pump pressure of a set-up, and what it then delivers draw by draw."""
    pressure = spread(subject.needed(samples))
    delivered = subject.pumped(float(pressure.middle), SHOWN)(samples)
    return Estimate(subject, pressure, delivered, middle_of(subject.setup, learnt))


def chart(subject: Subject, asked: ChartPart, samples: xr.Dataset) -> Spread:
    """Pump pressure by length of the last section and by storey, shape (lengths, storeys) [Pa]."""
    line = subject.setup.hose_line({str(name): samples[name].values for name in samples.data_vars}) or subject.line
    last: Any = line.sections[-1]
    longer = replace(last, length=np.array(asked.lengths)[:, np.newaxis, np.newaxis])
    rise = np.asarray(line.rise, dtype=float) + np.array(asked.storeys)[:, np.newaxis] * asked.storey_height
    laid = replace(line, sections=(*line.sections[:-1], longer), rise=rise)
    return spread(subject.needed(samples, laid))


# --------------------------------------------------------------------------------------------------------
# Sweeps and choices


@dataclass(frozen=True, eq=False)
class Sweep:
    """A set-up over a range of pump pressures.

    Attributes
    ----------
    subject : Subject
    pump_pressure : array, shape (n,)
        As believed [Pa].
    runs : mapping of str to array, shape (n, sample)
        Results, SI.
    allowed : array of bool, shape (n,)
        Within the pump's limits and all stated maximum pressures, as believed.
    """

    subject: Subject
    pump_pressure: Array
    runs: Mapping[str, Array]
    allowed: NDArray[np.bool_]

    def spread(self, name: str) -> Spread:
        """Spread of a result, shape (n,)."""
        return spread(self.runs[name])


def sweep(subject: Subject, ends: tuple[float, float], samples: xr.Dataset) -> Sweep:
    """Run a set-up over a range of pump pressures [Pa], with the same deviations at each."""
    pump = np.linspace(*ends, SWEEP_POINTS)
    count = samples.sizes["sample"]
    tiled = {str(name): ("sample", np.tile(samples[name].values, pump.size)) for name in samples.data_vars}
    laid = xr.Dataset({**tiled, PUMP: ("sample", np.repeat(pump, count))})
    result = replace(subject.model, outputs=SHOWN)(laid)
    runs = {name: result[name].values.reshape(pump.size, count) for name in SHOWN}
    return Sweep(subject, pump, runs, _allowed(subject, pump))


def _allowed(subject: Subject, pump: Array) -> NDArray[np.bool_]:
    point = operating_point(pump, subject.line, subject.model.nozzle({}), subject.model.density)
    over = point.above_hose_maximum | point.above_nozzle_maximum
    engine = subject.setup.pump
    if engine is not None:
        over = over | (pump > engine.maximum_pressure)
    if engine is not None and engine.maximum_flow is not None:
        over = over | (point.flow_rate * subject.line.sections[0].nozzles_fed > engine.maximum_flow)
    return np.asarray(~over)


@dataclass(frozen=True, eq=False)
class Chances:
    """Chances over a sweep, shape (n,): of the target flow, of the stated limit, and of both."""

    flow: Array
    limit: Array
    both: Array


@dataclass(frozen=True, eq=False)
class Choice:
    """The best point of a sweep.

    Attributes
    ----------
    swept : Sweep
    chances : Chances
    place : int
        Which pump pressure of the sweep.
    met : bool
        Whether the wanted probability of meeting both is reached there.
    window : tuple of float or None
        Lowest and highest pump pressure around it that reach that probability [Pa].
    """

    swept: Sweep
    chances: Chances
    place: int
    met: bool
    window: tuple[float, float] | None

    @property
    def pump_pressure(self) -> float:
        """As believed [Pa]."""
        return float(self.swept.pump_pressure[self.place])

    @property
    def reach(self) -> float:
        """Median reach [m]."""
        return float(self.swept.spread("extreme_reach").middle[self.place])

    @property
    def merit(self) -> tuple[bool, float]:
        """Order of choices: those that reach the wanted probability by reach, the others by probability."""
        return self.met, self.reach if self.met else float(self.chances.both[self.place])


def choose(swept: Sweep, wanted: ChoicePart) -> Choice | None:
    """The most reach at the target flow within the stated crew limit, with the wanted probability of both.

    Where no pump pressure has that probability, the one with the highest; where none ever meets both, the one at
    which the two chances come nearest to each other. None where nobody states a limit for the crew.

    Raises
    ------
    InputError
        Every pump pressure of the sweep is above a stated maximum.
    """
    within = swept.subject.within(swept.runs[FORCE])
    if not swept.allowed.any():
        raise InputError(f"sweep.low: {swept.subject.words}, is above a stated maximum pressure over the whole sweep")
    if within is None:
        return None
    enough = swept.runs["flow_rate"] >= wanted.target_flow
    found = Chances(enough.mean(axis=-1), within.mean(axis=-1), (enough & within).mean(axis=-1))
    good = swept.allowed & (found.both >= wanted.probability)
    if not good.any():
        nearness = 1e-3 * np.minimum(found.flow, found.limit) - 1e-6 * np.abs(found.flow - found.limit)
        score = np.where(swept.allowed, found.both + nearness, -1.0)
        return Choice(swept, found, int(score.argmax()), False, None)
    reach = np.nan_to_num(swept.spread("extreme_reach").middle, nan=-1.0)
    place = int(np.where(good, reach, -2.0).argmax())
    low, high = _around(good, place)
    return Choice(swept, found, place, True, (float(swept.pump_pressure[low]), float(swept.pump_pressure[high])))


def _around(good: NDArray[np.bool_], place: int) -> tuple[int, int]:
    """Ends of the unbroken run of good points around a place."""
    low = high = place
    while low > 0 and good[low - 1]:
        low -= 1
    while high < good.size - 1 and good[high + 1]:
        high += 1
    return low, high


# --------------------------------------------------------------------------------------------------------
# Mistakes


@dataclass(frozen=True, eq=False)
class Mistakes:
    """Believed against delivered.

    Attributes
    ----------
    subject : Subject
    labels : tuple of str
        What is wrong; nothing in the first row.
    deviations : tuple of Deviation
        The same as hydraulics knows it.
    results : xarray.Dataset
        Along ``sample``, one run a row.
    """

    subject: Subject
    labels: tuple[str, ...]
    deviations: tuple[Deviation, ...]
    results: xr.Dataset

    def change(self, name: str) -> Array:
        """Each row's result over the first row's, less 1."""
        values = self.results[name].values
        return np.asarray(values / values[0] - 1)


def mistakes_of(subject: Subject, wrong: Mapping[str, Deviation]) -> Mistakes:
    """What each mistake alone delivers, pumped for the target by the stated coefficients.

    What the nozzle cannot be wrong in is left out; what is uncertain besides the supply stands at its median.
    """
    without = subject.setup.nozzle.without
    rows = {NOTHING_WRONG: Deviation()} | {
        words: deviation
        for words, deviation in wrong.items()
        if not any(np.any(np.asarray(getattr(deviation, name.partition(".")[2]))) for name in without)
    }
    names = [name for name in DEVIATIONS if name not in without]
    columns = {n: np.array([getattr(d, n.partition(".")[2]) for d in rows.values()], dtype=float) for n in names}
    samples = xr.Dataset({name: ("sample", values) for name, values in columns.items()})
    return Mistakes(subject, tuple(rows), tuple(rows.values()), replace(subject.model, outputs=())(samples))


# --------------------------------------------------------------------------------------------------------
# Rankings


@dataclass(frozen=True, eq=False)
class Ranking:
    """What moves flow and reach of a set-up.

    Attributes
    ----------
    estimate : Estimate
        Of the set-up, which is pumped at it.
    space : ParameterSpace
    results, indices, ranks : xarray.Dataset
        From `evaluate`, and `sobol_indices` and `rank` of the inputs as wholes.
    convergence : str
        Whether the ranking has converged, in words.
    """

    estimate: Estimate
    space: ParameterSpace
    results: xr.Dataset
    indices: xr.Dataset
    ranks: xr.Dataset
    convergence: str

    @property
    def outputs(self) -> tuple[str, ...]:
        """Ranked outputs: the question's rule may put the chance of reaching in the reach's place."""
        return tuple(str(name) for name in self.indices["output"].values)


def ranked_space(subject: Subject, asked: Asked[PumpQuestion]) -> ParameterSpace:
    """What can move flow and reach of a set-up: all that acts on it but the crew's excess over the formula."""
    # Crossed both ways, and doubled by that, half as many base samples do.
    size = max(asked.question.base_samples // 2, SMALLEST_SAMPLES)
    ranked = asked.question.model_copy(update={"outputs": list(RANKED), "base_samples": size})
    return replace(replace(asked, question=ranked).space(subject.setup), undefined=asked.question.undefined)


def ranked_design(subject: Subject, asked: Asked[PumpQuestion]) -> Layout:
    """How the inputs of a set-up are moved; nothing is drawn yet."""
    own = ranked_space(subject, asked)
    return sobol_layout(own, moved=own.inputs)


def rank_inputs(found: Estimate, asked: Asked[PumpQuestion], executor: Executor | None) -> Ranking:
    """Rank what moves flow and reach of a set-up that is pumped at its estimate."""
    own = ranked_space(found.subject, asked)
    model = found.subject.pumped(float(found.pump_pressure.middle), own.outputs)
    results = evaluate(sobol_design(own, moved=own.inputs), model, executor, progress=False)
    indices = as_wholes(sobol_indices(results, second_order=False), own)
    sentence = convergence_gate(as_wholes(convergence(results), own)).sentence
    return Ranking(found, own, results, indices, rank(indices), sentence)


# --------------------------------------------------------------------------------------------------------
# Everything


@dataclass(frozen=True, eq=False)
class Found:
    """Everything that was computed; one entry for each set-up."""

    estimates: list[Estimate]
    charts: list[Spread]
    sweeps: list[Sweep]
    choices: list[Choice | None]
    mistakes: list[Mistakes]
    rankings: list[Ranking]

    @property
    def datasets(self) -> list[xr.Dataset]:
        """Results of single runs."""
        delivered = [found.delivered for found in self.estimates]
        ranked = [ranking.results for ranking in self.rankings]
        return [*delivered, *(mistakes.results for mistakes in self.mistakes), *ranked]

    @property
    def runs(self) -> int:
        """Simulated streams."""
        swept = sum(sweep.runs["flow_rate"].size for sweep in self.sweeps)
        return swept + sum(dataset.sizes["sample"] for dataset in self.datasets)

    @property
    def lines(self) -> dict[str, list[int]]:
        """Label of each line, in order, to the places of the set-ups on it."""
        places: dict[str, list[int]] = {}
        for place, found in enumerate(self.estimates):
            places.setdefault(found.subject.line_label, []).append(place)
        return places

    def choices_on(self, line: str) -> list[Choice]:
        """The choices of one line's set-ups; those without a stated limit have none."""
        return [choice for place in self.lines[line] if (choice := self.choices[place]) is not None]


def find(loaded: Loaded, executor: Executor | None = None) -> Found:
    """Compute everything.

    Parameters
    ----------
    loaded : Loaded
    executor : concurrent.futures.Executor, optional
        For the set-ups and the rankings; results do not depend on it.

    Raises
    ------
    InputError
        A run is undefined against the question's rule, or every pump pressure of the sweep is above a stated maximum.
    """
    pairs = zip(loaded.subjects, loaded.drawn(), strict=True)
    found = [begun(executor, _of_setup, loaded, *pair, executor) for pair in pairs]
    return Found(*(list(parts) for parts in zip(*(of_setup() for of_setup in found), strict=True)))


def _of_setup(
    loaded: Loaded, subject: Subject, samples: xr.Dataset, executor: Executor | None
) -> tuple[Estimate, Spread, Sweep, Choice | None, Mistakes, Ranking]:
    """What is found of one set-up, in the order of `Found`."""
    question = loaded.question
    estimated = estimate(subject, samples, loaded.asked.learnt)
    swept = sweep(subject, (question.sweep.low, question.sweep.high), samples)
    return (
        estimated,
        chart(subject, question.chart, samples),
        swept,
        choose(swept, question.choice),
        mistakes_of(subject, question.wrong),
        rank_inputs(estimated, loaded.asked, executor),
    )
