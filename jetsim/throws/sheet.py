"""The sheet of a field test: one row for each throw, units in the header; everything wrong is told in one pass.

A header is a column's name and its unit, such as ``nozzle_pressure_psi`` or ``nozzle_pressure_bar``. Nothing is
dropped silently: a throw that must not count is marked as excluded, with a reason.
"""

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from jetsim import units
from jetsim.errors import InputError, InputFileError
from jetsim.experiment.cells import Cell, Complaint, read_number, read_text
from jetsim.quantities import did_you_mean

SUFFIXES = {
    "psi": "psi", "kpa": "kPa", "bar": "bar", "gpm": "gpm", "lpm": "L/min", "lps": "L/s", "deg": "deg", "ft": "ft",
    "m": "m", "mph": "mph", "kmh": "km/h", "mps": "m/s", "lbf": "lbf", "n": "N", "degf": "degF", "degc": "degC",
}  # fmt: skip
_EDITION = {
    "us": {"pressure": "psi", "flow": "gpm", "length": "ft", "speed": "mph", "force": "lbf", "angle": "deg"},
    "si": {"pressure": "bar", "flow": "lpm", "length": "m", "speed": "mps", "force": "n", "angle": "deg"},
}


@dataclass(frozen=True)
class SheetColumn:
    """One column: its dimension ("text" and "count" carry no unit) and the plausible range, SI."""

    name: str
    dimension: str
    low: float = 0.0
    high: float = np.inf
    required: bool = False

    def header(self, system: str) -> str:
        """The header in the US or SI edition."""
        return self.name if self.dimension in ("text", "count") else f"{self.name}_{_EDITION[system][self.dimension]}"


# Plausible ranges of a drill ground: a value outside is almost always a slip or another unit.
COLUMNS = {
    column.name: column
    for column in (
        SheetColumn("run_order", "count", 1, 9999, required=True),
        SheetColumn("block", "count", 1, 9999),
        SheetColumn("setup", "text", required=True),
        SheetColumn("target_nozzle_pressure", "pressure", 5e4, 2e6),
        SheetColumn("nozzle_pressure", "pressure", 5e4, 2e6, required=True),
        SheetColumn("pump_pressure", "pressure", 5e4, 3e6),
        SheetColumn("flow", "flow", 5e-4, 0.1),
        SheetColumn("reaction", "force", 20.0, 5e3),
        SheetColumn("elevation", "angle", 0.0, 80.0),
        SheetColumn("throw_bearing", "angle", 0.0, 360.0),
        SheetColumn("wind_speed", "speed", 0.0, 30.0, required=True),
        SheetColumn("wind_from", "angle", 0.0, 360.0, required=True),
        SheetColumn("breakup_distance", "length", 0.3, 100.0),
        SheetColumn("last_continuous_water", "length", 1.0, 150.0),
        SheetColumn("farthest_drops", "length", 3.0, 200.0, required=True),
        SheetColumn("observer", "text"),
        SheetColumn("excluded", "text"),
        SheetColumn("exclusion_reason", "text"),
        SheetColumn("notes", "text"),
    )
}
READINGS = ("farthest_drops", "breakup_distance", "last_continuous_water")
MODEL_NOTE = "made by the model"
_YES, _NO = ("yes", "y", "true", "x"), ("no", "n", "false", "")


@dataclass(frozen=True)
class SheetRules:
    """What the plan lets a throw be: set-ups with their target nozzle pressure [Pa], and limits, SI.

    Attributes
    ----------
    targets : mapping of set-up to float
    tolerance : float
        Largest departure of the gauge from the target, as a share of it.
    largest_wind : float
        [m/s]
    last_mark : float
        [m]
    """

    targets: Mapping[str, float]
    tolerance: float
    largest_wind: float
    last_mark: float


@dataclass(frozen=True, eq=False)
class Sheet:
    """A read sheet: all throws, excluded ones too.

    Attributes
    ----------
    setups : list of str
        Of each throw.
    numbers : mapping of column to ndarray, shape (throws,)
        SI; NaN where the sheet says nothing.
    excluded : ndarray of bool, shape (throws,)
    reasons : list of str
    made_by_model : bool
        Whether a note says so (`MODEL_NOTE`).
    """

    setups: list[str]
    numbers: Mapping[str, NDArray[np.float64]]
    excluded: NDArray[np.bool_]
    reasons: list[str]
    made_by_model: bool = False

    @property
    def accepted(self) -> "Sheet":
        """The throws that count."""
        keep = np.flatnonzero(~self.excluded)
        return Sheet(
            [self.setups[n] for n in keep],
            {name: values[keep] for name, values in self.numbers.items()},
            self.excluded[keep],
            [self.reasons[n] for n in keep],
            self.made_by_model,
        )


@dataclass(frozen=True)
class _Header:
    """A header as read: its column and the unit of its cells."""

    text: str
    column: SheetColumn
    unit: str


