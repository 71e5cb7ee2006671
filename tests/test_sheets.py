"""Tables out of any spreadsheet: dialects, encodings, line ends and workbooks, read as a person sees them."""

import datetime
import io
import zipfile
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from jetsim.errors import InputError
from jetsim.experiment.sheets import read_grid

ROWS = [["Nr", "Set-up", "Druck [bar]", "Weite"], ["1", "a", "3,5", "38"], ["2", "b", "3,6", "41,5"]]


def written(folder: Path, data: bytes, name: str = "sheet.csv") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def texts(path: Path, worksheet: str | None = None) -> list[list[str]]:
    grid = read_grid(path, worksheet)
    return [grid.texts(row) for row in range(len(grid.rows))]


def lines(separator: str, end: str = "\n") -> str:
    quoted = [[f'"{cell}"' if separator in cell else cell for cell in row] for row in ROWS]
    return end.join(separator.join(row) for row in quoted) + end


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_every_dialect_gives_the_same_cells(tmp_path, separator, end, encoding):
    assert texts(written(tmp_path, lines(separator, end).encode(encoding))) == ROWS


def test_a_spreadsheets_hint_at_its_separator_is_followed(tmp_path):
    assert texts(written(tmp_path, b"sep=;\r\n" + lines(";").encode())) == ROWS


def test_semicolons_in_notes_do_not_split_a_sheet_of_commas(tmp_path):
    text = "no,setup,notes\n1,a,slipped; twice; again\n2,b,\n3,a,wind; gusts\n"
    assert texts(written(tmp_path, text.encode()))[1] == ["1", "a", "slipped; twice; again"]


def test_decimal_commas_do_not_split_a_sheet_of_semicolons(tmp_path):
    text = "Aufbau;Druck, bar;Weite, m\na;3,5;38,2\nb;3,6;41,0\n"
    assert texts(written(tmp_path, text.encode()))[1] == ["a", "3,5", "38,2"]


def test_digits_are_the_same_in_older_encodings(tmp_path):
    assert texts(written(tmp_path, "setup;Höhe °\na;12½\n".encode("cp1252"))) == [["setup", "Höhe °"], ["a", "12½"]]


CELL = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=6)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.lists(CELL, min_size=3, max_size=3), min_size=1, max_size=4),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_any_cells_come_back_from_any_dialect(tmp_path, cells, separator, encoding):
    table = [["setup", "reach", "notes"], *cells]
    quoted = [separator.join('"' + cell.replace('"', '""') + '"' for cell in row) for row in table]
    found = read_grid(written(tmp_path, "\n".join(quoted).encode(encoding))).rows
    assert [[cell.text for cell in row] for row in found] == table


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(64), "is encrypted or in an old format: take its password off"),
        (b"PK\x03\x04" + bytes(64), "is a broken workbook"),
        (b"a\0b\n1\n", "is not a text file"),
        (b'no\n"1\n', "quotation mark that is not closed"),
    ],
)
def test_what_is_no_sheet_is_refused(tmp_path, data, words):
    with pytest.raises(InputError, match=words):
        read_grid(written(tmp_path, data))


def test_missing_files_folders_and_worksheets_of_text_are_named(tmp_path):
    for path, words in ((tmp_path / "none.csv", "there is no such file"), (tmp_path, "is a folder")):
        with pytest.raises(InputError, match=words):
            read_grid(path)
    with pytest.raises(InputError, match="is a text file, which has no worksheet 'x'"):
        read_grid(written(tmp_path, b"a,b\n1,2\n"), "x")


# Workbooks


def workbook(folder: Path, change=lambda sheet: None) -> Path:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Tests"
    for row in (["no", "setup", "reach", "notes"], [1, "a", 120.5, "ok"], [2, "a", 118, None], [3, "b", 130, None]):
        sheet.append(row)
    change(sheet)
    path = folder / "sheet.xlsx"
    book.save(path)
    return path


