"""The tables of a teaching page against the model, its situations, and what its question refuses."""

import csv
import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from jetsim import units
from jetsim.equipment.setups_table import QUANTITIES_TOLD, middle_of
from jetsim.errors import InputError
from jetsim.study import run
from jetsim.teaching import lesson, words
from jetsim.teaching.accuracy import departures, random_settings
from jetsim.teaching.runs import continued, needed_pump, one_low, rigs_of, simulated
from jetsim.teaching.situations import KINKED, Situation, at_target
from jetsim.teaching.tables import Axis, Setting, axis
from studies.teaching_page import STUDY
from tests.reports import without_pictures
from tests.teaching_cases import DEMO, FILE, asked, taught


@pytest.fixture(scope="module")
def small():
    """The small page's question and all that it teaches."""
    return taught()


# --------------------------------------------------------------------------------------------------------
# Tables


@pytest.mark.parametrize("number", [0, 1, 2])
def test_between_its_entries_a_table_is_the_model(small, number):
    _, found = small
    rig, table = found.rigs[number], found.tables[number]
    settings = list(random_settings(rig, table, np.random.default_rng(number), 6))
    for setting, true in zip(settings, simulated(rig, *settings), strict=True):
        read = table.read(setting)
        for name in ("flow_rate", "reaction_force", "breakup_distance", "effective_reach", "extreme_reach"):
            middle, ends = departures(name, read, true)
            assert middle < 0.01, name
            assert ends < 0.03, name
        assert read["nozzle_pressure"] == pytest.approx(true["nozzle_pressure"], rel=1e-4)
        assert read["handbook_force"] == pytest.approx(true["handbook_force"], rel=2e-3)


def test_a_ring_one_setting_low_has_tables_of_its_own(small):
    _, found = small
    rig = one_low(found.rigs[1])
    read, true = found.low[1].read(at_target(rig)), simulated(rig, at_target(rig))[0]
    assert read["flow_rate"] == pytest.approx(true["flow_rate"], rel=2e-3)
    assert read["flow_rate"][0] < 0.95 * found.tables[1].read(at_target(rig))["flow_rate"][0]
    assert list(found.low) == [1]


def test_at_its_target_a_set_up_has_the_numbers_of_every_study(small):
    given, found = small
    for rig, table in zip(found.rigs, found.tables, strict=True):
        told = middle_of(rig.setup, given.learnt)
        read = {name: float(values[0]) for name, values in table.read(at_target(rig)).items()}
        for name in QUANTITIES_TOLD:
            if name == "pump_pressure":
                expected = needed_pump(rig, rig.length, 0) if rig.lined else np.nan
                assert told[name] == pytest.approx(expected, rel=1e-9, nan_ok=True)
            else:
                assert read[name] == pytest.approx(told[name], rel=1e-6), name


def test_length_and_floor_are_straight_as_friction_and_lift_are(small):
    _, found = small
    rig, table = found.rigs[1], found.tables[1]
    setting = Setting(1.2e6, 30.0, 0.0, 77.7, 2, True)
    assert table.nozzle_pressure(setting) == pytest.approx(simulated(rig, setting)[0]["nozzle_pressure"], rel=1e-6)


def test_cubics_hold_cubics_and_do_not_reach_across_a_bend():
    nodes = np.array([0.0, 1.0, 2.5, 3.0, 4.0, 6.0])
    x = np.linspace(0.0, 6.0, 25)
    assert Axis(nodes).weights(x) @ (nodes**3 - nodes) == pytest.approx(x**3 - x, abs=1e-12)
    bent = Axis(nodes, (3,)).weights(x) @ np.abs(nodes - 3.0)
    assert bent == pytest.approx(np.abs(x - 3.0), abs=1e-12)
    assert not np.allclose(Axis(nodes).weights(x) @ np.abs(nodes - 3.0), np.abs(x - 3.0), atol=1e-3)
    assert Axis(nodes).weights([-1.0, 7.0]) @ nodes == pytest.approx([0.0, 6.0])  # held within its ends
    smooth = Axis(np.geomspace(1.0, 9.0, 9), log=True)
    spline = CubicSpline(np.log(smooth.nodes), np.sqrt(smooth.nodes))
    assert smooth.weights(5.3) @ np.sqrt(smooth.nodes) == pytest.approx(float(spline(np.log(5.3))), rel=1e-4)


def test_an_automatic_s_tables_bend_where_its_opening_stands_still():
    given = asked(["g"])
    (rig,) = rigs_of(given)
    bends = np.array(rig.setup.nozzle.bends) / units.PSI
    assert bends == pytest.approx([90.0, 110.0])  # rated 100 psi, drift 10 psi
    slope = np.diff(rig.model().nozzle({}).flow(np.array([89.8, 89.9, 90.1, 90.2]) * units.PSI))
    assert slope[2] > 5 * slope[0]
    assert rigs_of(asked(["a"]))[0].setup.nozzle.bends == ()


