"""Sentences and tables of the study of a target: says what was found, computes nothing but quantiles."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from jetsim import findings
from jetsim.flags import outside_sentence
from jetsim.quantities import UnitSystem, quantity
from jetsim.report import display
from jetsim.report.display import percent
from jetsim.report.document import InputLine, ReportCard
from jetsim.report.tables import Column, Table
from jetsim.target.found import Found, Loaded, Outcome, throws
from jetsim.target.streams import Candidate
from jetsim.target.task import Task
from jetsim.target.throwing import CLASSES, Solution

QUESTION = "Can this stream put the stated flow through that window, at what elevation and pressure, how surely?"


def lead(found: Found, system: UnitSystem) -> list[str]:
    """Whether, how, with what probability, with what margin, what would help, and how the other stream does."""
    first, second = found.first, found.second
    outside = [
        outside_sentence(outcome.flown["validity"].values, f"the runs of {named(outcome)}" if second else "the runs")
        for outcome in found.outcomes
    ]
    return [
        " ".join(filter(None, (answer_sentence(first, system), *outside))),
        aim_sentence(first, system),
        margin_sentence(first, system),
        help_sentence(first.chance, found.helps),
        *([comparison_sentence(first, second, system)] if second else []),
        "Between one run and the next, wind, the shutoff's turbulence, breakup and drop sizes differ; how streams "
        "spread their drops is known least.",
    ]


def answer_sentence(found: Outcome, system: UnitSystem) -> str:
    """Whether, and how surely."""
    task = found.task
    flow, away = display.both("flow_rate", task.flow, system), display.both("path_along", task.place.stand_off, system)
    answer = "Yes" if found.chance >= task.probability else "Not surely enough"
    return (
        f"{answer}: from {away} {named(found)} puts {flow} or more through the window on storey {task.place.storey} in "
        f"{percent(found.chance)} of the runs ({percent(task.probability)} wanted), at a nozzle pressure of "
        f"{display.both('nozzle_pressure', found.pressure, system)}, when the crew aims by eye. In the middle of the "
        f"runs {percent(float(np.median(found.delivered)))} of the nozzle's flow passes the window."
    )


def named(found: Outcome) -> str:
    """What a sentence calls the stream."""
    return "this stream" if found.candidate.name == "this stream" else f"the {found.candidate.name}"


def aim_sentence(found: Outcome, system: UnitSystem) -> str:
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


def margin_sentence(found: Outcome, system: UnitSystem) -> str:
    """How much farther off the nozzle may stand, or how much closer it must."""
    task, limit = found.task, found.limit()
    if np.isnan(limit):
        return f"No stand-off of the map meets the target in {percent(task.probability)} of the runs."
    last = "at least " if limit >= task.stand_offs[-1] else ""
    return (
        f"Margin: the nozzle {_margin_words(limit, task, system)}. The limit at this pressure is "
        f"{last}{display.both('path_along', limit, system)}."
    )


def _margin_words(limit: float, task: Task, system: UnitSystem) -> str:
    margin = limit - task.place.stand_off
    words = display.both("path_along", abs(margin), system, digits=2)
    last = "at least " if limit >= task.stand_offs[-1] else ""
    return f"could stand {last}{words} farther off" if margin >= 0 else f"would have to stand {words} closer"


def help_sentence(sure: float, helps: Mapping[str, float]) -> str:
    """What raises the probability most."""
    name, best = max(helps.items(), key=lambda item: item[1])
    if best <= sure + 0.01:
        return f"None of the changes tried raises the probability above {percent(sure)}."
    return f"What would help most: {name}, which makes it {percent(best)}."


def comparison_sentence(first: Outcome, second: Outcome, system: UnitSystem) -> str:
    """How the other stream does beside it, and what is assumed of it."""
    share, beside = (percent(float(np.median(found.delivered))) for found in (second, first))
    limit, task = second.limit(), second.task
    margin = (
        f"no stand-off of the map is close enough for {percent(task.probability)}"
        if np.isnan(limit)
        else f"the nozzle {_margin_words(limit, task, system)}"
    )
    assumption = second.candidate.assumption
    return (
        f"Beside it, the {second.candidate.name} meets the target in {percent(second.chance)} of the runs, at "
        f"{display.both('nozzle_pressure', second.pressure, system)}: in the middle of the runs {share} of its flow "
        f"passes the window, against {beside}; {margin}."
        + (f" What this rests on: {assumption}." if assumption else "")
    )


# ---------------------------------------------------------------------------------------------------------
# Tables


_ROWS = (
    ("nozzle_pressure", "Nozzle pressure"),
    ("flow_rate", "Flow of the nozzle, middle of the runs"),
    ("reaction_force", "Nozzle reaction (steady), middle"),
    ("elevation", "Elevation"),
    ("flow_rate", "Flow through the window, middle"),
    ("flow_rate", "Flow through the window, in all but 5 % of the runs at least"),
    ("ratio", "Share of the flow through the window, middle, %"),
    ("ratio", "Probability of meeting the target, %"),
    ("path_along", "Farthest stand-off that serves surely enough"),
    ("path_along", "Margin to the stand-off asked for"),
)


def streams_table(found: Found) -> Table:
    """The streams side by side."""
    rows = [words for _, words in _ROWS]
    columns = [Column("what", rows, "", "At the nozzle pressure found")]
    for key, outcome in zip(("stream", "comparison"), found.outcomes, strict=False):
        names = [name if name != "ratio" else "share of the flow" for name, _ in _ROWS]
        columns.append(Column(key, _values(outcome), names, outcome.candidate.name))
    caption = "Dash: none, or not at any stand-off of the map."
    return Table("streams", "The streams side by side" if found.second else "The stream", tuple(columns), caption)


def _values(found: Outcome) -> list[float]:
    """What `_ROWS` says, SI and percent."""
    flow, force = (float(np.median(found.flown[name].values)) for name in ("flow_rate", "reaction_force"))
    low, middle = (float(q) for q in np.quantile(found.best_flow, [0.05, 0.5]))
    limit = found.limit()
    elevation = found.solutions[0].elevation if found.solutions else float("nan")
    share = 100 * float(np.median(found.delivered))
    margin = limit - found.task.place.stand_off
    return [found.pressure, flow, force, elevation, middle, low, share, 100 * found.chance, limit, margin]


def pressure_tables(found: Found) -> list[Table]:
    """What each nozzle pressure brings, a table for each stream."""
    names = ("nozzle_pressures", "nozzle_pressures_comparison")
    return [_pressure_table(name, outcome) for name, outcome in zip(names, found.outcomes, strict=False)]


def _pressure_table(name: str, found: Outcome) -> Table:
    at = [replace(found, pressure=pressure) for pressure in found.at_pressure]
    flows = np.array([np.quantile(o.best_flow, [0.05, 0.5, 0.95]) for o in at])
    columns = (
        Column("nozzle_pressure", list(found.at_pressure)),
        Column("probability [%]", [100 * o.chance for o in at], "", "Probability, %"),
        *(
            Column(f"flow_{key}", list(flows[:, number]), "flow_rate", words)
            for number, (key, words) in enumerate((("low", "Low"), ("middle", "Middle"), ("high", "High")))
        ),
        Column("limit", [o.limit() for o in at], "path_along", "Farthest stand-off"),
    )
    title = f"Flow through the window at each nozzle pressure: {found.candidate.name}"
    caption = "Nine in ten of the runs lie between low and high. Farthest stand-off: where the probability wanted ends."
    return Table(name, title, columns, caption)


def aims_table(found: Outcome) -> Table:
    """Both elevations that serve, from each stand-off of the map."""
    ways = found.aims()
    low = [way[0] if way else None for way in ways]
    high = [way[1] if len(way) > 1 else None for way in ways]
    columns = [Column("stand_off", list(found.task.stand_offs), "path_along", "Stand-off")]
    for key, side, words in (("low", low, "Low throw"), ("high", high, "High throw")):
        columns += [
            Column(f"{key}_elevation", _each(side, "elevation"), "elevation", words),
            Column(f"{key}_flow", _each(side, "flow"), "flow_rate", "brings, middle"),
            Column(f"{key}_probability [%]", [100 * p for p in _each(side, "probability")], "", "Probability, %"),
        ]
    return Table(
        "elevations",
        f"Elevations that serve the window on storey {found.task.place.storey} from each stand-off",
        tuple(columns),
        "Dash: at most one elevation serves.",
    )


def _each(ways: Sequence[Solution | None], name: str) -> list[float]:
    return [float("nan") if way is None else float(getattr(way, name)) for way in ways]


def help_table(found: Found) -> Table:
    """Probability after each change."""
    rows = {"as stated": found.first.chance, **found.helps}
    columns = (
        Column("change", list(rows), "", "One change at a time"),
        Column("probability [%]", [100 * p for p in rows.values()], "", "Probability, %"),
    )
    return Table("changes", "What one change does", columns, "Each change alone, the same draws.")


# ---------------------------------------------------------------------------------------------------------
# Report card


def card(loaded: Loaded) -> ReportCard:
    """What a reader needs to judge the study."""
    space, draws = loaded.first.space, loaded.draws
    return ReportCard(
        question=QUESTION,
        method=f"{draws} draws of a scrambled Sobol' sample, the same for every elevation, pressure, change and "
        f"stream; {CLASSES} classes of drops in each throw",
        runs=throws(loaded),
        seed=space.seed,
        failures=0,
        intervals=f"a probability near 80 % is uncertain by about {100 * 0.8 / draws**0.5:.0f} points",
        convergence="not needed: no indices are estimated",
        inputs=input_lines(loaded),
        fixed=findings.fixed_words(space),
        more={
            "Drops": "lognormal, spread fitted to Freeman's 3/4-inch tip (1889, from memory), 1 1/8-inch tip held out",
            "Aim": "in every run the crew picks the elevation and the direction that serve best",
            **{f"The {c.name}": c.assumption for c in loaded.candidates if c.assumption},
            **breakup_lengths(loaded.candidates),
        },
    )


def breakup_lengths(candidates: Sequence[Candidate]) -> dict[str, str]:
    """Whose breakup length was measured, where any was."""
    measured = [c.name for c in candidates if c.is_measured]
    if not measured:
        return {}
    estimated = [f"estimated for {c.name}" for c in candidates if not c.is_measured]
    return {"Breakup length": "; ".join([f"measured on {' and '.join(measured)}", *estimated])}


def input_lines(loaded: Loaded) -> list[InputLine]:
    """What varies, and on what evidence; what only the comparison varies is marked."""
    lines = findings.input_lines(loaded.first.space)
    for candidate in loaded.candidates[1:]:
        own = {quantity(name).long_name for name in candidate.own}
        lines += [
            replace(line, name=f"{line.name}: {candidate.name}")
            for line in findings.input_lines(candidate.space)
            if line.name in own
        ]
    return lines
