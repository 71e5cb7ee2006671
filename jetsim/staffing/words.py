"""What the study of flow against staffing says: sentences and tables."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from jetsim import findings, published
from jetsim.equipment.questions import Asked
from jetsim.equipment.words import in_trade_words, labelled
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.document import MOST_LEAD, ReportCard
from jetsim.report.tables import Column, Table
from jetsim.staffing.question import CrewQuestion
from jetsim.staffing.runs import LIMIT, OWN, Fit, Found, Matched, Setting

VERIFY = "to be verified by in-line gauge and flowmeter"
# Most set-ups that one sentence names.
MOST = 5
PUMP = "supply.pump_pressure"


def lead(found: Found, system: UnitSystem) -> list[str]:
    """The findings for a briefing: the most water within each crew's limit, and rings that are light to hold."""
    by_crew = [[f for f in found.fits if f.crew is crew] for crew in found.crews.values()]
    rings = filter(None, (ring_headline(found, rig.setup.name, system) for rig in found.rigs))
    most = MOST_LEAD - 1
    said = [
        *(crew_headline(max(fits, key=lambda fit: fit.careful), system) for fits in by_crew[:most]),
        f"No flow here shows that a crew can hold a line, and every pressure is an estimate, {VERIFY}.",
        *rings,
    ]
    return [text for text in said if text][:MOST_LEAD]  # fmt: skip


def crew_headline(fit: Fit, system: UnitSystem) -> str:
    """The flow to plan on within a crew's limit, the nozzle pressure there, and what the formula alone would allow."""
    assert fit.crew.limits is not None
    own = fit.crew.limits.name not in published.HANDLING_LIMITS
    whose = f" ({fit.crew.limits.source})" if own else ""
    flow, careful = (display.spoken("flow_rate", value, system) for value in (fit.flow, fit.careful))
    pressure, target = (
        display.spoken("nozzle_pressure", value, system)
        for value in (fit.careful_pressure, fit.rig.model.target_pressure)
    )
    pushed = f"{flow} by the formula alone, but measured nozzles pushed harder"
    told = pushed if careful != flow else "no force beyond the formula's lowers it"
    return (
        f"Within the limit stated for {display.people(fit.crew.firefighters)}{whose}, plan on {careful} at most, with "
        f"{fit.rig.setup.label} (nozzle pressure {pressure}, its target {target}; {told})."
    )


def ring_headline(found: Found, name: str, system: UnitSystem) -> str:
    """What a ring flows when it is light to hold; empty for other nozzles."""
    one = ring_of(found, name)
    if one is None:
        return ""
    believed, light = (display.spoken("flow_rate", value, system) for value in (one.setting, one.light))
    return f"{one.rig.setup.label}: pushing back a third as hard as it should, it flows {light} (set: {believed})."


def further(asked: Asked[CrewQuestion], found: Found, system: UnitSystem) -> list[str]:
    """A sentence for each crew, then the measured excess, latitude, the rings, and what the inputs rest on."""
    by_crew = [[f for f in found.fits if f.crew is crew] for crew in found.crews.values()]
    sentences = [within_sentence(fits, system) for fits in by_crew]
    sentences[0] += f" Pressures are estimates, {VERIFY}; reach is effective reach at the best elevation."
    sentences += filter(None, [findings.outside_sentence(found.validity)])
    matched = next(fits for fits in by_crew if fits[0].crew is matched_crew(asked, found))
    sentences.append(excess_sentence(matched, asked.question.probability, system))
    sentences.append(latitude_sentence(asked.question, matched, system))
    sentences += [text for rig in found.rigs if (text := ring_sentence(found, rig.setup.name, system))]
    return [*sentences, findings.standing_sentence(in_trade_words(asked))]


def matched_crew(asked: Asked[CrewQuestion], found: Found) -> Any:
    """The crew under whose limit the set-ups are matched."""
    return found.crews[asked.question.matched_crew or next(iter(found.crews))]