def test_an_axis_holds_its_points():
    found = axis([1.0, 30.0, 60.0], 10.0)
    assert {1.0, 30.0, 60.0} <= {*found.nodes}
    assert np.diff(found.nodes).max() <= 10.0
    bent = axis([1.0, 4.0, 8.0], 1.5, bends=[4.0], log=True, least=2)
    assert bent.nodes[bent.bends[0]] == 4.0
    assert (bent.nodes[1:] / bent.nodes[:-1]).max() <= 1.5 + 1e-12


def test_landings_behind_the_nozzle_go_on_straight():
    landing = np.array([9.0, 6.0, 3.0, -40.0, -70.0, 2.0]).reshape(1, 1, 6, 1)
    assert continued(landing).ravel().tolist() == [9.0, 6.0, 3.0, 0.0, -3.0, 2.0]


def test_no_effective_reach_is_told_in_a_wind_that_leaves_none(small):
    _, found = small
    (true,) = simulated(found.rigs[1], replace(at_target(found.rigs[1]), elevation=60.0, wind=-6.0))
    assert true["effective_reach"][0] < 0.25 * true["extreme_reach"][0]
    assert departures("effective_reach", {**true, "effective_reach": true["effective_reach"] + 50}, true) == (0.0, 0.0)
    assert departures("extreme_reach", {**true, "extreme_reach": 1.1 * true["extreme_reach"]}, true) == pytest.approx(
        (0.1, 0.1)
    )


# --------------------------------------------------------------------------------------------------------
# Situations


def test_answers_are_what_the_model_says(small):
    _, found = small
    told = {one.name: one for one in found.situations}
    assert list(told) == ["low", "stretch", "raise", "wind", "pair", "ring", "kinks", "crew"]
    rig, ring = found.rigs[0], found.rigs[1]
    (low,) = simulated(rig, replace(at_target(rig), pressure=at_target(rig).pressure - 20 * units.PSI))
    assert told["low"].facts["flow_rate"] == pytest.approx(low["flow_rate"][0], rel=1e-9)
    (turned,) = simulated(one_low(ring), at_target(ring))
    assert told["ring"].facts["reaction_force"] == pytest.approx(turned["reaction_force"][0], rel=1e-9)
    (kinked,) = simulated(rig, replace(at_target(rig), kinked=True))
    assert told["kinks"].facts["extreme_reach"] == pytest.approx(kinked["extreme_reach"][0], rel=1e-9)
    assert kinked["extreme_reach"][0] < simulated(rig, at_target(rig))[0]["extreme_reach"][0]


def test_the_longer_line_is_the_trade_s_sum(small):
    _, found = small
    facts = next(one.facts for one in found.situations if one.name == "stretch")
    flow = middle_of(found.rigs[0].setup, None)["flow_rate"] / units.GALLON_PER_MINUTE
    assert facts["hose"] / units.PSI == pytest.approx(12.5 * (flow / 100) ** 2, rel=1e-6)
    assert facts["lift"] / units.PSI == pytest.approx(20 * 0.433, rel=3e-3)
    assert facts["needed"] == pytest.approx(facts["before"] + facts["hose"] + facts["lift"])


def test_the_crew_s_pressure_gives_the_limit(small):
    _, found = small
    facts = next(one.facts for one in found.situations if one.name == "crew")
    diameter, pressure = 15 / 16, facts["nozzle"] / units.PSI
    assert 1.57 * diameter**2 * pressure == pytest.approx(facts["limit"] / units.POUND_FORCE, rel=2e-3)
    at = Setting(facts["pump"], 30.0, 0.0, found.rigs[0].length)
    assert simulated(found.rigs[0], at)[0]["nozzle_pressure"][0] == pytest.approx(facts["nozzle"], rel=1e-6)
    assert 0 <= facts["within"] < 0.5  # the excess only adds


def test_answers_name_what_loses_more_by_the_numbers(small):
    _, found = small
    facts = dict(next(one.facts for one in found.situations if one.name == "wind"))
    one = next(one for one in found.situations if one.name == "wind")
    larger = "Effective" if facts["good_lost"] > facts["far_lost"] else "Extreme"
    assert words.told(one, "us")[2].startswith(larger)
    turned = replace(one, facts={**facts, "good_lost": facts["far_lost"], "far_lost": facts["good_lost"]})
    assert not words.told(turned, "us")[2].startswith(larger)


def test_every_text_stands_in_both_editions(small):
    _, found = small
    for one in found.situations:
        us, si = ("".join(words.told(one, system)) for system in ("us", "si"))
        assert not re.search(r"\b(psi|gpm|lbf|ft|mph)\b", si.replace("200-ft", "")), si
        assert not re.search(r"\b(bar|L/min|N|m|m/s)\b", us), us


