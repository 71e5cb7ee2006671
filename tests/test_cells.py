"""Cells of a hand-filled sheet."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jetsim import units
from jetsim.experiment.cells import Cell, Complaint, Form, read_number, read_text
from jetsim.experiment.sheets import Raw

PRESSURE = Form("pressure", "psi", (5e4, 2e6))
LENGTH = Form("length", "ft", (0.3, 100.0))


def read(text: str, form: Form = PRESSURE):
    return read_number("row 2", Raw(text), form)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [(" 50 ", 50, "psi"), ("3.5e0 bar", 3.5, "bar"), ("52,5", 52.5, "psi"), ("52 PSI", 52, "psi"), ("50.", 50, "psi"),
     ("345 kPa", 345, "kPa"), ("7,0 bar", 7, "bar"), ("12 1/2", 12.5, "psi")],
)  # fmt: skip
def test_numbers_become_si(text, value, unit):
    assert read(text).number == pytest.approx(float(units.to_si(value, unit)))


@pytest.mark.parametrize(
    ("text", "inches"),
    [("10' 6\"", 126), ("10 ft 6 1/2 in", 126.5), ("10′6″", 126), ('120"', 120), ("12½", 150), ("3 m", 3 / 0.0254)],
)
def test_feet_and_inches_by_tape(text, inches):
    assert read(text, LENGTH).number == pytest.approx(float(units.to_si(inches, "in")))


def test_an_empty_cell_is_missing_and_no_mistake():
    cell = read("  ")
    assert isinstance(cell, Cell)
    assert cell.empty
    assert math.isnan(cell.number)


def test_texts_are_put_on_one_line():
    assert read_text("row 2", Raw(" slipped\n twice ")).text == "slipped twice"


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ("1,500", "may mean 1500 or 1.500; write one of these"),
        ("52 gpm", "is a flow"),
        ("52 pse", "unknown unit 'pse' (did you mean psi"),
        ("about 50", "is not a number"),
        ("~50", "is not a number"),
        ("50-52", "is not a number"),
        ("1 500", "has a space inside its number"),
        ("５０", "has digits of another script"),
        ("nan", "leave the cell empty"),
        ("-inf", "leave the cell empty"),
        ("3.6", "allowed is 7.252 to 290.1 psi; is it in bar?"),
        ("3.6 psi", "allowed is 7.252 to 290.1 psi; is it in bar?"),
        ("-50", "allowed is 7.252 to 290.1 psi; correct it"),
        ("1e9", "allowed is 7.252 to 290.1 psi"),
        ("0x32", "unknown unit 'x32'"),
    ],
)
def test_complaints_name_place_value_and_remedy(raw, words):
    found = read_number("row 7, column nozzle_pressure_psi", Raw(raw), PRESSURE)
    assert isinstance(found, Complaint)
    assert found.line.startswith(f"row 7, column nozzle_pressure_psi = {raw!r}: ")
    assert words in found.line


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (Raw("2026-10-05", "date"), "is a date, which a spreadsheet may have made of a number"),
        (Raw("True", "truth"), "is true or false"),
        (Raw("is the spreadsheet's error #DIV/0!", "fault"), "row 2: is the spreadsheet's error #DIV/0!"),
    ],
)
def test_what_a_workbook_made_of_a_number_is_refused(raw, words):
    found = read_number("row 2", raw, PRESSURE)
    assert isinstance(found, Complaint)
    assert words in found.line


def test_a_column_without_a_unit_takes_cells_that_state_one():
    form = Form("pressure", None, (5e4, 2e6))
    assert read("50 psi", form).number == pytest.approx(344737.86)
    assert "has no unit" in read("50", form).line


def test_counts_are_whole():
    count = Form("count", None, (1, 99))
    assert isinstance(read("1.5", count), Complaint)
    assert read("2.0", count).number == 2


def test_long_texts_are_cut():
    found = read("x" * 500)
    assert isinstance(found, Complaint)
    assert len(found.line) < 200


@pytest.mark.parametrize(
    ("text", "decimal", "kilopascals"),
    [("1,500", ".", 1500), ("1,500", ",", 1.5), ("1.500", ".", 1.5), ("1.500", ",", 1500), ("1.234,5", ",", 1234.5),
     ("1,234.5", ".", 1234.5), ("52,5", ".", None), ("52.5", ",", None), ("1,234.5", ",", None)],
)  # fmt: skip
def test_a_stated_sign_of_decimals_settles_what_a_number_means(text, decimal, kilopascals):
    found = read(text, Form("pressure", "kPa", (0.0, 1e9), decimal))
    assert (found.number if isinstance(found, Cell) else None) == (None if kilopascals is None else kilopascals * 1e3)


def test_a_point_before_three_digits_is_in_doubt_among_decimal_commas():
    assert "may mean 1500 or 1.500" in read("1.500", Form("pressure", "kPa", (0.0, 1e9), mixed=True)).line
    assert read("1.500", Form("pressure", "kPa", (0.0, 1e9))).number == 1500


@given(
    st.decimals(0, 10**6, places=4, allow_nan=False),
    st.sampled_from([(".", ""), (".", ","), (",", ""), (",", ".")]),
    st.sampled_from(["", " psi", " kPa", " BAR", "bar"]),
    st.booleans(),
)
def test_no_number_changes_in_silence_in_any_dialect(value, signs, unit, stated):
    """Written with either sign of decimals, with or without thousands, a number is read as it was or refused."""
    point, thousands = signs
    text = f"{value:,f}".replace(",", "T").replace(".", point).replace("T", thousands)
    form = Form("pressure", "psi", (0.0, 1e12), point if stated else "", mixed=not stated and point == ",")
    found = read(text + unit, form)
    label = unit.strip() or "psi"
    if isinstance(found, Cell):
        assert found.number == pytest.approx(float(units.to_si(float(value), label)), rel=1e-12)
    else:
        assert not stated
        assert "may mean" in found.line
