"""Cards as pages: which text stands where on them."""

import numpy as np

from jetsim.cards import words
from jetsim.cards.question import CardsQuestion
from jetsim.cards.runs import CHANGED, Card
from jetsim.equipment.model import PUMP
from jetsim.equipment.questions import Asked
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.cards import Big, CardWords, Grid, Page, SideView, card_page

LENGTH = "supply.hose_length"


def page(asked: Asked[CardsQuestion], card: Card, system: UnitSystem) -> Page:
    """A card's page."""
    numbers = [words.row(card, name, text, system) for name, text in words.ROWS]
    return card_page(
        CardWords(
            name=f"card_{card.setup.name}",
            title=card.setup.label,
            what=words.what(card, system),
            big=[_pump(card, system), _flow(card, system)],
            numbers=Grid("", ("", "middle", "nine in ten", "middle"), numbers),
            verdict=words.verdict(card, system),
            view=_view(card, system),
            grids=[_chart(asked.question, card, system), _mistakes(asked.question, card, system)],
            cautions=words.CAUTIONS,
            footer=_footer(asked),
            data=words.card_table(card),
            caption=f"The page to print: figures/card_{card.setup.name}.pdf.",
        ),
        system,
    )


def _pump(card: Card, system: UnitSystem) -> Big:
    heading = "Pump pressure without kinks"
    if card.setup.line is None:
        return Big(heading, "none: no line named", "A pump pressure needs the line that it is for.")
    value = words.middle(card, "pump_pressure")
    spread = words.nine_in_ten(card, "pump_pressure", system)
    below = f"nine in ten: {spread}   ({_other('pump_pressure', value, system)})\nverify by in-line gauge and flowmeter"
    return Big(heading, words.plain("pump_pressure", value, system), below)


def _flow(card: Card, system: UnitSystem) -> Big:
    value = words.middle(card, "flow_rate")
    spread = words.nine_in_ten(card, "flow_rate", system)
    below = f"nine in ten: {spread}   ({_other('flow_rate', value, system)})\nat the target nozzle pressure"
    return Big("Flow", words.plain("flow_rate", value, system), below)


def _other(name: str, value: float, system: UnitSystem) -> str:
    return words.plain(name, value, "si" if system == "us" else "us")


def _view(card: Card, system: UnitSystem) -> SideView:
    side = card.side
    names = (("breakup_distance", "breaks up"), ("effective_reach_at_best", "effective"), ("extreme_reach", "farthest"))
    marks = [(text, words.middle(card, name)) for name, text in names]
    marks = [
        (f"{text} {words.plain(name, at, system)}", at) for (name, _), (text, at) in zip(names, marks, strict=True)
    ]
    start = float(side.height[0])
    return SideView(side.distance, side.height, side.low, side.high, marks[0][1], start, marks)


def _chart(question: CardsQuestion, card: Card, system: UnitSystem) -> Grid:
    unit = display.unit_label(PUMP, system)
    title = f"Pump pressure by length and floor [{unit}]"
    if card.chart is None:
        return Grid(title, ("last section",), [], "No line is named, so no pump pressure can be told.")
    heads = ["last section", *(_floor(number) for number in question.floors)]
    rows = []
    for length, pressures in zip(question.lengths, card.chart, strict=True):
        rows.append([display.value(LENGTH, length, system), *(_cell(p, card.most, system) for p in pressures)])
    storey = display.value(LENGTH, question.floor_height, system, 2)
    over = f" A dash: beyond the pump's {words.plain(PUMP, card.most, system)}." if "–" in str(rows) else ""
    remark = f"By the stated coefficients; each floor {storey} higher.{over} Verify by in-line gauge and flowmeter."
    return Grid(title, heads, rows, remark)


def _floor(number: int) -> str:
    return "as laid" if number == 0 else f"{number:+d}"


def _cell(pressure: float, most: float, system: UnitSystem) -> str:
    return display.number(float(display.convert(PUMP, pressure, system))) if 0 <= pressure <= most else display.MISSING


def _mistakes(question: CardsQuestion, card: Card, system: UnitSystem) -> Grid:
    units = ", ".join(display.unit_label(name, system) for name in CHANGED)
    title = f"What one mistake does [{units}]"
    if card.mistakes is None:
        return Grid(title, ("mistake",), [], "No line is named, so no mistake at the pump can be told.")
    heads = ("", "flow", "reaction", "reach")
    rows = [
        [words.mistake_words(name, question, system), *(_number(found[key], key, system) for key in CHANGED)]
        for name, found in card.mistakes.rows.items()
    ]
    remark = (
        "Reaction by the formula; reach: farthest drops, still air; "
        f"kinks: a loss of {question.kink_loss_coefficient:g} speed heads."
    )
    return Grid(title, heads, rows, remark)


def _number(value: float, name: str, system: UnitSystem) -> str:
    return display.number(float(display.convert(name, value, system))) if np.isfinite(value) else display.MISSING


def _footer(asked: Asked[CardsQuestion]) -> str:
    runs = f"{asked.question.base_samples} draws, seed {asked.question.seed}"
    return f"{asked.department.file.name} \N{MIDDLE DOT} {asked.scenario} \N{MIDDLE DOT} jetsim, {runs}"