def test_a_workbook_is_read_as_it_is_shown(tmp_path):
    grid = read_grid(workbook(tmp_path))
    assert grid.texts(1) == ["1", "a", "120.5", "ok"]
    assert [cell.kind for cell in grid.rows[1]] == ["number", "text", "number", "text"]
    assert "Tests" in grid.how


def test_formulas_without_values_errors_and_dates_are_marked(tmp_path):
    def change(sheet):
        sheet["C2"], sheet["C3"], sheet["C4"] = "=A2*40", "#DIV/0!", datetime.date(2026, 10, 5)
        sheet["C3"].data_type = "e"

    cells = [row[2] for row in read_grid(workbook(tmp_path, change)).rows[1:]]
    assert [cell.kind for cell in cells] == ["fault", "fault", "date"]
    assert "formula without a stored value" in cells[0].text
    assert "#DIV/0!" in cells[1].text
    assert cells[2].text == "2026-10-05"


def test_a_formulas_stored_value_is_read_and_nothing_run(tmp_path):
    path = workbook(tmp_path, lambda sheet: sheet.__setitem__("C2", "=A2*40"))
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    name = "xl/worksheets/sheet1.xml"
    parts[name] = parts[name].replace(b"<v></v>", b"<v>77</v>").replace(b"<v />", b"<v>77</v>")
    with zipfile.ZipFile(path, "w") as archive:
        for part, data in parts.items():
            archive.writestr(part, data)
    assert read_grid(path).rows[1][2].text == "77"


def test_a_unit_in_a_cells_format_belongs_to_what_is_shown(tmp_path):
    def change(sheet):
        sheet["C2"].number_format = '0.0" ft"'

    assert read_grid(workbook(tmp_path, change)).rows[1][2].text == "120.5 ft"


def test_cells_merged_downwards_hold_for_each_row_and_are_told(tmp_path):
    grid = read_grid(workbook(tmp_path, lambda sheet: sheet.merge_cells("B2:B3")))
    assert [row[1].text for row in grid.rows[1:]] == ["a", "a", "b"]
    assert grid.notices == ("cells B2:B3 are merged: their value is read for each of their rows",)


def test_hidden_rows_and_columns_are_known(tmp_path):
    def change(sheet):
        sheet.row_dimensions[3].hidden = True
        sheet.column_dimensions["C"].hidden = True

    grid = read_grid(workbook(tmp_path, change))
    assert grid.hidden_rows == {2}
    assert 2 in grid.hidden_columns


def test_of_two_sheets_it_is_asked_which(tmp_path):
    path = workbook(tmp_path, lambda sheet: sheet.parent.create_sheet("Notes").append(["x"]))
    with pytest.raises(InputError, match="has 2 worksheets with cells: 'Tests', 'Notes'; say which with --worksheet"):
        read_grid(path)
    assert texts(path, "Notes") == [["x"]]
    with pytest.raises(InputError, match="worksheet = 'Test': holds no cells or is not there; there are 'Tests'"):
        read_grid(path, "Test")


def test_an_empty_or_hidden_sheet_is_no_second_one(tmp_path):
    def change(sheet):
        sheet.parent.create_sheet("Empty")
        hidden = sheet.parent.create_sheet("Lists")
        hidden.append(["x"])
        hidden.sheet_state = "hidden"

    assert len(read_grid(workbook(tmp_path, change)).rows) == 4


def test_no_cut_workbook_ends_in_a_traceback(tmp_path):
    data = workbook(tmp_path).read_bytes()
    for share in (0.1, 0.5, 0.9, 0.999):
        with pytest.raises(InputError, match="broken workbook"):
            read_grid(written(tmp_path, data[: int(share * len(data))], "cut.xlsx"))


def test_a_workbook_of_another_kind_is_named(tmp_path):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("content.xml", "<x/>")
    with pytest.raises(InputError, match=r"is no .xlsx workbook"):
        read_grid(written(tmp_path, packed.getvalue()))
