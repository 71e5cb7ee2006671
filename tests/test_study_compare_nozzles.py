"""The comparison before a test: odds, ties, decision, and what it refuses."""

import csv
import re
from pathlib import Path

import numpy as np
import pytest

from jetsim.equipment.questions import load_question
from jetsim.report import display
from jetsim.study import run
from jetsim.throws import comparing
from jetsim.throws.question import CompareQuestion, field_test
from studies import compare_nozzles
from studies.compare_nozzles import STUDY
from tests.reports import faults, in_both_systems, without_pictures

DEPARTMENT = STUDY.default_inputs.with_name("department.toml")


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    """Results of a quick run, and its report in both systems of units."""
    out = tmp_path_factory.mktemp("study") / "out"
    return out, in_both_systems(compare_nozzles, ["--quick", "--output", str(out)], "comparison_report")


@pytest.fixture(scope="module")
def folder(flown):
    """The folder alone."""
    return flown[0]


def test_the_report_is_for_officers_in_either_system_of_units(flown):
    assert faults(flown[1]) == []


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_first_lines_say_who_out_reaches_whom_and_what_to_measure_next(flown):
    folder, both = flown
    page = (folder / "report.html").read_text(encoding="utf-8")
    lead, told = both["us"].report.lead, re.findall(r"<li>(.*?)</li>", page.split("<h2>")[1], re.DOTALL)
    further = [re.sub(r"<[^>]*>", "", line) for line in told]
    ties = sum(row["verdict"] == "tie" for row in rows(folder / "tables" / "odds.csv"))
    counted = display.number_words(ties)
    assert lead[2] == f"For {counted} of ten pairs no winner can be named, which does not make them equal."
    first = max(rows(folder / "tables" / "decision.csv"), key=lambda row: float(row["total"]))
    share = float(first["first [%]"]) / 100
    weighed = "extreme reach, nozzle reaction and breakup distance"
    assert re.sub(r" \(where [^()]*\)", "", lead[4]) == (  # without what the terms mean
        f"Weighing {weighed} as the department does, {first['setup']} comes first in "
        f"{display.counted(share, 'computed comparisons')}."
    )
    assert any(
        re.match(r"Under .*, before any test .*[A-E] out-reaches [A-E] in \d+ of 100 ", line) for line in further
    )
    assert any(sentence.startswith("Measure next: ") for sentence in further)
    text = re.sub(r"<style>.*?</style>|data:image[^\"]*|Fire Safety Journal", "", page, flags=re.DOTALL)
    assert not re.search(r"\bsafe(ly|ty)?\b", text.lower())


BEST = re.compile(
    r"Under equal flow \((.*)\), before any test, the farthest drops of (.*) on average out-reach "
    r"those of (?:no other set-up surely, at best those of )?(.*) in (\d+) of 100 computed comparisons "
    r"\(in (\d+) of 100 pairs of single throws\)\."
)


@pytest.mark.parametrize(("system", "flow"), [("us", "185 gpm"), ("si", "700 L/min")])
def test_the_lead_opens_with_the_match_the_odds_of_averages_and_those_of_single_throws(flown, system, flow):
    out, both = flown
    matched, first, second, chance, single = BEST.fullmatch(both[system].report.lead[0]).groups()
    (row,) = (row for row in rows(out / "tables" / "odds.csv") if (row["first"], row["second"]) == (first, second))
    assert matched == flow
    assert float(chance) == pytest.approx(float(row["chance [%]"]), abs=0.51)
    assert float(single) == pytest.approx(float(row["single [%]"]), abs=0.51)


@pytest.mark.parametrize(("system", "unit", "foot"), [("us", "ft", 1.0), ("si", "m", 0.3048)])
def test_the_lead_says_how_much_farther_without_a_sign(flown, system, unit, foot):
    """A range that holds no difference at all is told by how much less and how much more."""
    out, both = flown
    lead = both[system].report.lead
    _, first, second, *_ = BEST.fullmatch(lead[0]).groups()
    (row,) = (row for row in rows(out / "tables" / "odds.csv") if (row["first"], row["second"]) == (first, second))
    middle, low, high = (foot * float(row[f"{name} [ft]"]) for name in ("difference", "low", "high"))
    told = re.match(
        rf"They land ([\d.]+) {unit} beyond those \(([\d.]+)(?: {unit} short)? to ([\d.]+) {unit} beyond in", lead[1]
    )
    assert [float(text) for text in told.groups()] == pytest.approx([middle, abs(low), high], rel=0.06)
    assert ("short" in lead[1]) is (low < 0)
    assert not re.search(r"[-\N{MINUS SIGN}]\d", re.sub(r"\d-\w+ tip|/\d+-inch", "", " ".join(lead)))


@pytest.mark.parametrize("system", ["us", "si"])
def test_the_table_to_read_holds_the_numbers_of_the_whole_one(flown, system):
    out, both = flown
    (shown,) = (table for table in both[system].report.tables if table.name == "results_by_setup")
    unit = {"us": "ft", "si": "m"}[system]
    place = [column.heading for column in shown.headings(system)].index(f"Extreme reach, {unit}")
    for row, whole in zip(shown.rows(system), rows(out / "tables" / "results.csv"), strict=True):
        ends = [float(whole[f"extreme_reach_{end} [{unit}]"]) for end in ("median", "low", "high")]
        assert [float(text) for text in re.findall(r"[\d.]+", row[place])] == pytest.approx(ends, rel=5e-3)