def within_sentence(fits: Sequence[Fit], system: UnitSystem) -> str:
    """The highest flow of each set-up within one crew's limit, by the formula that the limit was stated for."""
    crew = fits[0].crew
    parts = [_within(fit, system) for fit in fits[:MOST]]
    return f"Within the limit stated for {display.people(crew.firefighters)}, {'; '.join(parts)}{_more(fits)}."


def _within(fit: Fit, system: UnitSystem) -> str:
    flow, pressure = (
        display.value("flow_rate", fit.flow, system),
        display.value("nozzle_pressure", fit.pressure, system),
    )
    reach = display.value("extreme_reach", fit.reach, system)
    held = "" if fit.held_by == LIMIT else f", held back by {fit.held_by}"
    return f"{fit.rig.setup.label} flows {flow} at {pressure} and reaches {reach}{held}"


def _more(fits: Sequence[Fit]) -> str:
    return f"; {len(fits) - MOST} more in the table" if len(fits) > MOST else ""


def excess_sentence(fits: Sequence[Fit], probability: float, system: UnitSystem) -> str:
    """What is left of those flows when the measured excess of force counts."""
    share, crew = display.counted(probability), fits[0].crew
    parts = [f"{display.value('flow_rate', fit.careful, system)} with {fit.rig.setup.label}" for fit in fits[:MOST]]
    best = display.counted(max(fit.chance for fit in fits))
    return (
        f"With the measured excess of force, the highest flows for {display.people(crew.firefighters)} stay within "
        f"that limit in {best} at most; in {share} the force stays within it up to {', '.join(parts)}{_more(fits)}."
    )


def latitude_sentence(question: CrewQuestion, fits: Sequence[Fit], system: UnitSystem) -> str:
    """How far each set-up may be under- and over-pumped before flow or one crew's limit is lost."""
    lined = [fit for fit in fits if math.isfinite(fit.under)]
    if not lined:
        return "No set-up has a line, so no latitude at the pump can be told."
    flow = "each set-up's own target flow"
    if question.target_flow is not None:
        flow = f"{display.value('flow_rate', question.target_flow, system)}"
    parts = [_latitude(fit, system) for fit in lined[:MOST]]
    return (
        f"For {flow} within the limit stated for {display.people(fits[0].crew.firefighters)}, the pump may stand off "
        f"what the target needs by: {'; '.join(parts)}{_more(lined)}."
    )


def _latitude(fit: Fit, system: UnitSystem) -> str:
    label = fit.rig.setup.label
    if not fit.meets:
        return f"{label}, nowhere: flow and limit never hold together"
    low, high = (display.value(PUMP, abs(end), system, interval=True) for end in (fit.under, fit.over))
    if fit.under < 0:
        return f"{label}, only {low} to {high} above it"
    if fit.over < 0:
        return f"{label}, only {high} to {low} below it"
    return f"{label}, {low} below to {high} above"


def ring_of(found: Found, name: str) -> Setting | None:
    """The ring of a set-up where its target stands; None for other nozzles."""
    own = [s for s in found.settings if s.rig.setup.name == name]
    return min(own, key=lambda s: abs(s.setting - s.rig.target_flow), default=None)


def ring_sentence(found: Found, name: str, system: UnitSystem) -> str:
    """What a ring flows when it is light to hold; empty for other nozzles."""
    one = ring_of(found, name)
    if one is None:
        return ""
    believed, light = (display.value("flow_rate", value, system) for value in (one.setting, one.light))
    return (
        f"{one.rig.setup.label}: with the ring at {believed} a third of that setting's reaction means {light}, not "
        f"{believed}: little force is little water."
    )


# --------------------------------------------------------------------------------------------------------
# Tables


def _named(fits: Sequence[Fit]) -> list[Column]:
    return [
        Column("crew", [fit.crew.label for fit in fits], ""),
        Column("setup", [fit.rig.setup.label for fit in fits], "", "set-up"),
    ]


def _values(key: str, items: Sequence[Any], attribute: str, quantity: str, label: str, **look: Any) -> Column:
    return Column(key, [float(getattr(item, attribute)) for item in items], quantity, label, **look)


