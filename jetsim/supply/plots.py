"""Figures of the study from the pump: draws what was found, computes nothing."""

from collections.abc import Sequence

import numpy as np

from jetsim.experiment.parameters import Column
from jetsim.quantities import UnitSystem
from jetsim.report.figures import IndexView, Limit, Line, Panel, Plot, Window, Words, index_bars, line_bands
from jetsim.supply.department import Department
from jetsim.supply.found import Found, Loaded, Ranking
from jetsim.supply.model import PUMP
from jetsim.supply.pumping import Choice

_BOTH = "chance of target flow and stated limit"
_FORMULA, _EXCESS = "median and 90 % of the runs", "median, measured excess included"


def storey_words(number: int) -> str:
    """A rise in storeys, in words."""
    if number == 0:
        return "as laid"
    return f"{abs(number)} storey{'s' if abs(number) > 1 else ''} {'up' if number > 0 else 'down'}"


def pump_chart(loaded: Loaded, found: Found, words: Words, system: UnitSystem) -> Plot:
    """Pump pressure by length of the last section, at the lowest and the highest storey of the chart."""
    ends = sorted({0, len(loaded.plan.storeys) - 1})
    panels = [
        Panel(PUMP, _chart_lines(loaded, found, line, storey), _pump_limit(loaded.department),
              title=f"{label[:1].upper()}{label[1:]}, {storey_words(loaded.plan.storeys[storey])}")
        for line, label in enumerate(entry.label for entry in loaded.department.lines)
        for storey in ends
    ]  # fmt: skip
    return line_bands(words, "supply.hose_length", panels, system)


def _chart_lines(loaded: Loaded, found: Found, line: int, storey: int) -> list[Line]:
    lengths = np.array(loaded.plan.lengths)
    count = len(loaded.department.nozzles)
    shown = range(line * count, (line + 1) * count)
    charts = [(found.estimates[n].pair.nozzle.label, found.charts[n]) for n in shown]
    return [Line(label, lengths, *(end[:, storey] for end in (c.middle, c.low, c.high))) for label, c in charts]


def _pump_limit(department: Department) -> list[Limit]:
    return [Limit("pump maximum", department.pump.maximum_pressure)]


def over_and_under(loaded: Loaded, choice: Choice, words: Words, system: UnitSystem) -> Plot:
    """Flow, force on the crew, reach and breakup of one nozzle against pump pressure, its window shaded."""
    swept = choice.swept
    x = swept.pump_pressure
    windows = [Window("operating window", *choice.window)] if choice.window else []
    limits = {
        "flow_rate": [Limit("target flow", loaded.plan.target_flow)],
        "supply.crew_force": crew_limits(loaded.department),
    }
    panels = []
    for name in ("flow_rate", "supply.crew_force", "extreme_reach", "breakup_distance"):
        spread = swept.spread(name)
        lines = [Line(_FORMULA, x, spread.middle, spread.low, spread.high)]
        if name == "supply.crew_force":
            lines.append(Line("steady reaction by the formula, median", x, swept.spread("reaction_force").middle))
        panels.append(Panel(name, lines, limits.get(name, ()), windows))
    return line_bands(words, PUMP, panels, system)


def crew_limits(department: Department) -> list[Limit]:
    """Stated limits: a band up to that of the crew in question, lines for the others."""
    crew = department.crew
    limits = []
    below = 0.0
    for number in crew.limits.numbers:
        limit = crew.limits.limit(number)
        label = f"stated limit, {number} firefighter{'s' if number > 1 else ''}"
        limits.append(Limit(label, limit))
        if number == crew.firefighters:
            limits.append(Limit("", below, limit))
        below = limit
    return limits


def choices(loaded: Loaded, found: Found, words: Words, system: UnitSystem) -> Plot:
    """Chance of meeting target flow and stated limit, and reach, against pump pressure, for each line."""
    count = len(loaded.department.nozzles)
    wanted = [Limit(f"wanted: {loaded.plan.probability:.0%}".replace("%", " %"), loaded.plan.probability)]
    panels = []
    for number, entry in enumerate(loaded.department.lines):
        mine = found.choices[number * count : (number + 1) * count]
        both = [Line(c.swept.pair.nozzle.label, c.swept.pump_pressure, c.chances.both) for c in mine]
        title = entry.label[:1].upper() + entry.label[1:]
        panels += [Panel(_BOTH, both, wanted, title=title), Panel("extreme_reach", _reach_lines(mine), title=title)]
    return line_bands(words, PUMP, panels, system)


def _reach_lines(mine: Sequence[Choice]) -> list[Line]:
    lines = []
    for choice in mine:
        reach = choice.swept.spread("extreme_reach")
        lines.append(
            Line(choice.swept.pair.nozzle.label, choice.swept.pump_pressure, reach.middle, reach.low, reach.high)
        )
    return lines


def ranking(found: Ranking, words: Words) -> Plot:
    """What moves delivered flow and reach of one nozzle."""
    columns: Sequence[Column] = found.space.column_details
    view = IndexView(
        found.indices,
        {column.name: column.role for column in columns},
        {column.name: short(column.long_name) for column in columns},
        found.ranks,
    )
    return index_bars(words, view, tuple(found.outputs))


def short(words: str) -> str:
    """A label without the remark in brackets."""
    return words.partition(" (")[0]
