"""The ranking study from study file to report: what it writes, how it repeats, and what it refuses."""

import csv
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from jetsim.rankings.runs import PATHS
from jetsim.report.cautions import CAUTIONS, printed
from jetsim.report.provenance import Record, write_manifest
from jetsim.study import Options, run
from studies import rank_controls
from studies.rank_controls import STUDY
from tests.reports import faults, in_both_systems, without_pictures

ROOT = Path(__file__).resolve().parents[1]
FILE = ROOT / "tests/whole_space.toml"
TEXT = FILE.read_text(encoding="utf-8")
FIGURES = {"side_view", "indices", "effects", "sweep", "convergence"}
TABLES = {"indices", "roles", "outputs", "groups", "parts"}
PRESSURES, TIPS = '["30 psi", "80 psi"]', '["3/4 in", "1 1/4 in"]'
CHOICE = """
[parameters.drag_model]
distribution = "choice"
values = ["two_stag", "vacuum"]
role = "structural"
basis = "assumption"
source = "a misspelt law"
"""
IDLE = """
[latents.idle]
role = "unknown"
basis = "assumption"
source = "drives nothing"
"""


def edited(*pairs: tuple[str, str], base_samples: int = 16, replicates: int = 4) -> str:
    """The study file with few runs, and each text replaced once."""
    text = re.sub(r"base_samples = \d+", f"base_samples = {base_samples}", TEXT)
    text = re.sub(r"replicates = \d+", f"replicates = {replicates}", text)
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def files(place: Path) -> dict[str, bytes]:
    return {path.relative_to(place).as_posix(): path.read_bytes() for path in place.rglob("*") if path.is_file()}


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def plain_text(page: str) -> str:
    """Without the marks of words that the glossary explains."""
    return re.sub(r"<[^>]+>", "", page)


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    """A folder with a small study file and its results, and the findings in both systems of units."""
    place = tmp_path_factory.mktemp("study")
    (place / "my.toml").write_text(edited(), encoding="utf-8")
    argv = ["--inputs", str(place / "my.toml"), "--output", str(place / "out"), "--workers", "1"]
    return place, in_both_systems(rank_controls, argv)


@pytest.fixture(scope="module")
def small(flown) -> Path:
    """The folder alone."""
    return flown[0]


# ---------------------------------------------------------------------------------------------------------
# What it writes


def test_the_folder_holds_every_part(small):
    found = files(small / "out")
    for name in FIGURES:
        assert len(rows(small / "out/figures" / f"{name}.csv")) > 3
    expected = {f"figures/{name}.{ending}" for name in FIGURES for ending in ("png", "svg", "pdf", "csv")}
    expected |= {f"tables/{name}.csv" for name in TABLES}
    assert set(found) == expected | {"report.html", "manifest.json", "results.nc", "indices.nc", "white_paper.docx"}


def test_the_report_opens_with_leaders_and_shares_and_ends_with_cautions(small):
    page = (small / "out/report.html").read_text(encoding="utf-8")
    lead, _, rest = page.partition("<h2>")
    assert re.search(r"Flow(: too few| depends most on)", plain_text(lead))
    found = re.findall(r"<li>(.*?)</li>", rest.partition("<h2>")[0], re.DOTALL)
    findings = [plain_text(sentence) for sentence in found]
    for output, sentence in zip(
        ("Extreme reach", "Breakup distance", "Flow", "Nozzle reaction"), findings, strict=False
    ):
        assert sentence.startswith(output)
        assert re.search(r"\w+ \(\d+ % of all that moves it or leaves it in doubt, -?\d+ to \d+\)", sentence), sentence
    assert any("falls to what the crew controls" in sentence for sentence in findings)
    assert any("inputs are assumed: " in sentence and "describe what is not known" in sentence for sentence in findings)
    assert "Invented department" in page
    assert page.rindex("<li>" + CAUTIONS[-1].replace("'", "&#39;")) > page.rindex("<figure")
    for name in FIGURES:
        assert f'id="figure-{name}"' in page
    for name in TABLES:
        assert f'id="table-{name}"' in page


def test_the_report_is_for_officers_in_either_system_of_units(flown):
    assert faults(flown[1]) == []


