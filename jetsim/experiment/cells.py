"""Cells of a hand-filled sheet: a number or a text, or a complaint with its place and a remedy."""

import re
from dataclasses import dataclass

import numpy as np

from jetsim import units

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
_WITH_UNIT = re.compile(r"([+-]?\d+\.?\d*)\s*([A-Za-z°%/\" ]+)")
_LONGEST = 40
_USUAL = ("psi", "bar", "kPa", "gpm", "L/min", "L/s", "ft", "m", "mph", "m/s", "km/h", "lbf", "N")


@dataclass(frozen=True)
class Cell:
    """A cell: where it is, what it says, and its value in SI (NaN for a text or an empty cell)."""

    place: str
    text: str
    number: float
    bad: bool = False

    @property
    def empty(self) -> bool:
        """Whether nothing is written."""
        return not self.text

    def line(self, problem: str) -> str:
        """A complaint about the cell."""
        return complaint(self.place, self.text, problem)


@dataclass(frozen=True)
class Complaint:
    """Why a cell cannot be read."""

    line: str


def complaint(place: str, text: str, problem: str) -> str:
    """One line that names place, value and problem."""
    shown = text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."
    return f"{place} = {shown!r}: {problem}"


def read_text(place: str, raw: str, unit: str, limits: tuple[float, float]) -> Cell | Complaint:
    """A text on one line."""
    return Cell(place, " ".join(raw.split()), np.nan)


def read_number(place: str, raw: str, unit: str, limits: tuple[float, float]) -> Cell | Complaint:
    """A number in `unit`; an empty cell is NaN.

    Parameters
    ----------
    place : str
        Row and column, for the complaint.
    raw : str
        As written.
    unit : str
        Unit of the column; ``"1"`` is a count.
    limits : tuple of float
        Plausible range, SI.
    """
    text = raw.strip()
    if not text:
        return Cell(place, "", np.nan)
    if not _NUMBER.fullmatch(text):
        return Complaint(complaint(place, text, _why_no_number(text, unit)))
    value = float(text)
    if unit == "1" and not value.is_integer():
        return Complaint(complaint(place, text, "must be a whole number"))
    number = float(units.to_si(value, unit))
    low, high = (float(units.from_si(limit, unit)) for limit in limits)
    if not limits[0] <= number <= limits[1]:
        named = "" if unit == "1" else f" {unit}"
        problem = f"allowed is {low:.4g} to {high:.4g}{named}{_other_unit(value, unit, limits)}"
        return Complaint(complaint(place, text, problem))
    return Cell(place, text, number)


def _why_no_number(text: str, unit: str) -> str:
    if text.lower().lstrip("+-") in ("nan", "inf", "infinity", "n/a", "na", "-", "?"):
        return "is no number; leave the cell empty if nothing was read"
    if _DECIMAL_COMMA.fullmatch(text):
        return f"has a decimal comma; write {text.replace(',', '.')!r}"
    with_unit = _WITH_UNIT.fullmatch(text)
    if with_unit:
        return f"write the number alone, {with_unit[1]!r}; the unit ({unit}) stands in the header"
    return "is not a number; write digits with a decimal point"


def _other_unit(value: float, unit: str, limits: tuple[float, float]) -> str:
    """A guess at the unit in which the value would be plausible."""
    if unit == "1":
        return "; correct it"
    dimension = units.unit(unit).dimension
    usual = [label for label in units.units_of(dimension) if label in _USUAL]
    fits = [u for u in usual if u != unit and limits[0] <= float(units.to_si(value, u)) <= limits[1]]
    return f"; is it in {' or '.join(fits)}?" if fits else "; correct it"