def staffing_table(found: Found, probability: float, system: UnitSystem) -> Table:
    """Flow against staffing, crew by crew."""
    fits = found.fits
    sources = "; ".join(dict.fromkeys(f"{c.label}: {c.limits.source}" for c in found.crews.values() if c.limits))
    limits = [c.limits for c in found.crews.values() if c.limits]
    formulas = "; ".join(dict.fromkeys(findings.formula_words(one, system) for one in limits))
    return Table(
        "flow_against_staffing",
        "The highest flow within each crew's stated limit",
        (
            *_named(fits),
            Column("limit", [float(fit.crew.limit or np.nan) for fit in fits], "reaction_force", "stated limit"),
            _values("flow_rate", fits, "flow", "flow_rate", "highest flow"),
            _values("nozzle_pressure", fits, "pressure", "nozzle_pressure", "nozzle pressure"),
            _values("pump_pressure", fits, "pump", PUMP, "pump pressure"),
            _values("effective_reach_at_best", fits, "reach", "effective_reach_at_best", "effective reach"),
            _values("extreme_reach", fits, "extreme", "extreme_reach", "extreme reach"),
            Column("held_by", [fit.held_by for fit in fits], "", "held by"),
            Column("chance [%]", [100 * fit.chance for fit in fits], "", "Within with the excess, of 100 throws",
                   decimals=0),
            _values("careful_flow", fits, "careful", "flow_rate",
                    f"flow within it in {100 * probability:.3g} of 100 throws"),
        ),
        f"Force by the formula that each limit was stated for: {formulas}. Limits: {sources}. The last two columns "
        "count the measured excess of force over the formula; opening, closing and slipping come on top. Reach with "
        "everything at its median in still air, effective reach at its best elevation. Pressures are estimates, "
        f"{VERIFY}; a dash: no line.",
    )  # fmt: skip


def window_table(found: Found) -> Table:
    """Pump pressures in which flow and limit hold together, and how far a set-up may be off its own."""
    fits = found.fits
    ends = {"fit_low": 0, "fit_high": 1}
    fitted = {key: [found.fitted[fit.rig.setup.name][end] for fit in fits] for key, end in ends.items()}
    return Table(
        "pump_windows",
        "Pump pressures in which the flow and the stated limit hold together",
        (
            *_named(fits),
            Column("window_low", [fit.window[0] for fit in fits], PUMP, "from"),
            Column("window_high", [fit.window[1] for fit in fits], PUMP, "to"),
            _values("under", fits, "under", PUMP, "may be too low by", interval=True),
            _values("over", fits, "over", PUMP, "may be too high by", interval=True),
            Column("fit_low", fitted["fit_low"], PUMP, "laws hold from"),
            Column("fit_high", fitted["fit_high"], PUMP, "to"),
            Column("lost", [lost_first(fit, found) for fit in fits], "", "lost first"),
        ),
        "Estimates at the medians, by the stated coefficients. Too low or too high: off the pump pressure that the "
        "set-up's own target needs, until the flow or the stated limit is lost; below 0, it is lost at the target "
        "already. The laws' fits are left where breakup or flight lies outside the tests behind them, tried from a "
        "quarter to twice the target's nozzle pressure; a dash there: left at the target already. Any other dash: "
        f"never together, or no line. Pressures are estimates, {VERIFY}.",
    )


def lost_first(fit: Fit, found: Found) -> str:
    """What is lost first when the pump is set lower, and when it is set higher."""
    if not math.isfinite(fit.under):
        return "no line"
    low, high = found.fitted[fit.rig.setup.name]
    own = fit.rig.pump(fit.rig.model.target_pressure)
    below = "the flow" if fit.under <= own - low or not math.isfinite(low) else "the fit"
    above = fit.held_by if fit.over <= high - own or not math.isfinite(high) else "the fit"
    return f"lower: {below}; higher: {above}"


