"""Readings that cannot be together are named, with both readings and what would make them fit."""

from pathlib import Path

import numpy as np
import pytest

from jetsim import units
from jetsim.equipment.questions import load_question
from jetsim.errors import InputFileError
from jetsim.throws.checks import Checker, sheet_rules
from jetsim.throws.predicted import Predictor
from jetsim.throws.question import FieldTestQuestion, field_test
from jetsim.throws.sheet import read_sheet
from studies.field_test import COMMANDS

FILE = COMMANDS["plan"].default_inputs
LINES = FILE.with_name("field_test_throws.csv").read_text(encoding="utf-8").splitlines()
HEADER = LINES[0].split(",")


@pytest.fixture(scope="module", name="demo")
def the_demo():
    return field_test(load_question(FILE, FieldTestQuestion))


@pytest.fixture(scope="module", name="rules")
def the_rules(demo):
    return sheet_rules(demo)


def told(rules, folder: Path, header: list[str], rows: list[str]) -> tuple[str, ...]:
    path = folder / "sheet.csv"
    path.write_text("\n".join([",".join(header), *rows]), encoding="utf-8")
    with pytest.raises(InputFileError) as caught:
        read_sheet(path, rules)
    return caught.value.lines


def swapped(one: str, other: str) -> list[str]:
    header = list(HEADER)
    a, b = header.index(one), header.index(other)
    header[a], header[b] = header[b], header[a]
    return header


# Every pair that passes in silence otherwise: values that are plausible in the other's column.
SWAPS = [
    ("flow_gpm", "farthest_drops_ft", "flow", "farthest_drops"),
    ("flow_gpm", "pump_pressure_psi", "flow", "pump_pressure"),
    ("pump_pressure_psi", "farthest_drops_ft", "pump_pressure", "farthest_drops"),
    ("reaction_lbf", "last_continuous_water_ft", "reaction", "last_continuous_water"),
    ("throw_bearing_deg", "wind_from_deg", "throw_bearing", "wind_from"),
    ("reaction_lbf", "throw_bearing_deg", "reaction", "throw_bearing"),
    ("elevation_deg", "breakup_distance_ft", "elevation", "breakup_distance"),
    ("target_nozzle_pressure_psi", "nozzle_pressure_psi", "nozzle_pressure", "target_nozzle_pressure"),
    ("block", "breakup_distance_ft", "block", "breakup_distance"),
]


@pytest.mark.parametrize(("one", "other", "column", "remedy"), SWAPS)
def test_swapped_heads_are_named(rules, tmp_path, one, other, column, remedy):
    lines = told(rules, tmp_path, swapped(one, other), LINES[1:])
    assert any(f"column {column}" in line and f"swapped with {remedy}?" in line for line in lines), lines


@pytest.mark.parametrize(("one", "other"), [("observer", "wind_from_deg"), ("notes", "flow_gpm"), ("notes", "setup"),
                                            ("excluded", "notes")])  # fmt: skip
def test_texts_and_numbers_that_change_places_never_become_nothing(rules, tmp_path, one, other):
    rows = [line.replace("made by the model", "") for line in LINES[1:]] if other == "flow_gpm" else LINES[1:]
    assert told(rules, tmp_path, swapped(one, other), rows)


@pytest.mark.parametrize(("column", "unit"), [("pump_pressure", "psi"), ("flow", "gpm"), ("reaction", "lbf")])
def test_figures_of_another_unit_are_named(rules, tmp_path, column, unit):
    other = {"psi": "bar", "gpm": "lps", "lbf": "n"}[unit]
    header = [f"{column}_{other}" if name == f"{column}_{unit}" else name for name in HEADER]
    lines = told(rules, tmp_path, header, LINES[1:])
    assert any(f"is {column} in {unit}?" in line or ("is it in" in line and unit in line) for line in lines), lines


def test_one_wrong_cell_is_named_beside_the_other_reading(rules, tmp_path):
    cells = LINES[4].split(",")
    cells[HEADER.index("flow_gpm")] = "285"
    lines = told(rules, tmp_path, HEADER, [*LINES[1:4], ",".join(cells), *LINES[5:]])
    (line,) = lines
    nozzle = cells[HEADER.index("nozzle_pressure_psi")]
    assert line.startswith("sheet.csv: row 5, column flow_gpm = '285': does not fit nozzle_pressure = ")
    assert f"{nozzle!r} of set-up {cells[HEADER.index('setup')]!r}" in line
    assert "correct one of them" in line


