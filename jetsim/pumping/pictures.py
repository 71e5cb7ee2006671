"""Figures of the study from the pump: draws what was found, computes nothing."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from jetsim import findings
from jetsim.equipment.model import FORCE, PUMP
from jetsim.pumping.question import BEST
from jetsim.pumping.runs import Choice, Found, Loaded, Ranking, Sweep
from jetsim.pumping.subject import Subject
from jetsim.quantities import UnitSystem, quantity
from jetsim.report import display
from jetsim.report.figures import IndexView, Limit, Line, Panel, Plot, Window, Words, index_bars, line_bands

_BOTH = "of 100 throws: flow and limit met"
_FORMULA = "middle and nine in ten throws"


def storey_words(number: int) -> str:
    """A rise in storeys, in words."""
    if number == 0:
        return "as laid"
    return f"{abs(number)} storey{'s' if abs(number) > 1 else ''} {'up' if number > 0 else 'down'}"


def _title(text: str) -> str:
    return text[:1].upper() + text[1:]


def pump_chart(loaded: Loaded, found: Found, words: Words, system: UnitSystem) -> Plot:
    """Pump pressure by length of the last section, at the lowest and the highest storey of the chart."""
    storeys = loaded.question.chart.storeys
    panels = [
        Panel(PUMP, _chart_lines(loaded, found, places, storey), _pump_limits(found, places),
              title=f"{_title(line)}, {storey_words(storeys[storey])}")
        for line, places in found.lines.items()
        for storey in sorted({0, len(storeys) - 1})
    ]  # fmt: skip
    return line_bands(words, "supply.hose_length", panels, system)


def _chart_lines(loaded: Loaded, found: Found, places: Sequence[int], storey: int) -> list[Line]:
    lengths = np.array(loaded.question.chart.lengths)
    charts = [(found.estimates[n].subject.setup.label, found.charts[n]) for n in places]
    return [Line(label, lengths, *(end[:, storey] for end in (c.middle, c.low, c.high))) for label, c in charts]


def _pump_limits(found: Found, places: Sequence[int]) -> list[Limit]:
    pumps = [found.estimates[n].subject.setup.pump for n in places]
    return [Limit("pump maximum", value) for value in sorted({p.maximum_pressure for p in pumps if p is not None})]


def over_and_under(swept: Sweep, choice: Choice | None, target_flow: float, words: Words, system: UnitSystem) -> Plot:
    """Flow, force on the crew, reach and breakup of one set-up against pump pressure, its window shaded."""
    x = swept.pump_pressure
    windows = [Window("operating window", *choice.window)] if choice is not None and choice.window else []
    limits = {"flow_rate": [Limit("target flow", target_flow)], FORCE: crew_limits(swept.subject)}
    panels = []
    for name in ("flow_rate", FORCE, "extreme_reach", "breakup_distance"):
        spread = swept.spread(name)
        lines = [Line(_FORMULA, x, spread.middle, spread.low, spread.high)]
        if name == "extreme_reach":
            lines = [replace(lines[0], label="farthest drops"), _effective(swept)]
        if name == FORCE:
            lines.append(Line("steady reaction by the formula, middle", x, swept.spread("reaction_force").middle))
        panels.append(Panel(name, lines, limits.get(name, ()), windows))
    return line_bands(words, PUMP, panels, system)


def _effective(swept: Sweep) -> Line:
    reach = swept.spread(BEST)
    return Line(quantity(BEST).long_name, swept.pump_pressure, reach.middle, reach.low, reach.high)


def crew_limits(subject: Subject) -> list[Limit]:
    """The crew's stated limit with the stretch below it as a band; that of the next smaller crew ends the band."""
    crew, limits = subject.setup.crew, subject.limits
    if crew is None or limits is None:
        return []
    limit = limits.limit(crew.firefighters)
    below = max((force for force in limits.forces.values() if force < limit), default=0.0)
    people = display.people(crew.firefighters)
    return [Limit("", below, limit), Limit(f"limit stated for {people}", limit)]


def choices(loaded: Loaded, found: Found, words: Words, system: UnitSystem) -> Plot:
    """Chance of meeting target flow and stated limit, and reach, against pump pressure, for each line."""
    wanted = 100 * loaded.question.choice.probability
    limits = [Limit(f"wanted: {wanted:.3g} of 100", wanted)]
    panels = []
    for line in found.lines:
        mine = found.choices_on(line)
        if mine:
            both = [Line(c.swept.subject.setup.label, c.swept.pump_pressure, 100 * c.chances.both) for c in mine]
            reaches = Panel("extreme_reach", [_reach_line(c) for c in mine], title=_title(line))
            panels += [Panel(_BOTH, both, limits, title=_title(line)), reaches]
    return line_bands(words, PUMP, panels, system)


def _reach_line(choice: Choice) -> Line:
    reach = choice.swept.spread("extreme_reach")
    return Line(choice.swept.subject.setup.label, choice.swept.pump_pressure, reach.middle, reach.low, reach.high)


def ranking(found: Ranking, words: Words) -> Plot:
    """What moves delivered flow and reach of one set-up."""
    inputs = found.space.parameters
    view = IndexView(
        found.indices,
        {parameter.name: parameter.role for parameter in inputs},
        findings.whole_labels(found.space),
        found.ranks,
    )
    return index_bars(words, view, found.outputs)
