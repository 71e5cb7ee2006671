"""The field test from plan to calibration: what it opens with, what it writes, and what it refuses."""

import csv
import re
import shutil
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from jetsim import findings as findings_of_all
from jetsim import units
from jetsim.equipment.department import load_department
from jetsim.equipment.learnt import read_learnt
from jetsim.equipment.questions import load_question
from jetsim.equipment.spaces import inputs_of
from jetsim.errors import InputError
from jetsim.study import run, run_commands
from jetsim.throws import expected, learnt, learnt_words, model, names, planning, read_words, reading, tested
from jetsim.throws.checks import sheet_rules
from jetsim.throws.columns import COLUMNS
from jetsim.throws.question import FieldTestQuestion, field_test
from jetsim.throws.sheet import read_sheet
from jetsim.throws.synthetic import read_truth
from jetsim.toml import without_table
from studies import compare_nozzles
from studies import field_test as field_test_script
from studies.field_test import COMMANDS, DESCRIPTION
from studies.inputs.make_field_test_throws import throws_text
from tests.reports import faults, in_both_systems, lead_faults, without_pictures

FILE = COMMANDS["plan"].default_inputs
DEPARTMENT = FILE.with_name("department.toml")
SHEET = FILE.with_name("field_test_throws.csv")


def command(name: str, out: Path, *more: str) -> int:
    return run_commands(DESCRIPTION, COMMANDS, [name, "--quick", "--output", str(out), *more])


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    """Results of the commands, quick, the report of each in both systems of units, and the plan that was made."""
    top, made, make_plan = tmp_path_factory.mktemp("trial"), [], planning.make_plan
    writers = {"plan": "plan_report", "map": "mapping_report", "read": "reading_report", "calibrate": "learnt_report"}

    def both(name):
        argv = [name, "--quick", "--output", str(top / name)]
        return in_both_systems(field_test_script, argv, writers[name], partial(run_commands, DESCRIPTION, COMMANDS))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tested, "BLOCKS", 256)
        patch.setattr(reading, "QUICK_DRAWS", 32)
        patch.setattr(planning, "make_plan", lambda *given: made.append(make_plan(*given)) or made[-1])
        return top, {name: both(name) for name in COMMANDS}, *made


@pytest.fixture(scope="module")
def folders(flown):
    """The folders alone."""
    return flown[0]


@pytest.mark.parametrize("name", ["plan", "read", "calibrate"])
def test_every_report_is_for_officers_in_either_system_of_units(flown, name):
    assert faults(flown[1][name]) == []


def test_a_map_opens_with_a_short_lead(flown):
    """Its tables hold the units of the sheet, whatever the edition."""
    assert lead_faults(flown[1]["map"]["us"].report) == []


def loaded(path: Path = FILE):
    return field_test(load_question(path, FieldTestQuestion))


@pytest.fixture(scope="module", name="field_test")
def demo():
    return loaded()


def findings(folder: Path) -> list[str]:
    page = (folder / "report.html").read_text(encoding="utf-8")
    return [re.sub(r"<[^>]*>", "", line) for line in re.findall(r"<li>(.*?)</li>", page, re.DOTALL)]


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


# Plan


def test_plan_opens_with_the_throws_it_takes(folders):
    lead = [line for line in findings(folders / "plan") if "are less sure" not in line]
    assert re.match(r"It takes \d+ throws of each set-up", lead[0])
    assert "single throw" in lead[1]
    assert any("cannot say" in sentence for sentence in lead)


@pytest.fixture(scope="module")
def made(flown):
    """The plan alone."""
    return flown[2]


def test_plan_prints_the_power_of_each_pair_averaged_over_the_priors(folders, field_test, made):
    """Against whole tests drawn afresh: a truth of the priors, normal scatter about it, a t-test."""
    lead = " ".join(findings(folders / "plan"))
    assert "can decide" not in lead
    rng = np.random.default_rng(5)
    still = planning._still_by_priors(field_test, planning.QUICK_DRAWS)
    for pair in made.pairs:
        truth = np.repeat(still[pair.first] - still[pair.second], 20)[:, None]
        drawn = truth + rng.normal(0.0, pair.needed.spread, (truth.size, made.blocks))
        found = np.mean(stats.ttest_1samp(drawn, 0.0, axis=1).pvalue <= field_test.wanted.false_alarm)
        assert pair.chance == pytest.approx(found, abs=0.08)
        assert f"{pair.first.upper()} and {pair.second.upper()} {100 * pair.chance:.0f}" in lead


