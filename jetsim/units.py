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

from jetsim.errors import UnitError, shown

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
KNOT = 1852.0 / HOUR
GALLON_PER_MINUTE = US_GALLON / MINUTE
# Conventional inch of mercury (NIST SP 811): 13 595.1 kg/m3 under standard gravity.
INCH_OF_MERCURY = 13595.1 * STANDARD_GRAVITY * INCH
# The trade's hose coefficient C in  loss [psi] = C (Q / 100 gpm)^2 (L / 100 ft).
HOSE_COEFFICIENT = PSI / ((100 * GALLON_PER_MINUTE) ** 2 * 100 * FOOT)
# The same with kPa, 100 L/min and 100 m.
METRIC_HOSE_COEFFICIENT = 1e3 * (MINUTE / 0.1) ** 2 / 100


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
        Further spellings that a study file may use, in any letter case.
    """

    label: str
    udunits: str
    dimension: str
    factor: float
    offset: float = 0.0
    spellings: tuple[str, ...] = ()


_UNITS = (
    Unit("m", "m", "length", 1.0, spellings=("metre", "meter", "metres", "meters")),
    Unit("mm", "mm", "length", 1e-3, spellings=("millimetre", "millimeter", "millimetres", "millimeters")),
    Unit("cm", "cm", "length", 1e-2, spellings=("centimetre", "centimeter", "centimetres", "centimeters")),
    Unit("in", "inch", "length", INCH, spellings=("inch", "inches", '"', "''")),
    Unit("ft", "foot", "length", FOOT, spellings=("foot", "feet", "'")),
    Unit("Pa", "Pa", "pressure", 1.0, spellings=("pascal",)),
    Unit("kPa", "kPa", "pressure", 1e3, spellings=("kilopascal",)),
    Unit("MPa", "MPa", "pressure", 1e6, spellings=("megapascal",)),
    Unit("bar", "bar", "pressure", 1e5, spellings=("bars", "barg", "bar(g)")),
    Unit("hPa", "hPa", "pressure", 1e2, spellings=("mbar", "millibar", "hectopascal")),
    Unit("psi", "psi", "pressure", PSI, spellings=(
        "psig", "psi(g)", "lbf/in2", "lb/in2", "lbs/in2", "lb/sq in", "lbs/sq in", "pounds/square inch")),
    Unit("inHg", "inHg", "pressure", INCH_OF_MERCURY, spellings=("in hg", '"hg', "inches of mercury")),
    Unit("m3/s", "m3 s-1", "flow", 1.0),
    Unit("L/min", "liter minute-1", "flow", 1e-3 / MINUTE, spellings=(
        "lpm", "litres/min", "liters/min", "litres/minute", "liters/minute")),
    Unit("L/s", "liter s-1", "flow", 1e-3, spellings=("lps", "litres/second", "liters/second")),
    Unit("gpm", "gallon minute-1", "flow", GALLON_PER_MINUTE, spellings=(
        "gal/min", "us gpm", "usgpm", "gallons/minute", "gallons/min")),
    Unit("m/s", "m s-1", "speed", 1.0, spellings=("mps", "m/sec", "metres/second", "meters/second")),
    Unit("km/h", "km hour-1", "speed", 1e3 / HOUR, spellings=("kph", "kmh", "km/hr")),
    Unit("mph", "mile hour-1", "speed", MILE / HOUR, spellings=("mi/h", "mi/hr", "miles/hour")),
    Unit("ft/s", "foot s-1", "speed", FOOT, spellings=("fps", "ft/sec", "feet/second")),
    Unit("kn", "knot", "speed", KNOT, spellings=("kt", "kts", "knot", "knots")),
    Unit("deg", "degree", "angle", 1.0, spellings=("degree", "degrees", "°")),
    Unit("rad", "radian", "angle", 180 / math.pi, spellings=("radian", "radians")),
    Unit("N", "N", "force", 1.0, spellings=("newton", "newtons")),
    Unit("kN", "kN", "force", 1e3, spellings=("kilonewton", "kilonewtons")),
    Unit("lbf", "lbf", "force", POUND_FORCE, spellings=("lb", "lbs", "lbsf", "pound", "pounds")),
    Unit("degC", "degC", "temperature", 1.0, spellings=("°C", "C", "deg C", "degrees C", "Celsius")),
    Unit("degF", "degF", "temperature", 5 / 9, offset=-32.0, spellings=(
        "°F", "F", "deg F", "degrees F", "Fahrenheit")),
    Unit("s", "s", "time", 1.0, spellings=("sec", "second", "seconds")),
    Unit("min", "minute", "time", MINUTE, spellings=("minute", "minutes")),
    Unit("kg/m3", "kg m-3", "density", 1.0),
    Unit("psi/(100gpm)2/(100ft)", "psi (100 gallon minute-1)-2 (100 foot)-1", "hose coefficient",
         HOSE_COEFFICIENT, spellings=("C", "psi/(100gpm)2/100ft")),
    Unit("kPa/(100L/min)2/(100m)", "kPa (100 liter minute-1)-2 (100 m)-1", "hose coefficient",
         METRIC_HOSE_COEFFICIENT, spellings=("kPa/(100L/min)2/100m", "kPa/(100lpm)2/100m")),
    Unit("bar/(100L/min)2/(100m)", "bar (100 liter minute-1)-2 (100 m)-1", "hose coefficient",
         100 * METRIC_HOSE_COEFFICIENT, spellings=("bar/(100L/min)2/100m", "bar/(100lpm)2/100m")),
    Unit("Pa s2/m7", "Pa s2 m-7", "hose coefficient", 1.0),
    Unit("1", "1", "ratio", 1.0),
    Unit("%", "percent", "ratio", 1e-2, spellings=("percent", "per cent")),
)  # fmt: skip

# What looks like a known unit and is another: a hint at the known one would change the value.
_OTHERS = {
    "mPa": "is a thousandth of a pascal; write MPa or Pa",
    "psia": "counts from vacuum; give the gauge pressure in psi",
    "bara": "counts from vacuum; give the gauge pressure in bar",
    "igpm": "counts imperial gallons; give the flow in US gpm or L/min",
    "imperial gpm": "counts imperial gallons; give the flow in US gpm or L/min",
}
# Signs that word processors and other keyboards give for the plain ones.
_SIGNS = str.maketrans({"⁄": "/", "∕": "/", "′": "'", "’": "'", "″": '"', "”": '"', "º": "°", "˚": "°"})
_POWERS = str.maketrans({"²": "2", "³": "3", "^": None})


def _key(spelling: str) -> str:
    """A spelling without what makes no difference: letter case, white space, full stops, "per" for a stroke."""
    text = " ".join(spelling.translate(_SIGNS).translate(_POWERS).casefold().split()).replace(" per ", "/")
    return re.sub(r" ?([/()°0-9]) ?", r"\1", re.sub(r"(?<=[a-z])\.", "", text))


_BY_KEY: dict[str, list[Unit]] = {}
for _unit in _UNITS:
    for _spelled in dict.fromkeys(_key(text) for text in (_unit.label, *_unit.spellings)):
        _BY_KEY.setdefault(_spelled, []).append(_unit)


def unit(spelling: str, dimension: str | None = None) -> Unit:
    """Look up a unit by any of its spellings.

    Parameters
    ----------
    spelling : str
        For example ``"psi"``, ``"Feet"`` or ``"l/min"``.
    dimension : str, optional
        The wanted dimension, which tells ``"C"`` of a hose from ``"C"`` of a thermometer.

    Returns
    -------
    Unit
        Of another dimension where the spelling fits none of the wanted one.

    Raises
    ------
    UnitError
        The unit is not known (the nearest known ones are named), or the spelling fits several.

    Examples
    --------
    >>> unit("feet").factor
    0.3048
    >>> unit("KN", "speed").label, unit("KN", "force").label
    ('kn', 'kN')
    """
    fitting = _fitting(spelling, dimension)
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise UnitError(f"unit {shown(spelling)} may be {' or '.join(u.label for u in fitting)}; write one of these")
    raise UnitError(f"unknown unit {shown(spelling)}{_hint(spelling, dimension)}")


def known_unit(spelling: str, dimension: str | None = None) -> Unit | None:
    """As `unit`; None where it would refuse."""
    fitting = _fitting(spelling, dimension)
    return fitting[0] if len(fitting) == 1 else None


def _fitting(spelling: str, dimension: str | None) -> list[Unit]:
    """All units that a spelling may be; one where its letter case decides."""
    known = [] if spelling in _OTHERS else _BY_KEY.get(_key(spelling), [])
    fitting = [u for u in known if u.dimension == dimension] or known
    exact = [u for u in fitting if u.label == spelling]
    return exact if len(exact) == 1 else fitting


def _hint(spelling: str, dimension: str | None) -> str:
    """The nearest known units of the wanted dimension, or what the unit must not be taken for."""
    key = _key(spelling)
    if why := _OTHERS.get(spelling) or _OTHERS.get(key):
        return f" ({why})"
    near = get_close_matches(key[:40], [k for k in _BY_KEY if _named(k, dimension)], n=2, cutoff=0.5)
    labels = dict.fromkeys(label for k in near for label in _named(k, dimension))
    return f" (did you mean {' or '.join(labels)}?)" if labels else ""


def _named(key: str, dimension: str | None) -> list[str]:
    return [u.label for u in _BY_KEY[key] if dimension in (None, u.dimension)]


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


# Number and unit. A hyphen joins a whole number and a fraction only where no space stands beside it.
_QUANTITY = re.compile(
    r"(?P<sign>[-−+]?)"
    r"(?:(?:(?P<whole>[0-9]++)(?:\s++|[-‐‑–]))?(?P<top>[0-9]++)/(?P<bottom>[0-9]++)"
    r"|(?P<mantissa>[0-9.,]++)(?P<exponent>(?:[eE][-+]?[0-9]++)?+))"
    r"\s*+(?P<unit>(?:[^-−‐‑–+0-9.,/].*)?)",
    re.DOTALL,
)
_VULGAR = {"½": "1/2", "⅓": "1/3", "⅔": "2/3", "¼": "1/4", "¾": "3/4", "⅕": "1/5", "⅖": "2/5", "⅗": "3/5", "⅘": "4/5",
           "⅙": "1/6", "⅚": "5/6", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}  # fmt: skip
_VULGAR_SIGN = re.compile(rf"(?P<after>(?<=[0-9])\s*)?(?P<sign>[{''.join(_VULGAR)}])(?!\s*[0-9])")
_AMBIGUOUS = re.compile(r"[1-9][0-9]{0,2},[0-9]{3}")
# How a number may be written, the sign that groups its thousands, and the sign of its decimals.
_DIALECTS = (
    (re.compile(r"[0-9]+\.?|[0-9]*\.[0-9]+"), "", "."),
    (re.compile(r"[0-9]*,[0-9]+"), "", ","),
    (re.compile(r"[1-9][0-9]{0,2}(?:(?:,[0-9]{3})+\.[0-9]+|(?:,[0-9]{3}){2,})"), ",", "."),
    (re.compile(r"[1-9][0-9]{0,2}(?:(?:\.[0-9]{3})+,[0-9]+|(?:\.[0-9]{3}){2,})"), ".", ","),
)


def _plain(text: str) -> str:
    """A text with its typographic signs and fractions written as ``1 1/8``."""
    text = text.strip().translate(_SIGNS)
    return _VULGAR_SIGN.sub(lambda m: ("" if m["after"] is None else " ") + _VULGAR[m["sign"]], text)


def _fraction(whole: str | None, top: str, bottom: str) -> float:
    if float(bottom) == 0:
        raise UnitError("divides by zero")
    if whole is not None and float(top) >= float(bottom):
        raise UnitError(f"the fraction {shown(f'{top}/{bottom}')} beside a whole number must be below 1")
    return float(whole or 0) + float(top) / float(bottom)


def _decimal(mantissa: str, exponent: str) -> float:
    if _AMBIGUOUS.fullmatch(mantissa):
        thousands, decimal = mantissa.replace(",", ""), mantissa.replace(",", ".")
        raise UnitError(f"may mean {thousands} or {decimal}; write one of these")
    for shape, group, point in _DIALECTS:
        if shape.fullmatch(mantissa):
            plain = mantissa.replace(group, "").replace(point, ".")
            number = float(plain + exponent)
            if number == 0 and plain.strip("0."):
                raise UnitError("is too small a number")
            return number
    raise UnitError("its commas or points do not make one number; write it with a decimal point alone")


def _wanted(dimension: str) -> str:
    if dimension == "ratio":
        return "a plain number or a percentage"
    return f"a number with a unit of {dimension} ({', '.join(units_of(dimension))})"


def _why_no_quantity(text: str, dimension: str) -> str:
    if any(sign.isdecimal() and not sign.isascii() for sign in text):
        return "has digits of another script; write 0 to 9"
    if re.search(r"[0-9]\s+[0-9]+(?![0-9/])", text):
        return f"has a space inside its number; give {_wanted(dimension)}"
    return f"is not {_wanted(dimension)}"


def _split_text(text: str, dimension: str) -> tuple[float, Unit]:
    match = _QUANTITY.fullmatch(_plain(text))
    if match is None:
        raise UnitError(_why_no_quantity(text, dimension))
    if not match["unit"] and dimension != "ratio":
        raise UnitError(f"has no unit: give {_wanted(dimension)}")
    try:
        found = unit(match["unit"] or "1", dimension)
    except UnitError as error:
        raise UnitError(f"{error}; give {_wanted(dimension)}") from None
    if found.dimension != dimension:
        raise UnitError(f"is a {found.dimension}: give {_wanted(dimension)}")
    if match["bottom"]:
        size = _fraction(match["whole"], match["top"], match["bottom"])
    else:
        size = _decimal(match["mantissa"], match["exponent"])
    return -size if match["sign"] in ("-", "−") else size, found


def _split(given: object, dimension: str) -> tuple[float, Unit]:
    if isinstance(given, str):
        return _split_text(given, dimension)
    if isinstance(given, bool) or not isinstance(given, (int, float)):
        raise UnitError(f"is not {_wanted(dimension)}")
    if dimension != "ratio":
        raise UnitError(f"has no unit: give {_wanted(dimension)}")
    try:
        return float(given), unit("1")
    except OverflowError:
        raise UnitError("is too large a number") from None


def split_quantity(text: object, dimension: str) -> tuple[float, str]:
    """Split ``"15/16 in"`` into its number and its unit, checking the dimension.

    Parameters
    ----------
    text : str or number
        A number with a unit, as people write them: ``"50 PSI"``, ``"1-1/8 in"``, ``'1 1/8"'``, ``"1⅛ in"``,
        ``"7,0 bar"``. Ratios (dimension ``"ratio"``) may be bare numbers.
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
        Not a number with a unit, a unit of another dimension, a number that is not finite, or one that can be
        read in two ways (``"1,500 gpm"``).
    """
    try:
        number, found = _split(text, dimension)
        if not math.isfinite(number):
            raise UnitError("is not a finite number")
    except UnitError as error:
        raise UnitError(f"{shown(text)}: {error}") from None
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
    >>> parse("1 1/8 in", "length")
    0.028575
    >>> parse("60 degF", "temperature")
    15.555555555555557
    """
    number, label = split_quantity(text, dimension)
    return float(to_si(number, label))
