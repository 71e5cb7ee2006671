"""Numbers as a reader sees them: display units, labels and digits, the same in sentences, tables and figures.

A *name* is either an entry of the table of quantities (``extreme_reach``) or plain words such as
``"share of variance"``, which have no unit and are shown as they are.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim import units
from jetsim.quantities import QUANTITIES, Quantity, UnitSystem, quantity
from jetsim.report import glossary

MISSING = "–"
_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def known(name: str) -> Quantity | None:
    """The quantity of that name, or None for plain words.

    Raises
    ------
    InputError
        The name is written like a quantity (with an underscore or a dot inside) but is not in the table.
    """
    if name in QUANTITIES:
        return QUANTITIES[name]
    looks_named = " " not in name and ("_" in name or "." in name.strip("."))
    return quantity(name) if looks_named else None


def unit_label(name: str, system: UnitSystem) -> str:
    """Label of the display unit; empty for ratios, texts and plain words."""
    found = known(name)
    label = found.display_unit(system) if found else "1"
    return "" if label == "1" else label


def convert(name: str, value: ArrayLike, system: UnitSystem, interval: bool = False) -> NDArray[np.float64]:
    """SI values in the display unit.

    Parameters
    ----------
    name : str
        A quantity or plain words.
    value : array_like of float
        SI, any shape.
    system : {"us", "si"}
        Edition.
    interval : bool, optional
        The value is a difference or a spread, so that temperatures keep no offset.

    Returns
    -------
    ndarray of float, same shape
    """
    found = known(name)
    if found is None:
        return np.asarray(value, dtype=float)
    change = units.interval_from_si if interval else units.from_si
    return change(value, found.display_unit(system))


def label(name: str) -> str:
    """What the quantity is called: its long name, or the words themselves."""
    found = known(name)
    return found.long_name if found else name


def short_label(name: str) -> str:
    """The label without the remark in brackets that follows it, for crowded axes."""
    return label(name).partition(" (")[0]


def trade(name: str) -> str:
    """What the trade calls the quantity, or the words themselves."""
    return glossary.trade(name) if known(name) else name


def heading(name: str) -> str:
    """The trade's name with a capital, such as ``"Extreme reach"``."""
    words = trade(name)
    return words[:1].upper() + words[1:]


def axis_label(name: str, system: UnitSystem) -> str:
    """Heading and unit for an axis, such as ``"Extreme reach [ft]"``."""
    unit = unit_label(name, system)
    return heading(name) + (f" [{unit}]" if unit else "")


def number(value: float, digits: int = 3) -> str:
    """A number with `digits` significant digits, never in powers of ten and never rounded above its units.

    Examples
    --------
    >>> number(26.5432), number(1234.5), number(0.0238125), number(float("nan"))
    ('26.5', '1,234', '0.0238', '–')
    """
    if not math.isfinite(value):
        return MISSING
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    if round(abs(value), decimals) >= 10 ** (digits - decimals):
        decimals = max(0, decimals - 1)
    return f"{value:,.{decimals}f}"


def percent(share: float, short_of: float = math.nan) -> str:
    """A share or a probability in whole percent; none and all are said only of what is exactly none or all.

    Parameters
    ----------
    share : float
    short_of : float, optional
        A limit that a share just below must not seem to have reached: it is shown with one more digit.

    Examples
    --------
    >>> percent(0.898), percent(0.898, short_of=0.9)
    ('90 %', '89.8 %')
    >>> [percent(share) for share in (0, 0.0005, 0.5, 0.9995, 1, float("nan"))]
    ['0 %', 'under 1 %', '50 %', 'over 99 %', '100 %', '–']
    """
    if not math.isfinite(share):
        return MISSING
    if -0.005 <= share < 0.01 and share != 0:
        return "under 1 %"
    if short_of - 0.005 <= share < short_of:
        return f"{math.floor(1000 * share) / 10:.1f} %"
    return "over 99 %" if 0.99 < share < 1 else f"{100 * share:.0f} %"


