"""Reading a sheet: units, exclusions, and everything wrong told in one pass."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from jetsim.errors import InputError, InputFileError
from jetsim.throws.columns import COLUMNS
from jetsim.throws.sheet import SheetRules, read_sheet

RULES = SheetRules({"a": 345e3, "b": 345e3}, 0.1, 3.6, 67.0)
HEADER = (
    "run_order,block,setup,nozzle_pressure_psi,flow_gpm,elevation_deg,wind_speed_mph,wind_from_deg,"
    "breakup_distance_ft,last_continuous_water_ft,farthest_drops_ft,excluded,exclusion_reason"
)
GOOD = [f"{n},{(n + 1) // 2},{'ab'[n % 2]},50,180,30,3,90,12,100,125,no," for n in range(1, 9)]


def write(folder: Path, rows: list[str], header: str = HEADER, encoding: str = "utf-8") -> Path:
    path = folder / "sheet.csv"
    path.write_bytes("\r\n".join([header, *rows]).encode(encoding))
    return path


def complaints(folder: Path, rows: list[str], header: str = HEADER) -> tuple[str, ...]:
    with pytest.raises(InputFileError) as caught:
        read_sheet(write(folder, rows, header), RULES)
    return caught.value.lines


def changed(row: int, column: str, text: str) -> list[str]:
    """The good rows with one cell of a row (counted from 0) changed."""
    cells = GOOD[row].split(",")
    cells[HEADER.split(",").index(column)] = text
    return [*GOOD[:row], ",".join(cells), *GOOD[row + 1 :]]


def test_a_good_sheet_is_read_into_si(tmp_path):
    sheet = read_sheet(write(tmp_path, GOOD), RULES)
    assert sheet.numbers["nozzle_pressure"] == pytest.approx(np.full(8, 344737.86))
    assert sheet.numbers["farthest_drops"] == pytest.approx(np.full(8, 38.1))
    assert np.isnan(sheet.numbers["reaction"]).all()
    assert not sheet.excluded.any()


def test_si_and_us_sheets_say_the_same(tmp_path):
    header = HEADER.replace("_psi", "_bar").replace("drops_ft", "drops_m").replace("_mph", "_mps")
    rows = [
        row.replace(",50,", ",3.4473786,").replace(",3,90", ",1.34112,90").replace(",125,", ",38.1,") for row in GOOD
    ]
    metric = read_sheet(write(tmp_path, rows, header), RULES)
    for name, values in read_sheet(write(tmp_path, GOOD), RULES).numbers.items():
        assert metric.numbers[name] == pytest.approx(values, rel=1e-6, nan_ok=True)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_a_spreadsheets_byte_order_mark_and_blank_rows_do_no_harm(tmp_path, encoding):
    assert len(read_sheet(write(tmp_path, [*GOOD, ",,,,,,,,,,,,", ""], encoding=encoding), RULES).setups) == 8


def test_excluded_throws_are_kept_and_marked(tmp_path):
    rows = changed(2, "excluded", "yes")
    rows[2] = rows[2].removesuffix("yes,") + "yes,line kinked"
    sheet = read_sheet(write(tmp_path, rows), RULES)
    assert len(sheet.setups) == 8
    assert len(sheet.accepted.setups) == 7
    assert sheet.reasons[2] == "line kinked"


def test_an_excluded_throw_may_break_the_rules_and_lack_readings(tmp_path):
    rows = [*GOOD, "9,5,a,,,,30,,,,,yes,gust"]
    assert read_sheet(write(tmp_path, rows), RULES).excluded.sum() == 1


def test_calm_air_needs_no_direction(tmp_path):
    rows = [row.replace(",3,90,", ",0,,") for row in GOOD]
    assert np.isnan(read_sheet(write(tmp_path, rows), RULES).numbers["wind_from"]).all()


CELLS = [
    (
        "nozzle_pressure_psi",
        "3.4",
        "row 4, column nozzle_pressure_psi = '3.4': allowed is 7.252 to 290.1 psi; is it in",
    ),
    ("nozzle_pressure_psi", "50 gpm", "is a flow"),
    ("nozzle_pressure_psi", "high", "is not a number"),
    ("nozzle_pressure_psi", "", "is empty; fill it in (or pump_pressure), or mark the throw as excluded with a reason"),
    ("nozzle_pressure_psi", "70", "is +40 % off the match for set-up 'b'"),
    ("setup", "bb", "is no set-up of the study file"),
    ("setup", "", "is empty"),
    ("run_order", "2", "is used before (row 3, column run_order); number every throw once"),
    ("run_order", "2.0", "= '2.0': is used before (row 3, column run_order)"),
    ("run_order", "2.5", "must be a whole number"),
    ("flow_gpm", "180,5", "has 14 cells, the header has 13; look for a comma inside a cell"),
    ("flow_gpm", '"1,180"', "may mean 1180 or 1.180"),
    ("elevation_deg", "95", "allowed is 0 to 80 deg"),
    ("elevation_deg", "nan", "is no number; leave the cell empty"),
    ("wind_speed_mph", "-3", "allowed is 0 to 67.11 mph"),
    ("wind_speed_mph", "12", "is above the largest wind of the plan; exclude the throw with a reason"),
    ("wind_from_deg", "easterly", "is not a number"),
    ("wind_from_deg", "NO", "may mean east (Ost) or west"),
    ("breakup_distance_ft", "110", "lies beyond last_continuous_water = '100' of the same throw"),
    ("last_continuous_water_ft", "140", "lies beyond farthest_drops = '125'"),
    ("farthest_drops_ft", "300", "lies beyond the last mark"),
    ("excluded", "maybe", "must be yes or no"),
    ("excluded", "yes", "has no reason; write it in exclusion_reason"),
    ("exclusion_reason", "kinked", "stands beside a throw that is not excluded"),
]


@pytest.mark.parametrize(("column", "text", "words"), CELLS)
def test_one_mistake_gives_its_line(tmp_path, column, text, words):
    lines = complaints(tmp_path, changed(2, column, text))
    assert any(words in line for line in lines), lines
    assert all(line.startswith("sheet.csv: ") for line in lines)
    assert len(lines) <= 2


HEADERS = [
    ("flow_gpm", "flow", "row 1, column 'flow': has no unit; write 'flow_gpm' or 'flow_lpm'"),
    ("flow_gpm", "flow_psi", "'psi' is no unit of flow; end it with gpm or lpm or lps"),
    ("flow_gpm", "flw_gpm", "is not known; did you mean 'flow_gpm'?"),
    ("flow_gpm", "nozzle_pressure_bar", "gives the same column twice"),
    ("farthest_drops_ft", "remark", "column 'remark': is not known"),
    ("nozzle_pressure_psi", "target_nozzle_pressure_psi", "column 'nozzle_pressure_psi' or 'pump_press"),
]


@pytest.mark.parametrize(("old", "new", "words"), HEADERS)
def test_a_wrong_header_gives_its_line(tmp_path, old, new, words):
    lines = complaints(tmp_path, GOOD, HEADER.replace(old, new))
    assert any(words in line for line in lines), lines


def test_gaps_and_too_few_throws_are_told(tmp_path):
    lines = complaints(tmp_path, [row for row in GOOD if ",a," not in row or row.startswith("2,")])
    assert any("run_order: 4, 6 missing" in line for line in lines)
    assert any("set-up 'a' has 1 throws that count; it needs 2 or more" in line for line in lines)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "holds no throws"),
        (HEADER.encode(), "holds no throws"),
        (b"speed;height\n1;2", "no row near its top has the headers of a run sheet; run field_test.py map"),
        (b"run_order,notes\n1,\x81\x8d", "is text in no encoding that is known here"),
        (b"\xff\xfea\0,", "starts as utf-16 text and goes on as something else"),
        (b"a\0b\n1\n", "is not a text file"),
        (b'run_order\n"1\n', "quotation mark that is not closed"),
    ],
)
def test_a_file_that_is_no_sheet_is_refused(tmp_path, content, words):
    path = tmp_path / "sheet.csv"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_sheet(path, RULES)
    assert words in str(caught.value)


def test_missing_file_and_folder_are_named(tmp_path):
    for path, words in ((tmp_path / "none.csv", "there is no such file"), (tmp_path, "is a folder")):
        with pytest.raises(InputError, match=words):
            read_sheet(path, RULES)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.lists(st.text(max_size=8), min_size=1, max_size=14), min_size=1, max_size=4))
def test_any_text_is_read_or_refused_in_lines(tmp_path, cells):
    rows = [",".join('"' + text.replace('"', '""') + '"' for text in row) for row in cells]
    path = tmp_path / "sheet.csv"
    path.write_bytes("\n".join([HEADER, *rows]).encode("utf-8", errors="surrogatepass"))
    with pytest.raises(InputError) as caught:
        read_sheet(path, RULES)
    assert str(caught.value)


def test_every_column_has_a_header_in_both_editions():
    for column in COLUMNS.values():
        assert column.header("us").startswith(column.name)
        assert column.header("si").startswith(column.name)