def test_drops_beyond_a_flight_without_drag_and_breakup_near_its_end_do_not_fit(demo):
    checker = Checker(demo, {"a": 345e3})
    reach, _ = checker.predictor.drag_free("a", 345e3, np.nan, 30.0)
    for share, column, fits in ((1.2, "farthest_drops", False), (0.6, "farthest_drops", True),
                                (0.1, "farthest_drops", False), (0.7, "breakup_distance", False)):  # fmt: skip
        found = checker.clashing("a", {"nozzle_pressure": 345e3, "elevation": 30.0, column: share * reach})
        assert (column not in found) == fits


def test_a_pump_pressure_that_cannot_give_the_target_is_named_where_nobody_read_the_nozzle(rules, tmp_path):
    keep = [HEADER.index(name) for name in ("run_order", "setup", "pump_pressure_psi", "farthest_drops_ft")]
    rows = [",".join(line.split(",")[n] for n in keep) for line in LINES[1:] if ",no," in line]
    rows = [f"{n},{row.partition(',')[2]}" for n, row in enumerate(rows, 1)]
    cells = rows[6].split(",")
    rows[6] = f"{cells[0]},{cells[1]},100,{cells[3]}"
    (line,) = told(rules, tmp_path, [HEADER[n] for n in keep], rows)
    assert line.startswith("sheet.csv: row 8, column pump_pressure_psi = '100': does not fit the plan of set-up")


def test_drag_free_range_is_that_of_a_thrown_ball(demo):
    """Stepped by hand, without drag, from the nozzle's height."""
    reach, time = Predictor.of(demo).drag_free("a", 345e3, np.nan, 30.0)
    speed, height, step = np.sqrt(2 * 345e3 / 999), 1.2192, 1e-4
    x, z, up = 0.0, height, speed * np.sin(np.pi / 6)
    while z > 0:
        x, z, up = x + speed * np.cos(np.pi / 6) * step, z + up * step, up - 9.80665 * step
    assert reach == pytest.approx(x, rel=0.03)  # the gauge's error has a middle of its own
    assert time == pytest.approx(x / (speed * np.cos(np.pi / 6)), rel=0.02)


def test_the_model_own_readings_never_clash(demo):
    """At the middle of every prediction, and two spreads off it."""
    checker = Checker(demo, {"a": 345e3})
    for side in (-2.0, 0.0, 2.0):
        shown = checker.predictor.shown("a", 345e3, np.nan)
        numbers = {name: middle * float(np.exp(side * spread)) for name, (middle, spread) in shown.items()}
        assert checker.clashing("a", {"nozzle_pressure": 345e3, **numbers}) == {}


def test_a_smooth_bores_flow_is_that_of_the_handbook(demo):
    """gpm = 29.84 Cd d2 sqrt(psi). Common practice, no source."""
    middle, spread = Predictor.of(demo).shown("a", float(units.to_si(50, "psi")), np.nan)["flow"]
    by_hand = 29.84 * 0.975 * (15 / 16) ** 2 * np.sqrt(50)
    assert float(units.from_si(middle, "gpm")) == pytest.approx(by_hand, rel=0.01)
    assert 0.01 < spread < 0.06


def test_a_set_up_without_a_line_has_no_pressure_from_the_pump(tmp_path):
    text = FILE.with_name("department.toml").read_text(encoding="utf-8")
    own = tmp_path / "department.toml"
    bare = text.replace('shutoff = "full_ball"\nline = "preconnect"', 'shutoff = "full_ball"', 1)
    own.write_text(bare, encoding="utf-8")
    test = field_test(load_question(FILE, FieldTestQuestion, own, ["a", "b"]))
    rows = [f"{n},{'ab'[n % 2]},150,120" for n in range(1, 7)]
    lines = told(sheet_rules(test), tmp_path, ["run_order", "setup", "pump_pressure_psi", "farthest_drops_ft"], rows)
    assert len(lines) == 3
    assert all("tells nothing of the nozzle, for set-up 'a' has no line" in line for line in lines)
