"""Everything that the study of a target finds: all throws, and what they come to."""

from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim import units
from jetsim.jet.delivery import landing
from jetsim.jet.spray import Spray
from jetsim.simulation import simulate
from jetsim.stream import Stream
from jetsim.target.streams import Candidate, draws_of
from jetsim.target.task import Place, Task
from jetsim.target.throwing import Solution, best, chance, columns, delivered, farthest, solutions, spray_at

Array = NDArray[np.float64]

CLOSER = float(units.to_si(10, "ft"))
LARGER = float(units.to_si(1 / 8, "in"))


@dataclass(frozen=True)
class Loaded:
    """What the study file asks."""

    candidates: list[Candidate]
    task: Task
    draws: int

    @property
    def first(self) -> Candidate:
        """The stream that the study is about."""
        return self.candidates[0]


@dataclass(frozen=True)
class Outcome:
    """What one stream does.

    Attributes
    ----------
    candidate : Candidate
    task : Task
    at_pressure : dict of float to ndarray
        Nozzle pressure [Pa] to flows through windows [m3/s], shape (place, sample, elevation), in the order of
        `places_of`.
    pressure : float
        The lowest that serves surely enough, or else the one that serves best [Pa].
    solutions : list of Solution
    middle : Spray
        Of the stream with everything at its median, at the elevation found.
    carried, distances : ndarray
        Share of the flow beyond distances [m] at street level, shape (distance, sample).
    flown : Dataset
        Results of all draws at the elevation found.
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
    def delivered(self) -> Array:
        """Share of the nozzle's flow that passes the window, (sample,)."""
        return np.asarray(self.best_flow / self.flown["flow_rate"].values)

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

    def aims(self) -> list[list[Solution]]:
        """Elevations that serve from each stand-off of the map, to the storey asked for."""
        task = self.task
        row = 2 + task.storeys.index(task.place.storey) * task.stand_offs.size
        return [solutions(flows, task) for flows in self.at_pressure[self.pressure][row : row + task.stand_offs.size]]


@dataclass(frozen=True)
class Found:
    """What all streams do, and what would help the first one: change to probability."""

    outcomes: list[Outcome]
    helps: dict[str, float]

    @property
    def first(self) -> Outcome:
        """Of the stream that the study is about."""
        return self.outcomes[0]

    @property
    def second(self) -> Outcome | None:
        """Of the stream that it is compared with."""
        return self.outcomes[1] if len(self.outcomes) > 1 else None


def throws(loaded: Loaded) -> int:
    """How many streams are flown."""
    pressures = sum(candidate.pressures.size for candidate in loaded.candidates)
    return loaded.draws * loaded.task.flown.size * (pressures + len(changes(loaded.first)))


def places_of(task: Task) -> list[Place]:
    """The window, the same from closer, and the windows of the map."""
    closer = Place(max(task.place.stand_off - CLOSER, 1.0), task.place.storey)
    return [task.place, closer, *(Place(float(x), storey) for storey in task.storeys for x in task.stand_offs)]


def find(loaded: Loaded, executor: Executor | None) -> Found:
    """All throws."""
    samples = draws_of(loaded.candidates, loaded.draws)
    outcomes = [
        outcome_of(candidate, drawn, loaded.task, executor)
        for candidate, drawn in zip(loaded.candidates, samples, strict=True)
    ]
    return Found(outcomes, helping(outcomes, samples[0], executor))


def outcome_of(candidate: Candidate, samples: xr.Dataset, task: Task, executor: Executor | None) -> Outcome:
    """All throws of one stream."""
    space, places = candidate.space, places_of(task)
    pressures = [float(pressure) for pressure in candidate.pressures]
    streams = [{**space.fixed, "nozzle_pressure": pressure} for pressure in pressures]
    tried = dict(zip(pressures, delivered(streams, samples, task, places, executor), strict=True))
    chances = {pressure: float(chance(flows[0], task)) for pressure, flows in tried.items()}
    enough = [pressure for pressure, value in chances.items() if value >= task.probability]
    # Where none serves surely enough: the surest, and among equals the one that brings most.
    brought = {pressure: float(np.median(best(flows[0], task.elevations)[1])) for pressure, flows in tried.items()}
    chosen = enough[0] if enough else max(chances, key=lambda pressure: (chances[pressure], brought[pressure]))
    ways = solutions(tried[chosen][0], task)
    aim = ways[0].elevation if ways else float(task.elevations[task.elevations.size // 2])
    fixed = {**space.fixed, "nozzle_pressure": chosen}
    varying = columns(samples)
    spread = spray_at({**fixed, **varying}, aim)
    distances = np.linspace(0.0, float(np.nanmax(spread.position[0, -1])), 121)
    flown = simulate(Stream.from_values({**fixed, **varying, "elevation": aim}))
    return Outcome(
        candidate,
        task,
        tried,
        chosen,
        ways,
        spray_at({**fixed, **space.medians()}, aim),
        landing(spread).beyond(distances),
        distances,
        flown,
    )


def changes(candidate: Candidate) -> dict[str, dict[str, Any]]:
    """What could be other than it is, one thing at a time: words to fields.

    A measured breakup length belongs to its shutoff and tip, so with one neither is exchanged.
    """
    changed: dict[str, dict[str, Any]] = {"still air": {"wind_along": 0.0, "wind_across": 0.0}}
    if candidate.is_measured:
        return changed
    changed["a shutoff that adds no turbulence"] = {"valve_model": "clear"}
    if "tip_diameter" in candidate.space.fixed:
        larger = float(candidate.space.fixed["tip_diameter"]) + LARGER
        changed["a tip 1/8 in (3 mm) larger at the same pressure"] = {"tip_diameter": larger}
    return changed


def helping(outcomes: list[Outcome], samples: xr.Dataset, executor: Executor | None) -> dict[str, float]:
    """Probability of the first stream after one change at a time, all else as it is; then that of the other stream."""
    first = outcomes[0]
    task, fixed = first.task, {**first.candidate.space.fixed, "nozzle_pressure": first.pressure}
    after = {"standing 10 ft (3 m) closer": first.chance_at(first.pressure, place=1)}
    changed = changes(first.candidate)
    streams = [{**fixed, **change} for change in changed.values()]
    flows = delivered(streams, samples, task, [task.place], executor)
    after |= {words: float(chance(flow[0], task)) for words, flow in zip(changed, flows, strict=True)}
    strongest = max(first.at_pressure, key=first.chance_at)
    after[f"a nozzle pressure of {shown_pressure(strongest)}"] = first.chance_at(strongest)
    for other in outcomes[1:]:
        after[f"the {other.candidate.name} at {shown_pressure(other.pressure)}"] = other.chance
    return after


def shown_pressure(pressure: float) -> str:
    """A pressure in both units."""
    return f"{float(units.from_si(pressure, 'psi')):.0f} psi ({float(units.from_si(pressure, 'bar')):.1f} bar)"
