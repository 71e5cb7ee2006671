"""The study from the pump: what it opens with, what it writes, and what it refuses."""

import copy
import csv
import json
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr

from jetsim import findings
from jetsim.equipment.department import read_department
from jetsim.equipment.questions import load_question
from jetsim.equipment.setups_table import setups_table
from jetsim.equipment.words import labelled, overrides_sentence
from jetsim.flags import MIST, VALIDITY
from jetsim.pumping import pictures, runs, tables, words
from jetsim.pumping.question import BEST, PumpQuestion, check_together
from jetsim.pumping.runs import Loaded, find
from jetsim.report import display
from jetsim.report.figures import Words
from jetsim.report.tables import csv_text
from jetsim.study import run
from jetsim.toml import load_toml
from jetsim.units import PSI
from studies import pump_and_crew
from studies.pump_and_crew import STUDY, choice_section
from tests.reports import faults, in_both_systems

FILE = STUDY.default_inputs
DEPARTMENT = FILE.with_name("department.toml")
SIX = Path(__file__).parent / "departments" / "six.toml"
DEMO, ALL_SIX = ("a", "f", "g"), ("bore_ball", "bore_slide", "ring_ball", "ring_slide", "auto_ball", "auto_slide")


def small_question(folder: Path, **changed: str) -> Path:
    """The study's question with few runs, beside its department; `changed` replaces old text by new."""
    text = FILE.read_text(encoding="utf-8").replace("base_samples = 256", "base_samples = 16\nreplicates = 4")
    for old, new in changed.values():
        assert old in text, old
        text = text.replace(old, new)
    (folder / "department.toml").write_bytes(DEPARTMENT.read_bytes())
    (folder / "own.toml").write_text(text, encoding="utf-8")
    return folder / "own.toml"


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    """Results of a small run on the demo department, and the findings in both systems of units."""
    out = tmp_path_factory.mktemp("study") / "out"
    question = small_question(out.parent)
    argv = ["--inputs", str(question), "--output", str(out), "--quick", "--workers", "1"]
    return out, in_both_systems(pump_and_crew, argv)


@pytest.fixture(scope="module")
def folder(flown):
    """The folder alone."""
    return flown[0]


def test_the_report_is_for_officers_in_either_system_of_units(flown):
    assert faults(flown[1]) == []


@pytest.fixture(scope="module")
def six():
    """Three kinds of nozzle behind two shutoffs each, on a line of two sections; few runs."""
    asked = load_question(FILE, PumpQuestion, SIX, ALL_SIX)
    loaded = Loaded(replace(asked, question=asked.question.model_copy(update={"base_samples": 8, "replicates": 2})))
    check_together(loaded.asked)
    return loaded, find(loaded)


def loaded_of(change=lambda content: None, setups=DEMO, **question) -> Loaded:
    """The question with few runs, of a department that `change` alters."""
    asked = load_question(FILE, PumpQuestion)
    content = copy.deepcopy(load_toml(DEPARTMENT))
    change(content)
    department = read_department(content)
    few = asked.question.model_copy(update={"base_samples": 8, "replicates": 2, **question})
    return Loaded(replace(asked, question=few, department=department, setups=department.chosen(setups)))


@pytest.fixture(scope="module")
def loaded() -> Loaded:
    return loaded_of()


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def leads(folder: Path) -> list[str]:
    page = (folder / "report.html").read_text(encoding="utf-8")
    further = re.split("<h2", page)[1]
    items = re.findall(r"<li>(.*?)</li>", further, re.DOTALL)
    return [re.sub("<[^>]+>", "", text) for text in items]  # terms carry their explanation


def test_report_opens_with_the_estimated_pump_pressures(folder):
    findings = leads(folder)
    for text, setup in zip(findings[:3], "AFG", strict=True):
        assert text.startswith(f"{setup}: ")
        assert "to be verified by in-line gauge and flowmeter" in text
        assert "of steady reaction" in text
        assert "within the stated limit of" in text


def test_what_lies_outside_the_tests_is_said_nozzle_by_nozzle_below_a_lead_that_tells_no_reach(flown):
    for one in flown[1].values():
        assert not any("reach" in text for text in one.report.lead)
        told = [text for text in one.report.further if "breakup and reach are less sure" in text]
        assert any("computed throws with the automatic fog nozzle at its estimated pump pressure" in t for t in told)


