"""Tables: byte-stable CSV files in both unit systems, and the same rows for the report.

Every quantity becomes two columns, US customary and metric, with the unit in the header
(``extreme_reach [ft]``, ``extreme_reach [m]``); one column where both systems share the unit.
"""

import csv
import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.quantities import QUANTITIES, UnitSystem
from jetsim.report import display, glossary
from jetsim.report.plaintext import clean, inert

_SYSTEMS: tuple[UnitSystem, ...] = ("us", "si")
_FILE_NAME = re.compile(r"[a-z0-9][a-z0-9_]*")
_NAME = re.compile(r"[a-z]+(?:_[a-z]+)+")


def check_name(name: str) -> str:
    """Refuse a name that cannot be a file name on every system.

    Raises
    ------
    ValueError
        Not lower-case letters, digits and underscores.
    """
    if not _FILE_NAME.fullmatch(name):
        raise ValueError(f"{name!r} is no file name: use lower-case letters, digits and underscores")
    return name


def cell(value: Any) -> str:
    """One CSV cell: whole numbers as they are, other numbers to nine digits, NaN left empty, texts as no formula."""
    if isinstance(value, (bool, np.bool_)):
        return "true" if value else "false"
    if isinstance(value, (int, np.integer)):
        return str(int(value))
    if isinstance(value, (float, np.floating)):
        return "" if np.isnan(value) else f"{float(value) + 0.0:.9g}"
    return inert(str(value))


def csv_text(columns: Mapping[str, Sequence[Any] | NDArray[Any]]) -> str:
    """Columns of one length as CSV text with line feeds.

    Raises
    ------
    ValueError
        The columns differ in length.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([inert(str(header)) for header in columns])
    writer.writerows([cell(value) for value in row] for row in zip(*columns.values(), strict=True))
    return buffer.getvalue()


def write_csv(path: Path, columns: Mapping[str, Sequence[Any] | NDArray[Any]]) -> Path:
    """Write columns as a CSV file (UTF-8, line feeds, nine digits); the same data give the same bytes."""
    path.write_bytes(csv_text(columns).encode("utf-8"))
    return path


def both_units(
    name: str, values: ArrayLike, key: str | None = None, interval: bool = False
) -> dict[str, NDArray[np.float64]]:
    """CSV columns of one quantity in both systems.

    Parameters
    ----------
    name : str
        A quantity or plain words.
    values : array_like of float, shape (n,)
        SI.
    key : str, optional
        What the headers call it; `name` by default.
    interval : bool, optional
        The values are differences or spreads.

    Returns
    -------
    dict of header to ndarray, shape (n,)
    """
    columns = {}
    for system in _SYSTEMS:
        unit = display.unit_label(name, system)
        header = f"{key or name} [{unit}]" if unit else key or name
        columns[header] = np.atleast_1d(display.convert(name, values, system, interval))
    return columns


@dataclass(frozen=True, eq=False)
class Column:
    """One column of a table.

    Attributes
    ----------
    key : str
        What the CSV header calls it. Where it is a quantity's name, that quantity gives the units.
    values : sequence
        SI numbers or texts.
    quantity : str or sequence of str, optional
        The quantity of the values, or one quantity per row. ``""``: plain numbers.
    label : str, optional
        Heading in the report; the quantity's long name by default.
    interval : bool, optional
        The values are differences or spreads.
    digits : int, optional
        Significant digits in the report.
    decimals : int, optional
        Decimals in the report instead, for columns whose values share one scale.
    """

    key: str
    values: Sequence[Any] | NDArray[Any]
    quantity: str | Sequence[str] | None = None
    label: str | None = None
    interval: bool = False
    digits: int = 3
    decimals: int | None = None

    @property
    def name(self) -> str | Sequence[str]:
        """The quantity's name, one per row, or empty for plain numbers and texts."""
        if self.quantity is None:
            return self.key if self.key in QUANTITIES else ""
        return self.quantity

    @property
    def is_text(self) -> bool:
        """Whether the column holds texts."""
        return np.asarray(self.values).dtype.kind not in "iuf"

    @property
    def heading(self) -> str:
        """Heading in the report, without a unit."""
        words = self.label if self.label is not None else self._words()
        return clean(words[:1].upper() + words[1:])

    def _words(self) -> str:
        return display.label(self.name) if isinstance(self.name, str) and self.name else self.key.replace("_", " ")

    def csv_columns(self) -> dict[str, Any]:
        """Headers and values for the CSV file."""
        if not isinstance(self.name, str):
            return self._mixed_columns()
        if self.is_text or not self.name:
            return {self.key: self.values}
        return dict(both_units(self.name, np.asarray(self.values), self.key, self.interval))

    def _mixed_columns(self) -> dict[str, Any]:
        """Columns of a quantity per row: the units stand in columns of their own."""
        columns: dict[str, Any] = {}
        for system, word in zip(_SYSTEMS, ("US", "metric"), strict=True):
            columns[f"unit [{word}]"] = [display.unit_label(name, system) for name in self.name]
            columns[f"{self.key} [{word}]"] = self._converted(system)
        return columns

    def _converted(self, system: UnitSystem) -> list[float]:
        pairs = zip(self._names(), self.values, strict=True)
        return [float(display.convert(name, value, system, self.interval)) for name, value in pairs]

    def _names(self) -> Sequence[str]:
        return [self.name or "ratio"] * len(self.values) if isinstance(self.name, str) else self.name

    def shown(self, system: UnitSystem) -> list["ShownColumn"]:
        """The column, or two of them, as the report shows it, the edition's own unit first."""
        if self.is_text:
            return [ShownColumn(self.heading, "", [_words(value) for value in self.values], numeric=False)]
        own = self._shown(system, self.heading)
        other = self._shown("si" if system == "us" else "us", "")
        return [own] if own.cells == other.cells and own.unit == other.unit else [own, other]

    def _number(self, value: float) -> str:
        if self.decimals is None or not math.isfinite(value):
            return display.number(value, self.digits)
        return f"{value:z,.{self.decimals}f}"

    def _shown(self, system: UnitSystem, heading: str) -> "ShownColumn":
        values = np.asarray(self.values)
        if values.dtype.kind in "iu" and not self.name:
            return ShownColumn(heading, "", [f"{value:,}" for value in values.tolist()])
        texts = [self._number(value) for value in self._converted(system)]
        if isinstance(self.name, str):
            return ShownColumn(heading, display.unit_label(self.name, system) if self.name else "", texts)
        units = [display.unit_label(name, system) for name in self.name]
        return ShownColumn(heading, "", [f"{text} {unit}".rstrip() for text, unit in zip(texts, units, strict=True)])