def test_a_department_of_one_set_up_without_a_line_and_without_a_crew():
    def bare(content):
        content["setups"] = {
            "a": {key: value for key, value in content["setups"]["a"].items() if key not in ("line", "crew")}
        }
        content["crews"] = {}

    given = asked(None, bare, elevation=["25 deg", "35 deg"])
    found = lesson.prepared(given)
    assert [one.name for one in found.situations] == ["raise", "wind"]
    data = lesson.page_data(given, found.rigs, found.tables, found.low, found.situations, found.checks)
    assert "pump" not in data["controls"]
    assert "length" in data["controls"]
    assert data["crews"] == []
    assert lesson.page(given, found, "us", FILE, STUDY.script).count("</script>") == 2


# --------------------------------------------------------------------------------------------------------
# The file


def test_the_page_is_one_file_with_its_cautions_versions_and_hash(small):
    given, found = small
    text = lesson.page(given, found, "us", FILE, STUDY.script)
    assert len(text.encode()) < 6e6
    assert not re.search(r'(src|href)="(?!#)', text)
    assert "http" not in text.replace("http://www.w3.org/2000/svg", "")
    assert "Never set a fireground pressure from these numbers alone" in text
    assert f"department (SHA-256 {given.department.digest[:16]}" in text
    assert "study file teaching_page.toml (SHA-256 " in text
    assert "<b>&</b>" not in text.partition("</header>")[0]
    assert text.count("</script>") == 2  # a label with a tag in it ends no script


def test_too_large_a_page_is_refused(small, monkeypatch):
    given, found = small
    monkeypatch.setattr(lesson, "MOST_BYTES", 1000)
    with pytest.raises(InputError, match=r"the page would have .* with 3 set-ups and base_samples = 16"):
        lesson.page(given, found, "us", FILE, STUDY.script)


def test_the_report_tells_how_true_the_page_is(small):
    given, found = small
    told, *_ = words.further(given, found.situations, found.checks, "us")
    worst = 100 * max(check.ends for check in found.checks)
    assert f"by at most {worst:.2g} %." in told
    assert "at 24 settings" in told
    assert f"(the ends of its ranges to within {worst:.2g} %)." in words.lead(given, found.situations, found.checks)[1]
    assert worst < 3


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('elevation = ["5 deg", "60 deg"]', 'elevation = ["5 deg", "80 deg"]', "elevation: allowed is 0 to 60 deg"),
        ('"-10 mph", "10 mph"', '"-40 mph", "10 mph"', "wind_along: allowed is -15 to 15 mph"),
        ('"-10 mph", "10 mph"', '"2 mph", "10 mph"', "wind_along, floors: must hold still air"),
        ('"50 ft", "400 ft"', '"400 ft", "50 ft"', "lengths: must be two ends that rise"),
        ('"50 ft", "400 ft"', '"50 ft"', "lengths"),
        ("base_samples = 64", "base_samples = 60", "base_samples"),
        ("seed = 20261125", 'seed = 1\noutputs = ["flow_rate"]', "outputs: the page shows all results"),
        ("seed = 20261125", 'seed = 1\nfixed = { target_height = "3 ft" }', "fixed: the page shows all results"),
        ('study = "teaching_page"', 'study = "setup_cards"', "is a question for setup_cards, not for teaching_page"),
        ('floor_height = "10 ft"', 'floor_height = "10 psi"', "floor_height = '10 psi'"),
    ],
)
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
    assert "the best achievable is" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@without_pictures()
def test_the_script_writes_page_report_and_set_ups(tmp_path):
    small_file = tmp_path / "small.toml"
    text = FILE.read_text(encoding="utf-8").replace('"department.toml"', f"'{DEMO}'")
    text = text.replace('"5 deg", "60 deg"', '"25 deg", "35 deg"').replace('"-10 mph", "10 mph"', '"-2 mph", "2 mph"')
    small_file.write_text(text, encoding="utf-8")
    out = tmp_path / "out"
    given = ["--inputs", str(small_file), "--quick", "--setups", "h", "--units", "si", "--output", str(out)]
    assert run(STUDY, [*given, "--workers", "1"]) == 0
    page = (out / "teaching_page.html").read_text(encoding="utf-8")
    assert '"edition":"si"' in page
    assert '"draws":16' in page
    with (out / "tables" / "setups.csv").open(encoding="utf-8", newline="") as stream:
        assert {row["setup"] for row in csv.DictReader(stream)} == {"H: 1 1/8-inch tip, large line"}
    assert "The page against the model" in (out / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(("reach", "said"), [(32.61, "107 ft, as before."), (30.0, "98.4 ft instead of 107 ft.")])
def test_what_a_mistake_leaves_as_it_was_is_said_so(reach, said):
    facts = {"label": "A", "extreme_reach": reach, "extreme_reach_believed": 32.62}
    facts |= {key: 1.0 for name in (words.FLOW, words.FORCE) for key in (name, f"{name}_believed")}
    assert words.told(Situation(KINKED, {}, facts), "us")[2].endswith(f"Farthest drops: {said}")
