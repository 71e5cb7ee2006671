"""Sentences and tables of the study of a target: says what was found, computes nothing but quantiles."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from jetsim import findings
from jetsim.equipment.words import overrides_sentence, owner_label
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.display import percent
from jetsim.report.document import InputLine, ReportCard
from jetsim.report.tables import Column, Table
from jetsim.window.question import Task
from jetsim.window.runs import BREAKUP, Candidate, Found, Loaded, Outcome, throws
from jetsim.window.throwing import CLASSES, Solution

QUESTION = "Can this set-up put the stated flow through that window, at what elevation and pressure, how surely?"


# A margin below this, about a foot, is none on a fireground [m].
_NO_ROOM = 0.3


def _of_100(share: float) -> str:
    """A share of throws that were named before, counted."""
    return {0.0: "none", 1.0: "all"}.get(share, display.counted(share, "").strip())


def named(found: Outcome) -> str:
    """What a sentence calls the set-up."""
    return f"“{found.candidate.name}”"


def lead(found: Found, system: UnitSystem) -> list[str]:
    """The findings for a briefing: whether, what lies outside the tests, from what pressure, and what would help."""
    first = found.first
    said = [
        answer_headline(first, system),
        findings.outside_sentence(first.flown["validity"].values),
        pump_headline(first, system),
        margin_headline(first, system),
        help_sentence(first.chance, found.helps),
    ]
    return [text for text in said if text]


def answer_headline(found: Outcome, system: UnitSystem) -> str:
    """Whether, and how surely."""
    task = found.task
    answer = "Yes" if found.chance >= task.probability else "Not surely enough"
    flow = display.spoken("flow_rate", task.flow, system)
    away = display.spoken("path_along", task.place.stand_off, system)
    return (
        f"{answer}: {named(found)} puts the flow asked for ({flow} or more, from {away}) through the window on storey "
        f"{display.number_words(task.place.storey)} in {display.counted(found.chance, short_of=task.probability)} "
        f"({display.counted(task.probability, 'wanted')}), when the crew corrects its aim by eye."
    )


def pump_headline(found: Outcome, system: UnitSystem) -> str:
    """What the pump must give, with its spread; empty without a line."""
    if found.candidate.setup.line is None:
        return ""
    low, middle, high = np.quantile(found.pump_pressure, [0.05, 0.5, 0.95])
    spread = display.spoken_span("nozzle_pressure", low, high, system).rpartition(" ")[0]
    return (
        f"It takes {display.spoken('nozzle_pressure', middle, system)} at the pump ({spread} in nine of ten computed "
        "throws), an estimate to be verified by in-line gauge and flowmeter."
    )


def margin_headline(found: Outcome, system: UnitSystem) -> str:
    """How much farther off the nozzle may stand, or how much closer it must."""
    task, limit = found.task, found.limit()
    if np.isnan(limit):
        return "No place of the nozzle that was tried is sure enough."
    last = "at least " if limit >= task.stand_offs[-1] else ""
    farthest = f"{last}{display.spoken('path_along', limit, system)}"
    return f"The nozzle {_margin_words(limit, task, system)} (the farthest that is sure enough: {farthest})."


def further(found: Found, standing: str, system: UnitSystem) -> list[str]:
    """What else was found: aim, pump, margin and how the other set-ups do; and what the inputs rest on."""
    first = found.first
    outside = (findings.outside_sentence(o.flown["validity"].values, f"of {named(o)}") for o in found.outcomes[:2])
    return [
        answer_sentence(first, system),
        *filter(None, outside),
        aim_sentence(first, system),
        *filter(None, [pump_sentence(first, system)]),
        margin_sentence(first, system),
        *beside_sentences(found, system),
        "Between one throw and the next, wind, the shutoff's disturbance, breakup and drop sizes differ; how streams "
        "spread their drops is known least.",
        standing,
    ]


def answer_sentence(found: Outcome, system: UnitSystem) -> str:
    """Whether, and how surely."""
    task = found.task
    flow = display.value("flow_rate", task.flow, system)
    away = display.value("path_along", task.place.stand_off, system)
    answer = "Yes" if found.chance >= task.probability else "Not surely enough"
    return (
        f"{answer}: from {away} {named(found)} puts {flow} or more through the window on storey {task.place.storey} in "
        f"{display.counted(found.chance, short_of=task.probability)} ({display.counted(task.probability, 'wanted')}), "
        f"at a nozzle pressure of {display.value('nozzle_pressure', found.pressure, system)}, when the crew aims by "
        f"eye. In the middle of them {percent(float(np.median(found.delivered)))} of the nozzle's flow passes the "
        "window."
    )


def aim_sentence(found: Outcome, system: UnitSystem) -> str:
    """One elevation, or two."""
    if not found.solutions:
        return "At no elevation does water get through the window in the middle of the computed throws."
    parts = [
        f"about {way.elevation:.0f} deg, where {display.value('flow_rate', way.flow, system)} pass in the middle of "
        f"the computed throws and the target is met in {_of_100(way.probability)}"
        for way in found.solutions
    ]
    if len(parts) == 2:
        return f"Two elevations serve: {parts[0]}; or {parts[1]}."
    return f"The elevation is {parts[0]}; a high, plunging throw brings too little to count as a second solution."


def pump_sentence(found: Outcome, system: UnitSystem) -> str:
    """What the pump must give, and whether that is within its stated maximum; empty without a line."""
    setup, needed = found.candidate.setup, float(np.median(found.pump_pressure))
    if setup.line is None:
        return ""
    words = (
        f"That nozzle pressure needs {display.value('nozzle_pressure', needed, system)} at the pump in the middle of "
        f"the computed throws, on {setup.labels['line']}"
    )
    if setup.pump is None:
        return f"{words}."
    most = setup.pump.maximum_pressure
    side = "within" if needed <= most else "above"
    return f"{words}: {side} the pump's stated maximum of {display.value('nozzle_pressure', most, system)}."


def margin_sentence(found: Outcome, system: UnitSystem) -> str:
    """How much farther off the nozzle may stand, or how much closer it must."""
    task, limit = found.task, found.limit()
    if np.isnan(limit):
        return f"No stand-off of the map meets the target in {display.counted(task.probability, 'throws')}."
    last = "at least " if limit >= task.stand_offs[-1] else ""
    return (
        f"Margin: the nozzle {_margin_words(limit, task, system)}. The limit at this pressure is "
        f"{last}{display.value('path_along', limit, system)}."
    )


def _margin_words(limit: float, task: Task, system: UnitSystem) -> str:
    margin = limit - task.place.stand_off
    words = display.spoken("path_along", abs(margin), system)
    last = "at least " if limit >= task.stand_offs[-1] else ""
    if 0 <= margin < _NO_ROOM and not last:
        return "has no room to back up"
    return f"could stand {last}{words} farther off" if margin >= 0 else f"would have to stand {words} closer"


def help_sentence(sure: float, helps: Mapping[str, float]) -> str:
    """What raises the probability most; changes that raise it alike are a tie."""
    best = max(helps.values())
    if best <= sure + 0.01:
        return "None of the changes tried would help."
    share = display.counted(best) if best < 1 else "100 of 100 computed throws"
    name, *alike = (words for words, chance in helps.items() if display.counted(chance) == display.counted(best))
    if alike:
        others = ", or ".join(alike)
        return f"What would help most, alike: {name} (or {others}; with any one it then serves in {share})."
    return f"What would help most: {name} (it then serves in {share})."


def beside_sentences(found: Found, system: UnitSystem) -> list[str]:
    """How the other set-ups do: one beside the first in full, several in one list."""
    if len(found.others) == 1:
        return [beside_sentence(found.first, found.others[0], system)]
    if not found.others:
        return []
    parts = [
        f"{named(o)} in {_of_100(o.chance)} at {display.value('nozzle_pressure', o.pressure, system)}"
        for o in sorted(found.others, key=lambda o: -o.chance)
    ]
    return [f"The other set-ups meet the target in so many of the same computed throws: {', '.join(parts)}."]


def beside_sentence(first: Outcome, second: Outcome, system: UnitSystem) -> str:
    """How another set-up does in the same draws."""
    share, beside = (percent(float(np.median(found.delivered))) for found in (second, first))
    limit, task = second.limit(), second.task
    margin = (
        f"no stand-off of the map is close enough for {percent(task.probability)}"
        if np.isnan(limit)
        else f"the nozzle {_margin_words(limit, task, system)}"
    )
    more, less = _only(first, second), _only(second, first)
    return (
        f"Beside it, {named(second)} meets the target in {_of_100(second.chance)} of the same computed throws, at "
        f"{display.value('nozzle_pressure', second.pressure, system)}: in {_of_100(more)} it fails "
        f"where {named(first)} serves, in {_of_100(less)} it is the other way round. In the middle "
        f"of them {share} of its flow passes the window, against {beside}; {margin}."
    )


def _only(one: Outcome, other: Outcome) -> float:
    """Share of the draws in which one set-up meets the target and the other does not."""
    return float((one.met & ~other.met).mean())


def notices(loaded: Loaded, system: UnitSystem) -> list[str]:
    """What must be said before the findings: beliefs stated otherwise, pressures that no nozzle can be held at."""
    otherwise = overrides_sentence(loaded.asked, system)
    found = [otherwise] if otherwise else []
    short = [c for c in loaded.candidates if c.left_out]
    if short:
        named_ = ", ".join(f"“{c.name}” ({c.left_out})" for c in short)
        found.append(f"Nozzle pressures that a nozzle cannot be held at, by what is stated of it, were not tried: "
                     f"{named_}.")  # fmt: skip
    return found


# ---------------------------------------------------------------------------------------------------------
# Tables


_ROWS = (
    ("nozzle_pressure", "Nozzle pressure"),
    ("nozzle_pressure", "Pump pressure that gives it, middle of the throws"),
    ("flow_rate", "Flow of the nozzle, middle of the throws"),
    ("reaction_force", "Nozzle reaction (steady), middle"),
    ("elevation", "Elevation"),
    ("flow_rate", "Flow through the window, middle"),
    ("flow_rate", "Flow through the window, in 95 of 100 throws at least"),
    ("ratio", "Share of the flow through the window, middle, %"),
    ("ratio", "Throws of 100 that meet the target"),
    ("ratio", "Throws of 100 in which it serves and the first set-up does not"),
    ("ratio", "Throws of 100 in which the first set-up serves and it does not"),
    ("path_along", "Farthest stand-off that serves surely enough"),
    ("path_along", "Margin to the stand-off asked for"),
)


def throws_table(found: Found) -> Table:
    """The set-ups side by side."""
    names = [name if name != "ratio" else "share of the flow" for name, _ in _ROWS]
    columns = [Column("what", [words for _, words in _ROWS], "", "At the nozzle pressure found")]
    for outcome in found.outcomes:
        values = _values(outcome, found.first)
        columns.append(Column(outcome.candidate.setup.name, values, names, outcome.candidate.name))
    caption = "Dash: none, or not at any stand-off of the map."
    return Table("throws", "The set-ups side by side" if found.others else "The set-up", tuple(columns), caption)


def _values(found: Outcome, first: Outcome) -> list[float]:
    """What `_ROWS` says, SI and percent."""
    flow, force = (float(np.median(found.flown[name].values)) for name in ("flow_rate", "reaction_force"))
    low, middle = (float(q) for q in np.quantile(found.best_flow, [0.05, 0.5]))
    limit = found.limit()
    elevation = found.solutions[0].elevation if found.solutions else float("nan")
    shares = (float(np.median(found.delivered)), found.chance, _only(found, first), _only(first, found))
    return [
        found.pressure,
        float(np.median(found.pump_pressure)),
        flow,
        force,
        elevation,
        middle,
        low,
        *(100 * share for share in shares),
        limit,
        limit - found.task.place.stand_off,
    ]


def pressure_table(found: Found) -> Table:
    """What each nozzle pressure brings."""
    at = [replace(outcome, pressure=pressure) for outcome in found.outcomes for pressure in outcome.at_pressure]
    flows = np.array([np.quantile(o.best_flow, [0.05, 0.5, 0.95]) for o in at])
    columns = (
        Column("setup", [o.candidate.name for o in at], "", "Set-up"),
        Column("nozzle_pressure", [o.pressure for o in at]),
        Column("probability [%]", [100 * o.chance for o in at], "", "Serves, of 100 throws", decimals=0),
        *(
            Column(f"flow_{key}", list(flows[:, number]), "flow_rate", words)
            for number, (key, words) in enumerate((("low", "Low"), ("middle", "Middle"), ("high", "High")))
        ),
        Column("limit", [o.limit() for o in at], "path_along", "Farthest stand-off"),
    )
    caption = (
        "Nine in ten throws lie between low and high. Farthest stand-off: as far as it serves as often as is wanted."
    )
    return Table("nozzle_pressures", "Flow through the window at each nozzle pressure", columns, caption)


def aims_table(found: Outcome) -> Table:
    """Both elevations that serve, from each stand-off of the map."""
    low = [way[0] if way else None for way in found.aims]
    high = [way[1] if len(way) > 1 else None for way in found.aims]
    columns = [Column("stand_off", list(found.task.stand_offs), "path_along", "Stand-off")]
    sides = [("low", low, "Low throw"), ("high", high, "High throw")]
    for key, side, words in sides if any(high) else sides[:1]:
        columns += [
            Column(f"{key}_elevation", _each(side, "elevation"), "elevation", words),
            Column(f"{key}_flow", _each(side, "flow"), "flow_rate", "brings, middle"),
            Column(
                f"{key}_probability [%]",
                [100 * p for p in _each(side, "probability")],
                "",
                "Serves, of 100 throws",
                decimals=0,
            ),
        ]
    return Table(
        "elevations",
        f"Elevations of {named(found)} that serve the window on storey {found.task.place.storey} from each stand-off",
        tuple(columns),
        "Dash: at most one elevation serves." if any(high) else "No high, plunging throw serves from any of them.",
    )


def _each(ways: Sequence[Solution | None], name: str) -> list[float]:
    return [float("nan") if way is None else float(getattr(way, name)) for way in ways]


def help_table(found: Found) -> Table:
    """Chance after each change."""
    rows = {"as stated": found.first.chance, **found.helps}
    columns = (
        Column("change", list(rows), "", "One change at a time"),
        Column("probability [%]", [100 * p for p in rows.values()], "", "Serves, of 100 throws", decimals=0),
    )
    return Table(
        "changes",
        f"What one change to {named(found.first)} does",
        columns,
        "Each change alone, the same computed throws.",
    )


# ---------------------------------------------------------------------------------------------------------
# Report card


def card(loaded: Loaded, system: UnitSystem) -> ReportCard:
    """What a reader needs to judge the study."""
    asked, draws = loaded.asked, loaded.draws
    return ReportCard(
        question=QUESTION,
        method=f"{draws} draws of a Latin hypercube, the same for every elevation, pressure, change and "
        f"set-up; {CLASSES} classes of drops in each throw",
        runs=throws(loaded),
        seed=asked.question.seed,
        failures=0,
        intervals=f"a probability near 80 % is uncertain by about {100 * 0.8 / draws**0.5:.0f} points",
        convergence="not needed: no indices are estimated",
        inputs=list(keyed_lines(loaded, system).values()),
        fixed=findings.fixed_words(asked.space(loaded.first.setup), system),
        more={
            "Drops": "lognormal, spread fitted to one tip of Freeman's table (1889, from memory), another tip held out",
            "Aim": "in every run the crew picks the elevation and the direction that serve best",
            **breakup_lengths(loaded.candidates),
        },
    )


def breakup_lengths(candidates: Sequence[Candidate]) -> dict[str, str]:
    """Whose breakup length was measured, where any was."""
    measured = [c.name for c in candidates if BREAKUP in c.setup.measured]
    if not measured:
        return {}
    estimated = [f"estimated for “{c.name}”" for c in candidates if c.name not in measured]
    return {"Breakup length": "; ".join([f"measured on “{'” and “'.join(measured)}”", *estimated])}


def keyed_lines(loaded: Loaded, system: UnitSystem) -> dict[str, InputLine]:
    """What varies and on what evidence, by its key; of several set-ups, what belongs to an entry names it."""
    found: dict[str, InputLine] = {}
    for candidate in loaded.candidates:
        space, inputs = loaded.asked.space(candidate.setup), candidate.inputs
        names = [*(latent.name for latent in space.latents), *(p.name for p in space.parameters)]
        for name, line in zip(names, findings.space_lines(space, system), strict=True):
            owner = owner_label(inputs.owners.get(name), candidate.setup) if len(loaded.candidates) > 1 else ""
            found.setdefault(inputs.key(name), replace(line, name=f"{line.name}: {owner}" if owner else line.name))
    return found
