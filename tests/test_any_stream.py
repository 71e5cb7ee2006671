"""Whatever lawful stream is thrown: each flight ends, with an outcome, and a flag where a law is stretched."""

import numpy as np
import pytest

from jetsim import Stream, simulate
from jetsim.jet.laws import DRAG_LAWS
from jetsim.quantities import QUANTITIES

MIDDLE = Stream(tip_diameter=0.0254, nozzle_pressure=345e3).values()
VARIED = [name for name, value in MIDDLE.items() if name in QUANTITIES and isinstance(value, int | float)]
SMALLEST = 1e-9  # of the upper end of a range: nanometres of tip, hundredths of a pascal


def drawn(name, count, rng):
    """Half of the values as usual, half over the whole allowed range, small ones as often as large ones."""
    low, high = (np.clip(end, -1e3, 1e12) for end in (QUANTITIES[name].low, QUANTITIES[name].high))
    share = rng.random(count)
    wide = (
        np.exp(np.log(SMALLEST * high) * (1 - share) + np.log(high) * share) if low >= 0 else low + share * (high - low)
    )
    return np.where(rng.random(count) < 0.5, MIDDLE[name], np.maximum(wide, low))


def streams(count, seed, **fixed):
    rng = np.random.default_rng(seed)
    return Stream.from_values({**{name: drawn(name, count, rng) for name in VARIED}, **fixed})


@pytest.mark.parametrize("law", DRAG_LAWS)
def test_every_flight_ends_with_an_outcome(law):
    found = simulate(streams(50, 1, drag_model=law), workers=1)
    landed = found["outcome"].values == 0
    np.testing.assert_array_equal(np.isfinite(found["extreme_reach"]), landed)
    assert np.isfinite(found["exit_speed"]).all()
    assert 15 < landed.sum() < 50
    if law != "vacuum":  # which has no fit to leave
        assert (found["validity"].values[found["outcome"].values == 2] != 0).all()


@pytest.mark.parametrize("law", DRAG_LAWS)
def test_in_still_air_no_stream_breaks_up_beyond_where_it_lands(law):
    found = simulate(streams(50, 2, drag_model=law, wind_along=0.0, wind_across=0.0), workers=1)
    landed = found.isel(case=found["outcome"].values == 0)
    allowed = landed["extreme_reach"].values + 1e-6 + 1e-6 * landed["extreme_reach"].values
    beyond = (landed["breakup_distance"].values > allowed) & (landed["validity"].values & 64 == 0)
    assert not beyond.any()


@pytest.mark.parametrize("law", DRAG_LAWS)
@pytest.mark.parametrize(
    "extreme",
    [
        {"flight_constants.drop_ratio": 0.025},
        {"tip_diameter": 0.000254},
        {"breakup_constants.turbulence_exponent": 3.0},
        {"valve_turbulence_factor": 18.0},
        {"nozzle_pressure": np.array([1e-300, 1e-200, 1e-100, 1e-20, 1e-3, 1.0])},
        {"elevation": np.array([-90.0, -89.9, 89.9, 90.0]), "wind_along": -10.0},
    ],
    ids=lambda extreme: next(iter(extreme)),
)
def test_extremes_of_lawful_input_end_too(law, extreme):
    found = simulate(
        Stream.from_values({"tip_diameter": 0.0254, "nozzle_pressure": 345e3, "drag_model": law, **extreme})
    )
    assert ((found["outcome"] != 0) | np.isfinite(found["extreme_reach"])).all()