def test_ties_are_those_between_ten_and_ninety_percent(folder):
    table = rows(folder / "tables" / "odds.csv")
    assert len(table) == 10
    for row in table:
        assert (row["verdict"] == "tie") == (float(row["chance [%]"]) < 90)
        assert float(row["chance [%]"]) >= 50
        assert float(row["single [%]"]) <= float(row["chance [%]"]) + 3


def test_matched_flow_is_equal_and_scores_nothing(folder):
    flows = {row["flow_rate_median [gpm]"] for row in rows(folder / "tables" / "results.csv")}
    assert {round(float(flow), 3) for flow in flows} == {185.0}
    assert {row["criterion"] for row in rows(folder / "tables" / "weights.csv")} == {"reach", "reaction", "breakup"}


WORST = """
[nozzles.small]
label = "7/8-inch smooth bore"
kind = "smooth bore"
tip_diameter = "7/8 in"
[setups.w]
label = "W: much force, no reach"
nozzle = "small"
shutoff = "slide"
line = "preconnect"
crew = "three"
target_flow = "185 gpm"
breakup_length = "1 ft"
"""


@without_pictures()
def test_a_set_up_that_is_worst_in_everything_changes_no_number_of_the_others(folder, tmp_path):
    department = tmp_path / "department.toml"
    department.write_text(DEPARTMENT.read_text(encoding="utf-8") + WORST, encoding="utf-8")
    more = ["--quick", "--department", str(department), "--setups", "a,b,c,d,e,w", "--output", str(tmp_path / "out")]
    assert run(STUDY, more) == 0
    for name in ("odds", "decision", "results"):
        five, six = (rows(top / "tables" / f"{name}.csv") for top in (folder, tmp_path / "out"))
        others = [row for row in six if not any(str(cell).startswith("W: ") for cell in row.values())]
        assert len(others) < len(six)
        assert {tuple(row.items()) for row in others} == {tuple(row.items()) for row in five}
    worst = rows(tmp_path / "out" / "tables" / "decision.csv")[-1]
    assert (worst["setup"], float(worst["first [%]"])) == ("W: much force, no reach", 0.0)


def own_question(folder: Path, *changes: tuple[str, str]) -> Path:
    text = STUDY.default_inputs.read_text(encoding="utf-8").replace('"department.toml"', f'"{DEPARTMENT}"')
    for old, new in changes:
        text = text.replace(old, new)
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_one_throw_scatters_by_what_the_file_states(tmp_path):
    """Three times the stated scatter of pressure, elevation and wind brings the chance in one throw nearer to even."""
    few = [("base_samples = 2048", "base_samples = 256"), ('"b", "c", "d", "e"', '"c"')]
    wider = [('"1.5 psi"', '"4.5 psi"'), ('"1 deg"', '"3 deg"'), ('"2.5 mph"', '"7.5 mph"'), ('"1.5 mph"', '"4.5 mph"')]
    spreads = []
    for changes in (few, [*few, *wider]):
        test = field_test(load_question(own_question(tmp_path, *changes), CompareQuestion))
        compared = comparing.compare(test)
        reach = compared.values["reach"]
        spreads.append([float(np.std(compared.single[name] / reach[name])) for name in reach])
    assert all(wide > 1.3 * narrow for narrow, wide in zip(*spreads, strict=True))


@without_pictures()
def test_every_kind_is_compared_at_its_own_target(tmp_path):
    """A smooth bore, a constant, a selectable and an automatic nozzle, on lines of one and two sections."""
    own = own_question(tmp_path, ('"flow"\nvalue = "185 gpm"', '"own target"'), ('"b", "c", "d", "e"', '"c", "f", "g"'))
    assert run(STUDY, ["--quick", "--inputs", str(own), "--output", str(tmp_path / "out")]) == 0
    table = {row["setup"][0]: row for row in rows(tmp_path / "out" / "tables" / "results.csv")}
    pressures = [float(table[name]["nozzle_pressure [psi]"]) for name in "ACF"]
    assert pressures == pytest.approx([50, 50, 75])
    assert float(table["G"]["flow_rate_median [gpm]"]) == pytest.approx(150, rel=0.02)
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Each set-up at its own target, before any test (beliefs only): " in page


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("reach = 3", "reach = -3", "weights.reach = -3: allowed is at least 0"),
        ("[weights]", "[weigths]", "unknown key 'weigths'; did you mean 'weights'?"),
        ('reaction = "10 lbf"\n', "", "scales.reaction is missing"),
        ("base_samples = 2048", "base_samples = 100", "base_samples = 100: must be a power of two"),
    ],
)
def test_bad_questions_are_refused(tmp_path, capsys, old, new, words):
    own = own_question(tmp_path, (old, new))
    assert run(STUDY, ["--dry-run", "--inputs", str(own)]) == 2
    assert words in capsys.readouterr().err


def test_flights_outside_a_fit_are_counted(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert re.search(r"of 5,120 runs \(\d+ %\): tip diameter outside the flight fit", page)


def test_an_elevation_that_no_throw_has_is_refused(tmp_path, capsys):
    own = tmp_path / "department.toml"
    text = DEPARTMENT.read_text(encoding="utf-8")
    own.write_text(text.replace('elevation = "30 deg"', 'elevation = "-90 deg"'), encoding="utf-8")
    assert run(STUDY, ["--dry-run", "--department", str(own)]) == 2
    assert "site.elevation = -90 deg: allowed for a throw is 0 to 80 deg" in capsys.readouterr().err
