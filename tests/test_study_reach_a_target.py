"""The study of a target: what it opens with, what it writes, and what it refuses."""

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
    assert re.search(r"(Yes|Not surely enough): from 65.0 ft \(19.8 m\) this stream puts 150 gpm", lead[0])
    assert re.search(r"\d+ % of the runs \(80 % wanted\), at a nozzle pressure of", lead[0])
    assert "deg" in lead[1]
    assert lead[2].startswith(("Margin: the nozzle", "No stand-off"))
    assert lead[3].startswith(("What would help most: ", "None of the changes tried"))
    assert page.index("this stream puts") < page.index("<h2>")
    assert "Invented street" in page


def test_words_never_promise(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    text = re.sub(r"<style>.*?</style>|data:image[^\"]*|<[^>]*>", " ", page, flags=re.DOTALL).lower()
    assert not re.search(r"\bsafe(ly|ty)?\b", text)


def test_figures_and_tables_are_written(folder):
    names = {path.stem for path in (folder / "figures").glob("*.png")}
    assert names == {"side_view", "target_map", "delivered_fraction", "ground_pattern"}
    assert {path.stem for path in (folder / "tables").glob("*.csv")} == {"nozzle_pressures", "changes"}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('stand_off = "65 ft"', "stand_off = 65"), "target.stand_off"),
        (('sill = "2.5 ft"', 'sill = "2.5 psi"'), "target.sill"),
        (("probability = 0.8", "probability = 80"), "target.probability"),
        (('nozzle_height = "3 ft"', 'nozzle_height = "3 ft"\nelevation = "30 deg"'), "elevation"),
        (("[map]", "[maps]"), "maps"),
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
    assert "15,872 throws" in capsys.readouterr().out
    assert not (tmp_path / "out").exists()