def test_the_leader_in_words_is_the_leader_in_the_table(small):
    table = [row for row in rows(small / "out/tables/indices.csv") if row["output"] == "flow"]
    assert max(table, key=lambda row: float(row["ST"]))["input"] == "nozzle pressure"
    page = plain_text((small / "out/report.html").read_text(encoding="utf-8"))
    assert re.search(r"Flow is moved most by nozzle pressure|Flow: too few .* largest shares: nozzle pressure", page)


def test_netcdf_and_manifest_agree_with_the_study_file(small):
    with xr.open_dataset(small / "out/results.nc", engine="h5netcdf") as results:
        columns = json.loads(results.attrs["layout"])["columns"]
        wholes_and_groups = 3
        # Twice the 16 base samples, which do not settle the order.
        assert results.sizes["sample"] == 32 * 4 * (2 * len(columns) + 2 * wholes_and_groups + 2)
        assert results["extreme_reach"].attrs["units"] == "m"
        assert float(results["extreme_reach"].min()) > 0
        assert results["nozzle_pressure"].min() > 0
    with xr.open_dataset(small / "out/indices.nc", engine="h5netcdf") as indices:
        assert indices["ST"].dims == ("output", "parameter")
        assert {"valve_upstream_factor", "nozzle_pressure"} <= set(indices["parameter"].values.tolist())
    manifest = json.loads((small / "out/manifest.json").read_text(encoding="utf-8"))
    assert manifest["seed"] == 20261125
    assert manifest["counts"]["failures"] == 0
    assert set(manifest["outputs"]) == set(files(small / "out")) - {"manifest.json"}


def test_outputs_are_tabled_in_both_units(small):
    table = {row["output"]: row for row in rows(small / "out/tables/outputs.csv")}
    reach = table["extreme reach"]
    assert (reach["unit [US]"], reach["unit [metric]"]) == ("ft", "m")
    assert float(reach["q50 [US]"]) * 0.3048 == pytest.approx(float(reach["q50 [metric]"]), rel=1e-8)
    assert float(reach["q05 [US]"]) < float(reach["q50 [US]"]) < float(reach["q95 [US]"])


@pytest.mark.slow
@without_pictures()
def test_again_with_other_workers_gives_the_same_bytes(small, tmp_path, capsys):
    argv = ["--inputs", str(small / "my.toml"), "--output", str(tmp_path / "out"), "--workers", "2"]
    assert run(STUDY, argv) == 0
    before, after = files(small / "out"), files(tmp_path / "out")
    assert after.keys() == before.keys()
    # Numbers are the same to the byte. Pictures hold the same data; the report also names the commit.
    numbers = [name for name in before if name.endswith((".csv", ".nc"))]
    assert len(numbers) >= 10
    assert [name for name in numbers if before[name] != after[name]] == []
    assert capsys.readouterr().out.rstrip().endswith(printed())


