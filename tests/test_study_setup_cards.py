"""Cards to print: one page each on the right paper, the numbers of every other study, and what they refuse."""

import copy
import csv
import re
from pathlib import Path

import numpy as np
import pytest

from jetsim import units
from jetsim.cards import pictures, runs, words
from jetsim.cards.question import CardsQuestion
from jetsim.equipment.department import read_department
from jetsim.equipment.questions import Asked
from jetsim.equipment.setups_table import QUANTITIES_TOLD
from jetsim.hydraulics.operating_point import operating_point
from jetsim.report import display
from jetsim.report.cards import PAPER, book
from jetsim.report.document import Report
from jetsim.study import run
from jetsim.toml import load_toml
from studies import setup_cards
from studies.setup_cards import STUDY
from tests.reports import faults, in_both_systems, lead_faults

FILE = STUDY.default_inputs
DEMO = FILE.with_name("department.toml")
QUESTION = {"study": "setup_cards", "title": "Cards", "lengths": ["100 ft", "200 ft"], "floors": [2, 0],
            "base_samples": 64}  # fmt: skip


def asked(names, change=lambda content: None, **question):
    content = copy.deepcopy(load_toml(DEMO))
    change(content)
    owner = read_department(content, path=DEMO)
    return Asked(CardsQuestion.model_validate(QUESTION | question), owner, owner.chosen(names), None, FILE)


def without_line(content):
    del content["setups"]["a"]["line"]


@pytest.fixture(scope="module")
def demo():
    """The demo's set-up A and its ring, as cards."""
    given = asked(["a", "f"])
    return given, runs.cards_of(given)


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    """Results of a quick run of two set-ups, and the findings in both systems of units."""
    out = tmp_path_factory.mktemp("cards") / "out"
    argv = ["--quick", "--setups", "a,f", "--output", str(out), "--workers", "1"]
    return out, in_both_systems(setup_cards, argv, drawn=True)


@pytest.fixture(scope="module")
def folder(flown):
    """The folder alone."""
    return flown[0]


def test_the_report_is_for_officers_in_either_system_of_units(flown):
    assert faults(flown[1]) == []


@pytest.mark.parametrize(
    ("system", "pressures", "flow", "forces"),
    [
        ("us", "psi", "gpm", "99.4 lbf by the limit's formula, limit 95.0 lbf"),
        ("si", "bar", "L/min", "442 N by the limit's formula, limit 423 N"),
    ],
)
def test_the_lead_says_flow_beside_pressure_and_who_is_above_a_limit(flown, demo, system, pressures, flow, forces):
    """1.57 d^2 P of the large tip at 50 psi is 99.4 lbf, above 95 lbf; tip A and the ring are within."""
    _, (a, f) = demo
    assert words.above_headline([a, f], system) == ""
    (large,) = runs.cards_of(asked(["h"]))
    lead = words.lead([a, f, large], system)
    above = f"H: 1 1/8-inch tip, large line ({forces})"
    assert f"Above its crew's stated limit at its target: {above}." in lead
    assert words.above_headline([large] * 4, system).endswith(f"{'; '.join([above] * 3)}; one more.")
    for card, text in zip((a, f), lead, strict=False):
        told = display.spoken("flow_rate", card.middle["flow_rate"], system)
        assert text.startswith(f"{card.setup.label} ({told}): start from ")
        assert re.search(rf"start from [\d.]+ {pressures} at the pump", text)
        assert told.endswith(flow)
    assert lead_faults(Report("x", lead, [], words.report_card(demo[0], [a], system), system)) == []


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def pages_of(pdf: bytes) -> list[tuple[float, float]]:
    """Width and height in inches of each page of a PDF, read from its page objects."""
    boxes = re.findall(rb"/Type /Page\b[^s].*?/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", pdf, re.DOTALL)
    assert len(boxes) == len(re.findall(rb"/Type /Page\b", pdf))
    return [(float(width) / 72, float(height) / 72) for width, height in boxes]


def texts_of(page) -> str:
    return "\n".join(text.get_text() for text in page.figure.texts)


def test_each_card_is_one_page_and_the_book_holds_them_all(folder):
    for name in ("a", "f"):
        assert pages_of((folder / "figures" / f"card_{name}.pdf").read_bytes()) == [(8.5, 11.0)]
    assert pages_of((folder / "cards.pdf").read_bytes()) == [(8.5, 11.0)] * 2
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert page.count('class="page" src="data:image/png') == 2


