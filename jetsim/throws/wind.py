"""Wind as people write it: a number, a class of the Beaufort scale, calm, gusts, points of the compass.

Each text gives a speed and what it leaves open about that speed, as a standard deviation along and across the throw.
"""

import math
import re

import numpy as np

from jetsim import units
from jetsim.errors import InputError
from jetsim.experiment.cells import Cell, Complaint, Form, complaint, read_number
from jetsim.experiment.sheets import Raw
from jetsim.throws.columns import BEAUFORT

# Lower ends of the classes 0 to 9 of the Beaufort scale [m/s]: World Meteorological Organization, Guide to
# Instruments (WMO-No. 8), from memory. Class 8 and above is beyond any throw.
_CLASSES = (0.0, 0.3, 1.6, 3.4, 5.5, 8.0, 10.8, 13.9, 17.2, 20.8)
# A gust is the mean and some three standard deviations of the wind in it; gusts reach about 1.5 times the mean over
# open ground (1.3 to 1.7, taken as 0.12 of it). Common practice, no source.
GUST_PEAK, GUST_FACTOR, GUST_FACTOR_SPREAD = 3.0, 1.5, 0.12
_CALM = ("calm", "none", "no wind", "still", "still air", "windless", "windstill", "keiner", "ruhig")
_FIGURE = r"[0-9]+(?:[.,][0-9]+)?"
_WITH_GUST = re.compile(rf"(?:(?P<mean>{_FIGURE})\s*(?P<unit>[a-z/]*?)\s*[,;(]?\s*)?"
                        rf"(?:g|gust|gusts|gusting|gusty|böen|böe)\s*(?:to|up to|of|bis)?\s*(?P<gust>{_FIGURE})"
                        r"\s*(?P<last>[a-z/]*)\)?")  # fmt: skip
_RANGE = re.compile(rf"(?P<low>{_FIGURE})\s*(?:-|–|to|bis)\s*(?P<high>{_FIGURE})\s*(?P<unit>[a-z/]*)")
_BEAUFORT = re.compile(r"(?:(?:beaufort|bft|bf|force)\s*)(?P<a>[0-9]+)(?:\s*[-–]\s*(?P<b>[0-9]+))?|"
                       r"(?P<c>[0-9]+)(?:\s*[-–]\s*(?P<d>[0-9]+))?\s*(?:beaufort|bft|bf)")  # fmt: skip
_POINTS = ("n", "nne", "ne", "ene", "e", "ese", "se", "sse", "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw")
_NAMES = {"north": "n", "east": "e", "south": "s", "west": "w", "northern": "n", "southern": "s"}
# The side from which wind comes, turned against the bearing of the throw [deg].
SIDES = {
    **dict.fromkeys(("head", "headwind", "head wind", "ahead"), 0.0),
    **dict.fromkeys(("tail", "tailwind", "tail wind", "behind"), 180.0),
    **dict.fromkeys(("left", "from left"), -90.0),
    **dict.fromkeys(("right", "from right"), 90.0),
}
_UNKNOWN = ("variable", "varying", "var", "changing", "all round", "wechselnd")


def read_wind(place: str, raw: Raw, form: Form) -> Cell | Complaint:
    """A wind speed with what its text leaves open.

    Parameters
    ----------
    place : str
    raw : Raw
    form : Form
        Its unit may be `BEAUFORT`.
    """
    text = " ".join(raw.text.split()).lower()
    try:
        found = _in_words(text, form) if raw.kind in ("text", "number") else None
    except InputError as error:
        return Complaint(complaint(place, raw.text.strip(), str(error)))
    if found is None:
        return read_number(place, raw, form)
    speed, spread = found
    if not form.limits[0] <= speed <= form.limits[1]:
        return Complaint(complaint(place, raw.text.strip(), f"allowed is up to {form.limits[1]:.0f} m/s; correct it"))
    return Cell(place, raw.text.strip(), speed, spread=spread)