def test_mist_is_counted_among_the_runs_that_look_for_it():
    bits = {text: bit for bit, text in VALIDITY.items()}
    speed = bits["exit speed outside the flight fit"]
    looked = xr.Dataset({"validity": ("sample", [MIST, MIST | speed, 0]), BEST: ("sample", [1.0, 2.0, 3.0])})
    others = xr.Dataset({"validity": ("sample", [speed, 0, 0, 0, 0])})
    counts = words.validity_counts(SimpleNamespace(datasets=[looked, others, xr.Dataset()]))
    assert {one.words: (one.count, one.total) for one in counts} == {VALIDITY[MIST]: (2, 3), VALIDITY[speed]: (2, 8)}


@pytest.mark.parametrize(
    ("system", "unit", "digits", "flow_unit"), [("us", "psi", 0, "gpm"), ("si", "bar", 1, "L/min")]
)
def test_the_lead_starts_from_the_pump_pressure_that_every_study_tells(flown, system, unit, digits, flow_unit):
    """That of a line without kinks, as in the table of the set-ups; kinks and hose stand beside it."""
    out, both = flown
    column = {"us": "value [US]", "si": "value [metric]"}[system]
    told = rows(out / "tables" / "setups.csv")
    every, flow = (
        {row["setup"]: float(row[column]) for row in told if row["quantity"] == name}
        for name in ("pump_pressure", "flow_rate")
    )
    spread = {row["setup"]: row for row in rows(out / "tables" / "estimated_pump_pressures.csv")}
    for label, text in zip(every, both[system].report.lead, strict=False):
        middle, low, high = (
            float(spread[label][f"{name} [{unit}]"]) for name in ("supply.pump_pressure", "low", "high")
        )
        assert text == (
            f"{label} ({flow[label]:.0f} {flow_unit}): start from {every[label]:.{digits}f} {unit} at the pump for a "
            f"line without kinks (with kinks, hose and nozzle as they may be, {middle:.{digits}f} {unit} in the middle "
            f"and {low:.{digits}f} to "
            f"{high:.{digits}f} {unit} in nine of ten computed throws), to be verified by in-line gauge and flowmeter."
        )
        assert middle > every[label]


@pytest.mark.parametrize(
    ("system", "unit", "digits", "flow"), [("us", "psi", 0, "150 gpm"), ("si", "bar", 1, "568 L/min")]
)
def test_the_lead_ends_with_who_gives_the_flow_wanted_and_who_does_not(flown, system, unit, digits, flow):
    """Pump pressure and chances are those of the table of choices."""
    out, both = flown
    choices = rows(out / "tables" / "operating_choice.csv")
    (best,) = (row for row in choices if row["wanted chance"] == "yes")
    short = [row for row in choices if row["wanted chance"] == "no"]
    assert len(short) == 2
    share, *others = (display.counted(float(row["both [%]"]) / 100, "throws") for row in (best, *short))
    named = ", ".join(f"{row['setup']} in {other}" for row, other in zip(short, others, strict=True))
    assert both[system].report.lead[-1] == (
        f"{best['setup']} gives the flow wanted within the stated limit for three firefighters in "
        f"{share.replace('throws', 'computed throws')} (pumped at "
        f"{float(best[f'supply.pump_pressure [{unit}]']):.{digits}f} {unit}, for {flow} or more; however pumped, at "
        f"most {named})."
    )


def test_the_lead_says_where_no_set_up_gives_the_flow_wanted(six):
    loaded, found = six
    wanted = loaded.question.choice.model_copy(update={"probability": 0.99})
    choices = [runs.choose(sweep, wanted) for sweep in found.sweeps]
    best = max((choice for choice in choices if not choice.met), key=lambda choice: choice.merit)
    short = [choice for choice in choices if not choice.met]
    share = display.counted(float(best.chances.both[best.place]), "computed throws", 0.99)
    for system, flow in (("us", "150 gpm"), ("si", "568 L/min")):
        pump = display.spoken("supply.pump_pressure", best.pump_pressure, system)
        assert words.choice_headline(short, wanted, system) == (
            "No set-up gives the flow wanted within its crew's stated limit as often as is wanted; nearest comes "
            f"{best.swept.subject.setup.label} in {share} (pumped at {pump}; wanted: {flow} or more in 99 of 100 "
            "throws)."
        )
    assert words.choice_headline([], wanted, "us") == ""


