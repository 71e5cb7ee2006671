"""All throws of the study of a target, and what they come to."""

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim import units
from jetsim.equipment.department import SetUp
from jetsim.equipment.model import NEEDED, SetUpModel
from jetsim.equipment.questions import Asked
from jetsim.equipment.spaces import Inputs, joint_draws
from jetsim.errors import InputError
from jetsim.jet.delivery import landing
from jetsim.jet.spray import Spray
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.window.question import Place, Task, WindowQuestion, pressures_within
from jetsim.window.throwing import Solution, best, chance, delivered, farthest, solutions, spray_at, started

Array = NDArray[np.float64]

# Changes that are tried, round in the system of the report: standing closer [m], and a larger tip in words and [m].
CLOSER: Mapping[UnitSystem, float] = {"us": float(units.to_si(10, "ft")), "si": 3.0}
LARGER: Mapping[UnitSystem, tuple[str, float]] = {
    "us": ("1/8 in", float(units.to_si(1 / 8, "in"))),
    "si": ("3 mm", float(units.to_si(3, "mm"))),
}
TIP, BREAKUP, STILL = "tip_diameter", "breakup_length", {"wind_along": 0.0, "wind_across": 0.0}


@dataclass(frozen=True, eq=False)
class Candidate:
    """A set-up that is to meet the target.

    Attributes
    ----------
    setup : SetUp
    inputs : Inputs
    model : SetUpModel
    pressures : ndarray
        Nozzle pressures to try [Pa], rising: those of the question that the nozzle can be held at.
    left_out : int
        How many pressures of the question it cannot be held at.
    """

    setup: SetUp
    inputs: Inputs
    model: SetUpModel
    pressures: Array
    left_out: int = 0

    @property
    def name(self) -> str:
        """What sentences and figures call it."""
        return self.setup.label


@dataclass(frozen=True, eq=False)
class Loaded:
    """What is asked of whom; changes are round in `system`."""

    asked: Asked[WindowQuestion]
    candidates: list[Candidate]
    task: Task
    system: UnitSystem

    @property
    def first(self) -> Candidate:
        """The set-up that the study is about."""
        return self.candidates[0]

    @property
    def draws(self) -> int:
        """Runs of each stream."""
        return self.asked.question.base_samples

    def samples(self) -> list[xr.Dataset]:
        """Draws that all set-ups share, along ``sample``."""
        question, inputs = self.asked.question, [c.inputs for c in self.candidates]
        parts = joint_draws(inputs, self.draws, question.seed, self.asked.learnt)
        return [xr.Dataset({name: ("sample", values) for name, values in part.items()}) for part in parts]


def loaded_from(asked: Asked[WindowQuestion], task: Task, system: UnitSystem) -> Loaded:
    """The set-ups as candidates.

    Raises
    ------
    InputError
        A set-up cannot throw at one of its pressures.
    """
    return Loaded(asked, [_candidate(asked, setup, task) for setup in asked.setups], task, system)


def _candidate(asked: Asked[WindowQuestion], setup: SetUp, task: Task) -> Candidate:
    model, wanted = asked.model(setup), asked.question.search.pressures_about_target
    try:
        pressures = pressures_within(model.target_pressure, wanted, setup.nozzle.holds)
        started(model.streams(pressures_only(pressures)), task.elevations)
    except InputError as error:
        raise InputError(f"{asked.path}: setups.{setup.name}: {error}") from None
    return Candidate(setup, asked.inputs(setup), model, pressures, len(set(wanted)) - pressures.size)


def pressures_only(pressures: Array) -> xr.Dataset:
    """A sample that differs in pressure alone."""
    return xr.Dataset({"nozzle_pressure": ("sample", pressures)})


def at(samples: xr.Dataset, **values: Any) -> xr.Dataset:
    """A sample with some values the same in every draw."""
    count = samples.sizes["sample"]
    return samples.assign({name: ("sample", np.full(count, value)) for name, value in values.items()})


