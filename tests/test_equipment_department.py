"""A department's file: what it becomes, and what is said of each mistake in it."""

import copy
import runpy
from pathlib import Path

import numpy as np
import pytest

from jetsim import units
from jetsim.equipment.department import load_department, read_department
from jetsim.equipment.reading import write_schema
from jetsim.errors import InputError, InputFileError
from jetsim.toml import load_toml

DEMO = Path(__file__).parents[1] / "studies" / "inputs" / "department.toml"


@pytest.fixture
def content():
    return copy.deepcopy(load_toml(DEMO))


def mistakes(content):
    with pytest.raises(InputError) as caught:
        read_department(content, "d.toml")
    return list(getattr(caught.value, "lines", [str(caught.value)]))


def test_the_demo_department_has_all_kinds_of_nozzle():
    department = load_department(DEMO)
    assert {setup.nozzle.kind for setup in department.setups} == {
        "smooth bore", "constant flow", "selectable flow", "constant pressure",
    }  # fmt: skip
    first = department.setups[0]
    assert first.labels["line"] == "the preconnect"
    assert first.crew.limit == pytest.approx(95 * units.POUND_FORCE)
    assert first.target["nozzle_pressure"] == pytest.approx(50 * units.PSI)


def test_an_endless_name_is_not_told_endlessly(content):
    content["lines"]["preconnect"]["sections"][0]["hose"] = "x" * 5000
    content["crews"][next(iter(content["crews"]))]["limits"] = "y" * 5000
    for line in mistakes(content):
        assert len(line) < 1000
    content["lines"]["preconnect"]["sections"][0]["hose"] = "attack"
    (line,) = mistakes(content)
    assert "limits = 'yyy" in line
    assert len(line) < 1000


def test_a_fog_nozzle_without_a_target_has_its_rated_pressure():
    setups = {setup.name: setup for setup in load_department(DEMO).setups}
    assert setups["c"].target == {"nozzle_pressure": pytest.approx(50 * units.PSI)}
    assert setups["f"].target == {"nozzle_pressure": pytest.approx(75 * units.PSI)}


def test_every_mistake_is_told_at_once_with_its_place(content):
    content["unitz"] = "us"
    content["nozzles"]["bore_15_16"]["tip_diameter"] = "15/16 psi"
    content["nozzles"]["bore_15_16"]["rated_flow"] = "150 gpm"
    content["nozzles"]["selectable"]["settings"][1] = "12 ft"
    content["shutoffs"]["slide"]["style"] = "slid"
    content["setups"]["a"]["target_pressure"] = 50
    del content["nozzles"]["fog_150"]["rated_pressure"]
    lines = mistakes(content)
    assert len(lines) == 7
    for start in (
        "d.toml: unknown key 'unitz'; did you mean 'units'?",
        "d.toml: nozzles.bore_15_16.tip_diameter = '15/16 psi':",
        "d.toml: unknown key 'nozzles.bore_15_16.rated_flow'",
        "d.toml: nozzles.selectable.settings[1] = '12 ft':",
        "d.toml: shutoffs.slide.style = 'slid': must be one of full ball, cut-away ball, slide, plunger; did you mean",
        "d.toml: setups.a.target_pressure = 50:",
        "d.toml: nozzles.fog_150.rated_pressure is missing: state the rated pressure, allowed is above 0 to",
    ):
        assert any(line.startswith(start) for line in lines), start


@pytest.mark.parametrize(
    ("place", "value", "words"),
    [
        (("setups", "a", "nozzle"), "bore", "setups.a.nozzle = 'bore': there is no [nozzles.bore]"),
        (("setups", "b", "label"), "A: 15/16-inch tip, full ball", "is also the label of setups.a"),
        (("setups", "a", "target_flow"), "150 gpm", "setups.a: give either target_pressure or target_flow"),
        (("lines", "preconnect", "pump"), "engin", "there is no [pumps.engin]; did you mean 'engine'?"),
        (("crews", "two", "firefighters"), 7, "states limits for 1, 2, 3"),
        (("crews", "two", "limits"), "grimwod", "did you mean 'grimwood'?"),
        (("nozzles", "Bad-Name"), {"kind": "smooth bore", "tip_diameter": "1 in"}, "a name holds lower-case letters"),
        (("nozzles", "fog_150", "kind"), "fog", "must be one of smooth bore, constant flow"),
        (("setups", "a", "discharge_coefficient"), {"distribution": "normal", "mean": 0.97, "sd": 0.01, "Low": 0.9},
         "unknown key 'setups.a.discharge_coefficient.Low'; did you mean 'low'?"),
        (("nozzles", "bore_15_16", "tip_diameter"), float("nan"), "tip_diameter"),
    ],
)  # fmt: skip
def test_a_mistake_is_named(content, place, value, words):
    *outer, key = place
    table = content
    for part in outer:
        table = table[part]
    table[key] = value
    assert any(words in line for line in mistakes(content)), mistakes(content)


def test_a_question_is_not_taken_for_a_department():
    with pytest.raises(InputError, match="is a question for rank_controls, not a department"):
        read_department({"study": "rank_controls"}, "q.toml")


def test_a_distribution_of_a_hose_coefficient_is_its_median_and_spread(content):
    content["hoses"]["attack"]["coefficient"] = {"distribution": "lognormal", "median": "14 C", "ln_sd": 0.2}
    with pytest.raises(InputFileError, match="the distribution of coefficient says it already"):
        read_department(content)
    del content["hoses"]["attack"]["coefficient_scatter"]
    hose = read_department(content).file.hoses["attack"]
    assert hose.scatter == pytest.approx(0.2, rel=1e-4)
    section = hose.section(30.0, 1, 1)
    assert section.coefficient == pytest.approx(14 * units.HOSE_COEFFICIENT)


def test_what_was_learnt_does_not_change_whose_it_is(content):
    before = read_department(content).digest
    content["learnt"] = {"posterior": "posterior.nc", "hash": "0"}
    assert read_department(content).digest == before
    content["site"]["elevation"] = "31 deg"
    assert read_department(content).digest != before


def test_set_ups_are_chosen_by_name():
    department = load_department(DEMO)
    assert [setup.name for setup in department.chosen(["c", "a"])] == ["c", "a"]
    with pytest.raises(InputError, match="there is no"):
        department.chosen(["z"])
    with pytest.raises(InputError, match="named twice"):
        department.chosen(["a", "a"])
    assert np.all([setup.line is not None for setup in department.chosen(None)])


def test_written_schemas_are_those_of_the_models(tmp_path):
    inputs = DEMO.parent
    shapes = runpy.run_path(str(inputs / "make_schemas.py"))["SHAPES"]
    for name, shape in shapes.items():
        write_schema(shape, tmp_path / "new.json")
        assert (tmp_path / "new.json").read_bytes() == (inputs / f"{name}.schema.json").read_bytes(), name
        first = (inputs / f"{name}.toml").read_text(encoding="utf-8").splitlines()[0]
        assert first == f"#:schema {name}.schema.json"