@pytest.mark.parametrize("system", ["us", "si"])
def test_the_hardest_pair_is_led_with_by_its_chance_in_one_form(flown, folders, system):
    (told,) = (text for text in flown[1]["plan"][system].report.lead if text.startswith("Hardest to tell apart"))
    said = {"us": "10 ft", "si": "3.0 m"}[system]
    hard = min(rows(folders / "plan" / "tables" / "pairs.csv"), key=lambda row: float(row["chance [%]"]))
    assert told == (
        f"Hardest to tell apart are {hard['first']} and {hard['second']}: {float(hard['chance [%]']):.0f} of 100 such "
        f"tests would tell them apart (they may differ by less than {said})."
    )


def test_simulated_power_of_every_pair_is_within_three_percent_of_the_closed_form(folders):
    for row in rows(folders / "plan" / "tables" / "pairs.csv"):
        assert float(row["power [%]"]) == pytest.approx(float(row["closed_form [%]"]), abs=3)
        assert float(row["power [%]"]) >= 90


def test_run_sheet_opens_in_a_spreadsheet_and_holds_complete_blocks(folders, field_test):
    path = folders / "plan" / "run_sheet.csv"
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")
    found = rows(path)
    assert list(found[0]) == [column.header("us") for column in COLUMNS.values()]
    blocks = {row["block"] for row in found}
    for block in blocks:
        assert sorted(row["setup"] for row in found if row["block"] == block) == sorted(field_test.labels)
    assert (folders / "plan" / "figures" / "run_sheet_page_1.pdf").exists()


def test_an_empty_run_sheet_is_not_taken_for_a_filled_one(folders, tmp_path, capsys):
    assert command("read", tmp_path / "out", "--sheet", str(folders / "plan" / "run_sheet.csv")) == 2
    assert "is empty; fill it in (or pump_pressure), or mark the throw as excluded" in capsys.readouterr().err


@pytest.mark.parametrize("condition", ["nozzle pressure", "pump pressure", "flow", "reaction", "own target"])
def test_every_set_up_of_every_kind_meets_the_declared_match(condition, tmp_path):
    """An automatic and a selectable nozzle, and a line of two sections with a wye and a rise, among them."""
    path = matched_by(condition, tmp_path, 'setups = ["a", "c", "f", "g", "h"]')
    test = loaded(path)
    middle = {key: np.repeat(value, 2) for key, value in model.medians(test).items()}
    middle["supply.flow_ratio[automatic]"] = np.array([1.0, 0.96])
    for setup in test.setups:
        pressure = model.matched_pressure(test, setup, middle)
        flown = model.simulated(test, setup, {**model.inputs_at(test, setup, middle), "nozzle_pressure": pressure})
        target = setup.target.get("nozzle_pressure", 0.0)
        reached = {"nozzle pressure": pressure, "pump pressure": flown["supply.needed_pump_pressure"].values,
                   "flow": flown["flow_rate"].values, "reaction": flown["reaction_force"].values,
                   "own target": pressure if target else flown["flow_rate"].values[:1]}[condition]  # fmt: skip
        wanted = (target or setup.target.get("flow")) if condition == "own target" else test.matched
        assert reached == pytest.approx(np.full(len(reached), wanted), rel=1e-9)


@pytest.mark.parametrize(
    ("wind_from", "bearing", "along", "across"),
    [(90, 270, 1, 0), (270, 270, -1, 0), (0, 270, 0, 1), (180, 270, 0, -1), (45, 225, 1, 0)],
)
def test_wind_along_and_across(wind_from, bearing, along, across):
    """Thrown west (270 deg), a north wind blows south: towards the thrower's left."""
    found = expected.wind_components(1.0, wind_from, bearing)
    assert [float(value) for value in found] == pytest.approx([along, across], abs=1e-12)


MATCHES = {"nozzle pressure": "60 psi", "pump pressure": "150 psi", "flow": "185 gpm", "reaction": "75 lbf"}


