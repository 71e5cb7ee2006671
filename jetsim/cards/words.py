"""What a card says, what the lead says of all cards, and the table of all set-ups side by side."""

from collections.abc import Sequence

import numpy as np

from jetsim import findings
from jetsim.cards.question import CardsQuestion
from jetsim.cards.runs import Card
from jetsim.equipment.department import Crew, SetUp
from jetsim.equipment.model import FORCE
from jetsim.equipment.questions import Asked
from jetsim.equipment.setups_table import QUANTITIES_TOLD
from jetsim.equipment.words import in_trade_words, labelled
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.document import MOST_LEAD, ReportCard
from jetsim.report.tables import Column, Table

# Most set-ups that the lead names as above their crew's limit.
MOST_ABOVE = 3
VERIFY = "an estimate, to be verified by in-line gauge and flowmeter"
CAUTIONS = (
    "Estimates for planning and teaching. Verify every pressure by in-line gauge and flowmeter.",
    "No number here shows that a crew can hold a line: opening, closing and slipping add to the force.",
)
# Rows of a card: name in the set-ups' table, and what the card calls it.
ROWS = (
    ("nozzle_pressure", "Nozzle pressure"),
    ("reaction_force", "Nozzle reaction, steady"),
    (FORCE, "Force with the measured excess"),
    ("breakup_distance", "Stream breaks up at"),
    ("effective_reach_at_best", "Effective reach, best elevation"),
    ("extreme_reach", "Farthest drops (extreme reach)"),
)


def source_of(name: str) -> str:
    """Name of the model's result behind a name of the set-ups' table."""
    return QUANTITIES_TOLD.get(name, name)


def plain(name: str, value: float, system: UnitSystem) -> str:
    """A value by name of the set-ups' table with its unit, in one system."""
    return display.value(source_of(name), value, system)


def middle(card: Card, name: str) -> float:
    """At the medians, as every study's table of set-ups says it; what that lacks is the median of the draws."""
    if name in card.middle:
        return card.middle[name]
    return float(np.nanmedian(card.runs[name].values))


def nine_in_ten(card: Card, name: str, system: UnitSystem) -> str:
    """Ends of nine in ten of the draws, in one system."""
    source = source_of(name)
    ends = [float(display.convert(source, end, system)) for end in card.spread(source)]
    if not np.isfinite(ends).all():
        return display.MISSING
    low, high = (display.number(end) for end in ends)
    return "as set" if low == high else f"{low} to {high}"


def row(card: Card, name: str, words: str, system: UnitSystem) -> list[str]:
    """A row of a card: words, middle, nine in ten, middle in the other system."""
    other: UnitSystem = "si" if system == "us" else "us"
    value = middle(card, name)
    return [words, plain(name, value, system), nine_in_ten(card, name, system), plain(name, value, other)]


def held_by(setup: SetUp) -> str:
    """The crew in words."""
    if setup.crew is None:
        return "no crew named"
    return f"{setup.crew.label} ({display.people(setup.crew.firefighters)})"


def what(card: Card, system: UnitSystem) -> list[str]:
    """What the set-up is: nozzle, shutoff, line; crew and target."""
    setup = card.setup
    parts = [setup.labels["nozzle"], setup.labels.get("shutoff", "no shutoff named"), setup.labels.get("line", "")]
    first = " \N{MIDDLE DOT} ".join(part for part in parts if part)
    ((name, value),) = setup.target.items()
    asked = "flow_rate" if name == "flow" else name
    return [
        first,
        f"{held_by(setup)} \N{MIDDLE DOT} target: {display.trade(asked)} {display.value(asked, value, system)}",
    ]


def verdict(card: Card, system: UnitSystem) -> str:
    """The force at the target beside the limit that is stated for the crew."""
    crew = card.setup.crew
    if crew is None:
        return "No crew is named, so no stated limit stands beside the force."
    if crew.limits is None:
        return f"Nobody states a limit for {display.people(crew.firefighters)}, so none stands beside the force."
    return (
        f"{plain('reaction_force', card.force, system)} by the limit's own formula is "
        f"{judged(crew, card.force, system)}; with the measured excess, within it in {display.counted(card.within)}."
    )


def judged(crew: Crew, force: float, system: UnitSystem) -> str:
    """Whether a force [N] is within or above the limit that is stated for a crew."""
    assert crew.limit is not None
    word = "above" if is_above(crew, force) else "within"
    limit = plain("reaction_force", crew.limit, system)
    return f"{word} the stated limit of {limit} for {display.people(crew.firefighters)}"


def is_above(crew: Crew, force: float) -> bool:
    """Whether a force [N] is above the limit that is stated for a crew."""
    return crew.limit is not None and force > crew.limit * (1 + 1e-9)


def mistake_words(words: str, question: CardsQuestion, system: UnitSystem) -> str:
    """A mistake with its size."""
    size = display.value("nozzle_pressure", question.pump_error, system, 2)
    sized = {"pump too low": f"pump {size} low", "pump too high": f"pump {size} high"}
    return sized.get(words, words)


# --------------------------------------------------------------------------------------------------------
# All cards together


def lead(cards: Sequence[Card], system: UnitSystem) -> list[str]:
    """The findings for a briefing: pump pressures first, who is above a stated limit, then what the pages are."""
    pages = f"card_{cards[0].setup.name}.pdf" if len(cards) == 1 else "a page for each set-up, and cards.pdf with all"
    last = [
        text
        for text in (
            above_headline(cards, system),
            f"To print: {pages}; every pressure to start from is for a line without kinks, {VERIFY}.",
        )
        if text
    ]
    return [*(headline(card, system) for card in cards[: MOST_LEAD - len(last)]), *last]


