"""Sentences of the study from the pump: says what was found, computes nothing but counts."""

from collections.abc import Sequence
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from jetsim import findings
from jetsim.equipment.department import label_of
from jetsim.equipment.model import PUMP
from jetsim.equipment.spaces import BREAKUP, FACTOR, UPSTREAM
from jetsim.equipment.words import in_trade_words, labelled, overrides_sentence
from jetsim.flags import MIST
from jetsim.hydraulics.believed import Deviation
from jetsim.pumping.question import BEST, ChoicePart
from jetsim.pumping.runs import Choice, Estimate, Found, Loaded, Mistakes, Ranking
from jetsim.pumping.subject import Subject
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.display import percent
from jetsim.report.document import ReportCard, ValidityCount

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
# Most set-ups that the choice names as short of it.
_MOST_NAMED = 3


def lead(found: Found, wanted: ChoicePart, system: UnitSystem) -> list[str]:
    """The findings for a briefing: pump pressures, what lies outside the tests, the best choice for what is wanted."""
    said = [
        *(estimate_headline(one, system) for one in found.estimates[:_MOST_ESTIMATES]),
        choice_headline([choice for choice in found.choices if choice is not None], wanted, system),
    ]
    return [text for text in said if text]


def estimate_headline(found: Estimate, system: UnitSystem) -> str:
    """The pump pressure to start from, as every study tells it, and what the line as it may lie needs."""
    pump = found.pump_pressure
    start, middle = (display.spoken(PUMP, float(p), system) for p in (found.middle["pump_pressure"], pump.middle))
    between = display.spoken_span(PUMP, float(pump.low), float(pump.high), system)
    flow = display.spoken("flow_rate", found.middle["flow_rate"], system)
    return (
        f"{found.subject.setup.label} ({flow}): start from {start} at the pump for a line without kinks (with "
        f"{lying(found)} as they may be, {middle} in the middle and {between} in nine of ten computed throws), "
        f"{VERIFY}."
    )


_LYING_WORDS = {"kinks": "supply.kink_loss_coefficient", "hose": "supply.hose_deviation"}


def lying(found: Estimate) -> str:
    """What of the line and the nozzle moves the pump pressure that a set-up needs."""
    varied = {parameter.name for parameter in found.subject.inputs.parameters}
    named = ", ".join(words for words, name in _LYING_WORDS.items() if name in varied)
    return f"{named} and nozzle" if named else "the nozzle"


def choice_headline(choices: Sequence[Choice], wanted: ChoicePart, system: UnitSystem) -> str:
    """The best set-up, how it is pumped, how surely it does, and who does not; empty where nobody states a limit."""
    if not choices:
        return ""
    choice = max(choices, key=lambda one: one.merit)
    label, subject = choice.swept.subject.setup.label, choice.swept.subject
    pump = display.spoken(PUMP, choice.pump_pressure, system)
    flow = display.spoken("flow_rate", wanted.target_flow, system)
    share = _both_met(choice, wanted, "computed throws")
    if choice.met:
        return (
            f"{label} gives the flow wanted within {limit_words(subject)} in {share} (pumped at {pump}, for {flow} or "
            f"more{_short_words(choices, wanted)})."
        )
    return (
        f"No set-up gives the flow wanted within its crew's stated limit as often as is wanted; nearest comes {label} "
        f"in {share} (pumped at {pump}; wanted: {flow} or more in {display.counted(wanted.probability, 'throws')})."
    )


def _both_met(choice: Choice, wanted: ChoicePart, what: str) -> str:
    """How often target flow and stated limit are both met at a choice, counted."""
    return display.counted(float(choice.chances.both[choice.place]), what, short_of=wanted.probability)


