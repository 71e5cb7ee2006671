"""The field test from plan to calibration: what it opens with, what it writes, and what it refuses."""

import csv
import re
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from jetsim.errors import InputError
from jetsim.experiment.fieldsheet import COLUMNS
from jetsim.experiment.space import ParameterSpace
from jetsim.simulation import simulate
from jetsim.stream import Stream
from jetsim.study import run, run_commands
from jetsim.trials import learnt, model, names, planning, throws
from jetsim.trials.fieldfile import read_field_test
from jetsim.trials.synthetic import read_truth
from studies import compare_nozzles
from studies.field_test import COMMANDS, DESCRIPTION
from studies.inputs.make_field_test_throws import throws_text

FILE = COMMANDS["plan"].default_inputs
SHEET = FILE.with_name("field_test_throws.csv")


def command(name: str, out: Path, *more: str) -> int:
    return run_commands(DESCRIPTION, COMMANDS, [name, "--quick", "--output", str(out), *more])


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Results of the three commands, quick."""
    top = tmp_path_factory.mktemp("trial")
    for name in COMMANDS:
        assert command(name, top / name) == 0
    return top


@pytest.fixture(scope="module")
def field_test():
    return read_field_test(FILE)


def findings(folder: Path) -> list[str]:
    page = (folder / "report.html").read_text(encoding="utf-8")
    return re.findall(r"<li>(.*?)</li>", page, re.DOTALL)


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


# Plan


def test_plan_opens_with_the_throws_it_takes(folders):
    lead = findings(folders / "plan")
    assert re.match(r"It takes \d+ throws of each set-up", lead[0])
    assert "single throw" in lead[1]
    assert any("cannot say" in sentence for sentence in lead)


def test_plan_prints_the_power_of_each_pair_averaged_over_the_priors(folders, field_test):
    """Against whole tests drawn afresh: a truth of the priors, normal scatter about it, a t-test."""
    lead = " ".join(findings(folders / "plan"))
    assert "can decide" not in lead
    made = planning.make_plan(field_test, planning.QUICK_BLOCKS)
    rng = np.random.default_rng(5)
    still = planning._still_by_priors(field_test, rng)
    for pair in made.pairs:
        truth = np.repeat(still[pair.first] - still[pair.second], 20)[:, None]
        drawn = truth + rng.normal(0.0, pair.needed.spread, (truth.size, made.blocks))
        found = np.mean(stats.ttest_1samp(drawn, 0.0, axis=1).pvalue <= field_test.wanted.false_alarm)
        assert pair.chance == pytest.approx(found, abs=0.08)
        assert f"{pair.first.upper()} and {pair.second.upper()} {100 * pair.chance:.0f} %" in lead


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
    assert "is empty; fill it in, or mark the throw as excluded" in capsys.readouterr().err


@pytest.mark.parametrize("condition", ["nozzle pressure", "pump pressure", "flow", "reaction"])
def test_every_set_up_meets_the_declared_match(condition, tmp_path):
    test = read_field_test(matched_by(condition, tmp_path))
    middle = model.medians(test)
    for setup in test.setups:
        pressure = model.matched_pressure(test, setup, middle)
        still = throws.Throws([setup.name], pressure, np.array([30.0]), np.zeros(1), np.zeros(1))
        shown = throws.expected(test, still, middle)
        reached = {"nozzle pressure": pressure, "pump pressure": shown["pump_pressure"], "flow": shown["flow"],
                   "reaction": shown["reaction"]}[condition]  # fmt: skip
        assert float(np.ravel(reached)[0]) == pytest.approx(test.matched, rel=1e-6)


@pytest.mark.parametrize(
    ("wind_from", "bearing", "along", "across"),
    [(90, 270, 1, 0), (270, 270, -1, 0), (0, 270, 0, 1), (180, 270, 0, -1), (45, 225, 1, 0)],
)
def test_wind_along_and_across(wind_from, bearing, along, across):
    """Thrown west (270 deg), a north wind blows south: towards the thrower's left."""
    found = throws.wind_components(1.0, wind_from, bearing)
    assert [float(value) for value in found] == pytest.approx([along, across], abs=1e-12)


MATCHES = {"nozzle pressure": "60 psi", "pump pressure": "150 psi", "flow": "185 gpm", "reaction": "75 lbf"}


