"""Numbers as readers see them: digits, units and labels."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jetsim import units
from jetsim.errors import InputError
from jetsim.quantities import QUANTITIES
from jetsim.report import display


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (-0.0, "0"), (99.96, "100"), (0.09996, "0.100"), (1234567.0, "1,234,567"), (-26.54, "-26.5"),
     (0.000123456, "0.000123"), (math.nan, "–"), (math.inf, "–"), (9.999, "10.0")],
)  # fmt: skip
def test_three_significant_digits(value, text):
    assert display.number(value) == text


@given(st.floats(1e-6, 1e9), st.integers(2, 6))
def test_a_shown_number_is_right_to_its_digits(value, digits):
    shown = float(display.number(value, digits).replace(",", ""))
    assert abs(shown - value) <= 0.5000001 * max(10 ** (math.floor(math.log10(value)) - digits + 1), 0) + (
        0.5 if value >= 10**digits else 0
    )


def test_a_sentence_speaks_one_system_of_units():
    pressure = float(units.to_si(50, "psi"))
    assert display.value("nozzle_pressure", pressure) == "50.0 psi"
    assert display.value("nozzle_pressure", pressure, "si") == "3.45 bar"
    assert display.value("discharge_coefficient", 0.975) == "0.975"
    assert display.span("extreme_reach", 24.0, 24.0) == "78.7 ft"
    assert display.span("extreme_reach", 24.0, 29.0, "si") == "24.0 to 29.0 m"


def test_a_hose_coefficient_is_short_in_both_editions():
    # By hand: 15.5 psi = 106.87 kPa; (100 gpm)2 = 14.330 (100 L/min)2; 100 ft = 0.3048 (100 m).
    hose = 15.5 * units.HOSE_COEFFICIENT
    assert pytest.approx(24.469, rel=1e-4) == 15.5 * 6.894757 / 3.785411784**2 / 0.3048
    assert display.value("supply.hose_coefficient", hose) == "15.5 psi/(100gpm)2/(100ft)"
    assert display.value("supply.hose_coefficient", hose, "si") == "24.5 kPa/(100L/min)2/(100m)"


def test_a_temperature_difference_keeps_no_offset():
    assert display.value("water_temperature", 10.0) == "50.0 degF"
    assert display.value("water_temperature", 10.0, interval=True) == "18.0 degF"


@pytest.mark.parametrize("name", QUANTITIES)
def test_every_quantity_has_an_axis_label_in_both_editions(name):
    for system in ("us", "si"):
        label = display.axis_label(name, system)
        unit = display.unit_label(name, system)
        assert label[0] == label[0].upper()
        assert label.endswith(f"[{unit}]") if unit else "[" not in label


def test_plain_words_pass_and_misspelt_quantities_do_not():
    words = "share of the output's variance"
    assert display.axis_label(words, "us") == "Share of the output's variance"
    np.testing.assert_array_equal(display.convert(words, [1.5, 2.0], "us"), [1.5, 2.0])
    with pytest.raises(InputError, match="did you mean 'extreme_reach'"):
        display.convert("extreme_raech", 1.0, "us")


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0, "0 %"),
        (0.0005, "under 1 %"),
        (-0.002, "under 1 %"),
        (-0.04, "-4 %"),
        (0.01, "1 %"),
        (0.984, "98 %"),
        (0.9995, "over 99 %"),
        (1, "100 %"),
        (np.nan, display.MISSING),
    ],
)
def test_none_and_all_are_said_only_of_none_and_all(share, words):
    assert display.percent(share) == words


def test_a_share_just_short_of_a_limit_does_not_seem_to_reach_it():
    assert display.percent(0.89996, short_of=0.9) == "89.9 %"
    assert display.percent(0.9, short_of=0.9) == "90 %"
