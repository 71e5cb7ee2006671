"""Units against pint, an independent reference library, and the reading of texts."""

import math
import re
from fractions import Fraction
from importlib import import_module

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jetsim import units
from jetsim.errors import UnitError

# Our label, the same unit in pint, the SI unit in pint.
AGAINST_PINT = [
    ("m", "meter", "meter"),
    ("mm", "millimeter", "meter"),
    ("cm", "centimeter", "meter"),
    ("in", "inch", "meter"),
    ("ft", "foot", "meter"),
    ("Pa", "pascal", "pascal"),
    ("kPa", "kilopascal", "pascal"),
    ("MPa", "megapascal", "pascal"),
    ("bar", "bar", "pascal"),
    ("hPa", "hectopascal", "pascal"),
    ("psi", "pound_force_per_square_inch", "pascal"),
    ("m3/s", "meter**3/second", "meter**3/second"),
    ("L/min", "liter/minute", "meter**3/second"),
    ("L/s", "liter/second", "meter**3/second"),
    ("gpm", "gallon/minute", "meter**3/second"),
    ("m/s", "meter/second", "meter/second"),
    ("km/h", "kilometer/hour", "meter/second"),
    ("mph", "mile/hour", "meter/second"),
    ("ft/s", "foot/second", "meter/second"),
    ("kn", "knot", "meter/second"),
    ("deg", "degree", "degree"),
    ("rad", "radian", "degree"),
    ("N", "newton", "newton"),
    ("kN", "kilonewton", "newton"),
    ("lbf", "pound_force", "newton"),
    ("s", "second", "second"),
    ("min", "minute", "second"),
    ("kg/m3", "kilogram/meter**3", "kilogram/meter**3"),
    ("psi/(100gpm)2/(100ft)", "psi*minute**2/gallon**2/foot", "pascal*second**2/meter**7"),
    ("kPa/(100L/min)2/(100m)", "kilopascal*minute**2/liter**2/meter", "pascal*second**2/meter**7"),
    ("bar/(100L/min)2/(100m)", "bar*minute**2/liter**2/meter", "pascal*second**2/meter**7"),
    ("Pa s2/m7", "pascal*second**2/meter**7", "pascal*second**2/meter**7"),
    ("1", "dimensionless", "dimensionless"),
    ("%", "percent", "dimensionless"),
]


@pytest.fixture(scope="module")
def registry():
    """The reference library's units, loaded by the process that asks for them alone."""
    return import_module("pint").UnitRegistry()


@pytest.mark.parametrize(("label", "theirs", "si"), AGAINST_PINT)
def test_factor_agrees_with_pint(registry, label, theirs, si):
    # The trade's hose coefficients speak of hundreds: psi per (100 gpm)^2 and 100 ft.
    number = 1e-6 if label.endswith(("(100ft)", "(100m)")) else 1.0
    expected = registry.Quantity(number, theirs).to(si).magnitude
    assert float(units.to_si(1.0, label)) == pytest.approx(expected, rel=1e-12)


def test_inch_of_mercury_agrees_with_pint(registry):
    # pint takes mercury at 13.5951 kg/L as well; its table has seven digits.
    expected = registry.Quantity(1.0, "inch_Hg").to("pascal").magnitude
    assert float(units.to_si(1.0, "inHg")) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("value", [-40.0, 0.0, 32.0, 60.0, 212.0])
def test_fahrenheit_agrees_with_pint(registry, value):
    expected = registry.Quantity(value, "degF").to("degC").magnitude
    assert float(units.to_si(value, "degF")) == pytest.approx(expected, abs=1e-10)


def test_every_unit_is_checked_against_the_reference():
    checked = {label for label, *_ in AGAINST_PINT} | {"inHg", "degF", "degC"}
    assert {u.label for u in units._UNITS} == checked


@pytest.mark.parametrize("unit", units._UNITS, ids=lambda u: u.label)
def test_udunits_string_means_the_same_to_pint(registry, unit):
    # UDUNITS writes "m s-1" and "gallon minute-1"; spelled with operators pint must find the same factor.
    if unit.dimension in ("temperature", "ratio"):
        assert unit.udunits in ("degC", "degF", "1", "percent")
        return
    text = " * ".join(_power(word) for word in re.findall(r"(?:\([^)]*\)|[^ (]+)[-0-9]*", unit.udunits))
    si = {"angle": "degree"}.get(unit.dimension)
    quantity = registry.parse_expression(text)
    found = quantity.to(si) if si else quantity.to_base_units()
    assert found.magnitude == pytest.approx(unit.factor, rel=1e-5)


