"""Cells of a hand-filled sheet: a number or a text, or a complaint with its place and a remedy.

A number is read only where a person and a program read the same value of it.
"""

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np

from jetsim import units
from jetsim.errors import InputError
from jetsim.experiment.sheets import Raw

Decimal = Literal["", ".", ","]
_LONGEST = 40
_USUAL = ("psi", "bar", "kPa", "gpm", "L/min", "L/s", "ft", "m", "mph", "m/s", "km/h", "lbf", "N")
_NOTHING = ("nan", "inf", "infinity", "n/a", "na", "-", "--", "?", "none", "#n/a", "null")
# Digits that a decimal sign or one of thousands may stand among.
_FIGURE = re.compile(r"[0-9.,]*[0-9][0-9.,]*")
_BY_COMMA = re.compile(r"[-−+]?(?:[0-9]+,(?:[0-9]{1,2}|[0-9]{4,})|0,[0-9]{3}|,[0-9]+|[0-9]{4,},[0-9]+)(?![0-9.,])")
_THOUSANDS = {
    ",": re.compile(r"[1-9][0-9]{0,2}(\.[0-9]{3})+(,[0-9]+)?"),
    ".": re.compile(r"[1-9][0-9]{0,2}(,[0-9]{3})+(\.[0-9]+)?"),
}
_MAYBE_THOUSANDS = re.compile(r"[1-9][0-9]{0,2}\.[0-9]{3}")
_FEET_INCHES = re.compile(
    r"(?P<feet>[0-9]+)\s*(?:'|′|’|ft\.?|feet)\s*-?\s*(?P<inches>[0-9].*?)\s*(?:\"|″|”|''|in\.?|inch(?:es)?)"
)


@dataclass(frozen=True)
class Cell:
    """A cell: where it is, what it says, and its value in SI (NaN for a text or an empty cell).

    Attributes
    ----------
    place, text : str
    number : float
    bad : bool
        It could not be read.
    spread : float
        Standard deviation of the value about `number` that the text itself leaves open, SI.
    unit : str
        In which the number was written; empty where it was not written as one.
    """

    place: str
    text: str
    number: float
    bad: bool = False
    spread: float = 0.0
    unit: str = ""

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


@dataclass(frozen=True)
class Form:
    """How the numbers of a column are written.

    Attributes
    ----------
    dimension : str
        Of the column; ``count`` is a whole number without a unit.
    unit : str or None
        Of bare numbers; None: each cell states its own.
    limits : tuple of float
        Plausible range, SI.
    decimal : {"", ".", ","}
        The sheet's sign of decimals; empty where it is not known and numbers must speak for themselves.
    mixed : bool
        Other cells of a sheet whose sign is not known have decimal commas, so ``1.500`` may be either.
    """

    dimension: str
    unit: str | None
    limits: tuple[float, float]
    decimal: Decimal = ""
    mixed: bool = False


def complaint(place: str, text: str, problem: str) -> str:
    """One line that names place, value and problem."""
    shown = text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."
    return f"{place} = {shown!r}: {problem}"


def by_comma(text: str) -> bool:
    """Whether a text starts with a number whose comma can only be a sign of decimals."""
    return _BY_COMMA.match(text.strip()) is not None


def read_text(place: str, raw: Raw) -> Cell | Complaint:
    """A text on one line."""
    if raw.kind == "fault":
        return Complaint(f"{place}: {raw.text}")
    return Cell(place, raw.shown, np.nan)


def read_number(place: str, raw: Raw, form: Form) -> Cell | Complaint:
    """A number in SI; an empty cell is NaN.

    Parameters
    ----------
    place : str
        Row and column, for the complaint.
    raw : Raw
        As found; a number may carry its own unit, of the column's dimension.
    form : Form
    """
    text = raw.text.strip()
    if raw.kind == "fault":
        return Complaint(f"{place}: {raw.text}")
    if not text:
        return Cell(place, "", np.nan)
    try:
        number, unit = _number(text, raw, form)
    except InputError as error:
        return Complaint(complaint(place, text, str(error)))
    low, high = form.limits
    if not low <= number <= high:
        return Complaint(complaint(place, text, _out_of_range(text, number, unit, form)))
    return Cell(place, text, number, unit=unit)