def counted(share: float, what: str = "computed throws", short_of: float = math.nan) -> str:
    """A share or a chance as a count of a hundred, as officers say it; none and all are only what is exactly so.

    Parameters
    ----------
    share : float
    what : str, optional
        What is counted, in the plural.
    short_of : float, optional
        A limit that a share just below must not seem to have reached.

    Examples
    --------
    >>> counted(0.39), counted(1.0), counted(0.9995)
    ('39 of 100 computed throws', 'all computed throws', 'over 99 of 100 computed throws')
    >>> counted(0.798, "tests", short_of=0.8), counted(0.0), counted(0.004, "tests")
    ('79 of 100 tests', 'no computed throws', 'under 1 of 100 tests')
    """
    if share in (0.0, 1.0):
        return f"{'all' if share else 'no'} {what}"
    short = short_of - 0.005 <= share < short_of
    text = f"{math.floor(100 * share):.0f}" if short and share >= 0.01 else percent(share).removesuffix(" %")
    return f"{text} of 100 {what}"


def number_words(count: int) -> str:
    """A count as it is written in a sentence: in words up to twelve.

    Examples
    --------
    >>> number_words(9), number_words(1234)
    ('nine', '1,234')
    """
    return _COUNTS[count] if 0 <= count < len(_COUNTS) else f"{count:,}"


def first_few(texts: Sequence[str], most: int, rest: str = "more") -> list[str]:
    """The first of some texts and, where there are others, how many.

    Examples
    --------
    >>> first_few(["A", "B", "C", "D"], 2), first_few(["A", "B"], 2)
    (['A', 'B', 'two more'], ['A', 'B'])
    """
    left = len(texts) - most
    return [*texts[:most], *([f"{number_words(left)} {rest}"] if left > 0 else [])]


def people(count: int) -> str:
    """A number of firefighters in words."""
    return f"{number_words(count)} firefighter{'' if count == 1 else 's'}"


def _with_unit(text: str, unit: str) -> str:
    return f"{text} {unit}" if unit else text


def value(name: str, value: float, system: UnitSystem = "us", digits: int = 3, interval: bool = False) -> str:
    """A value in words, in the edition's unit alone: tables give the other unit beside it.

    Examples
    --------
    >>> value("extreme_reach", 26.5), value("extreme_reach", 26.5, "si"), value("elevation", 30.0)
    ('86.9 ft', '26.5 m', '30.0 deg')
    """
    return span(name, value, value, system, digits, interval)


def spoken(name: str, value: float, system: UnitSystem, interval: bool = False) -> str:
    """A value as it is said at a briefing: two digits, or whole units, or tenths of a bar.

    Examples
    --------
    >>> spoken("extreme_reach", 26.53, "us"), spoken("nozzle_pressure", 717e3, "si"), spoken("flow_rate", 0.0091, "us")
    ('87 ft', '7.2 bar', '144 gpm')
    """
    return spoken_span(name, value, value, system, interval)


def spoken_span(name: str, low: float, high: float, system: UnitSystem, interval: bool = False) -> str:
    """A range as it is said at a briefing.

    Examples
    --------
    >>> spoken_span("nozzle_pressure", 717e3, 1.18e6, "si")
    '7.2 to 11.8 bar'
    """
    unit = unit_label(name, system)
    ends = [_spoken(float(convert(name, end, system, interval)), unit) for end in (low, high)]
    return _with_unit(" to ".join(dict.fromkeys(ends)), unit)


def _spoken(shown: float, unit: str) -> str:
    return f"{shown:,.1f}" if unit == "bar" and math.isfinite(shown) else number(shown, 2)


def short_or_beyond(name: str, low: float, high: float, system: UnitSystem) -> str:
    """A range of differences in reach as it is said at a briefing, without a sign.

    Examples
    --------
    >>> short_or_beyond("extreme_reach", -1.22, 7.62, "us"), short_or_beyond("extreme_reach", 1.22, 7.62, "us")
    ('4.0 ft short to 25 ft beyond', '4.0 to 25 ft beyond')
    """
    less, more = (spoken(name, abs(end), system, interval=True) for end in (low, high))
    if low < 0 < high:
        return f"{less} short to {more} beyond"
    near, far = sorted((abs(low), abs(high)))
    return f"{spoken_span(name, near, far, system, interval=True)} {'beyond' if high > 0 else 'short'}"


def span(name: str, low: float, high: float, system: UnitSystem = "us", digits: int = 3, interval: bool = False) -> str:
    """A range in words, in the edition's unit alone.

    Examples
    --------
    >>> span("extreme_reach", 24.0, 29.0)
    '78.7 to 95.1 ft'
    """
    ends = [number(float(convert(name, end, system, interval)), digits) for end in (low, high)]
    joined = ends[0] if low == high or ends[0] == ends[1] else " to ".join(ends)
    return _with_unit(joined, unit_label(name, system))