def matched_by(condition: str, folder: Path) -> Path:
    """The demo's study file under another match."""
    text = FILE.read_text(encoding="utf-8")
    changed = text.replace('"flow"\nvalue = "185 gpm"', f'"{condition}"\nvalue = "{MATCHES[condition]}"')
    path = folder / "own.toml"
    path.write_text(changed, encoding="utf-8")
    return path


@pytest.fixture(scope="module", params=["pump pressure", "flow", "reaction"])
def matched(request, tmp_path_factory):
    """Condition, and folders of plan and comparison under it."""
    top = tmp_path_factory.mktemp("matched")
    own = str(matched_by(request.param, top))
    assert command("plan", top / "plan", "--inputs", own) == 0
    assert run(compare_nozzles.STUDY, ["--quick", "--inputs", own, "--output", str(top / "compare")]) == 0
    return request.param, top


def test_plan_sets_what_the_match_asks_for(matched):
    """Smooth bore by hand: gpm = 29.84 Cd d2 sqrt(psi), psi lost = C (gpm/100)2 (ft/100), lbf = pi/2 Cd2 d2 psi.

    Common practice, no source.
    """
    condition, top = matched
    targets = [float(row["nozzle_pressure [psi]"]) for row in rows(top / "plan" / "tables" / "targets.csv")]
    flow = 29.84 * 0.975 * (15 / 16) ** 2 * np.sqrt(targets[0])
    by_hand = {
        "pump pressure": targets[0] + 15.5 * (flow / 100) ** 2 * 1.5,
        "flow": flow,
        "reaction": 2 * 0.975**2 * np.pi / 4 * (15 / 16) ** 2 * targets[0],
    }
    assert by_hand[condition] == pytest.approx(float(MATCHES[condition].split()[0]), rel=3e-3)
    assert targets[0] == targets[1]
    assert targets[2] == targets[3] == targets[4] != targets[0]
    page = (top / "plan" / "report.html").read_text(encoding="utf-8")
    assert re.search(f"Match: equal {condition} of {MATCHES[condition].replace(' ', '(.0)? ')}", page)
    tally = (top / "plan" / "figures" / "run_sheet_page_1.csv").read_text(encoding="utf-8")
    assert ("pump at 150 psi" in tally) == (condition == "pump pressure")


def test_comparison_holds_equal_what_the_match_asks_for(matched):
    condition, top = matched
    assert findings(top / "compare")[0].startswith(f"Under equal {condition}, before any test (priors only): ")
    table = rows(top / "compare" / "tables" / "results.csv")
    names = {"flow": "flow_rate_{} [gpm]", "reaction": "reaction_force_{} [lbf]"}
    for match, name in names.items():
        values = {round(float(row[name.format(end)]), 2) for row in table for end in ("low", "median", "high")}
        assert (values == {float(MATCHES[match].split()[0])}) == (match == condition)
    if condition == "pump pressure":  # the fog nozzle's larger opening takes more of the pump's pressure for the hose
        flow, pressure = (float(table[0][key]) for key in ("flow_rate_median [gpm]", "nozzle_pressure [psi]"))
        assert pressure + 15.5 * (flow / 100) ** 2 * 1.5 == pytest.approx(150, rel=0.01)


# The demo


def test_demo_throws_are_those_of_the_plan_in_its_order(field_test):
    order = planning.make_plan(field_test, planning.BLOCKS).order
    thrown = [(int(row["run_order"]), int(row["block"]), row["setup"]) for row in rows(SHEET)]
    assert thrown == [(throw.run_order, throw.block, throw.setup) for throw in order]


def test_demo_throws_are_what_their_script_makes(tmp_path):
    """To the last digit that the sheet writes."""
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
    (2, "nozzle_pressure_psi", "5.2"), (3, "nozzle_pressure_psi", "75 psi"), (4, "nozzle_pressure_psi", "high"),
    (5, "nozzle_pressure_psi", ""), (6, "nozzle_pressure_psi", "120"), (7, "setup", "aa"), (8, "setup", ""),
    (9, "run_order", "1"), (10, "run_order", "9.5"), (11, "pump_pressure_psi", '"140,5"'), (12, "elevation_deg", "95"),
    (13, "elevation_deg", "nan"), (14, "wind_speed_mph", "-3"), (16, "wind_speed_mph", "25"),
    (17, "wind_from_deg", "east"), (18, "breakup_distance_ft", "110"), (19, "last_continuous_water_ft", "200"),
    (20, "farthest_drops_ft", "300"), (21, "farthest_drops_ft", ""), (22, "excluded", "maybe"),
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
    lead = findings(folders / "read")
    assert lead[0].startswith("48 throws of 5 set-ups count, 2 are excluded with a reason")
    table = rows(folders / "read" / "tables" / "overlay.csv")
    assert len(table) == 10
    assert {row["reason"] for row in rows(folders / "read" / "tables" / "excluded.csv")} == {
        "line kinked, seen after the throw", "gust above the wind rule"}  # fmt: skip