def matched_by(condition: str, folder: Path, setups: str = "", source: Path = FILE) -> Path:
    """The demo's question under another match."""
    text = source.read_text(encoding="utf-8").replace('"department.toml"', f'"{DEPARTMENT}"')
    value = f'\nvalue = "{MATCHES[condition]}"' if condition in MATCHES else ""
    changed = text.replace('"flow"\nvalue = "185 gpm"', f'"{condition}"{value}')
    changed = changed.replace('setups = ["a", "b", "c", "d", "e"]', setups) if setups else changed
    path = folder / f"own_{source.name}"
    path.write_text(changed, encoding="utf-8")
    return path


@pytest.fixture(
    scope="module",
    params=["flow", *(pytest.param(other, marks=pytest.mark.slow) for other in ("pump pressure", "reaction"))],
)
def matched(request, tmp_path_factory, folders):
    """Condition, and folders of plan and comparison under it; the demo's own plan is under equal flow."""
    top = tmp_path_factory.mktemp("matched")
    own = matched_by(request.param, top)
    plan = folders / "plan" if loaded(own).question.match == loaded().question.match else top / "plan"
    other = str(matched_by(request.param, top, source=compare_nozzles.STUDY.default_inputs))
    with without_pictures():
        assert plan.exists() or command("plan", plan, "--inputs", str(own)) == 0
        assert run(compare_nozzles.STUDY, ["--quick", "--inputs", other, "--output", str(top / "compare")]) == 0
    return request.param, plan, top / "compare"


def test_plan_sets_what_the_match_asks_for(matched):
    """Smooth bore by hand: gpm = 29.84 Cd d2 sqrt(psi), psi lost = C (gpm/100)2 (ft/100), lbf = pi/2 Cd2 d2 psi.

    Common practice, no source.
    """
    condition, plan, _ = matched
    targets = [float(row["nozzle_pressure [psi]"]) for row in rows(plan / "tables" / "targets.csv")]
    flow = 29.84 * 0.975 * (15 / 16) ** 2 * np.sqrt(targets[0])
    by_hand = {
        "pump pressure": targets[0] + 12.5 * (flow / 100) ** 2 * 2,
        "flow": flow,
        "reaction": 2 * 0.975**2 * np.pi / 4 * (15 / 16) ** 2 * targets[0],
    }
    assert by_hand[condition] == pytest.approx(float(MATCHES[condition].split()[0]), rel=3e-3)
    assert targets[0] == targets[1]
    assert targets[2] == targets[3] == targets[4] != targets[0]
    page = re.sub(r"<[^>]*>", "", (plan / "report.html").read_text(encoding="utf-8"))
    assert re.search(f"Match: equal {condition} of {MATCHES[condition].replace(' ', '(.0)? ')}", page)
    tally = (plan / "figures" / "run_sheet_page_1.csv").read_text(encoding="utf-8")
    assert ("pump at 150 psi" in tally) == (condition == "pump pressure")


def test_comparison_holds_equal_what_the_match_asks_for(matched):
    condition, _, compared = matched
    lead = [line for line in findings(compared) if "are less sure" not in line]
    assert any(line.startswith(f"Under equal {condition}, before any test (beliefs only): ") for line in lead)
    table = rows(compared / "tables" / "results.csv")
    names = {"flow": "flow_rate_{} [gpm]", "reaction": "reaction_force_{} [lbf]"}
    for match, name in names.items():
        values = {round(float(row[name.format(end)]), 2) for row in table for end in ("low", "median", "high")}
        assert (values == {float(MATCHES[match].split()[0])}) == (match == condition)
    if condition == "pump pressure":  # the fog nozzle's larger opening takes more of the pump's pressure for the hose
        flow, pressure = (float(table[0][key]) for key in ("flow_rate_median [gpm]", "nozzle_pressure [psi]"))
        assert pressure + 12.5 * (flow / 100) ** 2 * 2 == pytest.approx(150, rel=0.01)


# The demo


@pytest.mark.slow
def test_demo_throws_are_what_their_script_makes(tmp_path):
    """To the last digit that the sheet writes, in the order of the plan."""
    made = tmp_path / "made.csv"
    made.write_text(throws_text(), encoding="utf-8")
    for stored, new in zip(rows(SHEET), rows(made), strict=True):
        for name, text in stored.items():
            if name.rpartition("_")[2] in ("psi", "gpm", "lbf", "ft", "mph", "deg") and text:
                assert float(new[name]) == pytest.approx(float(text), rel=2e-3, abs=1.0 if name.endswith("ft") else 0)
            else:
                assert new[name] == text