def match_table(asked: Asked[CrewQuestion], found: Found) -> Table:
    """Set-ups at their own targets, and at their highest flows within one crew's limit, with odds of reach."""
    crew = matched_crew(asked, found)
    rows = found.matches
    ends = [np.nanquantile(row.reach, [0.05, 0.5, 0.95]) for row in rows]
    return Table(
        "matched",
        f"Set-ups matched under the limit stated for {display.people(crew.firefighters)}",
        (
            Column("match", [row.match for row in rows], ""),
            Column("setup", [row.rig.setup.label for row in rows], "", "set-up"),
            _values("flow_rate", rows, "flow", "flow_rate", "flow"),
            _values("nozzle_pressure", rows, "pressure", "nozzle_pressure", "nozzle pressure"),
            _values("force", rows, "force", "reaction_force", "force by the limit's formula"),
            Column("judged", [judged(row, crew) for row in rows], "", "stated limit"),
            *(
                Column(key, [float(end[n]) for end in ends], "effective_reach_at_best", words)
                for n, (key, words) in enumerate(
                    (("reach_low", "effective reach, low"), ("reach", "middle"), ("reach_high", "high"))
                )
            ),
            Column("farthest [%]", [100 * share for share in farthest(rows)], "", "Reaches farthest, of 100 throws",
                   decimals=0),
        ),
        "The same computed throws for all set-ups, so what they share cancels. Reach: effective reach at the best "
        "elevation, nine in ten throws. Farthest: among the set-ups of the same match.",
        most=100,
    )  # fmt: skip


def judged(row: Matched, crew: Any) -> str:
    """Within or above the stated limit; at the highest flow within it, within by definition."""
    return "within" if row.match != OWN or row.force <= crew.limit else "above"


def farthest(rows: Sequence[Matched]) -> list[float]:
    """Share of the draws in which a set-up reaches farther than all others of its match."""
    shares: dict[int, float] = {}
    for match in dict.fromkeys(row.match for row in rows):
        own = [row for row in rows if row.match == match]
        reach = np.nan_to_num(np.array([row.reach for row in own]), nan=-1.0)
        first = reach.argmax(axis=0)
        shares |= {id(row): float((first == number).mean()) for number, row in enumerate(own)}
    return [shares[id(row)] for row in rows]


def settings_table(found: Found) -> Table:
    """Rings setting by setting: believed beside delivered, and the flow at a third of the reaction."""
    rows = found.settings
    return Table(
        "settings",
        "Selectable nozzles setting by setting: believed and delivered",
        (
            Column("setup", [row.rig.setup.label for row in rows], "", "set-up"),
            _values("setting", rows, "setting", "flow_rate", "ring, believed flow"),
            _values("reaction", rows, "reaction", "reaction_force", "reaction there"),
            _values("delivered", rows, "delivered", "flow_rate", "delivered as pumped"),
            _values("delivered_reaction", rows, "delivered_reaction", "reaction_force", "reaction as pumped"),
            _values("light", rows, "light", "flow_rate", "delivered at a third of the reaction"),
            _values("light_pressure", rows, "light_pressure", "nozzle_pressure", "nozzle pressure there"),
        ),
        "Believed: the setting's rated flow, at the rated pressure. As pumped: the ring stands there while the pump is "
        "set for the set-up's own target. A third of the reaction: what a ring that is light to hold really flows.",
    )


def report_card(asked: Asked[CrewQuestion], found: Found, system: UnitSystem) -> ReportCard:
    """Facts about the study."""
    question = asked.question
    more: Mapping[str, str] = {
        "Limits": "; ".join(f"{c.label}: {c.limits.source}" for c in found.crews.values() if c.limits),
        "Wanted chance": display.percent(question.probability),
    }
    return ReportCard(
        question="What flow does each set-up give within the limit that is stated for a crew?",
        method="Highest flow by the formula that the limit was stated for, at the medians; chances over common "
        "Latin hypercube draws of nozzle, wear and measured excess",
        runs=found.validity.size,
        seed=question.seed,
        failures=0,
        intervals="the middle 90 % of the draws",
        convergence="a spread, not an estimate that converges on a ranking",
        inputs=findings.input_lines(labelled(asked), system),
        more=more,
    )
