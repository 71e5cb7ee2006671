"""Sentences and tables of the study from the pump: says what was found, computes nothing but counts."""

from collections.abc import Sequence
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from jetsim import findings
from jetsim.equipment.department import label_of
from jetsim.equipment.model import DELIVERED, FORCE, PUMP
from jetsim.equipment.spaces import BREAKUP, FACTOR, UPSTREAM
from jetsim.equipment.words import in_trade_words, labelled, overrides_sentence
from jetsim.flags import outside_sentence
from jetsim.hydraulics.believed import Deviation
from jetsim.pumping.question import BEST
from jetsim.pumping.runs import Choice, Estimate, Found, Loaded, Mistakes, Ranking, Spread
from jetsim.pumping.subject import Subject
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.display import percent
from jetsim.report.document import ReportCard, ValidityCount
from jetsim.report.tables import Column, Table

VERIFY = "to be verified by in-line gauge and flowmeter"


def capital(text: str) -> str:
    """Text with a capital first letter."""
    return text[:1].upper() + text[1:]


def people(subject: Subject) -> str:
    """A crew's number of firefighters in words."""
    return display.people(subject.setup.crew.firefighters if subject.setup.crew else 0)


def limit_words(subject: Subject) -> str:
    """The stated limit of a set-up's crew without its number."""
    return f"the stated limit for {people(subject)}"


def no_limit_words(subject: Subject) -> str:
    """That nobody states a limit for a set-up's crew."""
    whose = f"its crew of {people(subject)}" if subject.setup.crew else "a crew, for it names none"
    return f"no handling limit is stated for {whose}, so nothing is said of holding it"


# --------------------------------------------------------------------------------------------------------
# Sentences


_MOST_ESTIMATES = 3


def lead(found: Found, system: UnitSystem) -> list[str]:
    """The findings for a briefing: pump pressures, what lies outside the tests, and the best operating choice."""
    flags = np.concatenate([one.delivered["validity"].values for one in found.estimates])
    said = [
        *(estimate_headline(one, system) for one in found.estimates[:_MOST_ESTIMATES]),
        outside_sentence(flags),
        choice_headline([choice for choice in found.choices if choice is not None]),
    ]
    return [text for text in said if text]


def estimate_headline(found: Estimate, system: UnitSystem) -> str:
    """The estimated pump pressure of a set-up with its spread."""
    pump = found.pump_pressure
    middle = display.value(PUMP, float(pump.middle), system)
    low, high = (display.number(float(display.convert(PUMP, end, system))) for end in (pump.low, pump.high))
    label = found.subject.setup.label
    return f"{label}: estimated pump pressure {middle} ({low} to {high} in nine cases of ten), {VERIFY}."


def choice_headline(choices: Sequence[Choice]) -> str:
    """The best set-up and how surely it does; empty where nobody states a limit."""
    if not choices:
        return ""
    choice = max(choices, key=lambda one: one.merit)
    share, label = percent(float(choice.chances.both[choice.place])), choice.swept.subject.setup.label
    if choice.met:
        return (
            f"On {choice.swept.subject.line_label}, {label} meets target flow and {limit_words(choice.swept.subject)} "
            f"in {share} of the runs."
        )
    return f"No set-up surely meets target flow and its crew's stated limit; nearest: {label}, in {share} of the runs."


def further(loaded: Loaded, found: Found, system: UnitSystem) -> list[str]:
    """What else was found, set-up by set-up."""
    said = [
        *(estimate_sentences(estimate, system) for estimate in found.estimates),
        *outside_sentences(found),
        waterway_sentences(loaded),
        *(choice_sentence(found.choices_on(line), line, loaded, system) for line in found.lines),
        *(mistake_sentence(mistakes, system) for mistakes in found.mistakes),
        *(ranking_sentences(ranking) for ranking in found.rankings),
        findings.standing_sentence(in_trade_words(loaded.asked)),
        overrides_sentence(loaded.asked, system),
    ]
    return [text for text in said if text]


