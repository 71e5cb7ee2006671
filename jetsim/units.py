"""Units of measure: exact factors, and the reading of texts such as ``"50 psi"``.

This is the only module that knows customary units. Every factor is derived from the definitions of the
international inch, the avoirdupois pound, standard gravity and the US gallon (NIST SP 811, appendix B), so
no rounded factor enters anywhere.
"""

import math
import re
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.errors import UnitError

INCH = 0.0254
FOOT = 0.3048  # exactly 12 inches
MILE = 5280 * FOOT
POUND = 0.45359237
STANDARD_GRAVITY = 9.80665
POUND_FORCE = POUND * STANDARD_GRAVITY
PSI = POUND_FORCE / INCH**2
US_GALLON = 231 * INCH**3
MINUTE = 60.0
HOUR = 3600.0
GALLON_PER_MINUTE = US_GALLON / MINUTE
# Conventional inch of mercury (NIST SP 811): 13 595.1 kg/m3 under standard gravity.
INCH_OF_MERCURY = 13595.1 * STANDARD_GRAVITY * INCH
# The trade's hose coefficient C in  loss [psi] = C (Q / 100 gpm)^2 (L / 100 ft).
HOSE_COEFFICIENT = PSI / ((100 * GALLON_PER_MINUTE) ** 2 * 100 * FOOT)


@dataclass(frozen=True)
class Unit:
    """One unit of measure.

    Attributes
    ----------
    label : str
        How the unit is written in tables and figures, for example ``gpm``.
    udunits : str
        The same unit in a form that the UDUNITS library parses, for example ``gallon minute-1``.
    dimension : str
        What it measures, for example ``"flow"``.
    factor, offset : float
        ``SI value = (value + offset) * factor``; temperatures come out in degrees Celsius.
    spellings : tuple of str
        Further spellings that a study file may use.
    """

    label: str
    udunits: str
    dimension: str
    factor: float
    offset: float = 0.0
    spellings: tuple[str, ...] = ()


_UNITS = (
    Unit("m", "m", "length", 1.0, spellings=("metre", "meter", "metres", "meters")),
    Unit("mm", "mm", "length", 1e-3, spellings=("millimetre", "millimeter")),
    Unit("cm", "cm", "length", 1e-2),
    Unit("in", "inch", "length", INCH, spellings=("inch", "inches")),
    Unit("ft", "foot", "length", FOOT, spellings=("foot", "feet")),
    Unit("Pa", "Pa", "pressure", 1.0),
    Unit("kPa", "kPa", "pressure", 1e3),
    Unit("MPa", "MPa", "pressure", 1e6),
    Unit("bar", "bar", "pressure", 1e5),
    Unit("hPa", "hPa", "pressure", 1e2, spellings=("mbar",)),
    Unit("psi", "psi", "pressure", PSI, spellings=("psig", "lbf/in2")),
    Unit("inHg", "inHg", "pressure", INCH_OF_MERCURY),
    Unit("m3/s", "m3 s-1", "flow", 1.0),
    Unit("L/min", "liter minute-1", "flow", 1e-3 / MINUTE, spellings=("l/min", "lpm")),
    Unit("L/s", "liter s-1", "flow", 1e-3, spellings=("l/s",)),
    Unit("gpm", "gallon minute-1", "flow", GALLON_PER_MINUTE, spellings=("gal/min",)),
    Unit("m/s", "m s-1", "speed", 1.0),
    Unit("km/h", "km hour-1", "speed", 1e3 / HOUR, spellings=("kph",)),
    Unit("mph", "mile hour-1", "speed", MILE / HOUR),
    Unit("ft/s", "foot s-1", "speed", FOOT),
    Unit("deg", "degree", "angle", 1.0, spellings=("degree", "degrees", "°")),
    Unit("rad", "radian", "angle", 180 / math.pi),
    Unit("N", "N", "force", 1.0),
    Unit("kN", "kN", "force", 1e3),
    Unit("lbf", "lbf", "force", POUND_FORCE, spellings=("lb",)),
    Unit("degC", "degC", "temperature", 1.0, spellings=("°C",)),
    Unit("degF", "degF", "temperature", 5 / 9, offset=-32.0, spellings=("°F",)),
    Unit("s", "s", "time", 1.0),
    Unit("min", "minute", "time", MINUTE),
    Unit("kg/m3", "kg m-3", "density", 1.0),
    Unit("psi/(100gpm)2/(100ft)", "psi (100 gallon minute-1)-2 (100 foot)-1", "hose coefficient",
         HOSE_COEFFICIENT, spellings=("C",)),
    Unit("Pa s2/m7", "Pa s2 m-7", "hose coefficient", 1.0),
    Unit("1", "1", "ratio", 1.0),
    Unit("%", "percent", "ratio", 1e-2, spellings=("percent",)),
)  # fmt: skip

_BY_SPELLING = {spelling: unit for unit in _UNITS for spelling in (unit.label, *unit.spellings)}
_QUANTITY = re.compile(
    r"^\s*(?P<number>[+-]?(?:\d+\s+)?\d+/\d+|[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(?P<unit>.*?)\s*$"
)