def test_taking_the_wind_off_makes_throws_alike(folders):
    """The demo's wind is known exactly, so the corrected throws scatter less."""
    table = rows(folders / "read" / "tables" / "wind_corrected.csv")
    measured, still = (np.mean([float(row[f"{key}_sd [ft]"]) for row in table]) for key in ("measured", "still"))
    assert still < 0.75 * measured


def test_read_names_pairs_with_adjusted_p_and_no_winner_without_it(folders):
    lead = findings(folders / "read")
    table = rows(folders / "read" / "tables" / "paired_tests.csv")
    apart = [row for row in table if float(row["adjusted_p"]) <= 0.05]
    assert f"{len(apart)} of 10 pairs differ in farthest drops" in lead[1]
    assert lead[1].count("adjusted p ") == len(apart) > 0
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


def test_a_median_of_nothing_is_written_as_nothing(folders):
    before = {row["unknown"]: row["before"]
              for row in rows(folders / "calibrate" / "tables" / "learnt.csv")}  # fmt: skip
    assert before["the flowmeter's error"].startswith("0 (")
    assert all(len(text) < 40 for text in before.values())


def test_every_unknown_is_called_by_its_label(folders, field_test):
    words = names.called(field_test)
    assert set(model.unknowns(field_test)) <= set(words)
    assert words["discharge_coefficient[bore_15_16]"] == "discharge coefficient of the 15/16 in smooth bore"
    page = (folders / "calibrate" / "report.html").read_text(encoding="utf-8")
    assert "turbulence factor of the cut-away ball shutoff" in page
    assert "bore 15 16" not in page
    assert "bore_15_16" not in page
    assert all(names.remedy(unknown) for unknown in model.unknowns(field_test))


def test_nothing_is_called_measured_that_was_not_learnt(folders, field_test):
    for setup in field_test.labels:
        text = (folders / "calibrate" / f"calibrated_{setup}.toml").read_text(encoding="utf-8")
        found = tomllib.loads(text)["parameters"].values()
        unknowns = [entry for entry in found if entry["role"] == "unknown"]
        assert {entry["basis"] for entry in unknowns if "learnt" in entry["source"]} == {"assumption"}
        assert all(
            entry["source"] == "posterior of the field test" for entry in unknowns if entry["basis"] == "measured"
        )


@pytest.mark.parametrize(
    ("gone", "basis", "words"),
    [(0.9, "measured", "posterior"), (0.5, "assumption", "partly learnt: "), (0.1, "assumption", "not learnt")],
)
def test_only_what_was_learnt_is_measured(gone, basis, words):
    assert learnt.pedigree(gone)[0] == basis
    assert learnt.pedigree(gone)[1].startswith(words)


def test_report_says_that_its_throws_were_made_by_the_model(folders):
    assert any("made by this very model" in line for line in findings(folders / "calibrate"))


def test_a_nozzle_without_a_label_is_called_by_its_size(tmp_path):
    path = tmp_path / "own.toml"
    text = FILE.read_text(encoding="utf-8")
    for label in ("15/16 in smooth bore", "150 gpm fog nozzle", "attack line"):
        text = text.replace(f'label = "{label}"\n', "")
    path.write_text(text, encoding="utf-8")
    words = names.called(read_field_test(path))
    assert words["discharge_coefficient[bore_15_16]"] == "discharge coefficient of the smooth bore 15/16 in"
    assert words["equivalent_diameter_ratio[fog_150]"] == "coherence of the fog 150 gpm at 50 psi"
    assert words["hose_coefficient[attack]"] == "hose coefficient of the attack line"


def test_calibrated_study_files_feed_the_ranking_study(folders, field_test):
    for setup in field_test.setups:
        space = ParameterSpace.from_toml(folders / "calibrate" / f"calibrated_{setup.name}.toml", extra=("scenario",))
        # What is learnt of a fog nozzle's flow is the size of its opening: its speed is that of its Cv.
        flowing = "tip_diameter" if setup.nozzle.is_fog else "discharge_coefficient"
        assert {"valve_turbulence_factor", flowing, "nozzle_pressure"} <= set(space.names)
        middle = simulate(Stream.from_values({**space.fixed, **space.medians()}))
        assert float(middle["flow_rate"]) == pytest.approx(field_test.matched, rel=0.02)


