"""Tables: bytes, units, headers, and what a reader of the CSV gets back."""

import csv
import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jetsim import units
from jetsim.report.tables import Column, Table, both_units, cell, csv_text, write_csv

REACH = np.array([24.0, np.nan, 30.48])


def table(**changes):
    columns = (
        Column("nozzle", ["smooth bore", 'odd "name", with comma', "Düse"]),
        Column("extreme_reach", REACH),
        Column("elevation", [10.0, 20.0, 30.0]),
        Column("runs", [1, 2000, 3]),
        Column("above_limit", [True, False, True], label="above the stated limit"),
    )
    return Table(**{"name": "reach", "title": "Reach", "columns": columns} | changes)


def test_headers_name_the_units_of_both_systems():
    assert list(table().csv_columns()) == [
        "nozzle", "extreme_reach [ft]", "extreme_reach [m]", "elevation [deg]", "runs", "above_limit",
    ]  # fmt: skip


def test_file_is_utf8_with_line_feeds_and_the_same_bytes_again(tmp_path):
    first = table().save(tmp_path).read_bytes()
    assert first == table().save(tmp_path).read_bytes()
    assert b"\r" not in first
    assert first.endswith(b"\n")
    assert "Düse" in first.decode("utf-8")


def test_values_come_back(tmp_path):
    read = pd.read_csv(table().save(tmp_path))
    np.testing.assert_allclose(read["extreme_reach [m]"], REACH, rtol=1e-8)
    np.testing.assert_allclose(read["extreme_reach [ft]"], units.from_si(REACH, "ft"), rtol=1e-8)
    assert read["nozzle"][1] == 'odd "name", with comma'
    assert read["extreme_reach [ft]"][2] == 100.0
    assert list(read["above_limit"]) == [True, False, True]


@given(st.floats(allow_infinity=False, allow_nan=False))
def test_a_cell_holds_nine_digits(value):
    assert float(cell(value)) == pytest.approx(value, rel=1e-8, abs=1e-300)
    assert not cell(value).startswith("-0") or value != 0


@given(st.lists(st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cf", "Zl", "Zp", "Cn"))), min_size=1))
def test_any_text_survives_but_no_formula(texts):
    rows = list(csv.reader(io.StringIO(csv_text({"text": texts, "n": list(range(len(texts)))}))))
    assert [row[0].removeprefix("'") for row in rows[1:]] == [text.removeprefix("'") for text in texts]
    for row, text in zip(rows[1:], texts, strict=True):
        assert not row[0].lstrip().startswith(("=", "@")), text


@pytest.mark.parametrize("text", ["=HYPERLINK(1)", "+1+1", "-1+1", "@SUM(A1)", " =1", "\t=1", "\r=1", "\x00=1"])
def test_a_spreadsheet_runs_no_cell(text):
    rows = list(csv.reader(io.StringIO(csv_text({text: [text]}))))
    assert all(row[0].startswith("'") for row in rows)


def test_numbers_written_as_text_stay_numbers():
    assert [cell(text) for text in ("-3.5", "+2", "1e-3")] == ["-3.5", "+2", "1e-3"]


def test_control_characters_are_removed():
    assert cell("bell\x07 and\x1b[31m red\u202e\nnext") == "bell and[31m red next"


def test_rows_that_say_nothing_are_counted_not_shown(tmp_path):
    short = table(nothing=[False, True, True], nothing_words="a share under 0.5 %")
    assert [row[0] for row in short.rows("us")] == ["smooth bore"]
    assert short.left_out == "Two more rows: a share under 0.5 %."
    assert len(pd.read_csv(short.save(tmp_path))) == 3
    assert table().left_out == ""
    with pytest.raises(ValueError, match="1 marks for 3 rows"):
        table(nothing=[True])


def test_whole_numbers_and_truths_stay_what_they_are():
    assert [cell(value) for value in (np.int64(180224), True, np.bool_(False), -0.0, np.nan, "x")] == [
        "180224", "true", "false", "0", "", "x",
    ]  # fmt: skip


def test_a_quantity_per_row_carries_its_unit():
    mixed = Column("median", [30.48, 0.01], ["extreme_reach", "flow_rate"], label="middle")
    rows = Table("outputs", "Outputs", (Column("output", ["reach", "flow"]), mixed))
    columns = rows.csv_columns()
    assert columns["unit [US]"] == ["ft", "gpm"]
    assert columns["unit [metric]"] == ["m", "L/min"]
    assert columns["median [US]"] == pytest.approx([100.0, 158.50323141])
    assert columns["median [metric]"] == pytest.approx([30.48, 600.0])
    assert rows.rows("us") == [["reach", "100 ft", "30.5 m"], ["flow", "159 gpm", "600 L/min"]]


def test_report_rows_show_the_editions_unit_first():
    assert [c.unit for c in table().headings("us")][1:3] == ["ft", "m"]
    assert [c.unit for c in table().headings("si")][1:3] == ["m", "ft"]
    assert table().rows("us")[0] == ["smooth bore", "78.7", "24.0", "10.0", "1", "yes"]
    assert table().rows("us")[1] == ['odd "name", with comma', "–", "–", "20.0", "2,000", "no"]


def test_decimals_give_one_scale_to_a_column():
    column = Column("S1", [0.41234, -0.0021, np.nan], decimals=3)
    assert column.shown("us")[0].cells == ["0.412", "-0.002", "–"]


def test_the_report_may_show_fewer_rows_than_the_file(tmp_path):
    short = table(most=2)
    assert len(short.rows("us")) == 2
    assert len(pd.read_csv(short.save(tmp_path))) == 3


def test_spreads_of_temperatures_keep_no_offset():
    columns = both_units("air_temperature", [5.0], "air_temperature_spread", interval=True)
    assert columns["air_temperature_spread [degF]"] == pytest.approx([9.0])


@pytest.mark.parametrize(
    ("changes", "message"),
    [({"name": "Reach table"}, "no file name"), ({"name": "../reach"}, "no file name"),
     ({"columns": (Column("a", [1]), Column("b", [1, 2]))}, "lengths agree"),
     ({"columns": (Column("a", [1]), Column("a", [2]))}, "keys must differ")],
)  # fmt: skip
def test_unusable_tables_are_refused(changes, message):
    with pytest.raises(ValueError, match=message):
        table(**changes)


def test_columns_of_different_lengths_are_refused(tmp_path):
    with pytest.raises(ValueError, match="shorter"):
        write_csv(tmp_path / "x.csv", {"a": [1, 2], "b": [1]})