def headline(card: Card, system: UnitSystem) -> str:
    """What to pump for which flow, with its spread."""
    if card.setup.line is None:
        return f"{card.setup.label} has no line, so no pump pressure is told."
    source = source_of("pump_pressure")
    pump = display.spoken(source, middle(card, "pump_pressure"), system)
    spread = display.spoken_span(source, *card.spread(source), system)
    flow = display.spoken("flow_rate", middle(card, "flow_rate"), system)
    return f"{card.setup.label} ({flow}): start from {pump} at the pump ({spread} in nine of ten computed throws)."


def above_headline(cards: Sequence[Card], system: UnitSystem) -> str:
    """The set-ups whose force at the target is above the limit stated for their crew; empty where none is."""
    named = [
        f"{card.setup.label} ({plain('reaction_force', card.force, system)} by the limit's formula, limit "
        f"{plain('reaction_force', crew.limit, system)})"
        for card in cards
        if (crew := card.setup.crew) is not None and crew.limit is not None and is_above(crew, card.force)
    ]
    told = "; ".join(display.first_few(named, MOST_ABOVE))
    return f"Above its crew's stated limit at its target: {told}." if named else ""


def further(asked: Asked[CardsQuestion], cards: Sequence[Card], system: UnitSystem) -> list[str]:
    """A sentence for each card, and what the inputs rest on."""
    outside = findings.outside_sentence(np.concatenate([card.runs["validity"].values for card in cards]))
    standing = findings.standing_sentence(in_trade_words(asked))
    return [*(sentence(card, system) for card in cards), *filter(None, [outside]), standing]


def sentence(card: Card, system: UnitSystem) -> str:
    """What to pump, and what that gives."""
    flow = display.value("flow_rate", middle(card, "flow_rate"), system)
    if card.setup.line is None:
        return f"{card.setup.label}: flows {flow}; it has no line, so no pump pressure is told."
    pump = display.value(source_of("pump_pressure"), middle(card, "pump_pressure"), system)
    spread = nine_in_ten(card, "pump_pressure", system)
    return f"{card.setup.label}: start from {pump} at the pump (nine in ten: {spread}) for {flow}."


def side_by_side(cards: Sequence[Card], system: UnitSystem) -> Table:
    """All set-ups in one table that fits a page, in one system, at their medians."""
    names = ("pump_pressure", "flow_rate", *(name for name, _ in ROWS))
    heads = {"pump_pressure": "Pump pressure without kinks", "flow_rate": "Flow"} | dict(ROWS)
    columns = [Column("setup", [card.setup.label for card in cards], "", "set-up")]
    for name in names:
        texts = [plain(name, middle(card, name), system) for card in cards]
        columns.append(Column(name, texts, "", heads[name]))
    shares = [display.percent(card.within).removesuffix(" %") for card in cards]
    columns.append(Column("within", shares, "", "Within its crew's stated limit, of 100 throws"))
    caption = (
        "Each set-up at its own target, everything at its median and in still air; the force with the measured excess "
        "is the middle of the computed throws, and the count of those within the stated limit counts it. A dash: no "
        "line, or no stated limit. Both units: tables/cards.csv."
    )
    return Table("side_by_side", "All set-ups side by side", tuple(columns), caption)


def cards_table(cards: Sequence[Card]) -> Table:
    """All set-ups in one table with both systems, at their medians."""
    names = ("pump_pressure", "flow_rate", *(name for name, _ in ROWS))
    heads = {"pump_pressure": "Pump pressure without kinks"} | dict(ROWS)
    columns = [Column("setup", [card.setup.label for card in cards], "", "set-up")]
    for name in names:
        values = [middle(card, name) for card in cards]
        columns.append(Column(name, values, source_of(name), heads.get(name)))
    shares = [100 * card.within for card in cards]
    columns.append(Column("within [%]", shares, "", "Within its crew's stated limit, of 100 throws", decimals=0))
    return Table("cards", "All cards in one table", tuple(columns))


def card_table(card: Card) -> Table:
    """What one card tells, in both systems."""
    names = ("pump_pressure", "flow_rate", *(name for name, _ in ROWS))
    ends = [card.spread(source_of(name)) for name in names]
    sources = [source_of(name) for name in names]
    columns = [Column("quantity", list(names), "")]
    for key, values in (
        ("middle", [middle(card, name) for name in names]),
        ("low", [low for low, _ in ends]),
        ("high", [high for _, high in ends]),
    ):
        mixed = Column(key, values, sources).csv_columns()
        columns += [Column(head, list(column), "") for head, column in mixed.items()]
    kept = {column.key: column for column in columns}
    return Table(f"card_{card.setup.name}", card.setup.label, tuple(kept.values()))


def report_card(asked: Asked[CardsQuestion], cards: Sequence[Card], system: UnitSystem) -> ReportCard:
    """Facts about the study."""
    question = asked.question
    return ReportCard(
        question="What does each set-up give, and what must the pump give for it?",
        method="Middle: everything at its median, in still air. Nine in ten: common Latin hypercube draws of all that "
        "is uncertain, weather included",
        runs=question.base_samples * len(cards),
        seed=question.seed,
        failures=0,
        intervals="the middle 90 % of the draws",
        convergence="a spread, not an estimate that converges on a ranking",
        inputs=findings.input_lines(labelled(asked), system),
        more={"Mistakes": "one at a time, all else at its median, pumped for the target by the stated coefficients"},
    )
