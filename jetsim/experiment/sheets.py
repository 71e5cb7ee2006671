"""Tables out of any spreadsheet: cells as a person sees them, from text files in every dialect and from workbooks.

Nothing is made a number here, no formula is run, and what cannot be read as it is seen is marked or refused.
"""

import csv
import io
import re
import warnings
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from jetsim.errors import InputError

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

Kind = Literal["text", "number", "date", "truth", "fault"]
LARGEST_FILE, LARGEST_UNPACKED = 20_000_000, 200_000_000  # bytes
MOST_CELLS = 5_000_000
_COMPOUND, _ZIP = b"\xd0\xcf\x11\xe0", b"PK\x03\x04"
_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_SEPARATORS = {"\t": "tabs", ";": "semicolons", ",": "commas"}
_HEADER_ROWS = 50  # in which a header is sought
_NO_NUMBER = re.compile(r"(?=.*[^\W\d_])(?![\d+\-.,]).*", re.DOTALL)
_LITERAL = re.compile(r'"([^"]*)"')


@dataclass(frozen=True)
class Raw:
    """A cell as it was found.

    Attributes
    ----------
    text : str
        As a person reads it; of a fault, why it cannot be read.
    kind : str
        ``number`` was typed as a number into a workbook, so that no sign of decimals is in doubt.
    """

    text: str
    kind: Kind = "text"

    @property
    def shown(self) -> str:
        """The text on one line, without signs that cannot be shown."""
        return "".join(sign for sign in " ".join(self.text.split()) if sign.isprintable())

    @property
    def empty(self) -> bool:
        """Whether nothing is written."""
        return self.kind == "text" and not self.text.strip()


@dataclass(frozen=True, eq=False)
class Grid:
    """The cells of one sheet, row by row from its first.

    Attributes
    ----------
    rows : list of list of Raw
    how : str
        What was read, in words: ``CSV with semicolons, UTF-8``.
    hidden_rows, hidden_columns : frozenset of int
        Counted from 0.
    notices : tuple of str
        What was read otherwise than it is stored.
    """

    rows: list[list[Raw]]
    how: str
    hidden_rows: frozenset[int] = frozenset()
    hidden_columns: frozenset[int] = frozenset()
    notices: tuple[str, ...] = ()

    def texts(self, row: int) -> list[str]:
        """A row's cells as text on one line each."""
        return [cell.shown for cell in self.rows[row]]

    @property
    def candidates(self) -> range:
        """Rows among which a header is sought."""
        return range(min(len(self.rows), _HEADER_ROWS))