@dataclass(frozen=True, eq=False)
class Outcome:
    """What one set-up does.

    Attributes
    ----------
    candidate : Candidate
    task : Task
    at_pressure : dict of float to ndarray
        Nozzle pressure [Pa] to flows through windows [m3/s], shape (place, sample, elevation), in the order of
        `places_of`; the curve over elevation is whole for the first place alone.
    pressure : float
        The lowest that serves surely enough, or else the one that serves best [Pa].
    solutions : list of Solution
    middle : Spray
        Of the stream with everything at its median, at the elevation found.
    carried, distances : ndarray
        Share of the flow beyond distances [m] at street level, shape (distance, sample).
    flown : Dataset
        Results of all draws at the elevation found.
    aims : list of list of Solution
        Elevations that serve from each stand-off of the map, to the storey asked for; of the first set-up only.
    """

    candidate: Candidate
    task: Task
    at_pressure: dict[float, Array]
    pressure: float
    solutions: list[Solution]
    middle: Spray
    carried: Array
    distances: Array
    flown: xr.Dataset
    aims: list[list[Solution]] = field(default_factory=list)

    @property
    def flows(self) -> Array:
        """Flow through the window at the pressure chosen [m3/s], (sample, elevation)."""
        return np.asarray(self.at_pressure[self.pressure][0])

    @property
    def best_flow(self) -> Array:
        """The same at each draw's best elevation, (sample,)."""
        # The top of a parabola through shares near one may lie a little above.
        return np.asarray(np.minimum(best(self.flows, self.task.elevations)[1], self.flown["flow_rate"].values))

    @property
    def met(self) -> NDArray[np.bool_]:
        """Whether each draw meets the target, (sample,)."""
        return self.best_flow >= self.task.flow

    @property
    def delivered(self) -> Array:
        """Share of the nozzle's flow that passes the window, (sample,)."""
        return np.asarray(self.best_flow / self.flown["flow_rate"].values)

    @property
    def pump_pressure(self) -> Array:
        """Pump pressure that gives the nozzle pressure chosen [Pa], (sample,); NaN without a line."""
        return np.asarray(self.flown[NEEDED].values)

    @property
    def chance(self) -> float:
        """Probability of meeting the target at the pressure chosen."""
        return self.chance_at(self.pressure)

    def chance_at(self, pressure: float, place: int = 0) -> float:
        """Probability at a nozzle pressure; place 0 is the window, 1 the same from closer."""
        return float(chance(self.at_pressure[pressure][place], self.task))

    def chart(self, pressure: float | None = None) -> Array:
        """Probability over the map, (storey, stand-off)."""
        flows = self.at_pressure[self.pressure if pressure is None else pressure][2:]
        return np.asarray(chance(flows, self.task).reshape(len(self.task.storeys), -1))

    def limit(self, pressure: float | None = None) -> float:
        """Farthest stand-off that meets the target surely enough [m]; NaN where none of the map does."""
        row = self.chart(pressure)[self.task.storeys.index(self.task.place.storey)]
        return farthest(self.task.stand_offs, row, self.task.probability)


@dataclass(frozen=True, eq=False)
class Found:
    """What all set-ups do, and what would help the first one: change to probability."""

    outcomes: list[Outcome]
    helps: dict[str, float]

    @property
    def first(self) -> Outcome:
        """Of the set-up that the study is about."""
        return self.outcomes[0]

    @property
    def others(self) -> list[Outcome]:
        """Of the set-ups that it is compared with."""
        return self.outcomes[1:]


def throws(loaded: Loaded) -> int:
    """How many streams are flown; the first set-up's chosen one is thrown twice, for its elevations."""
    pressures = sum(candidate.pressures.size for candidate in loaded.candidates)
    return loaded.draws * loaded.task.flown.size * (pressures + 1 + len(changes(loaded.first, loaded.system)))


def places_of(task: Task, closer: float) -> list[Place]:
    """The window, the same from closer by so much [m], and the windows of the map."""
    near = Place(max(task.place.stand_off - closer, 1.0), task.place.storey)
    return [task.place, near, *(Place(float(x), storey) for storey in task.storeys for x in task.stand_offs)]


def find(loaded: Loaded, executor: Executor | None) -> Found:
    """All throws."""
    task, samples = loaded.task, loaded.samples()
    pairs = [(c, drawn, float(p)) for c, drawn in zip(loaded.candidates, samples, strict=True) for p in c.pressures]
    streams = [candidate.model.streams(at(drawn, nozzle_pressure=p)) for candidate, drawn, p in pairs]
    flows = delivered(streams, task, places_of(task, CLOSER[loaded.system]), executor, whole=1)
    tried: list[dict[float, Array]] = [{} for _ in samples]
    for (candidate, _, pressure), flow in zip(pairs, flows, strict=True):
        tried[loaded.candidates.index(candidate)][pressure] = flow
    outcomes = [
        outcome_of(*each, task, executor if not number else None, with_aims=not number)
        for number, each in enumerate(zip(loaded.candidates, samples, tried, strict=True))
    ]
    return Found(outcomes, helping(outcomes, samples[0], loaded.system, executor))