def test_flow_of_a_fog_nozzle_leaves_its_speed_alone(field_test):
    setup = next(setup for setup in field_test.setups if setup.nozzle.is_fog)
    values = {name: np.repeat(value, 2) for name, value in model.medians(field_test).items()}
    values[model.member(model.CD, setup.nozzle.name)] *= [1.0, 0.95]
    inputs = model.stream_inputs(field_test, setup, values)
    result = model.simulated(field_test, {**inputs, "nozzle_pressure": np.full(2, setup.nozzle.rated_pressure),
                                          "elevation": np.full(2, 30.0)})  # fmt: skip
    assert float(result["flow_rate"][0]) == pytest.approx(setup.nozzle.rated_flow, rel=1e-3)
    for name in ("flow_rate", "reaction_force"):
        assert float(result[name][1] / result[name][0]) == pytest.approx(0.95, rel=1e-9)


def test_words_never_promise(folders):
    for name in COMMANDS:
        page = (folders / name / "report.html").read_text(encoding="utf-8")
        text = re.sub(r"<style>.*?</style>|data:image[^\"]*|<[^>]*>", " ", page, flags=re.DOTALL).lower()
        assert not re.search(r"\bsafe(ly|ty)?\b", text)
        assert "invented department" in text


def test_comparison_takes_the_posterior(folders, tmp_path):
    posterior = str(folders / "calibrate" / "posterior.nc")
    assert run(compare_nozzles.STUDY, ["--quick", "--posterior", posterior, "--output", str(tmp_path / "out")]) == 0
    lead = findings(tmp_path / "out")
    assert "after the test" in lead[0]
    assert "A out-reaches" in lead[0]


# Study files that cannot be used


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('condition = "flow"', 'condition = "flaw"', "match.condition = 'flaw': must be one of"),
        ('value = "185 gpm"', 'value = "185 psi"', "match.value = '185 psi': is a pressure"),
        ('difference = "10 ft"', 'difference = "0 ft"', "wanted.difference = '0 ft': must be above 0"),
        ("power = 0.9", "power = 1.9", "wanted.power = 1.9: allowed is above 0 to below 1"),
        ('mark_spacing = "20 ft"', 'mark_spacing = "1 ft"', "more than 60 marks"),
        ('nozzle = "bore_15_16"', 'nozzle = "bore_15"', "did you mean 'bore_15_16'"),
        ('label = "B: 15/16-inch tip, slide"', 'label = "A: 15/16-inch tip, full ball"', "give each its own"),
        ("[nozzles.fog_150]", '[nozzles."fog 150"]', "a name holds only small letters"),
        ('style = "slide"', 'style = "slid"', "did you mean 'slide'"),
        ("[weights]", "[weigths]", "unknown key 'weigths'; did you mean 'weights'?"),
        ("sd = 0.012", "sd = nan", "sd"),
        ("high = 0.9 }", "High = 0.9, high = 0.9 }", "unknown key 'nozzles.fog_150.equivalent_diameter_ratio.High'"),
        ("low = 0.85, high", "Low = 0.85, high", "did you mean 'low'?"),
        ("ln_sd = 0.4, low = 0.003", "ln_sd = 0.4, lwo = 0.003", "unknown key 'shared.reach_scatter.lwo'"),
        ("reach = 3", "reach = -3", "weights.reach = -3: allowed is 0 to 1000"),
        ('nozzle_pressure = "1.5 psi"', 'nozzle_pressure = "0 psi"', "must be above 0"),
    ],
)
def test_bad_study_files_are_refused_in_one_line(tmp_path, old, new, words):
    path = tmp_path / "own.toml"
    path.write_text(FILE.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_field_test(path)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_hopeless_difference_ends_with_status_2(tmp_path, capsys):
    own = tmp_path / "own.toml"
    shutil.copy(FILE, own)
    own.write_text(own.read_text(encoding="utf-8").replace('"10 ft"', '"2 in"'), encoding="utf-8")
    assert command("plan", tmp_path / "out", "--inputs", str(own)) == 2
    assert "more than 200 throws" in capsys.readouterr().err
