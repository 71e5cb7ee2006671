"""Questions to set-ups of a department: what is ranked, what is refused, and what several set-ups give."""

import re
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from jetsim.errors import InputError, InputFileError
from jetsim.experiment.gate import Gate
from jetsim.rankings import question, words
from jetsim.rankings.question import load
from jetsim.rankings.runs import results_of, with_logarithms
from jetsim.study import run
from studies.rank_controls import STUDY
from tests.reports import without_pictures

INPUTS = STUDY.default_inputs
TEXT = INPUTS.read_text(encoding="utf-8")
DEPARTMENT = INPUTS.parent / "department.toml"


def asked(folder: Path, *pairs: tuple[str, str], department: str = "") -> Path:
    """The question with few runs and each text replaced once; another department if one is given."""
    own = folder / "department.toml"
    own.write_text(department or DEPARTMENT.read_text(encoding="utf-8"), encoding="utf-8")
    text = re.sub(r"base_samples = \d+", "base_samples = 16", TEXT)
    text = re.sub(r"replicates = \d+", "replicates = 4", text)
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = folder / "my.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_set_up_is_ranked_with_what_the_crew_varies(tmp_path):
    (case,) = load(asked(tmp_path)).streams
    assert case.name == "a"
    roles = {parameter.name: parameter.role for parameter in case.space.parameters}
    assert roles["elevation"] == roles["supply.nozzle_pressure_error"] == "controllable"
    assert roles["valve_upstream_factor"] == "unknown"
    # At the nozzle's own pressure the hose acts on nothing that is asked.
    assert "supply.hose_deviation" not in roles


def test_a_pump_that_is_set_brings_the_hose_in(tmp_path):
    pairs = [('drive = "nozzle"', 'drive = "pump"'), ("supply.nozzle_pressure_error", "supply.pump_pressure_error"),
             ("nozzle_pressure = [", "supply.pump_pressure = [")]  # fmt: skip
    (case,) = load(asked(tmp_path, *pairs)).streams
    assert {"supply.hose_deviation", "supply.pump_pressure_error"} <= set(case.space.names)


@pytest.mark.slow
@without_pictures()
def test_two_set_ups_are_ranked_each_on_its_own(tmp_path):
    path = asked(tmp_path, ('["a"]', '["a", "g"]'))
    assert run(STUDY, ["--inputs", str(path), "--output", str(tmp_path / "out"), "--workers", "1", "--quick"]) == 0
    names = {p.relative_to(tmp_path / "out").as_posix() for p in (tmp_path / "out").rglob("*.*")}
    assert {"results_a.nc", "indices_g.nc", "tables/indices_a.csv", "tables/setups.csv"} <= names
    table = (tmp_path / "out/tables/setups.csv").read_text(encoding="utf-8")
    assert "A: 15/16-inch tip" in table
    assert "G: automatic fog" in table
    page = (tmp_path / "out/report.html").read_text(encoding="utf-8")
    assert "A: 15/16-inch tip, full ball. What moves it" in page


def test_what_one_set_up_reads_is_left_out_of_the_others(tmp_path):
    tip = '[vary]\ntip_diameter = { distribution = "uniform", low = "0.93 in", high = "0.95 in" }'
    bore, fog = load(asked(tmp_path, ('["a"]', '["a", "c"]'), ("[vary]", tip))).streams
    assert "tip_diameter" in bore.space.names
    assert "tip_diameter" not in fog.space.names