def unit(spelling: str) -> Unit:
    """Look up a unit by any of its spellings.

    Parameters
    ----------
    spelling : str
        For example ``"psi"``, ``"feet"`` or ``"L/min"``.

    Returns
    -------
    Unit

    Raises
    ------
    UnitError
        The unit is not known; the nearest known ones are named.

    Examples
    --------
    >>> unit("feet").factor
    0.3048
    """
    try:
        return _BY_SPELLING[spelling]
    except KeyError:
        near = get_close_matches(spelling, _BY_SPELLING, n=2, cutoff=0.5)
        hint = f" (did you mean {' or '.join(near)}?)" if near else ""
        raise UnitError(f"unknown unit {spelling!r}{hint}") from None


def units_of(dimension: str) -> tuple[str, ...]:
    """Labels of all units of one dimension, such as ``"pressure"``."""
    return tuple(u.label for u in _UNITS if u.dimension == dimension)


def to_si(value: ArrayLike, unit_name: str) -> NDArray[np.float64]:
    """Convert from a unit to SI (degrees Celsius for temperatures, degrees of arc for angles).

    Parameters
    ----------
    value : array_like
        Value(s) in `unit_name`.
    unit_name : str
        Any spelling that `unit` knows.

    Returns
    -------
    ndarray of float, same shape

    Examples
    --------
    >>> round(float(to_si(50, "psi")), 1)
    344737.9
    """
    u = unit(unit_name)
    return np.asarray((np.asarray(value, dtype=float) + u.offset) * u.factor)


def from_si(value: ArrayLike, unit_name: str) -> NDArray[np.float64]:
    """Convert from SI to a unit; the inverse of `to_si`.

    Examples
    --------
    >>> round(float(from_si(0.01, "gpm")), 4)
    158.5032
    """
    u = unit(unit_name)
    return np.asarray(np.asarray(value, dtype=float) / u.factor - u.offset)


def interval_from_si(value: ArrayLike, unit_name: str) -> NDArray[np.float64]:
    """Convert a difference, spread or error from SI: like `from_si` without the zero offset."""
    return np.asarray(np.asarray(value, dtype=float) / unit(unit_name).factor)


def interval_to_si(value: ArrayLike, unit_name: str) -> NDArray[np.float64]:
    """Convert a difference, spread or error to SI: like `to_si` without the zero offset."""
    return np.asarray(np.asarray(value, dtype=float) * unit(unit_name).factor)


def _number(text: str) -> float:
    if "/" not in text:
        return float(text)
    sign = -1.0 if text.startswith("-") else 1.0
    whole, _, fraction = text.lstrip("+-").rpartition(" ")
    numerator, denominator = fraction.split("/")
    if int(denominator) == 0:
        raise UnitError(f"{text!r} divides by zero")
    return sign * (int(whole or 0) + int(numerator) / int(denominator))


def split_quantity(text: object, dimension: str) -> tuple[float, str]:
    """Split ``"15/16 in"`` into its number and its unit, checking the dimension.

    Parameters
    ----------
    text : str or number
        A number with a unit. Ratios (dimension ``"ratio"``) may be bare numbers.
    dimension : str
        The wanted dimension, such as ``"length"``.

    Returns
    -------
    number : float
        In the unit as given.
    unit : str
        The label of the unit.

    Raises
    ------
    UnitError
        Not a number with a unit, a unit of another dimension, or a number that is not finite.
    """
    wanted = f"a number with a unit of {dimension} ({', '.join(units_of(dimension))})"
    if dimension == "ratio":
        wanted = "a plain number or a percentage"
    if isinstance(text, bool) or not isinstance(text, (int, float, str)):
        raise UnitError(f"{text!r} is not {wanted}")
    if not isinstance(text, str):
        if dimension != "ratio":
            raise UnitError(f"{text!r} has no unit: give {wanted}")
        if not math.isfinite(text):
            raise UnitError(f"{text!r} is not a finite number")
        return float(text), "1"
    match = _QUANTITY.match(text)
    if match is None:
        raise UnitError(f"{text!r} is not {wanted}")
    name = match["unit"] or "1"
    if name == "1" and dimension != "ratio":
        raise UnitError(f"{text!r} has no unit: give {wanted}")
    found = unit(name)
    if found.dimension != dimension:
        raise UnitError(f"{text!r} is a {found.dimension}: give {wanted}")
    number = _number(match["number"])
    if not math.isfinite(number):
        raise UnitError(f"{text!r} is not a finite number")
    return number, found.label


def parse(text: object, dimension: str) -> float:
    """Read ``"50 psi"``, ``"15/16 in"``, ``"60 degF"`` ... into SI.

    Parameters
    ----------
    text : str or number
        See `split_quantity`.
    dimension : str
        The wanted dimension.

    Returns
    -------
    float
        SI value (degrees Celsius, degrees of arc).

    Raises
    ------
    UnitError
        As `split_quantity`.

    Examples
    --------
    >>> parse("15/16 in", "length")
    0.0238125
    >>> parse("1 1/8 in", "length")
    0.028575
    >>> parse("60 degF", "temperature")
    15.555555555555557
    """
    number, label = split_quantity(text, dimension)
    return float(to_si(number, label))


def parse_interval(text: object, dimension: str) -> float:
    """Read a spread such as a standard deviation: ``"5 degF"`` is a difference of 2.78 K."""
    number, label = split_quantity(text, dimension)
    return float(interval_to_si(number, label))