def estimate_sentences(found: Estimate, system: UnitSystem) -> str:
    """The estimated pump pressure of a set-up, its spread, and what it costs in reaction."""
    pump, point, subject = found.pump_pressure, found.stated.point, found.subject
    middle = display.value(PUMP, float(pump.middle), system)
    between = display.span(PUMP, float(pump.low), float(pump.high), system)
    flow = display.value("flow_rate", float(point.flow_rate), system)
    said = (
        f"{capital(subject.words)}: estimated pump pressure {middle}, {VERIFY}. Nine cases in ten need {between}. "
        f"The target is {flow} at {display.value('reaction_force', found.reaction, system)} of steady reaction. "
    )
    share = found.share_within
    if subject.limits is None or np.isnan(share):
        return f"{said}{capital(no_limit_words(subject))}."
    assert subject.setup.crew is not None
    word = "within" if subject.within(found.force) else "above"
    limit = display.value("reaction_force", subject.limits.limit(subject.setup.crew.firefighters), system)
    return (
        f"{said}By the formula that the limit was stated for, the force is {word} the stated limit of {limit} for "
        f"{people(subject)}. The nozzle's own reaction with the measured excess is within it in "
        f"{percent(share)} of the runs."
    )


def maximum_notices(found: Found) -> list[str]:
    """Set-ups whose target is above a stated maximum pressure."""
    notices = []
    for estimate in found.estimates:
        point = estimate.stated.point
        over = [part for part in ("hose", "nozzle") if bool(getattr(point, f"above_{part}_maximum"))]
        if over:
            words = capital(estimate.subject.words)
            notices.append(f"{words}, is above the stated maximum pressure of {' and '.join(over)}.")
    return notices


def outside_sentences(found: Found) -> list[str]:
    """Nozzles of which many runs at the estimated pump pressures lie outside a fit."""
    flags: dict[str, list[NDArray[np.int16]]] = {}
    for one in found.estimates:
        flags.setdefault(one.subject.setup.labels["nozzle"], []).append(one.delivered["validity"].values)
    said = (outside_sentence(np.concatenate(own), f"the runs with the {label}") for label, own in flags.items())
    return [text for text in said if text]


def waterway_sentences(loaded: Loaded, detail: bool = False) -> str:
    """Which turbulence of a shutoff the streams carry, set-up by set-up; with what is stated of each for detail."""
    labels: dict[str, list[str]] = {}
    for subject in loaded.subjects:
        labels.setdefault(_waterway_words(subject, detail), []).append(subject.setup.label)
    return " ".join(f"{capital(words)}: {'; '.join(named)}." for words, named in labels.items())


def _waterway_words(subject: Subject, detail: bool) -> str:
    shutoff = subject.setup.labels.get("shutoff", "the shutoff")
    stated = f" ({_stated_of_shutoff(subject)})" if detail else ""
    return {
        "measured": "the breakup length was measured, so whatever turbulence the shutoff adds is in it",
        "clear": "flown as from a clear waterway, as if the shutoff added no turbulence (behind a real one it breaks "
        "up sooner and falls shorter)",
        "shutoff": f"with the turbulence that the {shutoff} adds{stated}",
    }[waterway(subject)]


def waterway(subject: Subject) -> str:
    """How a set-up's shutoff counts: ``"measured"``, ``"clear"`` or ``"shutoff"``."""
    middle = subject.inputs.medians
    if BREAKUP in middle:
        return "measured"
    model = middle.get("valve_model", "factor")
    varied = {parameter.name for parameter in subject.inputs.parameters}
    acts = any(name in varied or middle.get(name, 1.0) != 1.0 for name in (FACTOR, UPSTREAM))
    clear = model == "clear" or (model != "loss" and not acts)
    return "clear" if clear else "shutoff"


def _stated_of_shutoff(subject: Subject) -> str:
    """The turbulence factors that act, as stated."""
    stated = {p.name: f"{p.distribution.describe()}, {p.basis}" for p in subject.inputs.parameters}
    stated |= {name: f"{value}" for name, value in subject.inputs.fixed.items() if name == "valve_model"}
    stated |= {
        name: display.number(float(subject.inputs.fixed[name]))
        for name in (FACTOR, UPSTREAM)
        if name in subject.inputs.fixed
    }
    told = (FACTOR, UPSTREAM, "valve_model")
    return "; ".join(f"{display.short_label(name)} {stated[name]}" for name in told if name in stated)