# Read

MISTAKES = [
    ("", "flow_gpm", "flow_psi"), ("", "reaction_lbf", "reacton_lbf"), ("", "notes", "nozzle_pressure_bar"),
    (2, "nozzle_pressure_psi", "5.2"), (3, "nozzle_pressure_psi", "75 gpm"), (4, "nozzle_pressure_psi", "high"),
    (6, "nozzle_pressure_psi", "120"), (7, "setup", "aa"), (8, "setup", ""),
    (9, "run_order", "1"), (10, "run_order", "9.5"), (11, "pump_pressure_psi", '"1,140"'), (12, "elevation_deg", "95"),
    (13, "elevation_deg", "nan"), (14, "wind_speed_mph", "-3"), (16, "wind_speed_mph", "25"),
    (17, "wind_from_deg", "easterly"), (18, "breakup_distance_ft", "110"), (19, "last_continuous_water_ft", "200"),
    (20, "farthest_drops_ft", "300"), (22, "excluded", "maybe"),
    (23, "excluded", "yes"), (24, "exclusion_reason", "kinked"),
]  # fmt: skip


def test_every_mistake_of_a_sheet_gets_its_own_line(tmp_path, capsys):
    lines = SHEET.read_text(encoding="utf-8").splitlines()
    header = lines[0].split(",")
    for row, column, text in MISTAKES:
        if row:
            cells = lines[row - 1].split(",")
            cells[header.index(column)] = text
            lines[row - 1] = ",".join(cells)
        else:
            lines[0] = lines[0].replace(column, text)
    bad = tmp_path / "bad.csv"
    bad.write_text("\n".join(lines), encoding="utf-8")
    assert command("read", tmp_path / "out", "--sheet", str(bad)) == 2
    told = capsys.readouterr().err.splitlines()
    assert all(line.startswith("error: bad.csv: ") for line in told)
    assert len(set(told)) == len(told)
    places = [int(found[1]) for line in told if (found := re.match(r"error: bad.csv: row (\d+)", line))]
    assert places == sorted(places)
    for row, column, text in MISTAKES:
        named = f"row {row}, column {column}" if row else f"row 1, column '{text}'"
        assert any(named in line for line in told), (row, column, text, told)
    assert not (tmp_path / "out").exists()


def test_read_counts_excludes_and_compares(folders):
    lead = [line for line in findings(folders / "read") if "are less sure" not in line]
    assert any(line.startswith("48 throws of 5 set-ups count, 2 are excluded with a reason") for line in lead)
    table = rows(folders / "read" / "tables" / "overlay.csv")
    assert len(table) == 10
    assert {row["reason"] for row in rows(folders / "read" / "tables" / "excluded.csv")} == {
        "line kinked, seen after the throw", "gust above the wind rule"}  # fmt: skip


@pytest.mark.parametrize("system", ["us", "si"])
def test_the_lead_of_read_says_how_far_off_the_model_was_for_whom(flown, folders, system):
    report = flown[1]["read"][system].report
    assert report.lead[0].startswith("Practice data: ")
    table = [row for row in rows(folders / "read" / "tables" / "overlay.csv") if row["measured"] == "farthest drops"]
    biases = {row["setup"]: float(row["bias [ft]"]) for row in table}
    assert min(biases.values()) < 0 < max(biases.values())
    (told,) = (text for text in report.lead if text.startswith("Before the test"))
    unit, feet = ("ft", 1.0) if system == "us" else ("m", 0.3048)
    inside = re.search(r"\((.*)\)\.$", told)[1].split(" to ")
    for text, label in zip(inside, (min(biases, key=biases.get), max(biases, key=biases.get)), strict=True):
        size, side, name = re.fullmatch(rf"([\d.]+) {unit} too (far|short) for (.*)", text).groups()
        assert name == label
        assert side == ("far" if biases[label] > 0 else "short")
        assert float(size) == pytest.approx(abs(biases[label]) * feet, rel=0.06)


def test_taking_the_wind_off_makes_throws_alike(folders):
    """The demo's wind is known exactly, so the corrected throws scatter less."""
    table = rows(folders / "read" / "tables" / "wind_corrected.csv")
    measured, still = (np.mean([float(row[f"{key}_sd [ft]"]) for row in table]) for key in ("measured", "still"))
    assert still < 0.75 * measured


