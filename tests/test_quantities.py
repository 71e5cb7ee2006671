"""The table of quantities: complete, consistent with the units, and clear when it refuses."""

import numpy as np
import pytest

from jetsim import units
from jetsim.errors import InputError
from jetsim.quantities import QUANTITIES, check_range, quantity


@pytest.mark.parametrize("q", QUANTITIES.values(), ids=lambda q: q.name)
def test_display_units_measure_the_same_dimension(q):
    if q.dimension == "name":
        return
    for label in (q.si, q.us, q.metric):
        assert units.unit(label).dimension == q.dimension
    assert units.unit(q.si).factor == 1.0


def test_allowed_range_in_words():
    assert quantity("nozzle_pressure").allowed("psi") == "above 0 to 1450.38 psi"
    assert quantity("elevation").allowed() == "-90 to 90 deg"
    assert quantity("extreme_reach").allowed("ft") == "any finite number ft"


@pytest.mark.parametrize(
    ("name", "value", "unit", "message"),
    [
        (
            "nozzle_pressure",
            -6894.757293168362,
            "psi",
            "nozzle_pressure = -1 psi: allowed is above 0 to 1450.38 psi",
        ),
        ("discharge_coefficient", 1.2, None, "discharge_coefficient = 1.2: allowed is above 0 to 1"),
        ("elevation", np.array([10.0, 95.0]), None, "elevation = 95 deg (case 1): allowed is -90 to 90 deg"),
        ("water_temperature", np.nan, None, "water_temperature = nan degC: allowed is 0 to 99 degC"),
    ],
)
def test_check_range_names_field_value_range_and_unit(name, value, unit, message):
    with pytest.raises(InputError) as caught:
        check_range(name, value, unit)
    assert str(caught.value) == message


def test_unknown_quantity_names_the_nearest():
    with pytest.raises(InputError, match="did you mean 'nozzle_pressure'"):
        quantity("nozle_pressure")


@pytest.mark.parametrize("q", QUANTITIES.values(), ids=lambda q: q.name)
def test_values_are_held_together_as_each_is_contained(q):
    """Ends, what lies on either side of them, and what is no number; alone, and among values that are allowed."""
    ends = [end for end in (q.low, q.high) if np.isfinite(end)]
    inside = (max(q.low, -1e9) + min(q.high, 1e9)) / 2
    values = [*ends, *np.nextafter(ends, -np.inf), *np.nextafter(ends, np.inf), np.nan, np.inf, -np.inf]
    for value in map(float, values):
        assert q.holds(value) == q.holds(np.array([inside, value, inside])) == q.contains(value)
    assert q.holds(np.array([]))
    assert q.holds(inside)
