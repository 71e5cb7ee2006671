"""The comparison before a test: odds, ties, decision, and what it refuses."""

import csv
import re
from pathlib import Path

import pytest

from jetsim.study import run
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
