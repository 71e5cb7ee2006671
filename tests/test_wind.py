"""Wind as people write it."""

import numpy as np
import pytest

from jetsim import units
from jetsim.experiment.cells import Complaint, Form
from jetsim.experiment.sheets import Raw
from jetsim.throws.columns import BEAUFORT
from jetsim.throws.wind import read_direction, read_wind

MPH = Form("speed", "mph", (0.0, 30.0))
ANGLE = Form("angle", "deg", (0.0, 360.0))


def wind(text: str, unit: str | None = "mph"):
    return read_wind("row 2", Raw(text), Form("speed", unit, (0.0, 30.0)))


@pytest.mark.parametrize(
    ("text", "unit", "low", "high", "of"),
    [("calm", "mph", 0.0, 0.3, "m/s"), ("3 Bft", "mph", 3.4, 5.5, "m/s"), ("Beaufort 2-3", None, 1.6, 5.5, "m/s"),
     ("2", BEAUFORT, 1.6, 3.4, "m/s"), ("1-3 m/s", "mph", 1.0, 3.0, "m/s"), ("5-10", "mph", 5, 10, "mph")],
)  # fmt: skip
def test_a_class_or_range_is_its_middle_and_evenly_spread(text, unit, low, high, of):
    found, ends = wind(text, unit), units.to_si([low, high], of)
    assert found.number == pytest.approx(ends.mean())
    assert found.spread == pytest.approx(np.random.default_rng(1).uniform(*ends, 100_000).std(), rel=0.01)


@pytest.mark.parametrize("text", ["8 gusting 15", "8 mph, gusts 15 mph", "8g15", "8 (gusts to 15)", "8 gusts 15 mph"])
def test_gusts_are_three_standard_deviations_above_the_mean(text):
    found = wind(text)
    assert found.number == pytest.approx(float(units.to_si(8, "mph")))
    assert found.spread == pytest.approx(float(units.to_si(7 / 3, "mph")))


def test_gusts_alone_tell_less_than_with_their_mean():
    alone, both = wind("gusts 15"), wind("10 gusts 15")
    assert alone.number == pytest.approx(float(units.to_si(10, "mph")))
    assert alone.spread > both.spread > 0


def test_a_plain_number_leaves_nothing_open():
    assert (wind("10").number, wind("10").spread) == (pytest.approx(4.4704), 0.0)
    assert wind("18 km/h").number == pytest.approx(5.0)
    assert wind("8 knots").number == pytest.approx(8 * 1852 / 3600)


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [("breezy", "mph", "is not a number"), ("12", BEAUFORT, "allowed is 0 to 8"), ("2.5", BEAUFORT, "no class"),
     ("15 gusts 8", "mph", "gusts are below its mean"), ("8-5", "mph", "first speed is above"),
     ("-3", "mph", "allowed"),
     ("5", None, "has no unit"), ("99", "mph", "allowed is 0 to 67.11 mph")],
)  # fmt: skip
def test_what_is_no_wind_is_refused(text, unit, words):
    found = wind(text, unit)
    assert isinstance(found, Complaint)
    assert words in found.line


@pytest.mark.parametrize(
    ("text", "degrees"),
    [("N", 0), ("north-west", 315), ("South West", 225), ("sse", 157.5), ("E", 90), ("261.5", 261.5), ("90°", 90)],
)
def test_directions_are_bearings_or_points_of_the_compass(text, degrees):
    assert read_direction("row 2", Raw(text), ANGLE).number == degrees


@pytest.mark.parametrize("text", ["O", "NO", "SO", "ONO"])
def test_a_point_that_languages_call_otherwise_is_refused(text):
    found = read_direction("row 2", Raw(text), ANGLE)
    assert isinstance(found, Complaint)
    assert "may mean east (Ost) or west" in found.line


def test_a_side_of_the_throw_is_left_to_its_bearing():
    assert np.isnan(read_direction("row 2", Raw("tail wind"), ANGLE).number)