def test_dry_run_tells_the_runs_and_writes_nothing(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run(STUDY, ["--dry-run"]) == 0
    shown = capsys.readouterr().out
    block = int(re.search(r"128 base samples x 16 replicates x (\d+)", shown).group(1))
    assert f"{128 * 16 * block:,} runs to rank" in shown
    assert run(STUDY, ["--dry-run", "--quick"]) == 0
    assert f"{32 * 8 * block:,} runs to rank" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []


@without_pictures()
def report_of(tmp_path: Path, text: str, **options):
    """The report of a study file, without writing it."""
    (tmp_path / "my.toml").write_text(text, encoding="utf-8")
    chosen = Options(tmp_path / "my.toml", tmp_path / "out", **options)
    return STUDY.compute(STUDY.load(chosen), chosen).report


# ---------------------------------------------------------------------------------------------------------
# A target that not every throw reaches


def above_ground(rule: str, height: str = "30 ft") -> str:
    pairs = [("[fixed]", f'[fixed]\ntarget_height = "{height}"'), ("title =", f'undefined = "{rule}"\ntitle =')]
    return edited(*pairs, base_samples=32)


def test_reach_is_ranked_among_the_throws_that_reach(tmp_path):
    report = report_of(tmp_path, above_ground("rank reaching", "18 ft"))
    share = re.match(r"The target height \(18.0 ft\) is reached in (\d+) of 100 computed throws\.", report.lead[0])[1]
    assert report.lead[1].startswith("Among the throws that reach the target, extreme reach")
    assert report.further[0].startswith("Among the throws that reach the target: extreme reach")
    assert report.further[1].startswith(f"These shares are estimated from the {share} % of the throws that reach")
    assert "Total shares are left out" in report.further[1]
    assert "flow efficiency of the tip" in report.further[1]
    assert report.further[2].startswith("Breakup distance")
    assert any(sentence.startswith("How extreme reach falls to crew") for sentence in report.further)
    assert {plot.name for plot in report.plots} == FIGURES
    tables = {table.name: table for table in report.tables}
    assert {cell for row in tables["among"].rows("us") for cell in row[:1]} == {"extreme reach"}
    assert "extreme reach" not in {row[0] for row in tables["indices"].rows("us")}
    side = next(plot for plot in report.plots if plot.name == "side_view")
    assert "those that reach the target" in side.caption
    assert np.nanmin(side.data["path_height [ft]"]) >= 3.9


def test_too_few_throws_that_reach_are_not_ranked(tmp_path):
    report = report_of(tmp_path, above_ground("rank reaching", "40 ft"))
    assert any(
        sentence.startswith("Extreme reach is not ranked among the throws that reach") for sentence in report.further
    )
    assert not any(sentence.startswith("These shares are estimated") for sentence in report.further)
    assert report.notices[0].startswith("Too few throws were computed to settle the order of what")
    assert any("Not converged" in text for section in report.sections for text in section.paragraphs)


def test_whether_a_throw_reaches_is_ranked(tmp_path):
    report = report_of(tmp_path, above_ground("probability of reaching"))
    assert re.match(r"The target height \(30.0 ft\) is reached in \d+ of 100 computed throws", report.lead[0])
    assert "what is asked is what decides whether a throw reaches it." in report.lead[0]
    assert report.lead[1].startswith("Chance of reaching the target")
    effects = next(plot for plot in report.plots if plot.name == "effects")
    shares = np.array(effects.data["probability_of_reaching_mean"], dtype=float)
    assert shares.min() >= 0
    assert shares.max() <= 1
    assert shares.max() > shares.min() + 0.3


def test_a_metric_study_of_flow_alone_draws_no_throw_that_cannot_be(tmp_path):
    pairs = [
        ("[fixed]", '[fixed]\ntarget_height = "300 ft"'),
        ('"extreme_reach", "breakup_distance", "flow_rate", "reaction_force"', '"flow_rate"'),
    ]
    report = report_of(tmp_path, edited(*pairs), units="si")
    assert {plot.name for plot in report.plots} == {"indices", "effects", "convergence"}
    texts = [paragraph for section in report.sections for paragraph in section.paragraphs]
    assert f"None of {PATHS} throws reaches the target, so none is drawn." in texts
    assert any(text.endswith("no point of the sweep reaches the target.") for text in texts)
    assert report.lead[0] == "The target height (91.4 m) is reached in no computed throws."
    assert report.units == "si"
    assert re.search(r"flow \d+ L/min, from", report.further[-1])


# ---------------------------------------------------------------------------------------------------------
# What it refuses: (old text, new text, what the one line says)

REFUSED = {
    "unknown unit": ('low = "45 psi"', 'low = "45 pis"', "nozzle_pressure.low = '45 pis': unknown unit 'pis'"),
    "wrong dimension": ('low = "45 psi"', 'low = "45 gpm"', "low = '45 gpm': is a flow: give a number with a unit of"),
    "bare number": ('low = "45 psi"', "low = 45", "parameters.nozzle_pressure.low = 45: has no unit"),
    "negative": ('low = "45 psi"', 'low = "-45 psi"', "low = -45 psi: allowed is above 0 to 1450.38 psi"),
    "low above high": ('low = "45 psi"', 'low = "75 psi"', "low = '75 psi': is above high = '55 psi'"),
    "NaN": ("low = 0.93", "low = nan", "discharge_coefficient.low = nan: is not a finite number"),
    "NaN with a unit": ('low = "45 psi"', 'low = "nan psi"', "low = 'nan psi': is not a number"),
    "text for a number": ("sd = 0.01", 'sd = "small"', "discharge_coefficient.sd = 'small': is not a plain number"),
    "unknown key": ('low = "45 psi"', 'lwo = "45 psi"', "'parameters.nozzle_pressure.lwo'; did you mean 'low'?"),
    "unknown table": ("[sweep]", "[sweeps]", "unknown key 'sweeps'; did you mean 'sweep'?"),
    "unknown input": ("parameters.elevation", "parameters.elevatoin", "'elevatoin'; did you mean 'elevation'?"),
    "missing key": ('low = "45 psi"\n', "", "parameters.nozzle_pressure.low is missing"),
    "missing input": ("[parameters.tip_diameter]", "[parameters.waterway_diameter]", "tip_diameter is missing"),
    "Cd above Cv": (
        "[fixed]", "[fixed]\nvelocity_coefficient = 0.95",
        "discharge_coefficient = 0.97",
    ),
    "count": ("base_samples = 16", "base_samples = 500", "base_samples = 500: must be a power of two, 4 to"),
    "too many runs": ("base_samples = 16", "base_samples = 1048576", "allowed is at most 10,000,000"),
    "broken TOML": ("[fixed]", "[fixed", "is not valid TOML: Expected ']'"),
    "beyond the range": ("low = 0.93\nhigh = 0.998\n", "", "its farthest value = 1.0"),
    "law in fixed": ("[fixed]", '[fixed]\ndrag_model = "two_stag"', "drag_model = 'two_stag': unknown; did you mean"),
    "law in a choice": ("[sweep]", f"{CHOICE}[sweep]", "'two_stag': unknown; did you mean 'two_stage'?"),
    "idle latent": ("[sweep]", f"{IDLE}[sweep]", "latents.idle: no parameter loads on it"),
    "result of no stream": ('"extreme_reach"', '"supply.friction_loss"', "'supply.friction_loss' is no result"),
    "scenario": ("scenario = ", "scenario = 5 #", "scenario = 5: must be a text in quotes"),
    "rule": ("title =", 'undefined = "rank reach"\ntitle =', "did you mean 'rank reaching'?"),
    "acts on nothing": (
        "[fixed]", '[fixed]\nbreakup_length = "15 ft"',
        "parameters.valve_upstream_factor: acts on nothing: a measured breakup_length replaces the correlation",
    ),
    "sweep of what acts on nothing": (
        "tip_diameter = [", '"turbulence_constants.eddy_size" = [0.1, 0.2] #',
        "sweep: turbulence_constants.eddy_size: acts on nothing",
    ),
    "logarithm of no output": (
        "title =", 'logarithm_of = ["apex_height"]\ntitle =', "logarithm_of = 'apex_height': is not among the outputs"
    ),
    "logarithm of a text": ("title =", 'logarithm_of = "x"\ntitle =', "logarithm_of = 'x': must be a list"),
    "sweep of one": (f"tip_diameter = {TIPS}\n", "", "sweep: must be a table of two inputs"),
    "sweep of a text": (PRESSURES, '"30 psi"', "sweep: nozzle_pressure = '30 psi': must be two ends with a unit"),
    "sweep reversed": (PRESSURES, '["80 psi", "30 psi"]', "the first end must lie below the second"),
    "sweep in feet": (PRESSURES, '["30 ft", "80 psi"]', "sweep: nozzle_pressure = '30 ft': is a length"),
    "sweep without unit": (PRESSURES, "[30, 80]", "sweep: nozzle_pressure = 30: has no unit"),
    "sweep too far": (PRESSURES, '["30 psi", "8000 psi"]', "sweep: nozzle_pressure = 8000 psi: allowed is above 0 to"),
    "sweep of nothing": ("nozzle_pressure = [", "nozzle_presure = [", "did you mean 'nozzle_pressure'?"),
    "sweep of a result": ("nozzle_pressure = [", "flow_rate = [", "sweep: flow_rate: is no input with a number"),
    "sweep of a law": ("nozzle_pressure = [", "drag_model = [", "sweep: drag_model: is no input with a number"),
    "sweep of no stream": (
        "[fixed]", '[fixed]\npressure_tap = "base"\nwaterway_diameter = "1.1 in"', "sweep: waterway_diameter = 0.0279"
    ),
    "target out of reach": (
        "[fixed]", '[fixed]\ntarget_height = "300 ft"',
        f"target_height = 300 ft: none of {PATHS} throws gets there, the highest rises to",
    ),
    "target out of reach for some": (
        "[fixed]", '[fixed]\ntarget_height = "30 ft"', 'undefined: state undefined = "rank reaching" or "probability'
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_refused_in_one_line(tmp_path, capsys, case):
    old, new, words = REFUSED[case]
    (tmp_path / "my.toml").write_text(edited((old, new)), encoding="utf-8")
    check_refused(tmp_path, capsys, words)


def check_refused(place: Path, capsys, words: str) -> None:
    """One line, status 2, nothing written."""
    before = files(place)
    status = run(STUDY, ["--inputs", str(place / "my.toml"), "--output", str(place / "out"), "--workers", "1"])
    shown = capsys.readouterr()
    last = shown.err.rstrip("\n").splitlines()[-1]
    assert status == 2
    assert shown.out == ""
    assert shown.err.count("error: ") == 1
    assert last.startswith("error: ")
    assert words in last
    assert files(place) == before
    assert not (place / "out").exists()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "my.toml: is empty"),
        (TEXT.encode() + b"\n# \xff\xfe\n", "is not UTF-8 text"),
        (TEXT.encode("utf-16"), "is not UTF-8 text (line 1)"),
        (None, "my.toml: there is no such file"),
    ],
    ids=["empty", "stray bytes", "UTF-16", "missing"],
)
def test_files_that_are_no_study_file(tmp_path, capsys, content, words):
    if content is not None:
        (tmp_path / "my.toml").write_bytes(content)
    check_refused(tmp_path, capsys, words)


