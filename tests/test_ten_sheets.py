"""Ten sheets as different as departments are: each is understood, mapped and read without one changed value."""

import csv
import shlex
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from jetsim import units
from jetsim.equipment.questions import load_question
from jetsim.experiment.sheets import read_grid
from jetsim.study import run_commands
from jetsim.throws import mapping
from jetsim.throws.checks import sheet_rules
from jetsim.throws.conditions import throws_of
from jetsim.throws.question import FieldTestQuestion, field_test, with_days
from jetsim.throws.sheet import read_sheet
from studies.field_test import COMMANDS, DESCRIPTION
from tests.reports import without_pictures
from tests.ten_sheets import ONLY, SHEETS, WORKSHEET, demo_rows

FILE = COMMANDS["plan"].default_inputs
READ = {"nozzle_pressure": "psi", "pump_pressure": "psi", "flow": "gpm", "reaction": "lbf", "elevation": "deg",
        "wind_speed": "mph", "wind_from": "deg", "breakup_distance": "ft", "farthest_drops": "ft"}  # fmt: skip
# What a sheet states as classes, gusts or points of the compass, and how far that may lie from what was read.
LOOSE = {("gusty", "wind_speed"): 0.3, ("gusty", "wind_from"): 11.3, ("old", "wind_speed"): 1.3,
         ("old", "wind_from"): 11.3, ("old", "nozzle_pressure"): 4e3}  # fmt: skip


@pytest.fixture(scope="module", name="taken")
def every_sheet(tmp_path_factory):
    """Gives a sheet as read by the columns that were proposed for it, and the test that it is of."""
    folder = tmp_path_factory.mktemp("sheets")

    @cache
    def plain(setups):
        return field_test(load_question(FILE, FieldTestQuestion, setups=setups))

    @cache
    def read(name):
        path, test = SHEETS[name](folder), plain(ONLY.get(name))
        rules = sheet_rules(test)
        made = mapping.propose(read_grid(path, WORKSHEET.get(name)), rules, WORKSHEET.get(name))
        text = FILE.read_text(encoding="utf-8").replace('"department.toml"', f'"{FILE.with_name("department.toml")}"')
        question = folder / f"{name}.toml"
        question.write_text(mapping.with_columns(text, mapping.columns_toml(made)), encoding="utf-8")
        asked = replace(test, question=load_question(question, FieldTestQuestion).question)
        return read_sheet(path, rules, asked.mapped), asked, made

    return read


@pytest.mark.parametrize("name", SHEETS)
def test_each_is_read_without_one_changed_value(name, taken):
    sheet, test, made = taken(name)
    assert not made.unread
    assert not made.unknown_setups
    rows = [row for row in demo_rows() if row["setup"] in test.labels]
    if name in ("old", "two_sheets"):
        rows = sorted(rows, key=lambda row: row["setup"])
    assert sheet.setups == [row["setup"] for row in rows]
    for column, unit in READ.items():
        values = sheet.numbers[column] if column != "pump_pressure" else np.fmax(
            sheet.numbers[column], sheet.numbers["pump_alone"])  # fmt: skip
        given = ~np.isnan(values)
        truth = units.to_si([float(row[f"{column}_{unit}"]) for row in rows], unit)
        allowed = LOOSE.get((name, column), 0.0)
        apart = np.abs((values - truth + 180) % 360 - 180) if column == "wind_from" else np.abs(values - truth)
        assert np.all(apart[given] <= allowed + 1e-3 * truth[given]), column


def test_what_each_lacks_stands_for_itself_or_widens(taken):
    """Wider errors exactly where something was not read; pump pressures where no nozzle was."""
    wider = {"blanks": {"elevation", "wind_along", "nozzle_pressure"}, "gusty": {"elevation", "wind_along"},
             "metric_tabs": set(), "from_the_pump": {"elevation"}}  # fmt: skip
    for name, errors in wider.items():
        sheet, test, _ = taken(name)
        thrown = throws_of(test, sheet.accepted)
        assert set(thrown.errors) == errors, name
        assert (thrown.pump_pressure is not None) == (name == "from_the_pump")


def test_three_days_have_an_effect_each_and_their_own_blocks(taken):
    sheet, test, _ = taken("three_days")
    pooled = with_days(test, sheet.texts["day"])
    assert [key for key in pooled.priors if "day" in key] == [
        f"trial.day_effect[2026-10-0{n}]" for n in (5, 6, 7)]  # fmt: skip
    assert pooled.ties.shape == (len(pooled.priors),) * 2
    assert len(set(sheet.numbers["block"])) == len({row["block"] for row in demo_rows()})
    assert throws_of(test, sheet).days == ()
    assert throws_of(pooled, sheet).days == tuple(sheet.texts["day"])


def test_a_sheet_of_two_worksheets_says_which_it_takes(taken):
    _, test, made = taken("two_sheets")
    assert test.mapped.worksheet == "Readings"
    assert 'worksheet = "Readings"' in mapping.columns_toml(made)


@without_pictures()
def test_map_prints_what_it_understood_and_its_next_command_runs(tmp_path, capsys):
    path, out = SHEETS["german"](tmp_path), tmp_path / "results of map"
    assert run_commands(DESCRIPTION, COMMANDS, ["map", str(path), "--quick", "--output", str(out)]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "nozzle pressure '3,609' bar: 52.3 psi" in printed
    assert "setup b" in printed
    assert 'nozzle_pressure = "Druck am Rohr [bar]"' in printed
    with (out / "tables" / "columns.csv").open(encoding="utf-8-sig", newline="") as stream:
        assert "L/min" in {row["unit"] for row in csv.DictReader(stream)}
    command = shlex.split(printed.partition("Next: ")[2].partition(" Cautions")[0])
    assert command[:3] == ["python", "studies/field_test.py", "read"]
    following = [*command[2:], "--dry-run"]
    assert run_commands(DESCRIPTION, COMMANDS, following) == 0
    assert "48 throws that count" in capsys.readouterr().out