def outcome_of(
    candidate: Candidate,
    samples: xr.Dataset,
    tried: dict[float, Array],
    task: Task,
    executor: Executor | None,
    with_aims: bool,
) -> Outcome:
    """What one set-up's throws come to."""
    chosen = chosen_pressure(tried, task)
    ways = solutions(tried[chosen][0], task)
    aim = ways[0].elevation if ways else float(task.elevations[task.elevations.size // 2])
    model, drawn = candidate.model, at(samples, nozzle_pressure=chosen)
    streams = model.streams(drawn)
    spread = spray_at(streams, aim)
    distances = np.linspace(0.0, float(np.nanmax(spread.position[0, -1])), 121)
    rows = delivered([streams], task, task.row, executor)[0] if with_aims else ()
    return Outcome(
        candidate,
        task,
        tried,
        chosen,
        ways,
        spray_at(model.streams(pressures_only(np.array([chosen]))), aim),
        landing(spread).beyond(distances),
        distances,
        model(at(drawn, elevation=aim)),
        [solutions(flows, task) for flows in rows],
    )


def chosen_pressure(tried: Mapping[float, Array], task: Task) -> float:
    """The lowest pressure that serves surely enough; else the surest, and among equals the one that brings most."""
    chances = {pressure: float(chance(flows[0], task)) for pressure, flows in tried.items()}
    enough = [pressure for pressure, value in chances.items() if value >= task.probability]
    brought = {pressure: float(np.median(best(flows[0], task.elevations)[1])) for pressure, flows in tried.items()}
    return min(enough) if enough else max(chances, key=lambda pressure: (chances[pressure], brought[pressure]))


def changes(candidate: Candidate, system: UnitSystem) -> dict[str, dict[str, Any]]:
    """What could be other than it is, one thing at a time: words to values, or to what is added to them.

    A measured breakup length belongs to its shutoff and tip, so with one neither is exchanged.
    """
    changed: dict[str, dict[str, Any]] = {"still air": dict(STILL)}
    setup = candidate.setup
    if BREAKUP in setup.measured:
        return changed
    if setup.shutoff is not None:
        changed["a shutoff that adds no turbulence"] = {"valve_model": "clear"}
    if TIP in setup.nozzle.stated():
        words, larger = LARGER[system]
        changed[f"a tip {words} larger at the same pressure"] = {TIP: larger}
    return changed


def changed_sample(candidate: Candidate, samples: xr.Dataset, change: Mapping[str, Any]) -> xr.Dataset:
    """A sample after one change; what is stated of the tip is added to its diameter."""
    values = dict(change)
    if TIP in values:
        own = samples[TIP].values if TIP in samples else candidate.model.fixed[TIP]
        values[TIP] = own + values[TIP]
    return at(samples, **values)


def helping(
    outcomes: list[Outcome], samples: xr.Dataset, system: UnitSystem, executor: Executor | None
) -> dict[str, float]:
    """Probability of the first set-up after one change at a time, all else as it is; then those of the others."""
    first = outcomes[0]
    candidate, task, drawn = first.candidate, first.task, at(samples, nozzle_pressure=first.pressure)
    closer = display.value("path_along", CLOSER[system], system, 2)
    after = {f"standing {closer} closer": first.chance_at(first.pressure, place=1)}
    changed = changes(candidate, system)
    streams = [candidate.model.streams(changed_sample(candidate, drawn, change)) for change in changed.values()]
    flows = delivered(streams, task, [task.place], executor)
    after |= {words: float(chance(flow[0], task)) for words, flow in zip(changed, flows, strict=True)}
    strongest = max(first.at_pressure, key=first.chance_at)
    if first.chance_at(strongest) > first.chance:
        pressure = display.value("nozzle_pressure", strongest, system, 2)
        after[f"a nozzle pressure of {pressure}"] = first.chance_at(strongest)
    for other in outcomes[1:]:
        pressure = display.value("nozzle_pressure", other.pressure, system, 2)
        after[f"“{other.candidate.name}” at {pressure}"] = other.chance
    return after