def _power(word):
    name = word.rstrip("-0123456789")
    power = word[len(name) :] or "1"
    if name.startswith("("):  # such as (100 gallon minute-1)
        number, *words = name[1:-1].split()
        return f"({' * '.join([number, *map(_power, words)])}) ** ({power})"
    return f"{'inch_Hg' if name == 'inHg' else name} ** ({power})"


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [
        ("50 psi", "pressure", 50 * 6894.757293168362),
        ("185 gpm", "flow", 185 * 0.003785411784 / 60),
        ("15/16 in", "length", 0.0238125),
        ("1 1/8 in", "length", 0.028575),
        ("-1/2 in", "length", -0.0127),
        ("12 deg", "angle", 12.0),
        ("12deg", "angle", 12.0),
        ("5 mph", "speed", 2.2352),
        ("60 degF", "temperature", 140 / 9),
        ("1e-3 m", "length", 0.001),
        (".5 ft", "length", 0.1524),
        ("97.5 %", "ratio", 0.975),
        (0.975, "ratio", 0.975),
        ("50 PSI", "pressure", 50 * 6894.757293168362),
        ("185 GPM", "flow", 185 * 0.003785411784 / 60),
        ("100 gal. per min.", "flow", 0.3785411784 / 60),
        ("600 l/min", "flow", 0.01),
        ("5 MPH", "speed", 2.2352),
        ("9 knots", "speed", 4.63),
        ("9 KN", "speed", 4.63),
        ("9 KN", "force", 9000.0),
        ("70 lbs", "force", 70 * 4.4482216152605),
        ("7,0 bar", "pressure", 7e5),
        ("0,500 in", "length", 0.0127),
        ("1.500 in", "length", 0.0381),
        ("1,500.0 psi", "pressure", 1500 * 6894.757293168362),
        ("1.500,5 kPa", "pressure", 1500500.0),
        ("1,234,567 Pa", "pressure", 1234567.0),
        ("5. psi", "pressure", 5 * 6894.757293168362),
        ("1-1/8 in", "length", 0.028575),
        ("-1-1/8 in", "length", -0.028575),
        ('1 1/8"', "length", 0.028575),
        ("1 1/8”", "length", 0.028575),
        ("½ in", "length", 0.0127),
        ("-½ in", "length", -0.0127),
        ("1⅛ in", "length", 0.028575),
        ("1 ⅛ in.", "length", 0.028575),
        ("1-⅛ in", "length", 0.028575),
        ("1\t1/8 in", "length", 0.028575),
        ("1\u00a01/8\u2003in", "length", 0.028575),
        ("1\u20031⁄8 in", "length", 0.028575),
        ("150'", "length", 45.72),
        ("150’", "length", 45.72),
        ("−5 °C", "temperature", -5.0),
        ("20 C", "temperature", 20.0),
        ("59 °F", "temperature", 15.0),
        ("59 deg f", "temperature", 15.0),
        ("15.5 c", "hose coefficient", 15.5 * units.HOSE_COEFFICIENT),
        ("8 kPa/(100 L/min)2/100 m", "hose coefficient", 28.8e6),
        ("8 kPa per (100 l/min)^2 per 100 m", "hose coefficient", 28.8e6),
        ("0,08 bar/(100 lpm)²/100 m", "hose coefficient", 28.8e6),
        ("97,5%", "ratio", 0.975),
    ],
)
def test_parse(text, dimension, expected):
    assert units.parse(text, dimension) == pytest.approx(expected, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "dimension", "words"),
    [
        ("50", "pressure", "has no unit"),
        (50, "pressure", "has no unit"),
        ("50 gpm", "pressure", "is a flow"),
        ("50 pis", "pressure", "did you mean psi"),
        ("nan psi", "pressure", "is not a number"),
        ("fifty psi", "pressure", "is not a number"),
        ("", "length", "is not a number"),
        ("1/0 in", "length", "divides by zero"),
        ("1e999 m", "length", "finite"),
        (math.nan, "ratio", "finite"),
        (True, "ratio", "not a plain number"),
        (None, "length", "is not a number"),
        ([1], "length", "is not a number"),
        ("5 psi", "ratio", "is a pressure"),
        ("1,500 gpm", "flow", "'1,500 gpm': may mean 1500 or 1.500; write one of these"),
        ("-1,500", "ratio", "may mean 1500 or 1.500"),
        ("1 500 L/min", "flow", "has a space inside its number"),
        ("5 1", "ratio", "has a space inside its number"),
        ("５０ psi", "pressure", "write 0 to 9"),
        ("٥ psi", "pressure", "write 0 to 9"),
        ("½2 in", "length", "is not a number"),
        ("5² in", "length", "unknown unit"),
        ("1 - 1/8 in", "length", "is not a number"),
        ("1−1/8 in", "length", "is not a number"),
        ("45-55 psi", "pressure", "is not a number"),
        ("1 9/8 in", "length", "the fraction '9/8' beside a whole number must be below 1"),
        ("1.2.3 m", "length", "commas or points"),
        ("0,500,000 m", "length", "commas or points"),
        (". m", "length", "commas or points"),
        ("1e-400 m", "length", "too small"),
        pytest.param("9" * 5000 + "/8 in", "length", "finite", id="huge fraction"),
        pytest.param(10**5000, "ratio", "a huge number: is too large a number", id="huge ratio"),
        pytest.param(10**5000, "length", "a huge number: has no unit", id="huge length"),
        ("3 mPa", "pressure", "a thousandth of a pascal"),
        ("65 PSIA", "pressure", "counts from vacuum"),
        ("100 igpm", "flow", "imperial gallons"),
        ("50 lbs", "pressure", "is a force"),
        ("50 gmp", "flow", "unknown unit 'gmp' (did you mean gpm?); give a number with a unit of flow (m3/s"),
        pytest.param("x" * 5000, "length", "xxx...: is not a number", id="long text"),
    ],
)
def test_parse_refuses_in_one_line(text, dimension, words):
    with pytest.raises(UnitError) as caught:
        units.parse(text, dimension)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize(("spelling", "both"), [("C", "degC or psi/(100gpm)2/(100ft)"), ("KN", "kn or kN")])
