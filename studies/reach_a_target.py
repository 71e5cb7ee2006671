"""Reach a target: can this stream put a stated flow through that window, how, and with what probability.

Run ``python studies/reach_a_target.py``; your own street goes into a copy of ``inputs/reach_a_target.toml``.
"""

import sys
from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim import findings, target, units
from jetsim.errors import InputError
from jetsim.experiment.ensemble import plain_design
from jetsim.experiment.space import ParameterSpace
from jetsim.jet.delivery import landing
from jetsim.jet.spray import Spray
from jetsim.quantities import UnitSystem
from jetsim.report import display, figures
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.figures import Words
from jetsim.report.tables import Column, Table
from jetsim.simulation import simulate
from jetsim.stream import Stream
from jetsim.study import Findings, Options, Study, run
from jetsim.target import Place, Solution, Task

Array = NDArray[np.float64]
QUICK_DRAWS = 16
# Classes of drops in the figures of one throw.
FINE = 24
CLOSER = float(units.to_si(10, "ft"))
LARGER = float(units.to_si(1 / 8, "in"))
QUESTION = "Can this stream put the stated flow through that window, at what elevation and pressure, how surely?"


@dataclass(frozen=True)
class Loaded:
    """What the study file asks."""

    space: ParameterSpace
    task: Task

    @property
    def draws(self) -> int:
        """Draws of weather and of what is not known."""
        return self.space.base_samples


@dataclass(frozen=True)
class Results:
    """What was found; flows have shape (place, sample, elevation)."""

    samples: xr.Dataset
    at_pressure: dict[float, Array]
    pressure: float
    solutions: list[Solution]
    chart: Array
    helps: dict[str, float]
    middle: Spray
    carried: Array
    distances: Array
    flown: xr.Dataset

    def chance(self, task: Task) -> float:
        """Probability of meeting the target at the chosen pressure."""
        return float(target.chance(self.at_pressure[self.pressure], task)[0])


def load(options: Options) -> Loaded:
    """Read the study file."""
    space = ParameterSpace.from_toml(options.inputs, extra=("scenario", *target.TABLES))
    try:
        for name in ("nozzle_pressure", "elevation", "target_height"):
            if name in space.fixed or name in space.names:
                raise InputError(f"{name}: is not for the study file to state, this study searches it")
        task = target.read_task(space.extra)
        Stream.from_values({**space.fixed, **space.medians(), "nozzle_pressure": task.pressures})
    except InputError as error:
        raise InputError(f"{options.inputs}: {error}") from None
    if options.quick:
        return Loaded(replace(space, base_samples=min(QUICK_DRAWS, space.base_samples)), task.quick())
    return Loaded(space, task)


def throws(loaded: Loaded) -> int:
    """How many streams are thrown."""
    return loaded.draws * loaded.task.elevations.size * (loaded.task.pressures.size + 5)


def planned(loaded: Loaded, options: Options) -> str:
    """What would be run."""
    task = loaded.task
    return (
        f"{loaded.space.title}\n{throws(loaded):,} throws: {loaded.draws} draws x {task.elevations.size} elevations x "
        f"({task.pressures.size} nozzle pressures, the map, 4 changes), each with {target.CLASSES} classes of drops"
    )


def compute(loaded: Loaded, options: Options) -> Findings:
    """Run everything and write it up."""
    with options.executor() as executor:
        found = find(loaded, executor)
    system = options.system(loaded.space.units)
    report = Report(
        loaded.space.title,
        lead(loaded, found, system),
        sections(loaded, found, system),
        card(loaded),
        system,
        validity=findings.validity_counts(found.flown),
        subtitle=str(loaded.space.extra.get("scenario", "")),
    )
    return Findings(report, {"results": found.flown})