def test_metric_cards_are_a4(demo):
    given, cards = demo
    page = pictures.page(given, cards[0], "si")
    (size,) = pages_of(book([page]))
    assert size == pytest.approx((210 / 25.4, 297 / 25.4), abs=1e-3)
    assert "10.4 bar" not in texts_of(page)
    assert words.plain("pump_pressure", cards[0].middle["pump_pressure"], "si") in texts_of(page)


@pytest.mark.parametrize("system", ["us", "si"])
@pytest.mark.parametrize("number", [0, 1])
def test_nothing_is_cut_off_or_overlaps_the_cautions(demo, system, number):
    given, cards = demo
    page = pictures.page(given, cards[number], system)
    width, height = (72 * inches for inches in PAPER[system])
    page.figure.set_dpi(72)
    boxes = {text.get_text(): text.get_window_extent() for text in page.figure.texts if text.get_text()}
    for text, box in boxes.items():
        assert box.x0 > 20, text
        assert box.x1 < width - 20, text
        assert 20 < box.y0 < box.y1 < height - 20, text
    cautions = max(boxes[line].y1 for line in words.CAUTIONS)
    remarks = [box.y0 for text, box in boxes.items() if text.startswith(("By the stated", "Reaction by"))]
    assert len(remarks) == 2
    assert min(remarks) > cautions


def test_numbers_on_a_card_are_those_of_every_study(folder):
    told = {(row["setup"], row["quantity"]): float(row["value [US]"]) for row in rows(folder / "tables" / "setups.csv")}
    for name, label in (("a", "A: 15/16-inch tip, full ball"), ("f", "F: selectable fog, courtyard")):
        card = {row["quantity"]: float(row["middle [US]"]) for row in rows(folder / "figures" / f"card_{name}.csv")}
        for quantity in QUANTITIES_TOLD:
            assert card[quantity] == pytest.approx(told[label, quantity], rel=1e-8), quantity


def test_the_page_shows_those_numbers(demo):
    given, cards = demo
    for card in cards:
        shown = texts_of(pictures.page(given, card, "us"))
        for name in QUANTITIES_TOLD:
            assert words.plain(name, card.middle[name], "us") in shown, name
        assert "verify by in-line gauge and flowmeter" in shown
        assert "within the stated limit of 95.0 lbf for three firefighters" in " ".join(shown.split())
        assert "can hold" not in shown.replace("No number here shows that a crew can hold a line", "")


def test_the_chart_is_the_trade_s_sum(demo):
    _, cards = demo
    chart = cards[0].chart / units.PSI
    flow = cards[0].middle["flow_rate"] / units.GALLON_PER_MINUTE
    rise = float(units.to_si(10.0, "ft")) * 9.80665 * 999 / units.PSI
    for i, length in enumerate((100, 200)):
        for j, floor in enumerate((0, 2)):
            by_hand = 50 + 12.5 * (flow / 100) ** 2 * length / 100 + floor * rise
            assert chart[i, j] == pytest.approx(by_hand, rel=2e-3)
    assert chart[1, 0] == pytest.approx(cards[0].middle["pump_pressure"] / units.PSI, rel=1e-9)


def test_a_pressure_beyond_the_pump_is_a_dash():
    def weaker(content):
        content["pumps"]["engine"]["maximum_pressure"] = "135 psi"

    given = asked(["a"], weaker)
    (card,) = runs.cards_of(given)
    shown = texts_of(pictures.page(given, card, "us"))
    assert "A dash: beyond the pump's 135 psi." in shown
    assert "140" not in shown.split("Pump pressure by length")[1].split("What one")[0]


def test_each_mistake_is_what_the_line_gives(demo):
    given, cards = demo
    found = cards[1].mistakes.rows
    assert list(found) == ["as set", "pump too low", "pump too high", "ring one setting low", "kinks"]
    setup = cards[1].setup
    model = given.drawn(runs.OUTPUTS)[given.setups.index(setup)][0]
    line, nozzle, pump = setup.hose_line(model.fixed), model.nozzle({}), float(model.believed.pump_pressure)
    low = operating_point(pump - 20 * units.PSI, line, nozzle, model.density)
    turned = operating_point(pump, line, nozzle.stepped(-1), model.density)
    assert found["pump too low"]["flow_rate"] == pytest.approx(float(low.flow_rate), rel=1e-9)
    assert found["ring one setting low"]["flow_rate"] == pytest.approx(float(turned.flow_rate), rel=1e-9)
    assert found["as set"]["flow_rate"] == pytest.approx(cards[1].middle["flow_rate"], rel=1e-9)
    assert found["as set"]["extreme_reach"] == pytest.approx(cards[1].middle["extreme_reach"], rel=1e-9)
    assert "ring one setting low" not in cards[0].mistakes.rows