def test_read_names_pairs_with_adjusted_p_and_no_winner_without_it(folders):
    lead = [line for line in findings(folders / "read") if "are less sure" not in line]
    table = rows(folders / "read" / "tables" / "paired_tests.csv")
    apart = [row for row in table if float(row["adjusted_p"]) <= 0.05]
    (told,) = (line for line in lead if f"{len(apart)} of 10 pairs differ in farthest drops" in line)
    assert told.count("adjusted p ") == len(apart) > 0
    assert all((row["verdict"] == "differ") == (row in apart) for row in table)
    assert all(float(row["power [%]"]) > float(row["power_all [%]"]) > 0 for row in table)
    page = (folders / "read" / "report.html").read_text(encoding="utf-8")
    assert "went farthest" not in page
    assert "no set-up beats every other" in page or re.search(r"set-up [A-E] beats every other", page)


def test_a_sheet_kept_in_the_results_is_never_overwritten(tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    shutil.copy(SHEET, out / "sheet.csv")
    assert command("read", out, "--sheet", str(out / "sheet.csv"), "--overwrite") == 2
    assert "holds files the study needs" in capsys.readouterr().err
    assert (out / "sheet.csv").read_bytes() == SHEET.read_bytes()


# Calibrate


def test_true_values_behind_the_demo_are_found_again(folders, field_test):
    truth = read_truth(FILE.with_name("field_test_truth.toml"), field_test)
    own = {f"valve_upstream_factor[setups.{s.name}]": model.inputs_at(
        field_test, s, {key: np.array([value]) for key, value in truth.items()})["valve_upstream_factor"][0]
        for s in field_test.setups}  # fmt: skip
    truth = {key: value for key, value in truth.items() if not key.startswith("trial.departure")} | own
    with xr.open_dataset(folders / "calibrate" / "posterior.nc", engine="h5netcdf") as data:
        assert set(data.data_vars) == set(truth)
        inside = [float(data[n].quantile(0.025)) <= v <= float(data[n].quantile(0.975)) for n, v in truth.items()]
    assert np.mean(inside) >= 0.85


def test_calibrated_throws_are_predicted_better_than_before(folders):
    tables = [rows(folders / name / "tables" / "overlay.csv") for name in ("read", "calibrate")]
    before, after = (np.mean([float(row["rmse [ft]"]) for row in table[:5]]) for table in tables)
    assert after < 0.95 * before
    cover = np.mean([float(row["coverage [%]"]) for row in tables[1]])
    assert 80 < cover <= 100


def test_calibration_says_what_it_cannot_tell_apart(folders):
    page = (folders / "calibrate" / "report.html").read_text(encoding="utf-8")
    assert "The data cannot tell" in page
    assert "the pressure gauge&#39;s error" in page or "the pressure gauge's error" in page


def test_a_quick_calibration_converges_and_counts_the_tests_behind_it(folders):
    """As many as are stored; they were made from the invented department, and nobody's own throws were tested."""
    page = (folders / "calibrate" / "report.html").read_text(encoding="utf-8")
    assert "converged; halves of the run" in page
    assert "NOT converged" not in page
    count = len(rows(field_test_script.SYNTHETIC))
    assert f"{count} synthetic tests of the invented department, made by the same model" in page
    assert learnt_words.checked(0) == "no stored synthetic tests"


def test_a_median_of_nothing_is_written_as_nothing(folders):
    before = {row["unknown"]: row["before"]
              for row in rows(folders / "calibrate" / "tables" / "learnt.csv")}  # fmt: skip
    assert before["the flowmeter's error"].startswith("0 (")
    assert all(len(text) < 40 for text in before.values())


def test_every_unknown_is_called_by_its_label(folders, field_test):
    words = names.called(field_test)
    assert set(words) == set(field_test.priors)
    assert words["discharge_coefficient[bore_15_16]"].endswith("of the 15/16-inch smooth bore")
    page = (folders / "calibrate" / "report.html").read_text(encoding="utf-8")
    assert "turbulence that the cut-away ball shutoff makes before the tip" in page
    assert "bore_15_16" not in page
    assert all(names.remedy(unknown) != "measure it" for unknown in field_test.priors)


@without_pictures()
def test_the_department_comes_back_with_what_was_learnt(folders, tmp_path):
    """The owner's text is kept to the letter; rankings read it and call nothing measured that was not learnt."""
    written = folders / "calibrate" / "department.toml"
    text = written.read_text(encoding="utf-8")
    assert text.startswith(DEPARTMENT.read_text(encoding="utf-8").rstrip())
    assert without_table(text, "learnt").rstrip() == DEPARTMENT.read_text(encoding="utf-8").rstrip()
    with xr.open_dataset(folders / "calibrate" / "posterior.nc", engine="h5netcdf") as data:
        standing = {str(name): data[name].attrs["standing"] for name in data.data_vars}
    assert {"measured", "half learnt", "not learnt"} == set(standing.values())
    inputs = inputs_of(load_department(written).chosen(["d"])[0], learnt=read_learnt(load_department(written)))
    assert inputs.key("valve_upstream_factor") == "valve_upstream_factor[setups.d]"
    for parameter in inputs.parameters:
        if parameter.basis == "measured":
            assert standing[inputs.key(parameter.name)] == "measured"
    more = ["--quick", "--department", str(written), "--setups", "c,d", "--output", str(tmp_path / "out")]
    assert run(compare_nozzles.STUDY, more) == 0
    lead = " ".join(findings(tmp_path / "out"))
    assert "Under equal flow, after the test: " in lead


def test_a_damaged_posterior_is_refused(folders, tmp_path, capsys):
    shutil.copytree(folders / "calibrate", tmp_path / "own")
    path = tmp_path / "own" / "posterior.nc"
    path.write_bytes(path.read_bytes()[:-1])
    more = ["--quick", "--department", str(tmp_path / "own" / "department.toml"), "--output", str(tmp_path / "out")]
    assert run(compare_nozzles.STUDY, more) == 2
    assert "is not the file that was written with this department" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("gone", "standing"), [(0.9, "measured"), (0.5, "half learnt"), (0.1, "not learnt"), (-0.1, "not learnt")]
)
def test_only_what_was_learnt_is_measured(gone, standing):
    assert learnt.STANDING[learnt.Learnt("x", gone).words] == standing


