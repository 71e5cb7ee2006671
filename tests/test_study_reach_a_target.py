"""The study of a target: what it opens with, what it writes, and what it refuses."""

import csv
import re

import pytest

from jetsim.study import run
from studies.reach_a_target import STUDY

FILE = STUDY.default_inputs.read_text(encoding="utf-8")


def study_file(folder, *changes):
    text = FILE.replace("base_samples = 64", "base_samples = 4").replace("storeys = [1, 2, 3, 4, 5]", "storeys = [3]")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "street.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Results of a small run."""
    place = tmp_path_factory.mktemp("study")
    arguments = ["--quick", "--inputs", str(study_file(place)), "--output", str(place / "out"), "--workers", "1"]
    assert run(STUDY, arguments) == 0
    return place / "out"


def test_report_opens_with_whether_how_and_how_surely(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    lead = re.findall(r"<li>(.*?)</li>", page, re.DOTALL)
    assert re.search(
        r"(Yes|Not surely enough): from 65.0 ft \(19.8 m\) the 1 1/8-inch smooth bore puts 150 gpm", lead[0]
    )
    assert re.search(r"In the middle of the runs \d+ % of the nozzle.{1,5}s flow passes the window", lead[0])
    assert re.search(r"\d+ % of the runs \(80 % wanted\), at a nozzle pressure of", lead[0])
    assert "deg" in lead[1]
    assert lead[2].startswith(("Margin: the nozzle", "No stand-off"))
    assert lead[3].startswith(("What would help most: ", "None of the changes tried"))
    assert page.index("smooth bore puts") < page.index("<h2>")
    assert "Invented street" in page


def test_a_measured_breakup_length_out_of_the_ordinary_opens_the_report(tmp_path):
    fixed = ('tip_diameter = "1 1/8 in"', 'tip_diameter = "1 1/8 in"\nbreakup_length = "6 ft"')
    arguments = ["--quick", "--inputs", str(study_file(tmp_path, fixed)), "--output", str(tmp_path / "out")]
    assert run(STUDY, arguments) == 0
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    first = re.findall(r"<li>(.*?)</li>", page, re.DOTALL)[0]
    assert "In all of the runs of the 1 1/8-inch smooth bore, breakup and reach are stretched beyond" in first
    assert "measured on 1 1/8-inch smooth bore; estimated for 250 gpm fog nozzle on straight stream" in page
    assert "a shutoff that adds no turbulence" not in page


def test_the_fog_nozzle_is_beside_the_smooth_bore_with_its_assumption(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    lead = re.findall(r"<li>(.*?)</li>", page, re.DOTALL)
    beside = next(text for text in lead if text.startswith("Beside it, the 250 gpm fog nozzle on straight stream"))
    assert re.search(r"meets the target in \d+ % of the runs, at", beside)
    assert re.search(r"\d+ % of its flow passes the window, against \d+ %", beside)
    assert "0.3 to 0.9" in beside
    assert "assumption: no measurement" in beside
    with (folder / "tables" / "streams.csv").open(encoding="utf-8") as file:
        rows = {row["what"]: row for row in csv.DictReader(file)}
    assert float(rows["Probability of meeting the target, %"]["comparison [US]"]) <= 100
    assert float(rows["Nozzle pressure"]["comparison [US]"]) in (50, 60, 75)
    assert "coherence of a fog stream" in page
    for name in ("aim", "delivered_fraction"):
        text = (folder / "figures" / f"{name}.csv").read_text(encoding="utf-8")
        assert "fog nozzle" in text
        assert "smooth bore" in text


def test_a_study_without_a_comparison(tmp_path):
    text = study_file(tmp_path).read_text(encoding="utf-8")
    start, end = text.index("[comparison]"), text.index("[fixed]")
    path = tmp_path / "alone.toml"
    path.write_text(text[:start] + text[end:], encoding="utf-8")
    assert run(STUDY, ["--quick", "--inputs", str(path), "--output", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Beside it" not in page
    assert "fog" not in page
    assert not (tmp_path / "out" / "figures" / "target_map_comparison.png").exists()


def test_words_never_promise(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    text = re.sub(r"<style>.*?</style>|data:image[^\"]*|<[^>]*>", " ", page, flags=re.DOTALL).lower()
    assert not re.search(r"\bsafe(ly|ty)?\b", text)


def test_figures_and_tables_are_written(folder):
    names = {path.stem for path in (folder / "figures").glob("*.png")}
    assert names == {
        "side_view", "aim", "target_map", "target_map_comparison", "delivered_fraction", "ground_pattern",
    }  # fmt: skip
    assert {path.stem for path in (folder / "tables").glob("*.csv")} == {
        "streams", "nozzle_pressures", "nozzle_pressures_comparison", "elevations", "changes",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('stand_off = "65 ft"', "stand_off = 65"), "target.stand_off"),
        (('sill = "2.5 ft"', 'sill = "2.5 psi"'), "target.sill"),
        (("probability = 0.8", "probability = 80"), "target.probability"),
        (('nozzle_height = "3 ft"', 'nozzle_height = "3 ft"\nelevation = "30 deg"'), "elevation"),
        (("[map]", "[maps]"), "maps"),
        (('rated_flow = "250 gpm"', 'rated_flow = "250 psi"'), "comparison: rated_flow"),
        (("[comparison.parameters.equivalent_diameter_ratio]", "[comparison.parameters.coherence]"), "comparison: "),
        (('tip_diameter = "1 1/8 in"', 'tip_diameter = "11 in"'), "tip_diameter"),
    ],
)
def test_what_cannot_be_used_is_one_line(change, message, tmp_path, capsys):
    arguments = ["--quick", "--inputs", str(study_file(tmp_path, change)), "--output", str(tmp_path / "out")]
    assert run(STUDY, arguments) == 2
    error = capsys.readouterr().err.strip()
    assert message in error
    assert "\n" not in error
    assert not (tmp_path / "out").exists()


def test_a_plan_writes_nothing(tmp_path, capsys):
    assert run(STUDY, ["--dry-run", "--output", str(tmp_path / "out")]) == 0
    planned = capsys.readouterr().out
    assert "8,640 throws" in planned
    assert "250 gpm fog nozzle on straight stream: 3 nozzle pressures" in planned
    assert not (tmp_path / "out").exists()
