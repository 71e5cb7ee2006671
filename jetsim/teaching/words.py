"""Words of the teaching page and of its report: situations, leads, tables."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from jetsim import findings
from jetsim.equipment.questions import Asked
from jetsim.equipment.words import in_trade_words, labelled
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.card import ReportCard
from jetsim.report.tables import Column, Table
from jetsim.teaching.accuracy import Check
from jetsim.teaching.question import TeachingQuestion
from jetsim.teaching.situations import HIGH, KINKED, LOW, RING, Situation

PUMP, NOZZLE, FLOW, FORCE, REACH = (
    "supply.pump_pressure",
    "nozzle_pressure",
    "flow_rate",
    "reaction_force",
    "extreme_reach",
)
PAGE = "teaching_page.html"
Told = tuple[str, str, str]
Facts = Mapping[str, Any]


def told(situation: Situation, system: UnitSystem) -> Told:
    """A situation's button, question and answer."""
    return _TOLD[situation.name](situation.facts, system)


def _value(name: str, facts: Facts, key: str, system: UnitSystem) -> str:
    return display.value(name, facts[key], system)


def _fell(facts: Facts, system: UnitSystem) -> str:
    """Flow, reaction and reach, believed and delivered."""
    named = (("Flow", FLOW), ("Reaction", FORCE), ("Farthest drops", REACH))
    return " ".join(_changed(words, name, facts, system) for words, name in named)


def _changed(words: str, name: str, facts: Facts, system: UnitSystem) -> str:
    """One quantity, believed and delivered."""
    now, before = (_value(name, facts, key, system) for key in (name, f"{name}_believed"))
    return f"{words}: {now}, as before." if now == before else f"{words}: {now} instead of {before}."


def _low(facts: Facts, system: UnitSystem) -> Told:
    error = display.value(PUMP, facts["error"], system, 2, interval=True)
    question = f"{facts['label']}: the gauge reads {error} more than the pump gives. What is missing at the nozzle?"
    return "The gauge that flatters", question, _fell(facts, system)


def _ring(facts: Facts, system: UnitSystem) -> Told:
    question = f"{facts['label']}: the ring stands one setting low, the pump as ordered. What changes?"
    pressure = _changed("Nozzle pressure", NOZZLE, facts, system)
    return "One click of the ring", question, f"{_fell(facts, system)} {pressure}"


def _kinks(facts: Facts, system: UnitSystem) -> Told:
    question = f"{facts['label']}: kinks lie in the last section, the pump as ordered. What is left?"
    return "Kinks in the stairwell", question, _fell(facts, system)


def _stretch(facts: Facts, system: UnitSystem) -> Told:
    more, floors = display.value(REACH, facts["more"], system), display.number_words(facts["floors"])
    up = f"{floors} floor{'' if facts['floors'] == 1 else 's'} up"
    question = f"{facts['label']}: another {more} of hose and {up}. What must the pump give for the same stream?"
    needed, before, hose, lift = (_value(PUMP, facts, key, system) for key in ("needed", "before", "hose", "lift"))
    answer = f"{needed} instead of {before}: {hose} more for the hose, {lift} for the floors."
    if facts["needed"] > facts["most"]:
        answer += f" That is above the stated maximum of {_value(PUMP, facts, 'most', system)}."
    return "Longer and higher", question, answer


def _raise(facts: Facts, system: UnitSystem) -> Told:
    question = f"{facts['label']}: which elevation throws the farthest drops farthest, and does effective reach follow?"
    far, good, there = (_value(REACH, facts, key, system) for key in ("far", "good", "good_there"))
    answer = f"At {facts['far_at']:.0f} deg the farthest drops land at {far}. The effective reach there is {there}"
    if facts["good_at"] < facts["far_at"]:
        return "Tip up", question, f"{answer}; it is longest, {good}, at {facts['good_at']:.0f} deg."
    return "Tip up", question, f"{answer}: it follows."


def _wind(facts: Facts, system: UnitSystem) -> Told:
    wind = display.value("wind_along", facts["wind"], system, 2)
    question = f"{facts['label']}: a head wind of {wind}. Which loses the larger part, extreme or effective reach?"
    far, good = (display.percent(facts[key]) for key in ("far_lost", "good_lost"))
    first = "Effective reach" if facts["good_lost"] > facts["far_lost"] else "Extreme reach"
    answer = f"{first}: of the effective reach at its best elevation {good} is lost, of the extreme reach {far}."
    return "Wind in the face", question, answer


def _pair(facts: Facts, system: UnitSystem) -> Told:
    one, other = facts["label"], facts["other"]
    question = f"{one} beside {other}, each at its own target. Which pushes back less, and which throws farther?"
    forces = {key: _value(FORCE, facts, f"{key}_reaction", system) for key in ("first", "second")}
    flows = {key: _value(FLOW, facts, f"{key}_flow", system) for key in ("first", "second")}
    answer = (
        f"Reaction {forces['first']} at {flows['first']}, against {forces['second']} at {flows['second']}. In "
        f"{display.counted(facts['share'])} the farthest drops of {one} land farther."
    )
    return "Two side by side", question, answer