def read_sheet(path: Path, rules: SheetRules) -> Sheet:
    """Read and check a sheet.

    Raises
    ------
    InputFileError
        Everything found wrong, a line each with row, column, value and remedy.
    InputError
        The file as a whole cannot be read.
    """
    rows = _rows(path)
    headers, lines = _headers(rows[0])
    cells: list[dict[str, Cell]] = []
    for number, row in enumerate(rows[1:], 2):
        if not any(text.strip() for text in row):
            continue
        complaints, found = _row(number, row, headers)
        lines += complaints
        cells.append(found)
    lines += [line for row_cells in cells for line in _row_rules(row_cells, rules)]
    lines += _sheet_rules(cells, rules)
    if lines:
        raise InputFileError(f"{path.name}: {line}" for line in sorted(lines, key=_row_of))
    return _sheet(cells)


def _rows(path: Path) -> list[list[str]]:
    """The cells of the file as text."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder, not a sheet") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(f"{path}: is not UTF-8 text (line {line}): save it as CSV UTF-8") from None
    if "\0" in text:
        raise InputError(f"{path}: is not a text file: save the sheet as CSV UTF-8")
    try:
        rows = list(csv.reader(io.StringIO(text), strict=True))
    except csv.Error as error:
        raise InputError(f"{path}: is not a CSV file ({error}): look for a quotation mark that is not closed") from None
    if not any(cell.strip() for row in rows[1:] for cell in row):
        raise InputError(f"{path}: holds no throws: fill in a row for each throw below the header")
    if len(rows[0]) == 1 and (";" in rows[0][0] or "\t" in rows[0][0]):
        raise InputError(f"{path}: its cells are separated by semicolons or tabs: save it with commas")
    return rows


def _row_of(line: str) -> float:
    """The row that a complaint names, so that they can be told from top to bottom; the sheet as a whole comes last."""
    found = re.match(r"row (\d+)", line)
    return float(found[1]) if found else np.inf


def _headers(texts: Sequence[str]) -> tuple[list[_Header | None], list[str]]:
    """The columns of the header row, None where one cannot be read."""
    headers: list[_Header | None] = []
    lines = []
    seen: set[str] = set()
    for text in (raw.strip() for raw in texts):
        try:
            header = _header(text)
            if header.column.name in seen:
                raise InputError("gives the same column twice; keep one of them")
            seen.add(header.column.name)
            headers.append(header)
        except InputError as error:
            headers.append(None)
            lines.append(f"row 1, column {text!r}: {error}")
    misread = [text.strip() for text, header in zip(texts, headers, strict=True) if header is None]
    for column in COLUMNS.values():
        named = column.name in seen or any(text.startswith(column.name) for text in misread)
        if column.required and not named:
            lines.append(f"row 1: column {column.header('us')!r} is missing; add it (or its SI edition)")
    return headers, lines


def _header(text: str) -> _Header:
    if text in COLUMNS:
        column = COLUMNS[text]
        if column.dimension in ("text", "count"):
            return _Header(text, column, "1")
        raise InputError(f"has no unit; write {column.header('us')!r} or {column.header('si')!r}")
    name, _, suffix = text.rpartition("_")
    if name not in COLUMNS or COLUMNS[name].dimension in ("text", "count"):
        known = [column.header("us") for column in COLUMNS.values()]
        raise InputError(f"is not known{did_you_mean(text, known)}")
    column = COLUMNS[name]
    label = SUFFIXES.get(suffix.lower())
    if label is None or units.unit(label).dimension != column.dimension:
        fitting = [key for key, unit in SUFFIXES.items() if units.unit(unit).dimension == column.dimension]
        raise InputError(f"{suffix!r} is no unit of {column.dimension}; end it with {' or '.join(fitting)}")
    return _Header(text, column, label)


def _row(number: int, row: Sequence[str], headers: Sequence[_Header | None]) -> tuple[list[str], dict[str, Cell]]:
    """The cells of one row; those that cannot be read are left out and complained about."""
    if len(row) > len(headers):  # its cells have moved to the right: no use in complaining about each
        return [f"row {number}: has {len(row)} cells, the header has {len(headers)}; look for a comma inside a cell "
                "(put that cell in quotation marks)"], {}  # fmt: skip
    lines = []
    found = {}
    padded = [*row, *[""] * (len(headers) - len(row))]
    for header, raw in zip(headers, padded, strict=False):
        if header is None:
            continue
        place = f"row {number}, column {header.text}"
        read = read_text if header.column.dimension == "text" else read_number
        cell = read(place, raw, header.unit, (header.column.low, header.column.high))
        if isinstance(cell, Complaint):
            lines.append(cell.line)
        found[header.column.name] = Cell(place, raw.strip(), np.nan, bad=True) if isinstance(cell, Complaint) else cell
    return lines, found


def _row_rules(cells: Mapping[str, Cell], rules: SheetRules) -> Iterable[str]:
    """What the cells of one throw must be together."""
    yield from _exclusion(cells)
    yield from _known_setup(cells, rules)
    if _is_excluded(cells):
        return
    for name, column in COLUMNS.items():
        calm = name == "wind_from" and "wind_speed" in cells and cells["wind_speed"].number == 0
        if column.required and name in cells and cells[name].empty and not calm:
            yield cells[name].line("is empty; fill it in, or mark the throw as excluded with a reason")
    yield from _order_of_distances(cells)
    yield from _within_plan(cells, rules)


def _is_excluded(cells: Mapping[str, Cell]) -> bool:
    return "excluded" in cells and cells["excluded"].text.lower() in _YES


def _exclusion(cells: Mapping[str, Cell]) -> Iterable[str]:
    excluded, reason = cells.get("excluded"), cells.get("exclusion_reason")
    given = reason is not None and not reason.empty
    if excluded is not None and excluded.text.lower() not in (*_YES, *_NO):
        yield excluded.line("must be yes or no")
    elif _is_excluded(cells) and excluded is not None and not given:
        yield excluded.line("has no reason; write it in exclusion_reason")
    elif given and reason is not None and not _is_excluded(cells):
        yield reason.line("stands beside a throw that is not excluded; write yes in excluded, or move it to notes")


def _known_setup(cells: Mapping[str, Cell], rules: SheetRules) -> Iterable[str]:
    setup = cells.get("setup")
    if setup is not None and not setup.empty and setup.text not in rules.targets:
        yield setup.line(f"is no set-up of the study file{did_you_mean(setup.text, rules.targets)}")


def _order_of_distances(cells: Mapping[str, Cell]) -> Iterable[str]:
    for near, far in (("breakup_distance", "last_continuous_water"), ("last_continuous_water", "farthest_drops"),
                      ("breakup_distance", "farthest_drops")):  # fmt: skip
        a, b = cells.get(near), cells.get(far)
        if a is not None and b is not None and a.number > b.number:
            yield a.line(f"lies beyond {far} = {b.text!r} of the same throw; one of the two is wrong")
            return


def _within_plan(cells: Mapping[str, Cell], rules: SheetRules) -> Iterable[str]:
    wind, pressure, drops = (cells.get(name) for name in ("wind_speed", "nozzle_pressure", "farthest_drops"))
    target = rules.targets.get(cells["setup"].text) if "setup" in cells else None
    if wind is not None and wind.number > rules.largest_wind:
        yield wind.line("is above the largest wind of the plan; exclude the throw with a reason")
    if drops is not None and drops.number > rules.last_mark:
        yield drops.line("lies beyond the last mark; exclude the throw with a reason, or correct last_mark")
    if pressure is not None and target is not None and abs(pressure.number / target - 1) > rules.tolerance:
        yield pressure.line(
            f"is {100 * (pressure.number / target - 1):+.0f} % off the match for set-up {cells['setup'].text!r}; "
            "exclude the throw with a reason, or widen match.tolerance"
        )


def _sheet_rules(rows: Sequence[Mapping[str, Cell]], rules: SheetRules) -> Iterable[str]:
    """What the throws must be together."""
    first: dict[float, Cell] = {}
    for cells in rows:
        order = cells.get("run_order")
        if order is None or order.bad or order.empty:
            continue
        if order.number in first:
            yield order.line(f"is used before ({first[order.number].place}); number every throw once")
        first.setdefault(order.number, order)
    yield from _gaps(first)
    for setup in rules.targets:
        thrown = sum(cells["setup"].text == setup and not _is_excluded(cells) for cells in rows if "setup" in cells)
        if thrown < 2:
            yield f"set-up {setup!r} has {thrown} throws that count; it needs 2 or more"


def _gaps(orders: Mapping[float, Cell]) -> Iterable[str]:
    numbers = sorted(int(number) for number in orders)
    missing = sorted(set(range(1, numbers[-1] + 1)) - set(numbers)) if numbers else []
    if missing:
        shown = ", ".join(map(str, missing[:8])) + (" ..." if len(missing) > 8 else "")
        yield f"column run_order: {shown} missing; enter the throw, excluded with a reason if it must not count"


def _sheet(rows: Sequence[Mapping[str, Cell]]) -> Sheet:
    names = [name for name, column in COLUMNS.items() if column.dimension != "text"]
    numbers = {name: np.array([row[name].number if name in row else np.nan for row in rows]) for name in names}
    reasons = [row["exclusion_reason"].text if "exclusion_reason" in row else "" for row in rows]
    made = any(row["notes"].text == MODEL_NOTE for row in rows if "notes" in row)
    excluded = np.array([_is_excluded(row) for row in rows])
    return Sheet([row["setup"].text for row in rows], numbers, excluded, reasons, made)