def _in_words(text: str, form: Form) -> tuple[float, float] | None:
    """Speed and spread [m/s]; None for a plain number."""
    if text in _CALM:
        return within(_CLASSES[0], _CLASSES[1])
    scale = _BEAUFORT.fullmatch(text)
    if scale is not None:
        low = scale["a"] or scale["c"]
        return _of_class(low, scale["b"] or scale["d"] or low)
    if form.unit == BEAUFORT and (plain := re.fullmatch(r"([0-9]+)(?:\s*[-–]\s*([0-9]+))?", text)):
        return _of_class(plain[1], plain[2] or plain[1])
    if form.unit == BEAUFORT and text:
        raise InputError("is no class of the Beaufort scale; write 0 to 8, or two of them as in 2-3")
    gusty = _WITH_GUST.fullmatch(text)
    if gusty is not None:
        unit = gusty["last"] or gusty["unit"] or form.unit
        mean = None if gusty["mean"] is None else _speed(gusty["mean"], gusty["unit"] or unit, form)
        return gusting(mean, _speed(gusty["gust"], unit, form))
    between = _RANGE.fullmatch(text)
    if between is not None:
        unit = between["unit"] or form.unit
        return within(*(_speed(between[end], unit, form) for end in ("low", "high")))
    return None


def _of_class(low: str, high: str) -> tuple[float, float]:
    first, last = int(low), int(high)
    if not first <= last <= len(_CLASSES) - 2:
        raise InputError(
            f"is no class of the Beaufort scale that a throw may have; allowed is 0 to {len(_CLASSES) - 2}"
        )
    return within(_CLASSES[first], _CLASSES[last + 1])


def _speed(figure: str, unit: str | None, form: Form) -> float:
    read = read_number("", Raw(f"{figure} {unit or ''}"), Form("speed", None, (0.0, np.inf), form.decimal, form.mixed))
    if isinstance(read, Complaint):
        raise InputError(read.line.partition(": ")[2])
    return read.number


def within(low: float, high: float) -> tuple[float, float]:
    """Middle and standard deviation of a speed that lies between two ends [m/s].

    Examples
    --------
    >>> within(2.0, 4.0)[0], round(within(2.0, 4.0)[1], 3)
    (3.0, 0.577)
    """
    if low > high:
        raise InputError("its first speed is above its second")
    return (low + high) / 2, (high - low) / math.sqrt(12)


def gusting(mean: float | None, gust: float) -> tuple[float, float]:
    """Mean speed, and its standard deviation about it in a throw, from a gust and the mean, if that was read [m/s].

    Examples
    --------
    >>> gusting(4.0, 7.0)
    (4.0, 1.0)
    """
    if mean is None:
        middle = gust / GUST_FACTOR
        return middle, float(np.hypot((gust - middle) / GUST_PEAK, GUST_FACTOR_SPREAD * middle))
    if mean > gust:
        raise InputError("its gusts are below its mean")
    return mean, (gust - mean) / GUST_PEAK


def at_least(cell: Cell) -> float:
    """The least speed that a text states [m/s]: of a class or a range its lower end, of gusts their mean."""
    gusty = re.search("g|böe", cell.text.lower())
    return cell.number if gusty else cell.number - np.sqrt(3) * cell.spread


def read_direction(place: str, raw: Raw, form: Form) -> Cell | Complaint:
    """Where wind comes from [deg]: a bearing, a point of the compass, or a side of the throw (`SIDES`, NaN here)."""
    text = " ".join(raw.text.split())
    plain = re.sub(r"[-. ]", "", text.lower())
    for name, letter in _NAMES.items():
        plain = plain.replace(name, letter)
    if text.lower() in SIDES or text.lower() in _UNKNOWN:
        return Cell(place, text, np.nan)
    if plain in _POINTS:
        return Cell(place, text, 360.0 / len(_POINTS) * _POINTS.index(plain))
    if re.fullmatch(r"[nsewo]*o[nsewo]*", plain):
        return Complaint(complaint(place, text, "may mean east (Ost) or west (ouest, oeste); write E, W or degrees"))
    return read_number(place, raw, form)


def no_direction(text: str) -> bool:
    """Whether a text says that wind came from everywhere."""
    return text.lower() in _UNKNOWN


assert units.unit("m/s").factor == 1.0, "speeds here are in m/s"