def choice_sentence(choices: Sequence[Choice], line: str, loaded: Loaded, system: UnitSystem) -> str:
    """The operating choice of a line in words: the line is laid as the site needs it."""
    wanted = loaded.question.choice
    target = display.value("flow_rate", wanted.target_flow, system)
    if not choices:
        return f"On {line} there is no operating choice to tell, for nobody states a handling limit for its crews."
    choice = max(choices, key=lambda one: one.merit)
    both = percent(float(choice.chances.both[choice.place]), short_of=wanted.probability)
    subject = choice.swept.subject
    point = f"{subject.setup.label}, pumped at {display.value(PUMP, choice.pump_pressure, system)}"
    if not choice.met:
        return (
            f"On {line} no set-up meets {target} and its crew's stated limit together with the wanted chance of "
            f"{percent(wanted.probability)}. Nearest comes {point}. Both are met in {both} of the runs."
        )
    return (
        f"On {line}, the most reach at {target} within {limit_words(subject)} comes from {point}. "
        f"Both are met in {both} of the runs. {_reach_words(choice.reach, system)}. "
        f"{capital(window_words(choice, system))}."
    )


def _reach_words(reach: float, system: UnitSystem) -> str:
    if not np.isfinite(reach):
        return "Fewer than half of the runs reach the target height"
    return f"The median reach is {display.value('extreme_reach', reach, system)}"


def window_words(choice: Choice, system: UnitSystem) -> str:
    """A window of pump pressures by both its ends, and where the sweep ends before it does."""
    assert choice.window is not None
    low, high = (display.value(PUMP, end, system) for end in choice.window)
    lowest, highest = (bool(choice.window[end] == choice.swept.pump_pressure[end]) for end in (0, -1))
    met = "target flow and stated limit are both met"
    if low == high:
        where = ", where the sweep begins," if lowest else ", where the sweep ends," if highest else ""
        return f"{met} at a pump pressure of {low}{where} and at none tried next to it"
    begins = ", where the sweep begins," if lowest else ""
    ends = ", where the sweep ends" if highest else ""
    return f"{met} between pump pressures of {low}{begins} and {high}{ends}"


def window_title(choice: Choice | None, subject: Subject, system: UnitSystem) -> str:
    """What a figure of over- and under-pumping shows."""
    if choice is None:
        return f"{capital(subject.words)}: {no_limit_words(subject)}"
    if choice.window is None:
        best = percent(float(choice.chances.both[choice.swept.allowed].max()))
        none = "no pump pressure meets target flow and stated limit in more than"
        return f"{capital(subject.words)}: {none} {best} of the runs"
    return f"{capital(subject.words)}: {window_words(choice, system)}"


def mistake_sentence(mistakes: Mistakes, system: UnitSystem) -> str:
    """The mistake that costs most flow."""
    change = mistakes.change("flow_rate")
    worst = int(change.argmin())
    label = mistakes.subject.setup.label
    if worst == 0:
        return f"No mistake tried costs {label} any flow."
    flow, meant = (float(mistakes.results["flow_rate"][row]) for row in (worst, 0))
    reaction, reach = (float(mistakes.change(name)[worst]) for name in ("reaction_force", "extreme_reach"))
    amount = f" ({told})" if (told := deviation_words(mistakes.deviations[worst], system, units_only=True)) else ""
    farther = f" Reach changes by {signed(reach)}." if np.isfinite(reach) else ""
    meant_words, flow_words = (display.value("flow_rate", value, system) for value in (meant, flow))
    return (
        f"{label}, believed to flow {meant_words}, delivers {flow_words} with {mistakes.labels[worst]}{amount}: "
        f"{percent(-change[worst])} less flow. Reaction changes by {signed(reaction)}.{farther}"
    )


def deviation_words(deviation: Deviation, system: UnitSystem, units_only: bool = False) -> str:
    """By how much something is not as believed; only what has a unit if that is wanted."""
    values = {f"supply.{item.name}": (float(np.asarray(getattr(deviation, item.name))), item.default)
              for item in fields(deviation)}  # fmt: skip
    wrong = {name: value for name, (value, right) in values.items() if value != right}
    told = {name: display.value(name, value, system).replace("-", "\N{MINUS SIGN}") for name, value in wrong.items()
            if display.unit_label(name, system) or not units_only}  # fmt: skip
    return "; ".join(f"{display.trade(name)} {text}" for name, text in told.items())