def test_the_drawn_path_breaks_up_and_lands_where_the_card_says(demo):
    _, cards = demo
    for card in cards:
        flown = np.isfinite(card.side.height)
        step = card.side.distance[1]
        assert card.side.distance[flown][-1] == pytest.approx(card.middle["extreme_reach"], abs=1.5 * step)
        assert (card.side.low <= card.side.high).all()
        low, high = card.spread("extreme_reach")
        assert low < card.middle["extreme_reach"] < high


def test_the_chance_of_being_within_counts_the_excess(demo):
    _, cards = demo
    card = cards[0]
    force = 1.57 * (15 / 16) ** 2 * 50
    assert card.force / units.POUND_FORCE == pytest.approx(force, rel=2e-3)
    # The excess is uniform up to a half, so that the share below 95 lbf is known but for the tip's wear.
    assert card.within == pytest.approx((95 / force - 1) / 0.5, abs=0.03)


def test_without_a_line_the_card_says_so_instead_of_a_number():
    def bare(content):
        without_line(content)
        content["setups"]["a"]["label"] = "ball \x1b[31mvalve\x07"

    given = asked(["a"], bare)
    cards = runs.cards_of(given)
    shown = texts_of(pictures.page(given, cards[0], "us"))
    assert "none: no line named" in shown
    assert "ball [31mvalve" in shown
    assert shown.count("No line is named, so no") == 2
    assert "has no line, so no pump pressure is told" in words.lead(cards, "us")[0]
    assert "nan" not in shown


def test_a_crew_without_a_stated_limit_is_named():
    def unlimited(content):
        del content["crews"]["three"]["limits"]

    given = asked(["a"], unlimited)
    (card,) = runs.cards_of(given)
    assert words.verdict(card, "us") == "Nobody states a limit for three firefighters, so none stands beside the force."


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('floors = [0, 1, 2, 3]', "floors = [0, 0]", "floors: names a value twice"),
        ('pump_error = "20 psi"', 'pump_error = "20 ft"', "pump_error = '20 ft'"),
        ('study = "setup_cards"', 'study = "fit_the_crew"', "is a question for fit_the_crew, not for setup_cards"),
        ("base_samples = 256", "base_samples = 100", "base_samples"),
        ("seed = 20261125", 'seed = 1\noutputs = ["flow_rate"]', "outputs: every card shows the same results"),
        ("seed = 20261125", 'seed = 1\ndrive = "pump"', "drive = 'pump'"),
    ],
)  # fmt: skip
def test_a_mistake_in_the_question_is_one_line(tmp_path, capsys, old, new, line):
    text = FILE.read_text(encoding="utf-8").replace('"department.toml"', f"'{DEMO}'")
    assert old in text
    mine = tmp_path / "mine.toml"
    mine.write_text(text.replace(old, new), encoding="utf-8")
    assert run(STUDY, ["--inputs", str(mine), "--output", str(tmp_path / "out")]) == 2
    complaint = capsys.readouterr().err
    assert line in complaint
    assert complaint.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_target_outside_the_pump_s_reach_is_refused(tmp_path, capsys):
    weak = tmp_path / "weak.toml"
    weak.write_text(DEMO.read_text(encoding="utf-8").replace('"250 psi"', '"100 psi"'), encoding="utf-8")
    assert run(STUDY, ["--department", str(weak), "--setups", "a", "--output", str(tmp_path / "out")]) == 2
    complaint = capsys.readouterr().err.splitlines()[-1]
    assert "target of setups.a = " in complaint
    assert "the best achievable is" in complaint
    assert not (tmp_path / "out").exists()


def test_an_excess_that_the_question_fixes_counts():
    for excess, share in ((0.3, 1.0), (0.45, 0.0)):  # 69 lbf by the formula, 95 lbf stated: 38 % between them
        (card,) = runs.cards_of(asked(["a"], beliefs={"supply.reaction_excess": excess}))
        assert card.within == share