TIP = '[vary]\ntip_diameter = { distribution = "uniform", low = "1 in", high = "1.1 in" }'
REFUSED = {
    "vary": ('["a"]', '["c"]', "[vary]", TIP,
             "vary.tip_diameter: acts on nothing of setups.c"),
    "belief": ("[vary]", "[beliefs]\nequivalent_diameter_ratio = 0.6\n[vary]", "", "",
               "beliefs.equivalent_diameter_ratio: acts on nothing of setups.a"),
    "sweep": ('["a"]', '["c"]', "elevation = [\"15 deg\", \"45 deg\"]", 'tip_diameter = ["1 in", "1.2 in"]',
              "sweep: tip_diameter: acts on nothing of setups.c"),
    "sweep of one": ("elevation = [\"15 deg\", \"45 deg\"]", "", "", "", "sweep: must be a table of two inputs"),
    "another study": ('"rank_controls"', '"compare_nozzles"', "", "", "is a question for compare_nozzles"),
    "set-up": ('["a"]', '["z"]', "", "", "there is no [setups.z]"),
    "rule": ("[vary]", "[vary]", 'drive =', 'undefined = "rank"\ndrive =', "undefined = 'rank': must be one of refuse"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_refused_in_one_line(tmp_path, case):
    *texts, said = REFUSED[case]
    pairs = [(texts[0], texts[1]), *([(texts[2], texts[3])] if texts[2] else [])]
    with pytest.raises((InputError, InputFileError)) as caught:
        load(asked(tmp_path, *pairs))
    lines = getattr(caught.value, "lines", [str(caught.value)])
    assert len(lines) == 1
    assert said in lines[0]


def test_a_department_in_the_place_of_a_question_is_named():
    with pytest.raises(InputError, match="is a department, not a question"):
        load(DEPARTMENT)


def test_a_whole_space_takes_no_department():
    with pytest.raises(InputError, match="states a whole space, so --department and --setups say nothing"):
        load(Path(__file__).parent / "whole_space.toml", DEPARTMENT)


def test_a_measured_breakup_length_leaves_no_valve_to_speak_of(tmp_path):
    text = DEPARTMENT.read_text(encoding="utf-8")
    measured = (
        '[setups.a]\nbreakup_length = { distribution = "normal", mean = "16 ft", sd = "2 ft", basis = "measured" }'
    )
    loaded = load(asked(tmp_path, department=text.replace("[setups.a]", measured, 1)))
    (case,) = loaded.streams
    found = results_of(case, None)
    lead = " ".join([*words.lead([(case, found)], "us"), *words.further([(case, found)], "us")])
    assert lead.startswith("A: 15/16-inch tip, full ball: ")
    assert "valve" not in lead
    assert "Measured: breakup length" in lead


def test_an_override_is_said(tmp_path):
    wind = '[beliefs]\nwind_along = { distribution = "normal", mean = "0 mph", sd = "8 mph" }\n[vary]'
    notices = words.notices(load(asked(tmp_path, ("[vary]", wind))), [], "us")
    assert any("states otherwise than the package: head or tail wind" in notice for notice in notices)


@pytest.mark.slow
def test_a_logarithm_is_ranked_in_the_place_of_its_output(tmp_path):
    (case,) = load(
        asked(tmp_path, ("[vary]", "[vary]"), ("drive =", 'logarithm_of = ["extreme_reach"]\ndrive ='))
    ).streams
    found = results_of(case, None)
    assert "logarithm_of_extreme_reach" in found.ranked
    assert "extreme_reach" not in found.ranked
    np.testing.assert_allclose(
        found.sample["logarithm_of_extreme_reach"], np.log(found.sample["extreme_reach"]), rtol=1e-12
    )
    assert words.output_sentence(case, found, "logarithm_of_extreme_reach").startswith("Logarithm of extreme reach")


def test_what_has_no_logarithm_is_refused():
    runs = xr.Dataset({"extreme_reach": ("sample", [1.0, 0.0])})
    with pytest.raises(InputError, match="logarithm_of = 'extreme_reach': has values down to 0"):
        with_logarithms(runs, ("extreme_reach",))


def test_a_heavy_tail_is_the_reason_and_has_a_remedy(tmp_path):
    (case,) = load(asked(tmp_path)).streams

    class Found:
        gate = Gate(False, {"extreme_reach": 0.3, "flow_rate": 0.3, "reaction_force": 0.01}, {}, (), "")
        sample = xr.Dataset(
            {
                "extreme_reach": ("sample", np.exp(2 * np.random.default_rng(0).normal(size=4000))),
                "flow_rate": ("sample", np.random.default_rng(0).normal(size=4000)),
                "reaction_force": ("sample", np.exp(2 * np.random.default_rng(0).normal(size=4000))),
                "outcome": ("sample", np.zeros(4000)),
            }
        )

    (sentence,) = words.tail_sentences(case, Found)
    assert sentence.startswith("Of the variance of extreme reach, one computed throw in a hundred carries")
    assert 'logarithm_of = ["extreme_reach"]' in sentence


def test_axes_are_read_in_their_units():
    axes = question.read_axes({"nozzle_pressure": ["30 psi", "80 psi"], "elevation": ["15 deg", "45 deg"]})
    assert axes["elevation"][[0, -1]].tolist() == [15.0, 45.0]
    assert axes["nozzle_pressure"].size == question.SWEEP_POINTS
