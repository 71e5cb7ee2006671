"""The table [columns]: another sheet's headers, units and names, and what is wrong with them."""

import tomllib
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from jetsim import units
from jetsim.equipment.reading import read_model
from jetsim.errors import InputError, InputFileError
from jetsim.experiment.cells import Cell, Form, read_number
from jetsim.experiment.sheets import Grid, Raw, read_grid
from jetsim.throws.columns import mixed_signs, words_of
from jetsim.throws.columns_entry import ColumnsEntry
from jetsim.throws.mapping import columns_toml, propose
from jetsim.throws.sheet import MOST_THROWS, SheetRules, read_sheet

RULES = SheetRules({"a": 345e3, "b": 345e3}, 0.1, 3.6, 67.0, {"Tip on ball": "a", "Tip on slide": "b"}, 270.0)
COLUMNS = {"setup": "Nozzle", "nozzle_pressure": "Druck [bar]", "farthest_drops": {"column": "Weite", "unit": "m"},
           "wind_speed": {"always": "calm"}}  # fmt: skip
TABLE = "Nozzle;Druck [bar];Weite;Extra\n" + "".join(f"{'ab'[n % 2]};3,45;{38 + n};x\n" for n in range(6))


def read(folder: Path, text: str = TABLE, **changes):
    content = {name: value for name, value in {**COLUMNS, **changes}.items() if value is not None}
    path = folder / "sheet.csv"
    path.write_text(text, encoding="utf-8")
    return read_sheet(path, RULES, read_model(content, ColumnsEntry, "own.toml").mapped())


def lines(folder: Path, text: str = TABLE, **changes) -> tuple[str, ...]:
    with pytest.raises(InputFileError) as caught:
        read(folder, text, **changes)
    return caught.value.lines


def test_a_mapped_sheet_is_read_and_says_what_it_leaves_unread(tmp_path):
    sheet = read(tmp_path)
    assert sheet.numbers["farthest_drops"] == pytest.approx(np.arange(38.0, 44.0))
    assert sheet.numbers["nozzle_pressure"] == pytest.approx(np.full(6, 3.45e5))
    assert sheet.spreads["wind_speed"][0] > 0
    assert sheet.notices == ("columns that were not read: Extra",)
    assert not sheet.ordered
    assert list(sheet.numbers["run_order"]) == [1, 2, 3, 4, 5, 6]


def test_a_set_up_goes_by_its_name_its_label_or_what_the_sheet_calls_it(tmp_path):
    text = TABLE.replace("a;", "tip on BALL;").replace("b;", "B2;")
    assert set(read(tmp_path, text, setups={"b2": "b"}).setups) == {"a", "b"}
    assert any("= 'B2': is no set-up of the study file" in line for line in lines(tmp_path, text))


MISTAKES = [
    ({"flow": "Flow"}, "columns.flow = 'Flow': no such header near the top of the sheet"),
    ({"farthest_drops": "Weite"}, "column Weite = '38': has no unit: write one of length in the header, in the cell"),
    ({"nozzle_pressure": {"column": "Druck [bar]", "unit": "psi"}}, "the header 'Druck [bar]' states bar; correct one"),
    ({"flow": {"column": "Extra", "unit": "psi"}}, "columns.flow.unit = 'psi': is no unit of flow"),
    ({"flow": "Druck [bar]"}, "columns.flow = 'Druck [bar]': its header states bar, which is no unit of flow"),
    ({"setup": None}, "[columns]: column 'setup' is missing; add it"),
    ({"farthest_drops": None}, "[columns]: column 'farthest_drops_ft' or 'breakup_distance_ft' is missing"),
    ({"decimal": "point"}, "= '3,45': has a decimal comma, where [columns] states the other sign"),
    ({"wind_speed": {"always": "5"}}, "columns.wind_speed = '5': has no unit"),
]


@pytest.mark.parametrize(("change", "words"), MISTAKES)
def test_each_mistake_of_the_table_is_named(tmp_path, change, words):
    found = lines(tmp_path, **change)
    assert any(words in line for line in found), found


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ({"flow": {"column": "a", "always": "b"}}, "flow: give either column, a header of the sheet, or always"),
        ({"flow": {"always": "50 gpm", "unit": "gpm"}}, "flow: unit = 'gpm': always states its own unit"),
        ({"flw": "a"}, "unknown key 'flw'; did you mean 'flow'?"),
        ({"decimal": ";"}, "decimal = ';': must be one of point, comma"),
    ],
)
def test_a_table_that_says_nothing_clear_is_refused(content, words):
    with pytest.raises(InputError) as caught:
        read_model(content, ColumnsEntry, "own.toml")
    assert words in str(caught.value)


def test_a_header_that_stands_twice_or_is_hidden_is_not_chosen_from(tmp_path):
    assert any("stands there twice" in line for line in lines(tmp_path, TABLE.replace("Extra", "Weite")))
    book = openpyxl.Workbook()
    for row in TABLE.splitlines():
        book.active.append(row.split(";"))
    book.active.column_dimensions["C"].hidden = True
    book.active.row_dimensions[3].hidden = True
    book.save(tmp_path / "hidden.xlsx")
    with pytest.raises(InputFileError) as caught:
        read_sheet(tmp_path / "hidden.xlsx", RULES, read_model(COLUMNS, ColumnsEntry, "own.toml").mapped())
    assert any("row 1, column 'Weite': is hidden" in line for line in caught.value.lines)
    assert any("row 3: is hidden" in line for line in caught.value.lines)