def _crew(facts: Facts, system: UnitSystem) -> Told:
    people = f"{display.number_words(facts['firefighters'])} firefighter{'' if facts['firefighters'] == 1 else 's'}"
    limit = _value(FORCE, facts, "limit", system)
    question = f"{facts['label']}: at which pump pressure does the force reach the {limit} stated for {people}?"
    pump, nozzle = _value(PUMP, facts, "pump", system), _value(NOZZLE, facts, "nozzle", system)
    answer = (
        f"At {pump} by the formula that the limit was stated for, {nozzle} at the nozzle. With the measured excess "
        f"the force is within the limit there in {display.counted(facts['within'])}."
    )
    return "A smaller crew", question, answer


_TOLD: Mapping[str, Callable[[Facts, UnitSystem], Told]] = {
    LOW: _low,
    RING: _ring,
    KINKED: _kinks,
    "stretch": _stretch,
    "raise": _raise,
    "wind": _wind,
    "pair": _pair,
    "crew": _crew,
}


def mistakes(question: TeachingQuestion, system: UnitSystem) -> dict[str, str]:
    """What can be wrong, in the words of the control."""
    error = display.value(PUMP, question.pump_error, system, 2, interval=True)
    return {
        "none": "Nothing",
        LOW: f"Pump {error} low",
        HIGH: f"Pump {error} high",
        RING: "Ring one setting low",
        KINKED: "Kinks in the last section",
    }


# --------------------------------------------------------------------------------------------------------
# The report


def accuracy_sentence(checks: Sequence[Check]) -> str:
    """How far the page's interpolation was from the model."""
    middle, ends = max(check.middle for check in checks), max(check.ends for check in checks)
    count = sum({check.setup: check.count for check in checks}.values())
    return (
        f"Between the computed settings the page interpolates: at {count} settings drawn at random its middle values "
        f"were off the model by at most {100 * middle:.2g} % and the ends of its bands by at most {100 * ends:.2g} %."
    )


def remarks(asked: Asked[TeachingQuestion], checks: Sequence[Check]) -> list[str]:
    """How the page's numbers came about."""
    return [
        f"All numbers were computed beforehand by jetsim, for {asked.question.base_samples} common draws of all that "
        "is uncertain, and are interpolated here. The middle has everything at its median; nine in ten of the draws "
        "lie within a band. There is no wind across. Distances are along the floor that the nozzle stands on.",
        accuracy_sentence(checks),
        "The band of the drawn stream is the middle path stretched to each draw's landing and height.",
    ]


def lead(asked: Asked[TeachingQuestion], situations: Sequence[Situation], checks: Sequence[Check]) -> list[str]:
    """What was written, and how true it is."""
    middle, ends = (100 * max(getattr(check, name) for check in checks) for name in ("middle", "ends"))
    sets, ways = display.number_words(len(asked.setups)), display.number_words(len(situations))
    noun = "set-up" if len(asked.setups) == 1 else "set-ups"
    first = f"{PAGE}: one file that opens by double click, without a network, for {sets} {noun} and {ways} situations."
    true = f"It shows what the model computes to within {middle:.2g} % (the ends of its ranges to within {ends:.2g} %)."
    return [first, true]


def further(
    asked: Asked[TeachingQuestion], situations: Sequence[Situation], checks: Sequence[Check], system: UnitSystem
) -> list[str]:
    """How that was found, the first answers, and what the inputs rest on."""
    answers = [" ".join(told(one, system)[1:]) for one in situations[:2]]
    return [accuracy_sentence(checks), *answers, findings.standing_sentence(in_trade_words(asked))]


def situations_table(situations: Sequence[Situation], system: UnitSystem) -> Table:
    """Every situation with its question and its answer."""
    rows = [told(one, system) for one in situations]
    heads = ("situation", "question", "answer")
    columns = tuple(Column(head, list(texts), "") for head, texts in zip(heads, zip(*rows, strict=True), strict=True))
    caption = "Computed by the model itself, everything at its median: the page shows the same from its tables."
    return Table("situations", "Situations to teach with", columns, caption)


def accuracy_table(checks: Sequence[Check]) -> Table:
    """Largest departures of the page from the model."""
    columns = (
        Column("setup", [check.setup for check in checks], "", "set-up"),
        Column("quantity", [display.short_label(check.name) for check in checks], ""),
        Column("middle [%]", [100 * check.middle for check in checks], "", "middle, %", digits=2),
        Column("ends [%]", [100 * check.ends for check in checks], "", "ends of nine in ten, %", digits=2),
        Column("settings", [check.count for check in checks], "", "settings"),
    )
    caption = (
        "Largest departure of what the page interpolates from what the model gives, at settings drawn at random within "
        "the controls. Effective reach is told where it is at least a quarter of the extreme reach, and judged there."
    )
    return Table("accuracy", "The page against the model", columns, caption, most=100)


def report_card(asked: Asked[TeachingQuestion], runs: int, system: UnitSystem) -> ReportCard:
    """Facts about the study."""
    question = asked.question
    return ReportCard(
        question="What does each set-up's stream do when a control is moved?",
        method="Tables over nozzle pressure, elevation and wind for common Latin hypercube draws of all that is "
        "uncertain, and over pump pressure, hose length and floor; cubics between their entries",
        runs=runs,
        seed=question.seed,
        failures=0,
        intervals=f"the middle 90 % of {question.base_samples} draws",
        convergence="a spread, not an estimate that converges on a ranking",
        inputs=findings.input_lines(labelled(asked), system),
        more={"Wind across": "none: the control sets the wind along the throw"},
    )