def find(loaded: Loaded, executor: Executor | None) -> Results:
    """All throws."""
    space, task = loaded.space, loaded.task
    samples = plain_design(space, loaded.draws).samples

    def flows(changes: Mapping[str, Any], places: list[Place]) -> Array:
        return target.delivered(space, samples, task, changes, places, executor)

    tried = {float(p): flows({"nozzle_pressure": float(p)}, [task.place]) for p in task.pressures}
    chances = {pressure: float(target.chance(flow, task)[0]) for pressure, flow in tried.items()}
    enough = [pressure for pressure, value in chances.items() if value >= task.probability]
    chosen = enough[0] if enough else max(chances, key=lambda pressure: (chances[pressure], -pressure))
    here = {"nozzle_pressure": chosen}
    places = [Place(float(x), storey) for storey in task.storeys for x in task.stand_offs]
    chart = target.chance(flows(here, places), task).reshape(len(task.storeys), -1)
    ways = target.solutions(tried[chosen][0], task)
    aim = ways[0].elevation if ways else float(task.elevations[task.elevations.size // 2])
    middle, _ = target.thrown_spray({**space.fixed, **space.medians(), **here}, np.array([aim]), FINE)
    varying = {str(n): xr.DataArray(v.values, dims="sample") for n, v in samples.data_vars.items()}
    spread, _ = target.thrown_spray({**space.fixed, **varying, **here}, np.array([aim]), FINE)
    distances = np.linspace(0.0, float(np.nanmax(spread.position[0, -1])), 121)
    return Results(
        samples=samples,
        at_pressure=tried,
        pressure=chosen,
        solutions=ways,
        chart=chart,
        helps=helping(loaded, flows, here, chances),
        middle=middle,
        carried=landing(spread).beyond(distances),
        distances=distances,
        flown=simulate(Stream.from_values({**space.fixed, **varying, **here, "elevation": aim})),
    )


def helping(loaded: Loaded, flows: Any, here: Mapping[str, float], chances: Mapping[float, float]) -> dict[str, float]:
    """Probability after one change at a time, all else as it is."""
    task, fixed = loaded.task, loaded.space.fixed
    best = max(chances, key=lambda pressure: chances[pressure])
    closer = Place(max(task.place.stand_off - CLOSER, 1.0), task.place.storey)
    changes: list[tuple[str, Mapping[str, Any], Place]] = [
        ("standing 10 ft (3 m) closer", {}, closer),
        ("a shutoff that adds no turbulence", {"valve_turbulence_factor": 1.0}, task.place),
        ("still air", {"wind_along": 0.0, "wind_across": 0.0}, task.place),
    ]
    if "tip_diameter" in fixed:
        larger = float(fixed["tip_diameter"]) + LARGER
        changes.append(("a tip 1/8 in (3 mm) larger at the same pressure", {"tip_diameter": larger}, task.place))
    after = {name: float(target.chance(flows({**here, **change}, [place]), task)[0]) for name, change, place in changes}
    return after | {f"nozzle pressure of {best / units.PSI:.0f} psi ({best / 1e5:.1f} bar)": chances[best]}


# ---------------------------------------------------------------------------------------------------------
# Words


def percent(share: float) -> str:
    """A probability in whole percent."""
    return f"{100 * share:.0f} %"


def lead(loaded: Loaded, found: Results, system: UnitSystem) -> list[str]:
    """Whether, how, with what probability, with what margin, and what would help."""
    task = loaded.task
    flow, away = display.both("flow_rate", task.flow, system), display.both("path_along", task.place.stand_off, system)
    sure = found.chance(task)
    answer = "Yes" if sure >= task.probability else "Not surely enough"
    return [
        f"{answer}: from {away} this stream puts {flow} or more through the window on storey {task.place.storey} in "
        f"{percent(sure)} of the runs ({percent(task.probability)} wanted), at a nozzle pressure of "
        f"{display.both('nozzle_pressure', found.pressure, system)}, when the crew aims by eye.",
        aim_sentence(found, system),
        margin_sentence(task, found, system),
        help_sentence(sure, found.helps),
        "Between one run and the next, wind, the shutoff's turbulence, breakup and drop sizes differ; how streams "
        "spread their drops is known least.",
    ]


def aim_sentence(found: Results, system: UnitSystem) -> str:
    """One elevation, or two."""
    if not found.solutions:
        return "At no elevation does water get through the window in the middle of the runs."
    parts = [
        f"about {way.elevation:.0f} deg, where {display.both('flow_rate', way.flow, system)} pass in the middle of the "
        f"runs and the target is met in {percent(way.probability)} of them"
        for way in found.solutions
    ]
    if len(parts) == 2:
        return f"Two elevations serve: {parts[0]}; or {parts[1]}."
    return f"The elevation is {parts[0]}; a high, plunging throw brings too little to count as a second solution."


def margin_sentence(task: Task, found: Results, system: UnitSystem) -> str:
    """How much farther off the nozzle may stand, or how much closer it must."""
    chances = found.chart[task.storeys.index(task.place.storey)]
    limit = target.farthest(task.stand_offs, chances, task.probability)
    if np.isnan(limit):
        return f"No stand-off of the map meets the target in {percent(task.probability)} of the runs."
    margin = limit - task.place.stand_off
    words = display.both("path_along", abs(margin), system, digits=2)
    last = "at least " if limit >= task.stand_offs[-1] else ""
    return (
        f"Margin: the nozzle could stand {last}{words} farther off."
        if margin >= 0
        else f"Margin: the nozzle would have to stand {words} closer."
    ) + f" The limit at this pressure is {last}{display.both('path_along', limit, system)}."


def help_sentence(sure: float, helps: Mapping[str, float]) -> str:
    """What raises the probability most."""
    name, best = max(helps.items(), key=lambda item: item[1])
    if best <= sure + 0.01:
        return f"None of the changes tried raises the probability above {percent(sure)}."
    return f"What would help most: {name}, which makes it {percent(best)}."


# ---------------------------------------------------------------------------------------------------------
# Figures and tables


def sections(loaded: Loaded, found: Results, system: UnitSystem) -> list[Section]:
    """The report's parts."""
    return [
        Section("The throw", [], [side_view(loaded, found, system)]),
        Section("From where, to which storey", [], [chart(loaded, found, system)], [pressure_table(loaded, found)]),
        Section("What would help", [], tables=[help_table(loaded, found)]),
        Section("Without the wall", [], [carried_curve(found, system), ground(found, system)]),
    ]


def side_view(loaded: Loaded, found: Results, system: UnitSystem) -> figures.Plot:
    """Delivered share as shade, with the wall and its window."""
    task, spray = loaded.task, found.middle
    window = task.window(task.place)
    wall = task.storeys[-1] * task.storey_height
    far = max(float(np.nanmax(spray.position[0])), 1.1 * task.place.stand_off)
    high = 1.05 * max(float(np.nanmax(spray.position[2])), wall)
    x, y = np.linspace(0, far, 181), np.linspace(0, high, 91)
    centres = (x[1:] + x[:-1]) / 2
    share = np.stack([shares_in_heights(spray, at, y) for at in centres], axis=1)
    low, top = float(np.asarray(window.sill)), float(np.asarray(window.sill)) + task.height
    opening = figures.Opening(task.place.stand_off, low, top, wall, f"window on storey {task.place.storey}")
    words = Words(
        "side_view",
        "Fine drops fall short: where the water is along the throw",
        "Share of the flow in each cell of a column, everything at its median, at the elevation found. The wall is "
        "drawn but does not stop the water here.",
    )
    field = figures.Field("path_along", "path_height", x, y, share, "share of the flow, %", opening)
    return figures.shaded_field(words, field, system)


def shares_in_heights(spray: Spray, distance: float, edges: Array) -> Array:
    """Share of the flow between heights on an upright plane."""
    beyond = target.crossing(spray, distance).beyond(edges)[:, 0]
    return np.asarray(beyond[:-1] - beyond[1:])


def chart(loaded: Loaded, found: Results, system: UnitSystem) -> figures.Plot:
    """Probability over stand-off and storey."""
    task = loaded.task
    words = Words(
        "target_map",
        "From where, and to which storey, the stated flow gets through a window of this size",
        f"Share of {loaded.draws} draws that meet the target at "
        f"{display.both('nozzle_pressure', found.pressure, system)}, the crew aiming by eye.",
    )
    unit = display.unit_label("path_along", system)
    columns = [f"{float(display.convert('path_along', x, system)):.0f} {unit}" for x in task.stand_offs]
    rows = [f"storey {storey}" for storey in reversed(task.storeys)]
    matrix = figures.Matrix(
        found.chart[::-1], rows, columns, "probability of meeting the target", 0.0, 1.0, lambda v: f"{100 * v:.0f} %"
    )
    return figures.heat_map(words, matrix)


def carried_curve(found: Results, system: UnitSystem) -> figures.Plot:
    """Share of the flow beyond a distance, with its band."""
    low, middle, high = np.quantile(found.carried, [0.05, 0.5, 0.95], axis=1)
    line = figures.Line("all drops, middle and nine in ten of the runs", found.distances, middle, low, high)
    limit = figures.Limit("90 %: effective reach", 0.9)
    words = Words(
        "delivered_fraction",
        "How much of the flow carries how far, if no wall stood in the way",
        "Share of the flow that comes down beyond each distance at street level, at the elevation found.",
    )
    panel = figures.Panel("share of the flow beyond", [line], [limit])
    return figures.line_bands(words, "path_along", [panel], system)


def ground(found: Results, system: UnitSystem) -> figures.Plot:
    """Where the water comes down, from above."""
    clouds = landing(found.middle)
    far = float(np.nanmax(clouds.centre[0] + 3 * clouds.deviation[0]))
    side = float(np.nanmax(np.abs(clouds.centre[1]) + 3 * clouds.deviation[1]))
    x, y = np.linspace(0, far, 181), np.linspace(-side, side, 31)
    words = Words(
        "ground_pattern",
        "Where the water comes down if no wall stood in the way, seen from above",
        "Everything at its median, at the elevation found. The nozzle stands at the left.",
    )
    share = clouds.ground_shares(x, y).T
    field = figures.Field("path_along", "path_across", x, y, share, "share of the flow in a cell, %")
    return figures.shaded_field(words, field, system)


def pressure_table(loaded: Loaded, found: Results) -> Table:
    """What each nozzle pressure brings."""
    best = [flow[0].max(axis=1) for flow in found.at_pressure.values()]
    columns = (
        Column("nozzle_pressure", list(found.at_pressure)),
        Column("probability [%]", [100 * float((b >= loaded.task.flow).mean()) for b in best], "", "Probability, %"),
        *(
            Column(
                f"flow_{name}", [float(np.quantile(b, q)) for b in best], "flow_rate", f"Through the window, {words}"
            )
            for name, q, words in (("low", 0.05, "5 %"), ("middle", 0.5, "middle"), ("high", 0.95, "95 %"))
        ),
    )
    return Table("nozzle_pressures", "Flow through the window at each nozzle pressure", columns)


def help_table(loaded: Loaded, found: Results) -> Table:
    """Probability after each change."""
    rows = {"as stated": found.chance(loaded.task), **found.helps}
    columns = (
        Column("change", list(rows), "", "One change at a time"),
        Column("probability [%]", [100 * p for p in rows.values()], "", "Probability, %"),
    )
    return Table("changes", "What one change does", columns)


def card(loaded: Loaded) -> ReportCard:
    """What a reader needs to judge the study."""
    space, draws = loaded.space, loaded.draws
    return ReportCard(
        question=QUESTION,
        method=f"{draws} draws of a scrambled Sobol' sample, the same for every elevation, pressure and change; "
        f"{target.CLASSES} classes of drops in each throw",
        runs=throws(loaded),
        seed=space.seed,
        failures=0,
        intervals=f"a probability near 80 % is uncertain by about {100 * 0.8 / draws**0.5:.0f} points",
        convergence="not needed: no indices are estimated",
        inputs=findings.input_lines(space),
        fixed=findings.fixed_words(space),
        more={
            "Drops": "lognormal, spread fitted to Freeman's 3/4-inch tip (1889, from memory), 1 1/8-inch tip held out",
            "Aim": "in every run the crew picks the best of the elevations tried and the best direction",
        },
    )


STUDY = Study(
    "reach_a_target",
    "Can this stream put a stated flow through that window, how, and with what probability.",
    Path(__file__),
    load,
    planned,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
