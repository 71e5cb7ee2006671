"""Cells of a hand-filled sheet."""

import math

import pytest

from jetsim.experiment.cells import Cell, Complaint, read_number, read_text

LIMITS = (5e4, 2e6)


def test_numbers_become_si():
    assert read_number("row 2", " 50 ", "psi", LIMITS).number == pytest.approx(344737.86)
    assert read_number("row 2", "3.5e0", "bar", LIMITS).number == pytest.approx(3.5e5)


def test_an_empty_cell_is_missing_and_no_mistake():
    cell = read_number("row 2", "  ", "psi", LIMITS)
    assert isinstance(cell, Cell)
    assert cell.empty
    assert math.isnan(cell.number)


def test_texts_are_put_on_one_line():
    assert read_text("row 2", " slipped\n twice ", "1", (0, 1)).text == "slipped twice"


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ("52,5", "decimal comma; write '52.5'"),
        ("52 psi", "write the number alone, '52'; the unit (psi) stands in the header"),
        ("about 50", "is not a number"),
        ("nan", "leave the cell empty"),
        ("-inf", "leave the cell empty"),
        ("3.6", "allowed is 7.252 to 290.1 psi; is it in bar?"),
        ("-50", "allowed is 7.252 to 290.1 psi; correct it"),
        ("1e9", "allowed is 7.252 to 290.1 psi"),
        ("0x32", "is not a number"),
    ],
)
def test_complaints_name_place_value_and_remedy(raw, words):
    found = read_number("row 7, column nozzle_pressure_psi", raw, "psi", LIMITS)
    assert isinstance(found, Complaint)
    assert found.line.startswith(f"row 7, column nozzle_pressure_psi = {raw!r}: ")
    assert words in found.line


def test_counts_are_whole():
    assert isinstance(read_number("row 2", "1.5", "1", (1, 99)), Complaint)
    assert read_number("row 2", "2.0", "1", (1, 99)).number == 2


def test_long_texts_are_cut():
    found = read_number("row 2", "x" * 500, "psi", LIMITS)
    assert isinstance(found, Complaint)
    assert len(found.line) < 200