def signed(change: float) -> str:
    """A change in whole percent with its sign."""
    return f"{100 * change:+.0f} %".replace("-", "\N{MINUS SIGN}")


def ranking_title(ranking: Ranking) -> str:
    """What moves flow and reach most, without numbers."""
    labels = findings.whole_labels(ranking.space)
    said = (findings.leaders_title(ranking.indices, ranking.ranks, output, labels) for output in ranking.outputs)
    return f"{ranking.estimate.subject.setup.label}: {'; '.join(said)}"


def ranking_sentences(ranking: Ranking) -> str:
    """What moves flow and reach most."""
    labels = findings.whole_labels(ranking.space)
    said = (findings.leaders_sentence(ranking.indices, ranking.ranks, output, labels) for output in ranking.outputs)
    return f"{ranking.estimate.subject.setup.label}: {' '.join(said)}"


# --------------------------------------------------------------------------------------------------------
# Tables


def set_up_columns(subjects: Sequence[Subject]) -> tuple[Column, Column]:
    """Set-up and line."""
    return (
        Column("setup", [subject.setup.label for subject in subjects], label="Set-up"),
        Column("line", [capital(subject.line_label) for subject in subjects]),
    )


def estimate_table(found: Found) -> Table:
    """Pump pressures for the targets, with their spread."""
    rows = found.estimates
    return Table(
        "estimated_pump_pressures",
        f"Estimated pump pressure of each set-up, {VERIFY}",
        (
            *set_up_columns([row.subject for row in rows]),
            Column("stated", [float(r.stated.pump_pressure) for r in rows], PUMP, "By stated coefficients"),
            Column(PUMP, [float(r.pump_pressure.middle) for r in rows], label="Estimate (median)"),
            Column("low", [float(r.pump_pressure.low) for r in rows], PUMP, "One case in 20 below"),
            Column("high", [float(r.pump_pressure.high) for r in rows], PUMP, "One in 20 above"),
        ),
        "By stated coefficients: no kinks, no wear, hose as stated. The estimate and its spread take the hose's "
        "scatter, kinks and the nozzle as the department and the question let them vary.",
    )


def cost_table(found: Found) -> Table:
    """What the targets cost in reaction."""
    rows = found.estimates
    points = [row.stated.point for row in rows]
    return Table(
        "cost_in_reaction",
        "What each target costs in steady reaction",
        (
            Column("setup", [row.subject.setup.label for row in rows], label="Set-up"),
            Column("nozzle_pressure", [float(p.nozzle_pressure) for p in points], label="Nozzle pressure"),
            Column("flow_rate", [float(p.flow_rate) for p in points], label="Flow"),
            Column("reaction_force", [r.reaction for r in rows], label="Reaction by the formula"),
            Column("stated_for", [_stated_for(row) for row in rows], label="Within the limit stated for"),
            Column("crew", [str(r.subject.setup.crew.firefighters) if r.subject.setup.crew else "none" for r in rows],
                   label="Its crew"),
            Column("within [%]", [100 * r.share_within for r in rows], label="Within for its crew, %", digits=2),
        ),
        f"{limit_sources(found)} The last column is for the set-up's own crew, in percent of the runs, and counts the "
        "measured excess of force over the formula. Opening, closing and slipping come on top.",
    )  # fmt: skip


def _stated_for(row: Estimate) -> str:
    """Least number of firefighters whose stated limit the target is within."""
    if row.subject.limits is None:
        return "no limit stated"
    return str(int(row.subject.limits.firefighters_stated(row.force)) or "none")


def limit_sources(found: Found) -> str:
    """Who states the limits, and for which formula."""
    limits = [row.subject.limits for row in found.estimates]
    said = (
        f"Limits: {one.source}, stated for {one.stated_for}, by which each force is held against them."
        for one in limits
        if one is not None
    )
    return " ".join(dict.fromkeys(said)) or "Nobody states a handling limit for these crews."