def read_grid(path: Path, worksheet: str | None = None) -> Grid:
    """Read a sheet: text (.csv and the like, told by its content) or a workbook (.xlsx).

    Parameters
    ----------
    path : Path
    worksheet : str, optional
        Which sheet of a workbook; needed where several hold cells.

    Raises
    ------
    InputError
        The file is missing, no sheet, encrypted or broken, or it is not known which of its sheets is meant.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder, not a sheet") from None
    if len(data) > LARGEST_FILE:
        raise InputError(f"{path}: holds {len(data):,} bytes; at most {LARGEST_FILE:,} are read")
    try:
        if data.startswith(_COMPOUND):
            raise InputError("is encrypted or in an old format: take its password off and save it as .xlsx or CSV")
        if data.startswith(_ZIP):
            return _of_workbook(data, worksheet)
        if worksheet is not None:
            raise InputError(f"is a text file, which has no worksheet {worksheet!r}")
        return _of_text(data)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


# --------------------------------------------------------------------------------------------------------
# Text


def _of_text(data: bytes) -> Grid:
    text, encoding = _decoded(data)
    separator, text = _separator(text)
    rows = _split(text, separator)
    return Grid([[Raw(cell) for cell in row] for row in rows], f"CSV with {_SEPARATORS[separator]}, {encoding}")


def _decoded(data: bytes) -> tuple[str, str]:
    """The text and its encoding; bytes that are no UTF-8 are those of older spreadsheets, whose digits are the same."""
    for mark, name in _MARKS:
        if data.startswith(mark):
            try:
                return _plain_text(data.decode(name)), name.upper().removesuffix("-SIG")
            except UnicodeDecodeError:
                raise InputError(f"starts as {name.removesuffix('-sig')} text and goes on as something else: save it "
                                 "as CSV UTF-8") from None  # fmt: skip
    for name, words in (("utf-8", "UTF-8"), ("cp1252", "Windows-1252")):
        try:
            return _plain_text(data.decode(name)), words
        except UnicodeDecodeError:
            continue
    raise InputError("is text in no encoding that is known here: save it as CSV UTF-8")


def _plain_text(text: str) -> str:
    if "\0" in text:
        raise InputError("is not a text file: save the sheet as CSV UTF-8 or .xlsx")
    return text


def _split(text: str, separator: str) -> list[list[str]]:
    """Rows of cells; a line may end as on any system."""
    try:
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error as error:
        raise InputError(f"is not a CSV file ({error}): look for a quotation mark that is not closed") from None


def _separator(text: str) -> tuple[str, str]:
    """What separates the cells, and the text without a spreadsheet's own hint at it.

    The separator is the one that gives one row of texts, the header, and rows of as many cells below it. Tabs and
    semicolons go before commas, which may be signs of decimals.
    """
    hint = re.match(r"sep=(.)\r?\n?", text)
    if hint is not None and hint[1] in _SEPARATORS:
        return hint[1], text[hint.end() :]
    scores = {separator: _evenness(text, separator) for separator in _SEPARATORS if separator in text}
    for separator, (cells, even) in scores.items():
        if cells > 1 and even >= 0.9:
            return separator, text
    return max(scores, key=lambda separator: scores[separator][0] * scores[separator][1], default=","), text


def _evenness(text: str, separator: str) -> tuple[int, float]:
    """Cells of the widest row of texts near the top, and the share of rows below it that have as many."""
    try:
        rows = [row for row in _split(text, separator) if any(cell.strip() for cell in row)]
    except InputError:
        return 1, 0.0
    named = [sum(bool(_NO_NUMBER.fullmatch(cell.strip())) for cell in row) for row in rows[:_HEADER_ROWS]]
    if not named:
        return 1, 0.0
    header = named.index(max(named))
    below = rows[header + 1 :]
    return len(rows[header]), sum(len(row) == len(rows[header]) for row in below) / max(len(below), 1)


# --------------------------------------------------------------------------------------------------------
# Workbooks


def _of_workbook(data: bytes, worksheet: str | None) -> Grid:
    """Values as they were stored when the workbook was saved."""
    _check_archive(data)
    values, formulas = (_opened(data, data_only) for data_only in (True, False))
    name = _chosen(values, worksheet)
    sheet, written = values[name], formulas[name]
    if sheet.max_row * sheet.max_column > MOST_CELLS:
        raise InputError(f"spans {sheet.max_row:,} rows: delete the empty ones below and beside the table")
    rows = [[_cell(shown, below.value) for shown, below in zip(row, under, strict=True)]
            for row, under in zip(sheet.iter_rows(), written.iter_rows(), strict=True)]  # fmt: skip
    notices = tuple(_spread_merged(sheet, rows))
    hidden = frozenset(n - 1 for n, row in sheet.row_dimensions.items() if row.hidden)
    return Grid(rows, f"worksheet {name!r}", hidden, frozenset(_hidden_columns(sheet)), notices)


def _check_archive(data: bytes) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            size = sum(part.file_size for part in archive.infolist())
            names = archive.namelist()
    except (zipfile.BadZipFile, ValueError, OSError):
        raise InputError("is a broken workbook: open it in a spreadsheet program and save it again") from None
    if not any(name.endswith("workbook.xml") for name in names):
        raise InputError("is no .xlsx workbook: save the sheet as .xlsx or CSV UTF-8")
    if size > LARGEST_UNPACKED:
        raise InputError(f"holds {size:,} bytes unpacked; at most {LARGEST_UNPACKED:,} are read")


def _opened(data: bytes, data_only: bool) -> "Workbook":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of decoration that is not read
        try:
            return import_module("openpyxl").load_workbook(io.BytesIO(data), data_only=data_only, keep_links=False)
        except Exception:  # a damaged workbook fails in any part of its reader
            raise InputError("is a broken workbook: open it in a spreadsheet program and save it again") from None


def _chosen(book: "Workbook", worksheet: str | None) -> str:
    """The one sheet that holds cells, or the one that was named."""
    held = [sheet.title for sheet in book.worksheets if _holds_cells(sheet)]
    if worksheet is not None:
        if worksheet in held:
            return worksheet
        raise InputError(f"worksheet = {worksheet!r}: holds no cells or is not there; there are {_listed(held)}")
    shown = [name for name in held if book[name].sheet_state == "visible"]
    if not shown:
        raise InputError("holds no throws: no worksheet that is shown has cells")
    if len(shown) > 1:
        raise InputError(f"has {len(shown)} worksheets with cells: {_listed(shown)}; say which with --worksheet NAME")
    return str(shown[0])


def _holds_cells(sheet: "Worksheet") -> bool:
    return any(cell is not None for row in sheet.iter_rows(values_only=True) for cell in row)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(map(repr, names)) or "none"


def _cell(shown: Any, formula: object) -> Raw:
    """A cell of a workbook with the text that a person sees, as far as it is stored."""
    value = shown.value
    if value is None:
        stored = "is a formula without a stored value: open the workbook and save it again"
        return Raw("") if formula is None else Raw(stored, "fault")
    if isinstance(value, bool):
        return Raw(str(value), "truth")
    if isinstance(value, (int, float)):
        return Raw(_number_text(value, shown.number_format), "number")
    if isinstance(value, (datetime, date, time)):
        return Raw(_date_text(value), "date")
    if shown.data_type == "e":
        return Raw(f"is the spreadsheet's error {value}: correct its formula", "fault")
    return Raw(str(value), "text" if isinstance(value, str) else "date")


def _number_text(value: float, shape: str) -> str:
    """A number with what its format writes behind it, which may be a unit."""
    literal = "".join(_LITERAL.findall(shape.split(";")[0])).strip()
    percent = "%" if "%" in shape else literal
    return f"{value * 100 if percent == '%' else value!r} {percent}".strip()


def _date_text(value: date | time) -> str:
    text = value.isoformat()
    return text.removesuffix("T00:00:00")


def _hidden_columns(sheet: "Worksheet") -> Iterator[int]:
    for dimension in sheet.column_dimensions.values():
        if dimension.hidden:
            first = dimension.min or import_module("openpyxl.utils").column_index_from_string(dimension.index)
            yield from range(first - 1, dimension.max or first)


def _spread_merged(sheet: "Worksheet", rows: list[list[Raw]]) -> Iterator[str]:
    """Give the value of cells merged downwards to each of their rows, as a person reads them; others stay as stored."""
    for merged in sheet.merged_cells.ranges:
        one_column = merged.min_col == merged.max_col
        value = rows[merged.min_row - 1][merged.min_col - 1]
        if not one_column or value.empty:
            continue
        for row in range(merged.min_row, merged.max_row):
            rows[row][merged.min_col - 1] = value
        yield f"cells {merged.coord} are merged: their value is read for each of their rows"