def test_a_set_up_that_was_not_thrown_departs_from_its_shutoff(field_test):
    """The shutoff's own draws are wider than its style's by the departure of one more set-up."""
    values = model.drawn(field_test, 4096, 1)
    found = SimpleNamespace(values=values, learnt=[learnt.Learnt(key, 0.0) for key in values])
    draws, standing = learnt.taught(field_test, found)
    key = "valve_upstream_factor[slide]"
    wider = np.var(np.log(values[key])) + np.mean(values["trial.style_spread"] ** 2)
    assert np.var(np.log(draws[key])) == pytest.approx(wider, rel=0.05)
    assert set(standing.values()) == {"not learnt"}
    assert not any(key.startswith("trial.departure") for key in draws)


def test_a_sheet_without_blocks_says_why_no_pair_is_told_apart(field_test, tmp_path):
    lines = [line.split(",") for line in SHEET.read_text(encoding="utf-8").splitlines()]
    path = tmp_path / "sheet.csv"
    path.write_text("\n".join(",".join(cells[:1] + cells[2:]) for cells in lines), encoding="utf-8")
    pairs = tested.tested(field_test, read_sheet(path, sheet_rules(field_test)))
    said = read_words.verdict_words(field_test, pairs, "us")
    assert "it has no column block" in said
    assert "pairs differ" not in said
    assert "No pair of set-ups can be told apart" in read_words.verdict_headline(field_test, pairs, "us")


def test_the_invented_sheet_is_read_with_the_invented_question_alone(tmp_path, capsys):
    own = matched_by("reaction", tmp_path)
    for more in (["--inputs", str(own)], ["--setups", "a,b,c,d,e"]):
        assert command("read", tmp_path / "out", *more) == 2
        assert "--sheet is missing" in capsys.readouterr().err


def test_flights_outside_a_fit_are_told_first(folders, made):
    """A plan throws what is believed in the middle, of which too little lies outside to open with."""
    assert np.mean(made.flags != 0) <= findings_of_all.MANY
    for name in COMMANDS:
        assert any("breakup and reach are less sure" in line for line in findings(folders / name)[:5]) == (
            name in ("read", "calibrate")
        )