def test_lead_and_report_card_say_which_shutoff_acts(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert any(text.startswith("With the turbulence that the full ball adds: A: ") for text in leads(folder))
    assert "With the turbulence that the full ball adds (valve turbulence factor before the tip lognormal" in page


def test_the_report_says_what_its_inputs_rest_on(folder):
    assert any(re.match(r"None of the \d+ inputs that nobody sets was measured: all are", t) for t in leads(folder))


@pytest.mark.parametrize(
    ("shutoff", "setup", "words_"),
    [
        (None, {}, "Flown as from a clear waterway"),
        ({"valve_turbulence_factor": 1.0}, {}, "Flown as from a clear waterway"),
        ({"valve_turbulence_factor": 1.6}, {}, "adds (valve turbulence factor 1.60): A: "),
        ({"style": "slide"}, {"breakup_length": "14 ft"}, "The breakup length was measured, so whatever"),
        ({"style": "slide"}, {"valve_turbulence_factor": 1.7}, "adds (valve turbulence factor 1.70): A: "),
    ],
)
def test_the_shutoff_is_told_as_it_acts(shutoff, setup, words_):
    def change(content):
        content["setups"]["a"] |= setup
        content["shutoffs"]["own"] = shutoff or {"style": "slide"}
        content["setups"]["a"]["shutoff"] = "own"
        if shutoff is None:
            del content["setups"]["a"]["shutoff"]

    sentences = words.waterway_sentences(loaded_of(change), detail=True)
    assert sentences.split("A: ")[0] + "A: " in sentences
    assert words_ in sentences.partition(": F: ")[0]
    assert "With the turbulence that the full ball adds" in sentences  # the others keep their shutoff


@pytest.mark.parametrize(
    ("good", "place", "expected"),
    [
        ((3, 5), 4, "between pump pressures of 80.0 psi and 100 psi"),
        ((0, 2), 1, "between pump pressures of 50.0 psi, where the sweep begins, and 70.0 psi"),
        ((4, 6), 5, "between pump pressures of 90.0 psi and 110 psi, where the sweep ends"),
        ((0, 0), 0, "at a pump pressure of 50.0 psi, where the sweep begins, and at none tried next to it"),
        ((6, 6), 6, "at a pump pressure of 110 psi, where the sweep ends, and at none tried next to it"),
        ((3, 3), 3, "at a pump pressure of 80.0 psi and at none tried next to it"),
    ],
)
def test_a_window_is_given_by_both_ends_and_says_where_the_sweep_ends(loaded, good, place, expected):
    pump = np.arange(50.0, 111.0, 10.0) * PSI
    both = np.zeros(pump.size)
    both[good[0] : good[1] + 1] = 0.9
    flow = np.full((pump.size, 1), loaded.question.choice.target_flow)
    # A run of many that all meet both inside the window and none outside it; reach is best at `place`.
    reach = np.full((pump.size, 1), 30.0)
    reach[place] = 31.0
    force = np.where(both > 0, 1.0, 1e6)[:, None]
    made = {"flow_rate": flow, "supply.crew_force": force, "extreme_reach": reach}
    swept = runs.Sweep(loaded.subjects[0], pump, made, np.ones(pump.size, dtype=bool))
    choice = runs.choose(swept, loaded.question.choice)
    assert choice.place == place
    assert words.window_words(choice, "us").removeprefix("target flow and stated limit are both met ") == expected


def test_words_never_promise(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    text = re.sub(r"<style>.*?</style>|data:image[^\"]*|<[^>]*>", " ", page, flags=re.DOTALL).lower()
    assert not re.search(r"\bsafe(ly|ty)?\b", text.replace("fire safety journal", ""))
    assert "an invented department" in text


def test_figures_and_tables_are_written(folder):
    rankings = {f"ranking_{name}" for name in DEMO}
    over = {f"over_and_under_{name}" for name in DEMO}
    names = {path.stem for path in (folder / "figures").glob("*.png")}
    assert names == {"pump_chart", "operating_choice", *over, *rankings}
    tables = {path.stem for path in (folder / "tables").glob("*.csv")}
    assert {"estimated_pump_pressures", "pump_chart", "believed_against_delivered", "setups", *rankings} <= tables
    assert {path.name for path in folder.glob("*.nc")} == {f"{name}.nc" for name in rankings}


def test_every_study_writes_the_same_set_ups(folder):
    asked = load_question(FILE, PumpQuestion)
    table = setups_table(asked.department, asked.setups, asked.learnt)
    assert (folder / "tables" / "setups.csv").read_text(encoding="utf-8") == csv_text(table.csv_columns())
    assert {row["setup"][:2] for row in rows(folder / "tables" / "setups.csv")} == {"A:", "F:", "G:"}


def test_pump_chart_covers_every_set_up_length_and_storey(folder):
    chart = rows(folder / "tables" / "pump_chart.csv")
    assert len(chart) == 3 * 5 * 4
    for row in chart:
        low, middle, high = (float(row[f"{name} [psi]"]) for name in ("low", "supply.pump_pressure", "high"))
        assert low < middle < high
        assert float(row["supply.pump_pressure [bar]"]) == pytest.approx(middle * 0.0689476, rel=1e-6)


def test_every_table_of_pressures_and_flows_shows_both_units(folder):
    for path in (folder / "tables").glob("*.csv"):
        header = list(rows(path)[0])
        for us, metric in (("[psi]", "[bar]"), ("[gpm]", "[L/min]"), ("[lbf]", "[N]"), ("[ft]", "[m]")):
            assert sum(us in name for name in header) == sum(metric in name for name in header), path.name


def test_a_metric_edition_leads_with_metric_units(six):
    lead = words.lead(six[1], six[0].question.choice, "si")
    for text in (*lead, *words.further(*six, "si")):
        plain = re.sub(r"\([^()]*\)", "", text)
        assert not re.search(r"\d (psi|gpm|lbf|ft|in|mph)\b", plain), text
    assert re.search(r"start from \d+\.\d bar at the pump", lead[0])
    low = runs.Deviation(pump_pressure_error=-20 * PSI)
    assert words.deviation_words(low, "si", units_only=True).startswith(
        "gauge error at the pump \N{MINUS SIGN}1.38 bar"
    )
    assert words.deviation_words(runs.Deviation(setting_step=-1), "si", units_only=True) == ""


def test_a_shutoff_moves_the_reach_and_not_the_pump(six):
    _, found = six
    of = {one.subject.setup.name: one for one in found.estimates}
    assert tuple(of) == ALL_SIX
    for kind in ("bore", "ring", "auto"):
        ball, slide = of[f"{kind}_ball"], of[f"{kind}_slide"]
        assert float(ball.pump_pressure.middle) == float(slide.pump_pressure.middle)
        breakup = [np.median(one.delivered["breakup_distance"]) for one in (ball, slide)]
        assert breakup[1] < breakup[0]  # 1.1 to 1.6 upstream and down, against the full ball's 1.3 before the tip


def test_a_line_with_six_set_ups_is_drawn_and_tabled(six):
    loaded, found = six
    chart = pictures.pump_chart(loaded, found, Words("pump_chart", "x"), "si")
    assert set(chart.data["line"]) == {name.replace("_", " ") for name in ALL_SIX}
    choices = tables.choice_table(found)
    assert len(choices.csv_columns()["setup"]) == 6
    assert len(tables.short_chart(loaded, found, "si").rows("si")) == 6 * 4
    assert tables._lengths([30.48, 60.96], "si") == ["30.5 m", "61.0 m"]
    assert tables._lengths([30.48, 30.5], "si") == ["30.48 m", "30.5 m"]


def test_believed_against_delivered_starts_with_nothing_wrong(folder):
    table = rows(folder / "tables" / "believed_against_delivered_all.csv")
    first = [row for row in table if row["what is wrong"] == "As believed"]
    assert len(first) == 3
    assert all(float(row["flow_rate_change [%]"]) == 0 for row in first)
    low = [row for row in table if row["what is wrong"] == "One setting too low"]
    assert [row["setup"][:1] for row in low] == ["F"]
    assert float(low[0]["flow_rate_change [%]"]) < -5


def test_what_moves_flow_and_reach_is_told_for_each_set_up(folder):
    for name in DEMO:
        table = rows(folder / "tables" / f"ranking_{name}.csv")
        assert {row["output"] for row in table} == {"flow", "extreme reach"}
        assert all(
            0.5 < sum(float(r["S1"]) for r in table if r["output"] == o) < 1.5 for o in ("flow", "extreme reach")
        )


def test_the_manifest_names_the_department(folder):
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    assert "department.toml" in json.dumps(manifest)


@pytest.mark.slow
def test_results_do_not_depend_on_workers():
    loaded = loaded_of(setups=("a", "g"))
    one = find(loaded)
    with ThreadPoolExecutor(2) as pool:
        two = find(loaded, pool)
    for a, b in zip(one.sweeps, two.sweeps, strict=True):
        for name, values in a.runs.items():
            assert np.array_equal(values, b.runs[name], equal_nan=True)
    for a, b in zip(one.rankings, two.rankings, strict=True):
        assert a.results.identical(b.results)


def without_limits(content):
    for name in ("two", "three"):
        del content["crews"][name]["limits"]
    del content["setups"]["g"]["crew"]


def test_crews_without_a_stated_limit_are_told_and_given_no_number():
    loaded = loaded_of(without_limits, ("a", "g"))
    found = find(loaded)
    text = " ".join([*words.lead(found, loaded.question.choice, "us"), *words.further(loaded, found, "us")])
    assert "No handling limit is stated for its crew of three firefighters" in text
    assert "No handling limit is stated for a crew, for it names none" in text
    assert "there is no operating choice to tell" in text
    assert "nan" not in text.lower()
    assert "within" not in text.replace("within the draws", "")
    assert tables.choice_table(found) is None
    shown = tables.cost_table(found, "us").rows("us")
    assert all("no limit stated" in row for row in shown)
    assert words.window_title(None, loaded.subjects[0], "us").endswith("so nothing is said of holding it")
    section = choice_section(loaded, found, "us")
    assert not section.plots
    assert not section.tables
    assert not pictures.crew_limits(loaded.subjects[0])


def test_one_limit_is_labelled_and_its_band_ends_at_the_next_smaller_crew(loaded):
    band, limit = pictures.crew_limits(loaded.subjects[0])
    assert (band.label, limit.label) == ("", "limit stated for three firefighters")
    assert band.high == limit.value == pytest.approx(95 * 4.4482216)
    assert band.value == loaded.subjects[0].limits.limit(2)


def test_each_set_up_is_held_against_its_own_crew():
    loaded = loaded_of(lambda content: content["setups"]["g"].update(crew="two"))
    bore, _, auto = loaded.subjects
    assert [int(s.setup.crew.firefighters) for s in (bore, auto)] == [3, 2]
    force = 90 * 4.4482216
    assert bore.within(force)
    assert not auto.within(force)


def test_what_is_measured_and_what_is_stated_otherwise_is_told():
    measured = {"distribution": "normal", "mean": 0.98, "sd": 0.005, "high": 0.998, "basis": "measured", "source": "x"}
    loaded = loaded_of(lambda content: content["nozzles"]["bore_15_16"].update(discharge_coefficient=measured))
    told = findings.standing_sentence(labelled(loaded.asked))
    assert told.startswith("Measured: discharge coefficient: 15/16-inch smooth bore. As believed: the ")
    assert overrides_sentence(loaded.asked, "us") == ""
    override = PumpQuestion.model_validate({**load_toml(FILE), "beliefs": {"flight_constants.drop_scale": 1.1}})
    other = replace(loaded.asked, question=override)
    assert overrides_sentence(other, "us").startswith("This study states otherwise than the package: ")
    assert "(1.10)" in overrides_sentence(other, "us")


def test_dry_run_tells_the_runs_and_writes_nothing(tmp_path, capsys):
    out = tmp_path / "out"
    assert run(STUDY, ["--dry-run", "--output", str(out)]) == 0
    assert not out.exists()
    printed = capsys.readouterr().out
    assert f"3 set-ups: {3 * 1024 * 33:,} runs over pump pressures, {3 * 1024:,} at the estimated ones" in printed


FLIPPED = ('"the pump set too high"', '"The pump set too low"')


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('["100 ft"', '["-100 ft"', "chart.lengths[0] = -100 ft: allowed is"),
        ('["100 ft"', "[" + '"100 ft", ' * 20 + '"100 ft"', "chart.lengths"),
        ("storeys = [0, 1", "storeys = [0.5, 1", "chart.storeys[0] = 0.5: must be a whole number"),
        ('low = "50 psi"', 'low = "250 psi"', "sweep: low must be above 0 and below high"),
        ("probability = 0.8", "probability = 1.0", "choice.probability = 1.0: allowed is below 1"),
        ('low = "50 psi"', 'low = "5 psi"', "sweep.low: vary.supply.pump_pressure_error would bring the pump below 0"),
        ('error = "-20 psi"', 'error = "-400 psi"', "mistakes: 'the pump set too low' would bring the pump below 0"),
        ("values = [-1, 0]", "values = [-1.5, 0]", "vary.supply.setting_step: setting_step = -1.5: must be"),
        ("setting_step = -2", "setting_step = -1.5", "mistakes.two_settings_low: setting_step = -1.5: must be a whole"),
        ('label = "opening 1 % wider", tip_wear = 1.01', 'label = "x"', "mistakes.worn: is empty: state one of"),
        (*FLIPPED, "mistakes.pump_high.label = 'The pump set too low': is also the label of mistakes.pump_low"),
        ('"the pump set too high"', '"as believed"', "mistakes.pump_high.label = 'as believed': is also what the"),
        ("[vary]", '[fixed]\ntip_diameter = "1 in"\n[vary]', "fixed.tip_diameter: is set by the nozzle and the line"),
        ("[vary]", "[fixed]\n'supply.friction_ratio' = 1.1\n[vary]", "fixed.supply.friction_ratio: state it in the"),
        ('pressure_error" = { distribution = "uniform", low = "-10 psi"',
         'pressure" = { distribution = "uniform", low = "1 psi"', "vary.supply.pump_pressure: the study finds it"),
        ("seed =", 'outputs = ["flow_rate"]\nseed =', "outputs lacks 'reaction_force', which this study shows"),
        ('drive = "pump"', 'drive = "nozzle"', "drive = 'nozzle': must be one of pump"),
        ('study = "pump_and_crew"', 'study = "rank_controls"', "is a question for rank_controls, not for"),
        ('setups = ["a",', 'setups = ["z",', "setups = 'z': there is no [setups.z]"),
        ("[mistakes]", "[mistaks]", "unknown key 'mistaks'; did you mean 'mistakes'?"),
    ],
)  # fmt: skip
def test_wrong_questions_end_with_one_line_each(tmp_path, capsys, old, new, message):
    question = small_question(tmp_path, change=(old, new))
    out = tmp_path / "out"
    assert run(STUDY, ["--inputs", str(question), "--output", str(out)]) == 2
    errors = capsys.readouterr().err.strip().splitlines()
    assert any(message in line for line in errors), errors
    assert all(line.startswith("error: ") and "own.toml" in line for line in errors)
    assert not out.exists()


def test_set_ups_that_the_pump_cannot_serve_are_all_named(tmp_path, capsys):
    text = DEPARTMENT.read_text(encoding="utf-8").replace('target_pressure = "50 psi"', 'target_pressure = "250 psi"')
    text = text.replace('line = "courtyard"\n', "")
    (tmp_path / "other.toml").write_text(text, encoding="utf-8")
    out = tmp_path / "out"
    assert run(STUDY, ["--department", str(tmp_path / "other.toml"), "--output", str(out)]) == 2
    errors = capsys.readouterr().err.strip().splitlines()
    assert "target of setups.a = " in errors[0]
    assert "beyond the supply; the best achievable is" in errors[0]
    assert "setups.f: has no line, so no pump pressure can be told" in errors[1]
    assert not out.exists()


def test_a_department_in_the_place_of_the_question_is_named(tmp_path, capsys):
    assert run(STUDY, ["--inputs", str(DEPARTMENT), "--output", str(tmp_path / "out")]) == 2
    assert "is a department, not a question" in capsys.readouterr().err
    assert run(STUDY, ["--department", str(FILE), "--output", str(tmp_path / "out")]) == 2
    assert "is a question for pump_and_crew, not a department" in capsys.readouterr().err