def _short_words(choices: Sequence[Choice], wanted: ChoicePart) -> str:
    """The set-ups that miss the wanted chance however they are pumped; empty where there are none."""
    short = [choice for choice in choices if not choice.met]
    named = [f"{choice.swept.subject.setup.label} in {_both_met(choice, wanted, 'throws')}" for choice in short]
    told = ", ".join(display.first_few(named, _MOST_NAMED, "more too seldom"))
    return f"; however pumped, at most {told}" if short else ""


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
    start = display.value(PUMP, found.middle["pump_pressure"], system)
    flow = display.value("flow_rate", float(point.flow_rate), system)
    reaction = display.value("reaction_force", found.reaction, system)
    said = (
        f"{capital(subject.words)}: {start} at the pump for a line without kinks, everything at its median; "
        f"with {lying(found)} as they may be, {middle} in the middle, which is the estimate used below, {VERIFY}. Nine "
        f"in ten computed throws need {between}. The target is {flow} at {reaction} of steady reaction. "
    )
    share = found.share_within
    if subject.limits is None or np.isnan(share):
        return f"{said}{capital(no_limit_words(subject))}."
    assert subject.setup.crew is not None
    word = "within" if subject.within(found.force) else "above"
    limit = display.value("reaction_force", subject.limits.limit(subject.setup.crew.firefighters), system)
    return (
        f"{said}By the formula that the limit was stated for, the force is {word} the stated limit of {limit} for "
        f"{people(subject)}. Pumped at that estimate, the nozzle's own reaction with the measured "
        f"excess is within it in {display.counted(share)}."
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
    said = (
        findings.outside_sentence(np.concatenate(own), f"with the {label} at its estimated pump pressure")
        for label, own in flags.items()
    )
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
    both = _both_met(choice, wanted, "computed throws")
    subject = choice.swept.subject
    point = f"{subject.setup.label}, pumped at {display.value(PUMP, choice.pump_pressure, system)}"
    if not choice.met:
        return (
            f"On {line} no set-up meets {target} and its crew's stated limit together in "
            f"{display.counted(wanted.probability, 'throws')}, as is wanted. Nearest comes {point}. Both are "
            f"met in {both}."
        )
    return (
        f"On {line}, the most reach at {target} within {limit_words(subject)} comes from {point}. "
        f"Both are met in {both}. {_reach_words(choice.reach, system)}. "
        f"{capital(window_words(choice, system))}."
    )


def _reach_words(reach: float, system: UnitSystem) -> str:
    if not np.isfinite(reach):
        return "Fewer than half of the throws reach the target height"
    return f"The middle reach is {display.value('extreme_reach', reach, system)}"


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
        best = display.counted(float(choice.chances.both[choice.swept.allowed].max()))
        none = "no pump pressure meets target flow and stated limit in more than"
        return f"{capital(subject.words)}: {none} {best}"
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
    said = [findings.leaders_title(ranking.indices, ranking.ranks, output, labels) for output in ranking.outputs]
    return f"{ranking.estimate.subject.setup.label}: {'; '.join(text[:1].lower() + text[1:] for text in said)}"


def ranking_sentences(ranking: Ranking) -> str:
    """What moves flow and reach most."""
    labels = findings.whole_labels(ranking.space)
    said = (findings.leaders_sentence(ranking.indices, ranking.ranks, output, labels) for output in ranking.outputs)
    return f"{ranking.estimate.subject.setup.label}: {' '.join(said)}"


# --------------------------------------------------------------------------------------------------------
# What the reader judges the study by


def report_card(loaded: Loaded, found: Found, question: str, system: UnitSystem) -> ReportCard:
    """Method, sizes, inputs and sources."""
    asked = loaded.question
    lowest = min(float(r.indices["S1"].min()) for r in found.rankings)
    return ReportCard(
        question=question,
        method="Exact operating points of pump, line and nozzle with a simulated flight for each draw of the inputs; "
        f"{findings.ESTIMATES}",
        runs=found.runs,
        seed=asked.seed,
        failures=0,
        intervals=f"t-intervals (95 %) over {asked.replicates} replicates; bands hold the middle 90 % of "
        f"{loaded.draws:,} draws, so a chance is known to about {percent(float(1 / np.sqrt(loaded.draws)))}",
        convergence=" ".join(f"{r.estimate.subject.setup.label}: {r.convergence}" for r in found.rankings),
        negative_estimates=f"lowest first-order estimate {lowest:.1g}" if lowest < 0 else "none",
        inputs=findings.input_lines(labelled(loaded.asked), system),
        fixed=fixed_words(loaded, system),
        more={"Shutoff": waterway_sentences(loaded, detail=True), **sources(loaded, found, system)},
    )


def fixed_words(loaded: Loaded, system: UnitSystem) -> dict[str, str]:
    """What does not vary and is the same for every set-up, in words."""
    spaces = [loaded.asked.space(subject.setup) for subject in loaded.subjects]
    first, *others = (findings.fixed_words(space, system) for space in spaces)
    return {name: words for name, words in first.items() if all(other.get(name) == words for other in others)}


def limit_sources(found: Found, system: UnitSystem) -> str:
    """Who states the limits, and for which formula."""
    limits = [row.subject.limits for row in found.estimates]
    said = (
        f"Limits: {one.source}, stated for {findings.formula_words(one, system)}, by which each force is held against "
        "them."
        for one in limits
        if one is not None
    )
    return " ".join(dict.fromkeys(said)) or "Nobody states a handling limit for these crews."


def sources(loaded: Loaded, found: Found, system: UnitSystem) -> dict[str, str]:
    """Where limits and hose coefficients come from."""
    sections = {
        part.hose: hose
        for subject in loaded.subjects
        if subject.setup.line is not None
        for part in subject.setup.line.sections
        if (hose := subject.setup.hoses[part.hose])
    }
    hoses = {f"Coefficient of {label_of(n, hose)}": f"{hose.basis}: {hose.source}" for n, hose in sections.items()}
    return {"Handling limits": limit_sources(found, system), **hoses}


def validity_counts(found: Found) -> list[ValidityCount]:
    """How many of the single runs lie outside the range of a fit; of mist, among the runs that look for it."""
    known = [dataset for dataset in found.datasets if "validity" in dataset]
    every, by_drops = (
        np.concatenate([dataset["validity"].values for dataset in some])
        for some in (known, [dataset for dataset in known if BEST in dataset])
    )
    return [*findings.flag_counts(every & ~MIST), *findings.flag_counts(by_drops & MIST)]
