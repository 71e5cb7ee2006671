"""The teaching page itself, moved and read in a headless browser."""

import re

import numpy as np
import pytest

from benchmarks.page_reading import RESULTS, chromium, departures_on, moved_to, numbers, put
from jetsim import units
from jetsim.equipment.setups_table import QUANTITIES_TOLD, middle_of
from jetsim.teaching import lesson, words
from jetsim.teaching.accuracy import random_settings
from jetsim.teaching.runs import needed_pump, simulated
from jetsim.teaching.situations import at_target
from jetsim.teaching.tables import ends_of
from tests.teaching_cases import FILE, SCRIPT, taught

CHROMIUM = chromium()
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine to open the page in")

SLIDERS = ("pump", "length", "floor", "elevation", "wind")


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """Question and lesson of the small page, and its file."""
    given, found = taught()
    path = tmp_path_factory.mktemp("page") / "teaching_page.html"
    path.write_text(lesson.page(given, found, "us", FILE, SCRIPT), encoding="utf-8")
    return given, found, path


@pytest.fixture(scope="module")
def opened(small):
    """The page in a browser; its script must not stumble, and nothing else may be fetched."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="no playwright: install jetsim[test]")
    errors, asked_for = [], []
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1280, "height": 720})
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("request", lambda request: asked_for.append(request.url))
        page.goto(small[2].as_uri())
        yield page
        browser.close()
    assert errors == []
    assert asked_for == [small[2].as_uri()]


@pytest.fixture
def page(opened):
    """The page with everything back where it opened."""
    opened.set_viewport_size({"width": 1280, "height": 720})
    opened.check("input[value=us]")
    opened.select_option("#first", "0")
    opened.select_option("#second", "")
    opened.click("#back")
    return opened


def part_of(text, pattern):
    """A share in words: none, all, or of a hundred."""
    found = re.search(pattern, text)[1]
    return {"no": 0.0, "all": 1.0}[found] if found in ("no", "all") else float(found.removesuffix(" of 100")) / 100


def notes(page, lane=0):
    return page.inner_text(f"#lane{lane} .notes")


@pytest.mark.parametrize("number", [0, 1])
def test_numbers_between_the_entries_are_those_of_the_model(page, small, number):
    _, found, _ = small
    rig, table = found.rigs[number], found.tables[number]
    page.select_option("#first", str(number))
    settings = list(random_settings(rig, table, np.random.default_rng(11 + number), 8))
    for name, rows in departures_on(page, rig, settings).items():
        told = np.abs(rows[np.isfinite(rows).all(axis=1)])
        # Sliders move in steps: a setting at the least pressure that is told may fall just below it.
        assert len(told) >= len(settings) - 1 or name == "effective_reach"
        assert told[:, 0].max() < 0.01, name
        assert told[:, 1:].max() < 0.03, name


def test_the_page_reads_its_tables_as_the_package_does(page, small):
    _, found, _ = small
    (setting,) = random_settings(found.rigs[1], found.tables[1], np.random.default_rng(5), 1)
    page.select_option("#first", "1")
    moved_to(page, setting)
    shown = numbers(page)
    expected = found.tables[1].read(moved_to(page, setting))
    for name in RESULTS:
        here = [shown[name][key] for key in ("si", "low", "high")]
        assert here == pytest.approx([expected[name][0], *ends_of(expected[name])], rel=1e-4, abs=2e-3), name


def test_it_opens_at_the_target_with_the_numbers_of_every_study(page, small):
    given, found, _ = small
    for number, rig in enumerate(found.rigs):
        page.select_option("#first", str(number))
        told, shown = middle_of(rig.setup, given.learnt), numbers(page)
        for name in QUANTITIES_TOLD:
            if name == "pump_pressure" and not rig.lined:
                assert name not in shown
                continue
            own = "extreme_reach" if name == "extreme_reach" else name
            assert shown[own]["si"] == pytest.approx(told[name], rel=1e-5), name


def test_each_control_moves_the_numbers_by_keyboard(page):
    for name in SLIDERS:
        before = numbers(page)
        page.focus(f"#{name}")
        for _ in range(3):
            page.keyboard.press("ArrowRight")
        after = numbers(page)
        moved = "nozzle_pressure" if name in ("pump", "length", "floor") else "extreme_reach"
        changed = abs(after[moved]["si"] / before[moved]["si"] - 1) > 1e-4
        assert changed or (name in ("length", "floor") and page.is_checked("#hold")), name


def test_more_pressure_more_hose_and_more_floors_do_what_they_must(page):
    put(page, "pump", 110)
    base = numbers(page)
    put(page, "length", 300)
    longer = numbers(page)
    put(page, "floor", 3)
    higher = numbers(page)
    assert base["flow_rate"]["si"] > longer["flow_rate"]["si"] > higher["flow_rate"]["si"]
    assert not page.is_checked("#hold")
    put(page, "pump", 140)
    assert numbers(page)["flow_rate"]["si"] > higher["flow_rate"]["si"]


@pytest.mark.parametrize("name", SLIDERS)
def test_a_control_at_its_end_says_so(page, name):
    put(page, name, 1e6)
    assert "the tables stop here" in page.inner_text(f"#{name}_end")
    put(page, name, -1e6)
    assert "the tables begin here" in page.inner_text(f"#{name}_end")
    middle = float(page.get_attribute(f"#{name}", "min")) + float(page.get_attribute(f"#{name}", "max"))
    put(page, name, middle / 2)
    assert page.inner_text(f"#{name}_end") == ""


def test_a_target_that_cannot_be_pumped_says_why(page, small):
    rig = small[1].rigs[0]
    assert page.is_checked("#hold")
    put(page, "length", 300)
    needed = needed_pump(rig, float(page.get_attribute("#length_at", "data-si")), 0) / units.PSI
    assert needed > 160
    assert f"needs {needed:.0f} psi at this length and floor; the pump's stated maximum is 160 psi" in notes(page)
    assert numbers(page)["pump_pressure"]["si"] == pytest.approx(160 * units.PSI, rel=1e-6)


def test_a_pressure_too_low_for_a_stream_says_so(page):
    put(page, "pump", -1e6)
    put(page, "length", 300)
    put(page, "floor", 4)
    assert re.search(
        r"(Only|Less than) [\d.]+ psi reaches the nozzle over this hose and rise: below 30.0 psi", notes(page)
    )
    assert np.isnan(numbers(page)["extreme_reach"]["si"])
    assert "No stream is told here." in page.inner_html("#lane0 svg")


@pytest.mark.parametrize("name", ["low", "ring", "kinks"])
def test_delivered_stands_beside_believed(page, small, name):
    facts = next(one.facts for one in small[1].situations if one.name == name)
    page.select_option("#first", "1" if name == "ring" else "0")
    page.select_option("#mistake", name)
    shown = numbers(page)
    for quantity in ("flow_rate", "reaction_force", "extreme_reach"):
        assert shown[quantity]["si"] == pytest.approx(facts[quantity], rel=3e-3), quantity
        assert shown[quantity]["believed"] == pytest.approx(facts[f"{quantity}_believed"], rel=1e-5), quantity
    assert page.is_visible("#lane0 td.was >> nth=0")


def test_a_mistake_that_a_set_up_cannot_make_is_none(page):
    page.select_option("#mistake", "ring")
    assert "No ring to set lower here" in notes(page)
    page.select_option("#first", "2")
    page.select_option("#mistake", "kinks")
    assert "No line is named" in notes(page)


def test_two_set_ups_move_under_one_control(page, small):
    _, found, _ = small
    page.select_option("#second", "1")
    put(page, "pump", 130)
    for lane in (0, 1):
        assert numbers(page, lane)["pump_pressure"]["si"] == pytest.approx(130 * units.PSI, rel=1e-6)
    reaches = []
    for number in (0, 1):
        rig = found.rigs[number]
        setting = at_target(rig)
        setting = type(setting)(130 * units.PSI, setting.elevation, 0.0, rig.length)
        reaches.append(found.tables[number].read(setting)["extreme_reach"][1:])
    share = float((reaches[0] > reaches[1]).mean())
    assert part_of(page.inner_text("#beside"), r"In (.*) computed throws") == pytest.approx(share, abs=0.0051)


def test_the_crew_s_limit_stands_beside_the_force(page, small):
    rig = small[1].rigs[0]
    (true,) = simulated(rig, at_target(rig))
    crews = list(small[0].department.crews.values())
    for number, crew in enumerate(crews):
        page.select_option("#crew", str(number))
        force = true["handbook_force"][0] / units.POUND_FORCE
        assert f"{force:.1f} lbf by the limit's own formula" in notes(page)
        word = "within" if true["handbook_force"][0] <= crew.limit else "above"
        assert f"{word} the stated limit of {crew.limit / units.POUND_FORCE:.1f} lbf"[:30] in notes(page)
        assert f"for {crew.firefighters} firefighters" in notes(page)
        within = float(
            np.mean(true["handbook_force"][1:] * (1 + rig.cases("supply.reaction_excess")[1:]) <= crew.limit)
        )
        assert part_of(notes(page), r"within it in (.*) computed throws") == pytest.approx(within, abs=0.0051)


def test_a_situation_sets_the_controls_and_keeps_its_answer_until_asked(page, small):
    for number, situation in enumerate(small[1].situations):
        page.click(f"#chips button >> nth={number}")
        _, question, answer = words.told(situation, "us")
        assert page.inner_text("#question") == question
        assert not page.is_visible("#answer")
        page.click("#reveal")
        assert page.inner_text("#answer") == answer
        assert page.input_value("#first") == str(situation.controls["setups"][0])
        assert page.input_value("#mistake") == situation.controls.get("mistake", "none")
    page.click("text=All back to target")
    assert page.input_value("#mistake") == "none"
    assert page.is_checked("#hold")


def test_units_switch(page):
    us = {name: found["si"] for name, found in numbers(page).items()}
    assert "psi" in page.inner_text("#pump_at")
    page.check("input[value=si]")
    assert {name: found["si"] for name, found in numbers(page).items()} == us
    assert page.inner_text("#pump_at").endswith("bar")
    assert " psi" not in page.inner_text("#lanes")
    assert "L/min" in page.inner_text("#lane0 table")


def test_every_control_has_a_name_for_a_screen_reader(page):
    for role, name in (
        ("slider", "Pump pressure"), ("slider", "Hose, last section"), ("slider", "Floors above the line as laid"),
        ("slider", "Nozzle elevation"), ("slider", "Wind along the throw"), ("combobox", "Set-up"),
        ("combobox", "Set-up beside it"), ("combobox", "Crew"), ("combobox", "Gone wrong"), ("table", "Numbers of A"),
        ("checkbox", "Pump each set-up for its own target"), ("button", "Print this"), ("radio", "metric"),
    ):  # fmt: skip
        assert page.get_by_role(role, name=name).first.is_visible(), name
    assert page.get_attribute("#wind", "aria-valuetext") == "still air"
    spoken = page.get_attribute("#lane0 svg", "aria-label")
    assert re.match(r"A: .*: flows [\d.]+ gpm, breaks up at .* the farthest drops land at .* nine in ten", spoken)
    page.wait_for_function("document.getElementById('said').textContent.startsWith('A: ')")


def test_it_fits_a_projector_and_a_telephone(page):
    for width, height in ((1280, 720), (390, 844)):
        page.set_viewport_size({"width": width, "height": height})
        page.select_option("#second", "1")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        if width == 1280:
            bottom = page.evaluate("document.querySelector('.legend').getBoundingClientRect().bottom")
            assert bottom <= height
        page.select_option("#second", "")


@pytest.mark.parametrize("second", ["", "1"])
def test_it_prints_on_one_page(page, second):
    page.select_option("#second", second)
    page.click("#chips button >> nth=0")
    page.click("#reveal")
    pdf = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b[^s]", pdf)) == 1


def test_a_label_is_text_and_nothing_else(page):
    page.select_option("#first", "2")
    assert page.inner_text("#lane0 .name") == "Z: tip </script><i> alone"
    assert page.inner_text("h1") == "Move the pump <b>&</b> see"
