"""Units against pint, an independent reference library, and the reading of texts."""

import math

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jetsim import units
from jetsim.errors import UnitError

REGISTRY = pint.UnitRegistry()
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
    ("deg", "degree", "degree"),
    ("rad", "radian", "degree"),
    ("N", "newton", "newton"),
    ("kN", "kilonewton", "newton"),
    ("lbf", "pound_force", "newton"),
    ("s", "second", "second"),
    ("min", "minute", "second"),
    ("kg/m3", "kilogram/meter**3", "kilogram/meter**3"),
    ("psi/(100gpm)2/(100ft)", "psi*minute**2/gallon**2/foot", "pascal*second**2/meter**7"),
    ("Pa s2/m7", "pascal*second**2/meter**7", "pascal*second**2/meter**7"),
    ("1", "dimensionless", "dimensionless"),
    ("%", "percent", "dimensionless"),
]


def unit_is_hose_coefficient(label):
    return label.startswith("psi/(100gpm)")


@pytest.mark.parametrize(("label", "theirs", "si"), AGAINST_PINT)
def test_factor_agrees_with_pint(label, theirs, si):
    # The trade's hose coefficient speaks of hundreds: psi per (100 gpm)^2 and 100 ft.
    number = 1e-6 if unit_is_hose_coefficient(label) else 1.0
    expected = REGISTRY.Quantity(number, theirs).to(si).magnitude
    assert float(units.to_si(1.0, label)) == pytest.approx(expected, rel=1e-12)


def test_inch_of_mercury_agrees_with_pint():
    # pint takes mercury at 13.5951 kg/L as well; its table has seven digits.
    expected = REGISTRY.Quantity(1.0, "inch_Hg").to("pascal").magnitude
    assert float(units.to_si(1.0, "inHg")) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("value", [-40.0, 0.0, 32.0, 60.0, 212.0])
def test_fahrenheit_agrees_with_pint(value):
    expected = REGISTRY.Quantity(value, "degF").to("degC").magnitude
    assert float(units.to_si(value, "degF")) == pytest.approx(expected, abs=1e-10)


def test_every_unit_is_checked_against_the_reference():
    checked = {label for label, *_ in AGAINST_PINT} | {"inHg", "degF", "degC"}
    assert {u.label for u in units._UNITS} == checked


@pytest.mark.parametrize("unit", units._UNITS, ids=lambda u: u.label)
def test_udunits_string_means_the_same_to_pint(unit):
    # UDUNITS writes "m s-1" and "gallon minute-1"; spelled with operators pint must find the same factor.
    if unit.dimension in ("temperature", "ratio") or "(" in unit.udunits:
        assert unit.udunits in ("degC", "degF", "1", "percent", "psi (100 gallon minute-1)-2 (100 foot)-1")
        return
    text = " * ".join(_power(word) for word in unit.udunits.split())
    si = {"angle": "degree"}.get(unit.dimension)
    quantity = REGISTRY.Quantity(1.0, text)
    found = quantity.to(si) if si else quantity.to_base_units()
    assert found.magnitude == pytest.approx(unit.factor, rel=1e-5)


def _power(word):
    name = word.rstrip("-0123456789")
    power = word[len(name) :] or "1"
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
    ],
)
def test_parse(text, dimension, expected):
    assert units.parse(text, dimension) == pytest.approx(expected, rel=1e-14)


def test_a_spread_of_temperature_has_no_offset():
    assert units.parse_interval("9 degF", "temperature") == pytest.approx(5.0)


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
    ],
)
def test_parse_refuses_in_one_line(text, dimension, words):
    with pytest.raises(UnitError) as caught:
        units.parse(text, dimension)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@given(st.sampled_from(units._UNITS), st.floats(-1e6, 1e6))
def test_round_trip(unit, value):
    assert float(units.from_si(units.to_si(value, unit.label), unit.label)) == pytest.approx(value, abs=1e-6)


def test_arrays_keep_their_shape():
    assert units.to_si(np.ones((2, 3)), "psi").shape == (2, 3)
    assert units.interval_from_si(np.ones(4), "degF") == pytest.approx(np.full(4, 1.8))