def test_a_named_shutoff_style_that_is_misspelt(tmp_path, capsys):
    stated = 'distribution = "lognormal"\nmedian = 1.6\nln_sd = 0.3\nlow = 1.0\nhigh = 4.0'
    named = 'distribution = "named"\nname = "full bal"'
    (tmp_path / "my.toml").write_text(edited((stated, named)), encoding="utf-8")
    check_refused(tmp_path, capsys, "valve_upstream_factor.name = 'full bal': unknown; did you mean")


def test_another_studys_folder_is_refused(tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    (out / "report.html").write_text("another study's work")
    record = Record("compare_nozzles", "x.toml", "ab" * 32, 0, 1, 0, False, "us", None, "2026-11-25T12:00:00", 1.0, 1)
    write_manifest(record, out)
    before = files(tmp_path)
    assert run(STUDY, ["--output", str(out)]) == 2
    assert "holds the results of another study (compare_nozzles)" in capsys.readouterr().err
    assert files(tmp_path) == before


@pytest.mark.parametrize("place", ["/proc/results", "/dev/null/results"])
def test_a_folder_that_cannot_be_written(capsys, place):
    if not Path(place).parent.exists():
        pytest.skip("this system has no such place")
    assert run(STUDY, ["--output", place]) == 2
    assert f"--output {place}: cannot be written" in capsys.readouterr().err


# ---------------------------------------------------------------------------------------------------------
# The real script


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="there such signals cannot be sent")
def test_an_interrupt_leaves_nothing(tmp_path):
    command = [sys.executable, str(ROOT / "studies/rank_controls.py"), "--quick", "--workers", "2"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, cwd=tmp_path, env=environment, stderr=subprocess.PIPE, text=True) as process:
        while not process.stderr.readline().startswith("Workers"):
            assert process.poll() is None
        process.send_signal(signal.SIGINT)
        rest = process.stderr.read()
        assert process.wait(timeout=20) == 130
    assert "interrupted: no half-written results were left" in rest
    assert "Traceback" not in rest
    assert list(tmp_path.iterdir()) == []
