"""The study from the pump: what it opens with, what it writes, and what it refuses."""

import csv
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from jetsim.study import run
from jetsim.supply import pumping, words
from jetsim.supply.found import Loaded, find
from jetsim.units import PSI
from studies.pump_and_crew import STUDY, window_words

FILE = STUDY.default_inputs


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Results of a quick run."""
    out = tmp_path_factory.mktemp("study") / "out"
    assert run(STUDY, ["--quick", "--output", str(out), "--workers", "1"]) == 0
    return out


@pytest.fixture(scope="module")
def loaded() -> Loaded:
    class Quick:
        inputs, quick = FILE, True

    return STUDY.load(Quick())


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_report_opens_with_the_estimated_pump_pressures(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    findings = re.findall(r"<li>(.*?)</li>", page, re.DOTALL)
    first = findings[0]
    assert "estimated pump pressures to be verified by in-line gauge and flowmeter" in first
    assert first.count("of steady reaction") == 3
    assert "within the stated limit" in first
    assert "estimated pump pressures" in findings[1]
    assert page.index("estimated pump pressures") < page.index("<h2>")


def test_the_first_paragraph_says_which_runs_lie_outside_the_tests(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    first, *others = re.findall(r"<li>(.*?)</li>", page, re.DOTALL)
    assert "In all of the runs of the automatic fog, breakup and reach are stretched beyond the tests" in first
    assert not any("stretched beyond" in text for text in others)


def test_lead_and_report_card_say_that_the_waterway_is_clear(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert page.count("Every stream here flies as from a clear waterway") == 2
    assert page.index("clear waterway") < page.index("<h2>")


def with_space(loaded, **changes):
    return replace(loaded, space=replace(loaded.space, **changes))


def measured_on(loaded, *lengths):
    """The department with a breakup length on each of its nozzles; None for an estimated one."""
    nozzles = tuple(replace(n, breakup_length=x) for n, x in zip(loaded.department.nozzles, lengths, strict=True))
    return replace(loaded, department=replace(loaded.department, nozzles=nozzles))


@pytest.mark.parametrize(
    ("fixed", "words_"),
    [
        ({}, "from a clear waterway"),
        ({"valve_turbulence_factor": 1.0}, "from a clear waterway"),
        ({"valve_model": "clear", "valve_turbulence_factor": 1.6}, "from a clear waterway"),
        ({"valve_turbulence_factor": 1.6}, "(valve turbulence factor: 1.6)"),
        ({"valve_model": "loss"}, "(how the valve's turbulence is found: loss)"),
        ({"valve_model": "loss", "valve_turbulence_factor": 1.0}, "(how the valve's turbulence is found: loss; "),
    ],
)
def test_the_shutoff_is_told_as_the_file_states_it(loaded, fixed, words_):
    sentence = words.waterway_sentence(with_space(loaded, fixed={**loaded.space.fixed, **fixed}))
    assert words_ in sentence
    assert ("clear waterway" in sentence) == ("clear waterway" in words_)


def test_a_varied_shutoff_is_told_and_acts(tmp_path):
    text = FILE.read_text(encoding="utf-8") + (
        "\n[parameters.valve_turbulence_factor]\ndistribution = 'uniform'\nlow = 1.9\nhigh = 2.1\n"
        "role = 'unknown'\nbasis = 'assumption'\nsource = 'guess'\n"
    )
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")

    class Own:
        inputs, quick = tmp_path / "own.toml", True

    loaded = STUDY.load(Own())
    assert "1.9 to 2.1" in words.waterway_sentence(loaded)
    pair = loaded.pairs[0]
    assert "valve_turbulence_factor" in pumping.space_of(pair, loaded.space).names


def test_a_measured_breakup_length_is_told(loaded):
    some = words.waterway_sentence(measured_on(loaded, 5.0, None, None))
    assert some.startswith(
        "Every stream here but that of the 15/16-inch smooth bore, whose breakup length was measured"
    )
    assert words.waterway_sentence(measured_on(loaded, 5.0, 4.0, 3.0)).startswith("Breakup lengths were measured")


@pytest.mark.parametrize(
    ("good", "place", "expected"),
    [
        ((3, 5), 4, "between pump pressures of 80.0 psi (5.52 bar) and 100 psi (6.89 bar)"),
        ((0, 2), 1, "between pump pressures of 50.0 psi (3.45 bar), where the sweep begins, and 70.0 psi (4.83 bar)"),
        ((4, 6), 5, "between pump pressures of 90.0 psi (6.21 bar) and 110 psi (7.58 bar), where the sweep ends"),
        ((0, 0), 0, "at a pump pressure of 50.0 psi (3.45 bar), where the sweep begins, and at none tried next to it"),
        ((6, 6), 6, "at a pump pressure of 110 psi (7.58 bar), where the sweep ends, and at none tried next to it"),
        ((3, 3), 3, "at a pump pressure of 80.0 psi (5.52 bar) and at none tried next to it"),
    ],
)
def test_a_window_is_given_by_both_ends_and_says_where_the_sweep_ends(loaded, good, place, expected):
    pump = np.arange(50.0, 111.0, 10.0) * PSI
    both = np.zeros(pump.size)
    both[good[0] : good[1] + 1] = 0.9
    flow = np.full((pump.size, 1), loaded.plan.target_flow)
    # A run of many that all meet both inside the window and none outside it; reach is best at `place`.
    reach = np.full((pump.size, 1), 30.0)
    reach[place] = 31.0
    force = np.where(both > 0, 1.0, 1e6)[:, None]
    runs = {"flow_rate": flow, "supply.crew_force": force, "extreme_reach": reach}
    swept = pumping.Sweep(loaded.pairs[0], pump, runs, np.ones(pump.size, dtype=bool))
    choice = pumping.choose(swept, loaded.department, loaded.plan)
    assert choice.place == place
    assert window_words(choice, "us") == expected


def test_words_never_promise(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    text = re.sub(r"<style>.*?</style>|data:image[^\"]*|<[^>]*>", " ", page, flags=re.DOTALL).lower()
    assert not re.search(r"\bsafe(ly|ty)?\b", text)
    assert "an invented department" in text


def test_figures_and_tables_are_written(folder):
    names = {path.stem for path in (folder / "figures").glob("*.png")}
    over = {f"over_and_under_{nozzle}" for nozzle in ("smooth_bore", "selectable", "automatic")}
    rankings = {f"ranking_{nozzle}" for nozzle in ("smooth_bore", "selectable", "automatic")}
    assert names == {"pump_chart", "operating_choice", *over, *rankings}
    tables = {path.stem for path in (folder / "tables").glob("*.csv")}
    assert {"estimated_pump_pressures", "pump_chart", "believed_against_delivered", "operating_choice"} <= tables
    assert {path.name for path in folder.glob("*.nc")} == {f"{name}.nc" for name in rankings}


def test_pump_chart_covers_every_nozzle_line_length_and_storey(folder):
    chart = rows(folder / "tables" / "pump_chart.csv")
    assert len(chart) == 3 * 2 * 5 * 4
    for row in chart:
        low, middle, high = (float(row[f"{name} [psi]"]) for name in ("low", "supply.pump_pressure", "high"))
        assert low < middle < high
        assert float(row["supply.pump_pressure [bar]"]) == pytest.approx(middle * 0.0689476, rel=1e-6)


def test_every_table_of_pressures_and_flows_shows_both_units(folder):
    for path in (folder / "tables").glob("*.csv"):
        header = list(rows(path)[0])
        for us, metric in (("[psi]", "[bar]"), ("[gpm]", "[L/min]"), ("[lbf]", "[N]"), ("[ft]", "[m]")):
            assert sum(us in name for name in header) == sum(metric in name for name in header), path.name


def test_believed_against_delivered_starts_with_nothing_wrong(folder):
    table = rows(folder / "tables" / "believed_against_delivered_all.csv")
    first = [row for row in table if row["what is wrong"] == "As believed"]
    assert len(first) == 6
    assert all(float(row["flow_rate_change [%]"]) == 0 for row in first)
    low = [row for row in table if row["what is wrong"] == "One setting too low"]
    assert len(low) == 2
    assert all(float(row["flow_rate_change [%]"]) < -5 for row in low)


def test_a_sobol_index_can_be_told_for_flow_and_reach_of_each_nozzle(folder):
    table = rows(folder / "tables" / "sobol_indices.csv")
    outputs = {(row["nozzle"], row["output"]) for row in table}
    assert len(outputs) == 6
    for nozzle, output in outputs:
        shares = [float(row["S1"]) for row in table if (row["nozzle"], row["output"]) == (nozzle, output)]
        assert sum(shares) == pytest.approx(1.0, abs=0.1)


def test_results_do_not_depend_on_workers(loaded):
    one = find(loaded)
    with ThreadPoolExecutor(2) as pool:
        two = find(loaded, pool)
    for a, b in zip(one.choices, two.choices, strict=True):
        assert a.place == b.place
        for name, values in a.swept.runs.items():
            assert np.array_equal(values, b.swept.runs[name], equal_nan=True)
    for a, b in zip(one.rankings, two.rankings, strict=True):
        assert a.results.identical(b.results)


def test_dry_run_tells_the_runs_and_writes_nothing(tmp_path, capsys):
    out = tmp_path / "out"
    assert run(STUDY, ["--dry-run", "--output", str(out)]) == 0
    assert not out.exists()
    printed = capsys.readouterr().out
    assert "6 pairs of nozzle and line" in printed
    assert f"{256 * 16 * (18 + 20 + 18):,} to rank the inputs" in printed


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('length = "200 ft" }]', 'length = "-200 ft" }]', "lines.preconnect.sections[0].length = -200 ft: allowed is"),
        ('tip_diameter = "15/16 in"', 'tip_diameter = "0 in"', "nozzles.smooth_bore.tip_diameter = 0 in: allowed is"),
        ('setting = "150 gpm"', 'setting = "140 gpm"', "nozzles.selectable: setting = 140 gpm"),
        ('target_pressure = "50 psi"', 'target_pressure = "250 psi"', "beyond the supply; the best achievable is"),
        ('"breakup_distance", ', "", "outputs lacks 'breakup_distance'"),
        ('low = "50 psi"', 'low = "5 psi"', "sweep.low: parameters.supply.pump_pressure_error would bring the pump"),
        ('error = "-20 psi"', 'error = "-400 psi"', "mistakes: 'pump 20 psi low' would bring the pump below 0"),
        ("values = [-1, 0]", "values = [-1.5, 0]", "parameters.supply.setting_step: setting_step = -1.5: must be"),
        ('elevation = "30 deg"', 'tip_diameter = "1 in"', "fixed.tip_diameter: tip_diameter is set by the nozzle"),
        (
            'elevation = "30 deg"',
            '"supply.tip_wear" = 1.1',
            "parameters.supply.tip_wear: supply.tip_wear is in [fixed]",
        ),
        ('elevation = "30 deg"', '"supply.friction_ratio" = 1.1', "fixed.supply.friction_ratio: state it under"),
        (
            "parameters.wind_across]",
            "parameters.wind_acros]",
            "unknown input 'wind_acros'; did you mean 'wind_across'?",
        ),
        ("[crew]", "[crow]", "unknown key 'crow'; did you mean 'crew'?"),
        (
            'elevation = "30 deg"',
            'breakup_length = "20 ft"',
            "fixed.breakup_length: a breakup length belongs to the nozzle that it was measured on; give it as "
            "nozzles.smooth_bore.breakup_length or nozzles.selectable",
        ),
        ('target_flow = "150 gpm"\nmax', 'target_flow = "150 gpm"\nbreakup_length = "9 psi"\nmax', "breakup_length"),
    ],
)
def test_wrong_study_files_end_with_one_line(tmp_path, capsys, old, new, message):
    text = FILE.read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "own.toml").write_text(text.replace(old, new), encoding="utf-8")
    out = tmp_path / "out"
    assert run(STUDY, ["--inputs", str(tmp_path / "own.toml"), "--output", str(out)]) == 2
    error = capsys.readouterr().err.strip()
    assert message in error
    assert error.startswith("error: ")
    assert "\n" not in error
    assert "own.toml" in error
    assert not out.exists()


def test_a_parameter_that_the_study_finds_is_refused(tmp_path, capsys):
    text = FILE.read_text(encoding="utf-8").replace("supply.tip_wear]", "supply.pump_pressure]")
    text = text.replace("low = 0.995\nmode = 1.0\nhigh = 1.01", 'low = "90 psi"\nmode = "100 psi"\nhigh = "110 psi"')
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    assert run(STUDY, ["--inputs", str(tmp_path / "own.toml"), "--output", str(tmp_path / "out")]) == 2
    assert "vary supply.pump_pressure_error instead" in capsys.readouterr().err