def test_ten_thousand_rows_are_no_field_test(tmp_path):
    text = "Nozzle;Druck [bar];Weite;Extra\n" + "a;3,45;38;x\n" * 10_000
    (line,) = lines(tmp_path, text)
    assert f"holds 10,000 throws: at most {MOST_THROWS:,} are read" in line


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [("Pump [PSI]", "Pump", "psi"), ("reach (ft)", "reach", "ft"), ("Flow, L/min", "Flow", "L/min"),
     ("reach in metres", "reach", "m"), ("Druck / bar", "Druck", "bar"), ("flow_lpm", "flow", "L/min"),
     ("Wind (Beaufort)", "Wind", "Beaufort"), ("Wind (north mast)", "Wind (north mast)", None),
     ("Winkel [°]", "Winkel", "deg"), ("Pressure psi(g)", "Pressure", "psi"), ("psi", "psi", None)],
)  # fmt: skip
def test_units_are_taken_out_of_headers(header, name, unit):
    assert words_of(header) == (name, unit)


# Proposals


def grid(*rows: str) -> Grid:
    return Grid([[Raw(cell) for cell in row.split(";")] for row in rows], "cells")


def test_a_unit_that_nobody_states_is_guessed_and_called_so():
    made = propose(grid("Nozzle;Tip pressure;Reach", "a;3.4;38", "b;3.5;37.5", "a;3.5;39"), RULES)
    assert made.mapped.sources["nozzle_pressure"].unit == "bar"
    assert made.mapped.sources["farthest_drops"].unit == "m"
    assert set(made.guessed) == {"nozzle_pressure", "farthest_drops"}
    assert "nearest to what is usual" in columns_toml(made)
    other = propose(grid("Nozzle;Tip pressure;Reach", "a;50;125", "b;51;123"), RULES)
    assert {source.unit for source in other.mapped.sources.values()} == {None, "psi", "ft"}


def test_a_set_up_that_nothing_comes_near_is_asked_for():
    made = propose(grid("Nozzle;Tip pressure (psi);Reach (ft)", "slide tip;50;120", "monitor;50;130"), RULES)
    assert made.mapped.setups == {"slide tip": "b"}
    assert made.unknown_setups == ["monitor"]
    assert '# "monitor" = which?' in columns_toml(made)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.lists(st.text(max_size=8), min_size=1, max_size=4), min_size=1, max_size=3))
def test_any_cells_give_a_table_that_can_be_pasted_or_a_line(cells):
    try:
        made = propose(Grid([[Raw(cell) for cell in row] for row in cells], "cells"), RULES)
    except InputError:
        return
    table = tomllib.loads(columns_toml(made)).get("columns", {})
    if "setup" in made.mapped.sources:
        assert read_model(table, ColumnsEntry, "own.toml").mapped() == made.mapped


# Numbers through every dialect

NUMBER = st.decimals("0.001", "99999", places=3, allow_nan=False, allow_infinity=False)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(NUMBER, min_size=1, max_size=5),
    st.sampled_from([".", ","]),
    st.sampled_from([",", ";", "\t", "xlsx", "xlsx text"]),
    st.sampled_from(["utf-8-sig", "utf-16", "cp1252"]),
    st.sampled_from(["", " psi", " kPa", " bar"]),
)
def test_no_number_changes_in_silence_between_a_sheet_and_si(tmp_path, numbers, point, dialect, encoding, unit):
    """Written as a spreadsheet of any language would, without saying which, each is read as it was, or refused."""
    shown = [f"{number.normalize():f}".replace(".", point) + unit for number in numbers]
    if dialect.startswith("xlsx"):
        book, path = openpyxl.Workbook(), tmp_path / "sheet.xlsx"
        for text, number in zip(["reach", *shown], [None, *numbers], strict=True):
            typed = float(number) if dialect == "xlsx" and number is not None and not unit else text
            book.active.append(["setup", typed, "notes"] if number is None else ["a", typed, "dry, calm"])
        book.save(path)
    else:
        path = tmp_path / "sheet.csv"
        rows = [["setup", "reach", "notes"], *(["a", text, "dry"] for text in shown)]
        quoted = [dialect.join(f'"{cell}"' if dialect in cell else cell for cell in row) for row in rows]
        path.write_bytes("\r\n".join(quoted).encode(encoding))
    found = read_grid(path)
    form = Form("pressure", "psi", (0.0, 1e12), mixed=mixed_signs(found))
    for number, row in zip(numbers, found.rows[1:], strict=True):
        cell = read_number("row 2", row[1], form)
        if isinstance(cell, Cell):
            assert cell.number == pytest.approx(float(units.to_si(float(number), unit.strip() or "psi")), rel=1e-9)
        else:
            assert "may mean" in cell.line