def test_a_spelling_of_two_units_needs_the_dimension(spelling, both):
    with pytest.raises(UnitError, match=re.escape(both)):
        units.unit(spelling)


def test_no_spelling_means_two_units_of_one_dimension():
    for key, known in units._BY_KEY.items():
        assert len({u.dimension for u in known}) == len(known), key


def test_a_hint_keeps_to_the_wanted_dimension():
    with pytest.raises(UnitError) as caught:
        units.parse("5 kpm", "flow")
    assert "kph" not in str(caught.value)
    assert "km/h" not in str(caught.value)


SPELLINGS = [(u, text) for u in units._UNITS if u.label != "1" for text in (u.label, *u.spellings)]
SPACES = st.sampled_from(["", " ", "\t", "\u00a0", "\u2003 "])


def _grouped(whole, sign):
    return f"{whole:,}".replace(",", sign)


# Each writes a number of `whole` and three decimals as some people do, and says what a Python reader makes of it.
DIALECTS = {
    "point": lambda whole, decimals: f"{whole}.{decimals:03d}",
    "comma": lambda whole, decimals: f"{whole},{decimals:03d}",
    "grouped by commas": lambda whole, decimals: f"{_grouped(whole, ',')}.{decimals:03d}",
    "grouped by points": lambda whole, decimals: f"{_grouped(whole, '.')},{decimals:03d}",
}


@settings(max_examples=200)
@given(st.sampled_from(SPELLINGS), st.sampled_from(list(DIALECTS)), st.integers(0, 10**7), st.integers(0, 999),
       SPACES, st.sampled_from([str, str.upper, str.lower]))  # fmt: skip
def test_every_dialect_keeps_the_value(spelled, dialect, whole, decimals, space, case):
    unit, spelling = spelled
    written = case(spelling) if case(spelling).casefold() == spelling.casefold() else spelling
    text = f"{DIALECTS[dialect](whole, decimals)}{space}{written}"
    two_readings = ("comma", "grouped by points")
    if dialect in two_readings and 0 < whole < 1000:  # 1,500: fifteen hundred or one and a half
        with pytest.raises(UnitError, match=f"may mean {whole}{decimals:03d} or {whole}.{decimals:03d};"):
            units.split_quantity(text, unit.dimension)
        return
    assert units.split_quantity(text, unit.dimension) == (float(f"{whole}.{decimals:03d}"), unit.label)


@given(st.integers(0, 40), st.integers(1, 63), st.sampled_from([2, 4, 8, 16, 32, 64]), SPACES)
def test_fractions_keep_the_value(whole, top, bottom, space):
    top %= bottom
    expected = whole + top / bottom
    for joint in ("-", "‑", "–", " ", "\t", "\u00a0", "\u2003"):
        assert units.split_quantity(f"{whole}{joint}{top}/{bottom}{space}in", "length") == (expected, "in")


def _read_by_hand(text):
    """A slow second reading, by exact fractions."""
    found = re.fullmatch(r"([+-]?)(?:(\d+)(?: +|-))?(\d+)/(\d+) *(?:in|ft)", text)
    if found:
        sign, whole, top, bottom = found.groups()
        size = Fraction(whole or 0) + Fraction(int(top), int(bottom))
        return -size if sign == "-" else size
    found = re.fullmatch(r"([+-]?[0-9.,]+) *(?:in|ft)", text)
    assert found, f"{text!r} should have been refused"
    pointed = found[1]
    signs = re.findall(r"[.,]", pointed)
    for grouping in set(signs[:-1]):  # a sign with another one behind it groups
        pointed = pointed.replace(grouping, "")
    return Fraction(pointed.replace(",", ".").rstrip("."))


@settings(max_examples=300)
@given(st.text("0123456789.,/ -+", max_size=9), st.sampled_from(["in", " in", " ft"]))
def test_nothing_is_read_as_another_number(number, spelling):
    text = (number + spelling).strip()
    try:
        value, _ = units.split_quantity(text, "length")
    except UnitError:
        return
    assert value == pytest.approx(float(_read_by_hand(text)), rel=1e-15)


@given(st.sampled_from(units._UNITS), st.floats(-1e6, 1e6))
def test_round_trip(unit, value):
    assert float(units.from_si(units.to_si(value, unit.label), unit.label)) == pytest.approx(value, abs=1e-6)


def test_arrays_keep_their_shape():
    assert units.to_si(np.ones((2, 3)), "psi").shape == (2, 3)
    assert units.interval_from_si(np.ones(4), "degF") == pytest.approx(np.full(4, 1.8))