def short_chart(loaded: Loaded, found: Found, system: UnitSystem) -> Table:
    """The pump chart to read off: a row for each set-up and storey, a column for each length."""
    asked = loaded.question.chart
    at = [(n, j) for n in range(len(found.charts)) for j in range(len(asked.storeys))]

    def cell(chart: Spread, i: int, j: int) -> str:
        ends = (chart.middle, chart.low, chart.high)
        middle, low, high = (display.number(float(display.convert(PUMP, end[i, j], system))) for end in ends)
        return f"{middle} ({low} to {high})"

    lengths = [
        Column(_length(length, system), [cell(found.charts[n], i, j) for n, j in at])
        for i, length in enumerate(asked.lengths)
    ]
    return Table(
        "pump_chart_by_length",
        f"Pump chart in {display.unit_label(PUMP, system)} by length of the line's last section, {VERIFY}",
        (
            *set_up_columns([found.estimates[n].subject for n, _ in at]),
            Column("storeys", [asked.storeys[j] for _, j in at]),
            *lengths,
        ),
        "Median, and in brackets what nine cases in ten need. Storeys count from the height at which the line is "
        "laid. Pressures above the pump's maximum are shown, not cut. Both units: tables/pump_chart.csv.",
        most=100,
    )


def _length(length: float, system: UnitSystem) -> str:
    """A length in the edition's own unit, with as many digits as tell two lengths apart."""
    shown = float(display.convert("supply.hose_length", length, system))
    return f"{shown:.6g} {display.unit_label('supply.hose_length', system)}"


def chart_table(loaded: Loaded, found: Found) -> Table:
    """The whole pump chart in both units."""
    asked = loaded.question.chart
    sizes = (len(found.charts), len(asked.lengths), len(asked.storeys))
    at = list(np.ndindex(*sizes))
    ends = (("low", "low"), (PUMP, "middle"), ("high", "high"))
    return Table(
        "pump_chart",
        "Pump chart",
        (
            *set_up_columns([found.estimates[n].subject for n, _, _ in at]),
            Column("supply.hose_length", [asked.lengths[i] for _, i, _ in at]),
            Column("storeys", [asked.storeys[j] for _, _, j in at]),
            *(Column(key, [float(getattr(found.charts[n], end)[i, j]) for n, i, j in at], PUMP) for key, end in ends),
        ),
    )


_CHANGED = ("flow_rate", "reaction_force", "extreme_reach")


def mistake_table(
    mistakes: Sequence[Mistakes], name: str, system: UnitSystem = "us", everything: bool = False
) -> Table:
    """Believed against delivered; with the pressure at the nozzle and by how much if everything is wanted."""
    rows = [(one, row) for one in mistakes for row in range(len(one.labels))]
    columns = [
        Column("setup", [one.subject.setup.label for one, _ in rows], label="Set-up"),
        Column("what is wrong", [capital(one.labels[row]) for one, row in rows]),
    ]
    for result in (*_CHANGED, *((DELIVERED,) if everything else ())):
        columns.append(Column(result, [float(one.results[result][row]) for one, row in rows]))
        if result in _CHANGED:
            change = [100 * float(one.change(result)[row]) for one, row in rows]
            columns.append(Column(f"{result}_change [%]", change, label="Change, %", digits=2))
    if everything:
        wrong = [deviation_words(one.deviations[row], system) for one, row in rows]
        columns.append(Column("by how much", wrong))
    return Table(
        name,
        "What is delivered when something is not as believed",
        tuple(columns),
        "Pumped for each target by the stated coefficients. A fixed opening that loses a quarter of its flow to hose "
        "or pump loses 44 % of its pressure and reaction; a wrong setting changes the opening itself. With the "
        "pressure at the nozzle and by how much each is wrong: tables/believed_against_delivered_all.csv.",
        most=100,
    )


_CHANCES = (("target_flow", "flow", "Flow, %"), ("stated_limit", "limit", "Limit, %"), ("both", "both", "Both, %"))


