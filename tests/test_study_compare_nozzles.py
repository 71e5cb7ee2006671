"""The comparison before a test: odds, ties, decision, and what it refuses."""

import csv
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from jetsim.study import run
from jetsim.trials import comparing, model
from jetsim.trials.fieldfile import read_field_test
from jetsim.trials.posterior import DEFINITION
from studies.compare_nozzles import STUDY


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("study") / "out"
    assert run(STUDY, ["--quick", "--output", str(out)]) == 0
    return out


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_first_lines_say_who_out_reaches_whom_and_what_to_measure_next(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    lead = re.findall(r"<li>(.*?)</li>", page, re.DOTALL)
    assert lead[0].startswith("Under equal flow, before any test (priors only): ")
    best = r"[A-E] has the longest median reach, but .*; at best, [A-E] out-reaches [A-E] with a chance of \d"
    assert re.search(best, lead[0])
    assert any(sentence.startswith("Measure next: ") for sentence in lead[:3])
    assert not re.search(r"\bsafe(ly|ty)?\b", re.sub(r"<style>.*?</style>|data:image[^\"]*", "", page, flags=re.DOTALL))


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


def test_the_same_inputs_give_the_same_tables(folder, tmp_path):
    assert run(STUDY, ["--quick", "--output", str(tmp_path / "again")]) == 0
    for name in ("odds", "decision", "causes"):
        first, second = (top / "tables" / f"{name}.csv" for top in (folder, tmp_path / "again"))
        assert first.read_bytes() == second.read_bytes()


def test_a_posterior_that_cannot_be_used_is_refused(tmp_path, capsys):
    text = tmp_path / "posterior.nc"
    text.write_text("not a dataset", encoding="utf-8")
    for path, words in ((text, "cannot be read as NetCDF"), (tmp_path / "none.nc", "there is no such file")):
        assert run(STUDY, ["--quick", "--posterior", str(path), "--output", str(tmp_path / "out")]) == 2
        assert words in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.fixture(scope="module")
def field_test():
    return read_field_test(STUDY.default_inputs)


def stored(test, path: Path, **changed) -> Path:
    """Draws of the priors, written as a calibration of the test writes its own."""
    values = model.drawn(test, 40, np.random.default_rng(1)) | changed
    data = xr.Dataset({name: ("draw", value) for name, value in values.items()}, attrs={DEFINITION: test.definition})
    data.to_netcdf(path, engine="h5netcdf")
    return path


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, -1.0])
def test_draws_that_no_prior_allows_are_refused(field_test, tmp_path, capsys, value):
    damaged = np.ones(40)
    damaged[7] = value
    path = stored(field_test, tmp_path / "posterior.nc", drop_scale=damaged)
    assert run(STUDY, ["--quick", "--posterior", str(path), "--output", str(tmp_path / "out")]) == 2
    told = capsys.readouterr().err
    assert f"drop_scale = {value:g}: its prior allows" in told
    assert told.count("\n") == 1


@pytest.mark.parametrize(
    ("old", "new", "refused"),
    [("15/16 in", "1 in", True), ("ln_sd = 0.2 }", "ln_sd = 0.3 }", True), ("reach = 3", "reach = 4", False),
     ('title = "Which', 'title = "Then which', False)],
)  # fmt: skip
def test_a_posterior_of_another_study_file_is_refused(field_test, tmp_path, capsys, old, new, refused):
    path = stored(field_test, tmp_path / "posterior.nc")
    own = tmp_path / "own.toml"
    own.write_text(STUDY.default_inputs.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    more = ["--dry-run", "--inputs", str(own), "--posterior", str(path)]
    assert run(STUDY, ["--quick", *more]) == (2 if refused else 0)
    assert ("belongs to another study file" in capsys.readouterr().err) == refused


def test_one_throw_scatters_by_what_the_file_states(field_test):
    """Three times the stated scatter of pressure, elevation and wind brings the chance in one throw nearer to even."""
    wider = replace(field_test, scatter={name: 3 * value for name, value in field_test.scatter.items()})
    spreads = []
    for test in (field_test, wider):
        compared = comparing.compare(test, 256, None)
        reach = compared.values["reach"]
        spreads.append([float(np.std(compared.single[name] / reach[name])) for name in reach])
    assert all(wide > 1.3 * narrow for narrow, wide in zip(*spreads, strict=True))


def test_flights_outside_a_fit_are_counted(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert re.search(r"of 5,120 runs \(\d+ %\): tip diameter outside the flight fit", page)


def test_an_elevation_that_no_throw_has_is_refused(tmp_path, capsys):
    own = tmp_path / "own.toml"
    text = STUDY.default_inputs.read_text(encoding="utf-8")
    own.write_text(text.replace('elevation = "30 deg"', 'elevation = "-90 deg"'), encoding="utf-8")
    assert run(STUDY, ["--dry-run", "--inputs", str(own)]) == 2
    assert "site.elevation = '-90 deg': allowed is 0 to 80 deg" in capsys.readouterr().err