def _number(text: str, raw: Raw, form: Form) -> tuple[float, str]:
    """The value in SI and the unit it was written in."""
    if raw.kind == "date":
        raise InputError("is a date, which a spreadsheet may have made of a number: type it again, the cell as text")
    if raw.kind == "truth":
        raise InputError("is true or false, not a number")
    if text.lower().lstrip("+-") in ("", *_NOTHING):
        raise InputError("is no number; leave the cell empty if nothing was read")
    plain = text if raw.kind == "number" else _with_points(text, form)
    if form.dimension == "count":
        return _count(plain), "1"
    return _measure(plain, form)


def _with_points(text: str, form: Form) -> str:
    """A text with the figure that it starts with in decimal points, as its sheet writes numbers."""
    found = _FIGURE.search(text)
    if found is None or not ({".", ","} & set(found[0])) or "/" in text:
        return text
    figure = found[0]
    other = {",": ".", ".": ","}.get(form.decimal, "")
    if form.mixed and _MAYBE_THOUSANDS.fullmatch(figure):
        raise InputError(f"may mean {figure.replace('.', '')} or {figure}, for other cells have decimal commas; write "
                         "it without the point, or state decimal under [columns]")  # fmt: skip
    if not other:
        return text
    if _THOUSANDS[form.decimal].fullmatch(figure):
        figure = figure.replace(other, "")
    elif other in figure:
        sign = "point" if other == "." else "comma"
        raise InputError(f"has a decimal {sign}, where [columns] states the other sign")
    return text[: found.start()] + figure.replace(",", ".") + text[found.end() :]


def _count(text: str) -> float:
    number, _ = _quantity(text, "ratio")
    if not number.is_integer():
        raise InputError("must be a whole number")
    return number


def _measure(text: str, form: Form) -> tuple[float, str]:
    whole = _FEET_INCHES.fullmatch(text) if form.dimension == "length" else None
    if whole is not None:
        inches, _ = _quantity(f"{whole['inches']} in", "length")
        if inches >= 12:
            raise InputError("has 12 inches or more beside its feet")
        return float(whole["feet"]) * units.FOOT + float(units.to_si(inches, "in")), "ft"
    bare = not re.search(r"[^\W\d_]|[°'\"′″’”º%]", re.sub(r"(?<=[0-9.,])[eE](?=[-+]?[0-9])", "", _without_vulgar(text)))
    if bare and form.unit is None:
        raise InputError(f"has no unit: write one of {form.dimension} in the header, in the cell, or under [columns]")
    number, unit = _quantity(f"{text} {form.unit}" if bare and form.unit != "1" else text, form.dimension)
    return float(units.to_si(number, unit)), unit


def _without_vulgar(text: str) -> str:
    """A text without signs of fractions, which count as letters nowhere but are no figures either."""
    return re.sub("[½⅓⅔¼¾⅕⅖⅗⅘⅙⅚⅛⅜⅝⅞]", "", text)


def _quantity(text: str, dimension: str) -> tuple[float, str]:
    try:
        return units.split_quantity(text, dimension)
    except InputError as error:
        reason = str(error).removeprefix(f"{text!r}: ")
    if not re.match(r"[-−+]?\s*[0-9.,½⅓⅔¼¾⅕⅖⅗⅘⅙⅚⅛⅜⅝⅞]", text):
        reason = "has digits of another script; write 0 to 9" if "another script" in reason else "is not a number"
    raise InputError(reason.partition("; give a number")[0].partition(": give a number")[0])


def _out_of_range(text: str, number: float, unit: str, form: Form) -> str:
    if form.dimension == "count":
        return f"allowed is {form.limits[0]:.4g} to {form.limits[1]:.4g}; correct it"
    low, high = (float(units.from_si(limit, unit)) for limit in form.limits)
    return f"allowed is {low:.4g} to {high:.4g} {unit}{_other_unit(float(units.from_si(number, unit)), unit, form)}"


def _other_unit(value: float, unit: str, form: Form) -> str:
    """A guess at the unit in which the value would be plausible."""
    usual = [label for label in units.units_of(form.dimension) if label in _USUAL]
    low, high = form.limits
    fits = [u for u in usual if u != unit and low <= float(units.to_si(value, u)) <= high]
    return f"; is it in {' or '.join(fits)}?" if fits else "; correct it"