def choice_table(found: Found) -> Table | None:
    """The best point of each set-up with a stated limit; None where there is none."""
    rows = [choice for choice in found.choices if choice is not None]
    if not rows:
        return None
    return Table(
        "operating_choice",
        "The best pump pressure of each set-up",
        (
            Column("setup", [c.swept.subject.setup.label for c in rows], label="Set-up"),
            Column(PUMP, [c.pump_pressure for c in rows], label="Pump at"),
            *(_middle(name, label, rows) for name, label in (("flow_rate", "Flow"), (FORCE, "Force"),
                                                             (BEST, "Effective reach, best elevation"),
                                                             ("extreme_reach", "Farthest drops"))),
            *(
                Column(f"{key} [%]", [100 * float(getattr(c.chances, part)[c.place]) for c in rows], label=label,
                       digits=2)
                for key, part, label in _CHANCES
            ),
            Column("wanted chance", ["yes" if c.met else "no" for c in rows], label="Met"),
        ),
        "Medians of flow, of the force on the crew, of effective reach at the best elevation and of the farthest "
        "drops at the crew's, and chances in percent of the runs: of the target "
        "flow, of the crew's stated limit, of both. Met: both have the wanted chance. Where they do not, the pump "
        "pressure with the best chance.",
    )  # fmt: skip


def _middle(name: str, label: str, rows: Sequence[Choice]) -> Column:
    return Column(name, [float(c.swept.spread(name).middle[c.place]) for c in rows], label=label)


def ranking_table(ranking: Ranking) -> Table:
    """Indices and ranks of a set-up's inputs."""
    setup = ranking.estimate.subject.setup
    title = f"{setup.label}: what moves delivered flow and reach"
    labels = findings.technical_labels(ranking.space)
    return findings.shares_table(f"ranking_{setup.name}", title, ranking.indices, labels, ranking.ranks)


# --------------------------------------------------------------------------------------------------------
# What the reader judges the study by


def report_card(loaded: Loaded, found: Found, question: str, system: UnitSystem) -> ReportCard:
    """Method, sizes, inputs and sources."""
    asked = loaded.question
    lowest = min(float(r.indices["S1"].min()) for r in found.rankings)
    return ReportCard(
        question=question,
        method="Exact operating points of pump, line and nozzle with a simulated flight for each draw of the inputs; "
        "Sobol' indices by replicated scrambled sequences, estimators of Saltelli 2010 and Jansen 1999 averaged",
        runs=found.runs,
        seed=asked.seed,
        failures=0,
        intervals=f"t-intervals (95 %) over {asked.replicates} replicates; bands hold the middle 90 % of "
        f"{loaded.draws:,} draws, so a chance is known to about {percent(float(1 / np.sqrt(loaded.draws)))}",
        convergence=" ".join(f"{r.estimate.subject.setup.label}: {r.convergence}" for r in found.rankings),
        negative_estimates=f"lowest first-order estimate {lowest:.1g}" if lowest < 0 else "none",
        inputs=findings.input_lines(labelled(loaded.asked), system),
        fixed=fixed_words(loaded, system),
        more={"Shutoff": waterway_sentences(loaded, detail=True), **sources(loaded, found)},
    )


def fixed_words(loaded: Loaded, system: UnitSystem) -> dict[str, str]:
    """What does not vary and is the same for every set-up, in words."""
    spaces = [loaded.asked.space(subject.setup) for subject in loaded.subjects]
    first, *others = (findings.fixed_words(space, system) for space in spaces)
    return {name: words for name, words in first.items() if all(other.get(name) == words for other in others)}


def sources(loaded: Loaded, found: Found) -> dict[str, str]:
    """Where limits and hose coefficients come from."""
    sections = {
        part.hose: hose
        for subject in loaded.subjects
        if subject.setup.line is not None
        for part in subject.setup.line.sections
        if (hose := subject.setup.hoses[part.hose])
    }
    hoses = {f"Coefficient of {label_of(n, hose)}": f"{hose.basis}: {hose.source}" for n, hose in sections.items()}
    return {"Handling limits": limit_sources(found), **hoses}


def validity_counts(found: Found) -> list[ValidityCount]:
    """How many of the single runs lie outside the range of a fit."""
    flags = np.concatenate([dataset["validity"].values for dataset in found.datasets if "validity" in dataset])
    return findings.flag_counts(flags)