def _words(value: Any) -> str:
    """A text cell as it is read: the file keeps names, the report says what the trade calls them."""
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    text = str(value)
    return glossary.trade(text) if text in QUANTITIES else text.replace("_", " ") if _NAME.fullmatch(text) else text


@dataclass(frozen=True)
class ShownColumn:
    """A column of the report's table: heading (empty: the second unit of the one before), unit and cells."""

    heading: str
    unit: str
    cells: list[str]
    numeric: bool = True


@dataclass(frozen=True, eq=False)
class Table:
    """A table that is written as ``NAME.csv`` and shown in the report.

    Attributes
    ----------
    name : str
        File name without its ending.
    title : str
        What the table says.
    columns : tuple of Column
        All of one length.
    caption : str, optional
        Conditions.
    most : int, optional
        The report shows at most this many rows; the file always holds all of them.
    nothing : sequence of bool, optional
        Rows that say nothing, such as shares of zero: counted below the table instead of shown.
    nothing_words : str, optional
        What they have in common, such as ``"a total share under 0.5 %"``.

    Raises
    ------
    ValueError
        Columns of different lengths, a repeated header, or a name that is no file name.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    caption: str = ""
    most: int = 40
    nothing: Sequence[bool] = ()
    nothing_words: str = ""
    size: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        check_name(self.name)
        lengths = {column.key: len(column.values) for column in self.columns}
        if len(lengths) != len(self.columns) or len(set(lengths.values())) != 1:
            raise ValueError(f"table {self.name}: keys must differ and lengths agree, got {lengths}")
        object.__setattr__(self, "size", next(iter(lengths.values())))
        if len(self.nothing) not in (0, self.size):
            raise ValueError(f"table {self.name}: {len(self.nothing)} marks for {self.size} rows")

    def csv_columns(self) -> dict[str, Any]:
        """Headers and values of the CSV file."""
        merged: dict[str, Any] = {}
        for column in self.columns:
            merged |= column.csv_columns()
        return merged

    def save(self, folder: Path) -> Path:
        """Write ``NAME.csv`` into a folder and return its path."""
        return write_csv(folder / f"{self.name}.csv", self.csv_columns())

    def headings(self, system: UnitSystem) -> list[ShownColumn]:
        """Columns as the report shows them."""
        return [shown for column in self.columns for shown in column.shown(system)]

    def rows(self, system: UnitSystem) -> list[list[str]]:
        """Cells of the report's rows, at most `most` of them, without those that say nothing."""
        cells: Iterable[tuple[str, ...]] = zip(*(shown.cells for shown in self.headings(system)), strict=True)
        marks = self.nothing or [False] * self.size
        return [list(row) for row, nothing in zip(cells, marks, strict=True) if not nothing][: self.most]

    @property
    def left_out(self) -> str:
        """What the report does not show of the rows; empty where it shows all."""
        hidden = sum(map(bool, self.nothing))
        count = display.number_words(hidden)
        words = [f"{count[:1].upper()}{count[1:]} more row{'s' if hidden > 1 else ''}: {self.nothing_words}."] * (
            hidden > 0
        )
        if self.size - hidden > self.most:
            words.append(f"The first {self.most} of {self.size - hidden} rows.")
        return " ".join(words)
