"""Columns of a sheet of throws: what each holds, how a run sheet of ours heads it, and where another sheet keeps it.

A run sheet of ours says it all in its headers (``nozzle_pressure_psi``). Of any other sheet the question's table
``[columns]`` says which header stands for what, so that nothing is read as a number that a person has not seen mapped.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from jetsim import units
from jetsim.errors import InputError, InputFileError, shown
from jetsim.experiment.cells import Decimal, Form, by_comma
from jetsim.experiment.sheets import Grid
from jetsim.quantities import did_you_mean

SUFFIXES = {
    "psi": "psi", "kpa": "kPa", "bar": "bar", "gpm": "gpm", "lpm": "L/min", "lps": "L/s", "deg": "deg", "ft": "ft",
    "m": "m", "mph": "mph", "kmh": "km/h", "mps": "m/s", "lbf": "lbf", "n": "N", "degf": "degF", "degc": "degC",
}  # fmt: skip
_EDITION = {
    "us": {"pressure": "psi", "flow": "gpm", "length": "ft", "speed": "mph", "force": "lbf", "angle": "deg"},
    "si": {"pressure": "bar", "flow": "lpm", "length": "m", "speed": "mps", "force": "n", "angle": "deg"},
}
PLAIN = ("text", "count")  # dimensions without a unit
BEAUFORT = "Beaufort"
_BEAUFORT = ("beaufort", "bft", "bf")
_IN_BRACKETS = re.compile(r"(?P<name>.*?)\s*[\[(](?P<unit>[^\[\]()]*(?:\([^()]*\))?[^\[\]()]*)[\])]\s*", re.DOTALL)


@dataclass(frozen=True)
class SheetColumn:
    """One column: its dimension ("text" and "count" carry no unit) and the plausible range, SI."""

    name: str
    dimension: str
    low: float = 0.0
    high: float = np.inf

    def header(self, system: str) -> str:
        """The header in the US or SI edition."""
        return self.name if self.dimension in PLAIN else f"{self.name}_{_EDITION[system][self.dimension]}"


# Plausible ranges of a drill ground: a value outside is almost always a slip or another unit.
COLUMNS = {
    column.name: column
    for column in (
        SheetColumn("run_order", "count", 1, 9999),
        SheetColumn("block", "count", 1, 9999),
        SheetColumn("setup", "text"),
        SheetColumn("target_nozzle_pressure", "pressure", 5e4, 2e6),
        SheetColumn("nozzle_pressure", "pressure", 5e4, 2e6),
        SheetColumn("pump_pressure", "pressure", 5e4, 3e6),
        SheetColumn("flow", "flow", 5e-4, 0.1),
        SheetColumn("reaction", "force", 20.0, 5e3),
        SheetColumn("elevation", "angle", 0.0, 80.0),
        SheetColumn("throw_bearing", "angle", 0.0, 360.0),
        SheetColumn("wind_speed", "speed", 0.0, 30.0),
        SheetColumn("wind_from", "angle", 0.0, 360.0),
        SheetColumn("breakup_distance", "length", 0.3, 100.0),
        SheetColumn("last_continuous_water", "length", 1.0, 150.0),
        SheetColumn("farthest_drops", "length", 3.0, 200.0),
        SheetColumn("observer", "text"),
        SheetColumn("excluded", "text"),
        SheetColumn("exclusion_reason", "text"),
        SheetColumn("notes", "text"),
    )
}
# Columns that no run sheet of ours needs and other sheets have.
FURTHER = {
    "wind_gust": SheetColumn("wind_gust", "speed", 0.0, 40.0),
    "day": SheetColumn("day", "text"),
}
EVERY = {**COLUMNS, **FURTHER}
PRESSURES = ("nozzle_pressure", "pump_pressure")
DISTANCES = ("farthest_drops", "breakup_distance")


@dataclass(frozen=True)
class Source:
    """Where a sheet keeps a column, as ``[columns]`` states it.

    Attributes
    ----------
    column : str or None
        Its header; None where `always` stands for every row.
    unit : str or None
        Of bare numbers; None: as the header or each cell says.
    always : str or None
        What holds for every row, as a cell would say it.
    """

    column: str | None = None
    unit: str | None = None
    always: str | None = None


@dataclass(frozen=True)
class Mapped:
    """What ``[columns]`` says of a sheet.

    Attributes
    ----------
    sources : mapping of column to Source
    setups : mapping of str to str
        What the sheet calls a set-up to its name.
    worksheet : str or None
    decimal : {"", ".", ","}
    """

    sources: Mapping[str, Source]
    setups: Mapping[str, str] = field(default_factory=dict)
    worksheet: str | None = None
    decimal: Decimal = ""


@dataclass(frozen=True)
class Placed:
    """A column where a sheet keeps it: its position, its header as written, and how its numbers are written."""

    column: SheetColumn
    header: str
    at: int | None
    form: Form
    always: str = ""


@dataclass(frozen=True, eq=False)
class Layout:
    """How a sheet is to be read.

    Attributes
    ----------
    placed : list of Placed or None
        None stands for a header that could not be read.
    first : int
        The first row of throws, counted from 0.
    width : int
        Cells of the header.
    lines : list of str
        What is wrong with the header.
    unread : list of str
        Headers that are not read.
    """

    placed: list[Placed | None]
    first: int
    width: int
    lines: list[str]
    unread: list[str]


# --------------------------------------------------------------------------------------------------------
# Headers


def words_of(header: str) -> tuple[str, str | None]:
    """A header's name and the unit that it states, if any.

    Examples
    --------
    >>> words_of("Pump [PSI]"), words_of("reach, ft"), words_of("flow_lpm"), words_of("Wind (north mast)")
    (('Pump', 'psi'), ('reach', 'ft'), ('flow', 'L/min'), ('Wind (north mast)', None))
    """
    text = " ".join(header.split())
    bracketed = _IN_BRACKETS.fullmatch(text)
    tries = [(bracketed["name"], bracketed["unit"])] if bracketed is not None else []
    tries += [(text.rpartition(sign)[0], text.rpartition(sign)[2]) for sign in (",", " in ", "/ ", "_", " ")]
    for name, said in tries:
        unit = unit_of(said)
        if name.strip() and unit is not None:
            return name.strip(" ,/-:"), unit
    return text, None


def unit_of(text: str, dimension: str | None = None) -> str | None:
    """The label of a unit as a header writes it; None for other words."""
    said = text.strip()
    if said.casefold() in _BEAUFORT:
        return BEAUFORT
    found = units.known_unit(SUFFIXES.get(said.casefold(), said), dimension)
    return found.label if found is not None and found.dimension in _EDITION["us"] else None


def dimension_of(unit: str) -> str:
    """What a unit of a header measures."""
    return "speed" if unit == BEAUFORT else units.unit(unit).dimension


def units_below(grid: Grid, header: int) -> list[str | None] | None:
    """Units in a row of their own below the header; None where that row holds anything else."""
    if header + 1 >= len(grid.rows):
        return None
    texts = [text.strip("[]() ") for text in grid.texts(header + 1)]
    found = [unit_of(text) for text in texts]
    said = [unit for text, unit in zip(texts, found, strict=True) if text]
    return found if said and None not in said else None


def mixed_signs(grid: Grid) -> bool:
    """Whether cells of a sheet have decimal commas that can be nothing else."""
    return any(cell.kind == "text" and by_comma(cell.text) for row in grid.rows for cell in row)


# --------------------------------------------------------------------------------------------------------
# A run sheet of ours


def own_layout(grid: Grid) -> Layout:
    """How a run sheet of ours is to be read: its header is the row that holds most of our names.

    Raises
    ------
    InputError
        No row holds one: the sheet is another's.
    """
    known = [sum(_is_ours(text) for text in grid.texts(row)) for row in grid.candidates]
    if not known or max(known) == 0:
        raise InputError("no row near its top has the headers of a run sheet; run field_test.py map on it, which "
                         "proposes the [columns] that say what its headers mean")  # fmt: skip
    at = known.index(max(known))
    placed: list[Placed | None] = []
    lines, seen = [], set()
    texts = grid.texts(at)
    mixed = mixed_signs(grid)
    for position, text in enumerate(texts):
        try:
            column, unit = _own(text)
            if column.name in seen:
                raise InputError("gives the same column twice; keep one of them")
            seen.add(column.name)
            form = Form(column.dimension, unit, (column.low, column.high), mixed=mixed)
            placed.append(Placed(column, text, position, form))
        except InputError as error:
            placed.append(None)
            lines.append(f"row {at + 1}, column {text!r}: {error}")
    misread = [text for text, one in zip(texts, placed, strict=True) if one is None]
    lines += [f"row {at + 1}: {line}" for line in _missing(seen, misread)]
    return Layout(placed, at + 1, len(texts), lines, [])


def _is_ours(text: str) -> bool:
    return text in EVERY or text.rpartition("_")[0] in EVERY


def _own(text: str) -> tuple[SheetColumn, str | None]:
    if text in EVERY:
        column = EVERY[text]
        if column.dimension in PLAIN:
            return column, None
        raise InputError(f"has no unit; write {column.header('us')!r} or {column.header('si')!r}")
    name, _, suffix = text.rpartition("_")
    if name not in EVERY or EVERY[name].dimension in PLAIN:
        raise InputError(f"is not known{did_you_mean(text, [column.header('us') for column in EVERY.values()])}")
    column = EVERY[name]
    label = SUFFIXES.get(suffix.lower())
    if label is None or units.unit(label).dimension != column.dimension:
        fitting = [key for key, unit in SUFFIXES.items() if units.unit(unit).dimension == column.dimension]
        raise InputError(f"{suffix!r} is no unit of {column.dimension}; end it with {' or '.join(fitting)}")
    return column, label


def _missing(seen: set[str], misread: Sequence[str] = ()) -> list[str]:
    """What a sheet cannot do without; a header that could not be read may be it."""

    def there(name: str) -> bool:
        return name in seen or any(text.startswith(name) for text in misread)

    def line(*names: str) -> str:
        return f"column {' or '.join(repr(EVERY[name].header('us')) for name in names)} is missing; add it"

    found = [] if there("setup") else [line("setup")]
    for names in (PRESSURES, DISTANCES):
        if not any(map(there, names)):
            found.append(line(*names))
    return found


# --------------------------------------------------------------------------------------------------------
# Any other sheet


def mapped_layout(grid: Grid, mapped: Mapped) -> Layout:
    """How a sheet is to be read by the question's ``[columns]``.

    Raises
    ------
    InputFileError
        No row holds the headers that are named.
    """
    wanted = {source.column: name for name, source in mapped.sources.items() if source.column is not None}
    rows = {row: [_folded(text) for text in grid.texts(row)] for row in grid.candidates}
    held = {row: sum(_folded(header) in texts for header in wanted) for row, texts in rows.items()}
    at = max(held, key=lambda row: held[row], default=0)
    texts = rows.get(at, [])
    lost = [header for header in wanted if _folded(header) not in texts]
    if lost:
        known = [text for text in (grid.texts(at) if rows else []) if text]
        raise InputFileError(f"columns.{wanted[header]} = {header!r}: no such header near the top of the sheet"
                             f"{did_you_mean(header, known) if known else ''}" for header in lost)  # fmt: skip
    twice = [header for header in wanted if texts.count(_folded(header)) > 1]
    lines = [f"row {at + 1}, column {header!r}: stands there twice; call one of them otherwise" for header in twice]
    below = units_below(grid, at)
    mixed = not mapped.decimal and mixed_signs(grid)
    placed: list[Placed | None] = []
    for name, source in mapped.sources.items():
        position = None if source.column is None else texts.index(_folded(source.column))
        header = "" if position is None else grid.texts(at)[position]
        said = None if position is None else words_of(header)[1] or (below[position] if below else None)
        try:
            unit = _unit(EVERY[name], source, said)
        except InputError as error:
            lines.append(f"columns.{name}{error}")
            continue
        column = EVERY[name]
        form = Form(column.dimension, unit, (column.low, column.high), mapped.decimal, mixed)
        placed.append(Placed(column, header or f"columns.{name}", position, form, source.always or ""))
        if position in grid.hidden_columns:
            lines.append(f"row {at + 1}, column {header!r}: is hidden; show it, so that what is read is what is seen")
    lines += [f"[columns]: {line}" for line in _missing({*mapped.sources})]
    unread = [text for text in grid.texts(at) if text and _folded(text) not in {_folded(name) for name in wanted}]
    return Layout(placed, at + (2 if below else 1), len(texts), lines, unread)


def _folded(text: str) -> str:
    return " ".join(text.split()).casefold()


def _unit(column: SheetColumn, source: Source, said: str | None) -> str | None:
    """The unit of a column's bare numbers: as stated, as its header says; degrees for an angle that says nothing."""
    if column.dimension in PLAIN:
        return None
    stated = None if source.unit is None else unit_of(source.unit, column.dimension)
    if source.unit is not None and (stated is None or dimension_of(stated) != column.dimension):
        known = [*units.units_of(column.dimension), *([BEAUFORT] if column.dimension == "speed" else [])]
        raise InputError(f".unit = {shown(source.unit)}: is no unit of {column.dimension} ({', '.join(known)})")
    if said is not None and dimension_of(said) != column.dimension:
        raise InputError(f" = {source.column!r}: its header states {said}, which is no unit of {column.dimension}")
    if stated is not None and said not in (None, stated):
        raise InputError(f".unit = {shown(source.unit)}: the header {source.column!r} states {said}; correct one")
    return stated or said or ("deg" if column.dimension == "angle" else None)
