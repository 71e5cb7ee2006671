"""The study of a target: what it opens with, what it writes, and what it refuses."""

import csv
import re
from pathlib import Path
from types import SimpleNamespace

import pytest

from jetsim.study import run
from jetsim.units import GALLON_PER_MINUTE
from jetsim.window import words
from studies import reach_a_target
from studies.reach_a_target import STUDY
from tests.reports import faults, in_both_systems, without_pictures

FILE = STUDY.default_inputs.read_text(encoding="utf-8")
DEPARTMENT = STUDY.default_inputs.parent / "department.toml"
SIX = Path(__file__).parent / "departments" / "six.toml"
SMALL = [("base_samples = 64", "base_samples = 4"), ("storeys = [1, 2, 3, 4, 5]", "storeys = [3]"),
         ('stand_offs = ["20 ft", "90 ft"]', 'stand_offs = ["50 ft", "70 ft"]')]  # fmt: skip


def study_file(folder, *changes):
    text = FILE
    for old, new in (*SMALL, *changes):
        assert old in text
        text = text.replace(old, new)
    path = folder / "street.toml"
    path.write_text(text, encoding="utf-8")
    return path


def arguments(place, *more, changes=(), department=DEPARTMENT):
    inputs = ["--inputs", str(study_file(place, *changes)), "--department", str(department)]
    return ["--quick", *inputs, "--output", str(place / "out"), "--workers", "1", *more]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Results of a small run."""
    place = tmp_path_factory.mktemp("study")
    with without_pictures(laid_out=True):
        assert run(STUDY, arguments(place)) == 0
    return place / "out"


def lead_of(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    return [plain(text) for text in re.findall(r"<li>(.*?)</li>", page.partition("<h2>")[2], re.DOTALL)]


def plain(text):
    """Text without the marks of the glossary."""
    return " ".join(re.sub(r"<[^>]*>", "", text).split())


def test_report_opens_with_whether_how_and_how_surely(folder):
    page, lead = (folder / "report.html").read_text(encoding="utf-8"), lead_of(folder)
    assert re.search(r"(Yes|Not surely enough): from 65.0 ft “H: 1 1/8-inch tip, large line” puts 150 gpm", lead[0])
    assert re.search(r"In the middle of them \d+.% of the nozzle.{1,5}s flow passes the window", lead[0])
    assert re.search(r"computed throws \(80 of 100 wanted\), at a nozzle pressure of", lead[0])
    lead = [text for text in lead if "are less sure" not in text]
    assert "deg" in lead[1]
    assert re.search(r"needs \d+\.?\d* psi at the pump", lead[2])
    assert lead[3].startswith(("Margin: the nozzle", "No stand-off"))
    first = re.findall(r"<li>(.*?)</li>", page.partition("<h2>")[0], re.DOTALL)
    assert plain(first[-1]).startswith(("What would help most", "None of the changes tried"))
    assert lead[4].startswith("Beside it, “I: large fog, large line” meets the target in")
    assert re.search(
        r"in (\d+ of 100|none|all) it fails where “H.*” serves, in (\d+ of 100|none) it is the other", lead[4]
    )
    assert "Invented street" in page
    assert "inputs that nobody sets was measured" in page


@pytest.mark.parametrize(
    ("system", "asked", "farthest"), [("us", "150 gpm or more, from 66 ft", "66 ft"),
                                      ("si", "568 L/min or more, from 20 m", "20 m")],
)  # fmt: skip
def test_the_lead_says_what_is_asked_and_whether_there_is_room(system, asked, farthest):
    place = SimpleNamespace(stand_off=20.0, storey=3)
    task = SimpleNamespace(probability=0.8, flow=150 * GALLON_PER_MINUTE, place=place, stand_offs=[10.0, 30.0])
    candidate = SimpleNamespace(name="H")
    found = SimpleNamespace(task=task, chance=0.81, candidate=candidate, limit=lambda: 20.04)
    assert words.answer_headline(found, system) == (
        f"Yes: “H” puts the flow asked for ({asked}) through the window on storey three in 81 of 100 computed throws "
        "(80 of 100 wanted), when the crew corrects its aim by eye."
    )
    no_room = f"The nozzle has no room to back up (the farthest that is sure enough: {farthest})."
    assert words.margin_headline(found, system) == no_room
    for limit, said in ((22.0, "could stand"), (19.96, "would have to stand"), (30.0, "could stand at least")):
        found.limit = lambda limit=limit: limit
        assert words.margin_headline(found, system).startswith(f"The nozzle {said} ")


def test_changes_that_help_alike_are_a_tie():
    helps = {"still air": 0.81, "standing closer": 0.9375, "a larger tip": 0.9375, "more pressure": 0.9375}
    assert words.help_sentence(0.81, helps) == (
        "What would help most, alike: standing closer (or a larger tip, or more pressure; with any one it then serves "
        "in 94 of 100 computed throws)."
    )
    alone = words.help_sentence(0.81, helps | {"still air": 0.96})
    assert alone == "What would help most: still air (it then serves in 96 of 100 computed throws)."
    assert words.help_sentence(0.93, helps) == "None of the changes tried would help."


def test_the_side_by_side_table_tells_the_pump_pressure(folder):
    with (folder / "tables" / "throws.csv").open(encoding="utf-8") as file:
        rows = {row["what"]: row for row in csv.DictReader(file)}
    for name in ("h", "i"):
        nozzle, pump = (float(rows[what][f"{name} [US]"]) for what in
                        ("Nozzle pressure", "Pump pressure that gives it, middle of the throws"))  # fmt: skip
        assert nozzle == pytest.approx(round(nozzle))
        assert round(nozzle) in (40, 50, 60)
        assert pump > nozzle
    met = {name: float(rows["Throws of 100 that meet the target"][f"{name} [US]"]) for name in ("h", "i")}
    more = float(rows["Throws of 100 in which it serves and the first set-up does not"]["i [US]"])
    less = float(rows["Throws of 100 in which the first set-up serves and it does not"]["i [US]"])
    assert met["i"] - met["h"] == pytest.approx(more - less)


def test_words_never_promise(folder):
    assert not re.search(r"\bsafe(ly|ty)?\b", " ".join(lead_of(folder)[:7]).lower())


def test_figures_and_tables_are_written(folder):
    names = {path.stem for path in (folder / "figures").glob("*.png")}
    assert names == {"side_view", "aim", "target_map_h", "target_map_i", "delivered_fraction", "ground_pattern"}
    assert {path.stem for path in (folder / "tables").glob("*.csv")} == {
        "throws", "nozzle_pressures", "elevations", "changes", "setups",
    }  # fmt: skip


@pytest.mark.slow
def test_every_kind_of_nozzle_of_another_department(tmp_path):
    names = "bore_ball,ring_slide,auto_ball"
    both = in_both_systems(reach_a_target, arguments(tmp_path, "--setups", names, "--units", "si", department=SIX))
    assert faults(both) == []
    lead = lead_of(tmp_path / "out")
    opening = "The other set-ups meet the target in so many of the same computed throws: “"
    assert any(text.startswith(opening) for text in lead)
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "standing 3.0 m closer" in page
    assert "a tip 3 mm larger" in page
    with (tmp_path / "out" / "tables" / "nozzle_pressures.csv").open(encoding="utf-8") as file:
        tried = [float(row["nozzle_pressure [psi]"]) for row in csv.DictReader(file) if row["setup"] == "auto ball"]
    assert tried
    assert all(85 <= pressure <= 115 for pressure in tried)


@without_pictures()
@pytest.mark.slow
def test_a_question_of_one_set_up_compares_nothing(tmp_path):
    few, wind = ('["-10 psi", "0 psi", "10 psi"]', '["0 psi"]'), '[beliefs]\nwind_along = "5 mph"\n\n[search]'
    assert run(STUDY, arguments(tmp_path, "--setups", "a", changes=[few, ("[search]", wind)])) == 0
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Beside it" not in page
    assert "This study states otherwise than the package: head or tail wind" in plain(page)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('stand_off = "65 ft"', "stand_off = 65"), "target.stand_off"),
        (('sill = "2.5 ft"', 'sill = "2.5 psi"'), "target.sill"),
        (("probability = 0.8", "probability = 80"), "target.probability"),
        (("[map]", '[fixed]\nelevation = "30 deg"\n\n[map]'), "fixed.elevation"),
        (("[map]", '[fixed]\ndrag_model = "two_stage"\n\n[map]'), "drag_model"),
        (("[map]", "[maps]"), "maps"),
        (('study = "reach_a_target"', 'study = "rank_controls"'), "is a question for rank_controls"),
        (('setups = ["h", "i"]', 'setups = ["h", "j"]'), "there is no [setups.j]"),
    ],
)
def test_what_cannot_be_used_is_one_line(change, message, tmp_path, capsys):
    assert run(STUDY, arguments(tmp_path, changes=[change])) == 2
    error = capsys.readouterr().err.strip()
    assert message in error
    for line in error.splitlines():
        assert line.startswith("error: ")
        assert str(tmp_path / "street.toml") in line
    assert not (tmp_path / "out").exists()


def test_a_plan_writes_nothing(tmp_path, capsys):
    assert run(STUDY, ["--dry-run", "--output", str(tmp_path / "out")]) == 0
    planned = capsys.readouterr().out
    assert "6,400 throws" in planned
    assert "H: 1 1/8-inch tip, large line: 3 nozzle pressures" in planned
    assert not (tmp_path / "out").exists()