def test_report_says_that_its_throws_were_made_by_the_model(folders):
    assert any("made by this very model" in line for line in findings(folders / "calibrate"))


def test_flow_of_a_fog_nozzle_leaves_its_speed_alone(field_test):
    setup = next(setup for setup in field_test.setups if setup.nozzle.rated)
    values = {name: np.repeat(value, 2) for name, value in model.medians(field_test).items()}
    values[f"supply.flow_ratio[{setup.owners['nozzle']}]"] *= [1.0, 0.95]
    rated = {"nozzle_pressure": np.full(2, setup.nozzle.rated)}
    result = model.simulated(field_test, setup, {**model.inputs_at(field_test, setup, values), **rated})
    assert float(result["flow_rate"][0]) == pytest.approx(150 * units.GALLON_PER_MINUTE, rel=1e-3)
    for name in ("flow_rate", "reaction_force"):
        assert float(result[name][1] / result[name][0]) == pytest.approx(0.95, rel=1e-9)


def test_words_never_promise(folders):
    for name in COMMANDS:
        page = (folders / name / "report.html").read_text(encoding="utf-8")
        text = re.sub(r"<style>.*?</style>|data:image[^\"]*|<[^>]*>", " ", page, flags=re.DOTALL).lower()
        assert not re.search(r"\bsafe(ly|ty)?\b", text.replace("fire safety journal", ""))
        assert "invented department" in text


# Study files that cannot be used


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('condition = "flow"', 'condition = "flaw"', "match.condition = 'flaw': must be one of"),
        ('value = "185 gpm"', 'value = "185 psi"', "match.value = '185 psi': is a pressure"),
        ('value = "185 gpm"', "", "match: condition = 'flow': value is missing"),
        ('condition = "flow"', 'condition = "own target"', "leave value out"),
        ('difference = "10 ft"', 'difference = "0 ft"', "wanted.difference = '0 ft': must be above 0"),
        ("power = 0.9", "power = 1.9", "wanted.power = 1.9: allowed is below 1"),
        ("power = 0.9", "power = 0.05", "must be above false_alarm"),
        ('mark_spacing = "20 ft"', 'mark_spacing = "1 ft"', "check mark_spacing"),
        ('"270 deg"', '"400 deg"', "ground.throw_bearing = '400 deg': allowed is 0 to 360 deg"),
        ('"e"]', '"ee"]', "setups = 'ee': there is no [setups.ee]"),
        ("[ground]", "[grond]", "unknown key 'grond'; did you mean 'ground'?"),
        ('nozzle_pressure = "1.5 psi"', 'nozzle_pressure = "0 psi"', "must be above 0"),
        ("seed = 20261125", 'seed = 20261125\ndrive = "pump"', "drive: the match says what is set"),
        ('study = "field_test"', 'study = "reach_a_target"', "is a question for reach_a_target, not for field_test"),
    ],
)
def test_bad_questions_are_refused_in_one_line(tmp_path, old, new, words):
    path = tmp_path / "own.toml"
    text = FILE.read_text(encoding="utf-8").replace('"department.toml"', f'"{DEPARTMENT}"')
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        loaded(path)
    assert words in str(caught.value)


def test_a_plan_compares_and_one_set_up_alone_needs_none(tmp_path, capsys):
    assert command("plan", tmp_path / "out", "--setups", "a") == 2
    assert "setups: 1 given: a plan compares 2 to 8" in capsys.readouterr().err


def test_a_field_test_needs_the_departments_instruments(tmp_path, capsys):
    own = tmp_path / "department.toml"
    text = DEPARTMENT.read_text(encoding="utf-8")
    own.write_text(text.replace('mark_reading = "3 ft"', ""), encoding="utf-8")
    assert command("plan", tmp_path / "out", "--department", str(own)) == 2
    assert "instruments.mark_reading is missing" in capsys.readouterr().err


def test_a_hopeless_difference_ends_with_status_2(tmp_path, capsys):
    own = matched_by("flow", tmp_path)
    own.write_text(own.read_text(encoding="utf-8").replace('"10 ft"', '"2 in"'), encoding="utf-8")
    assert command("plan", tmp_path / "out", "--inputs", str(own)) == 2
    assert "more than 200 throws" in capsys.readouterr().err
