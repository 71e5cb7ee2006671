"""The streams of a target study: reading the comparison, what it shares, and what is refused."""

import numpy as np
import pytest

from jetsim.errors import InputError
from jetsim.hydraulics.nozzle_kinds import ConstantFlow
from jetsim.window.found import changes
from jetsim.window.streams import draws_of, read_candidates
from jetsim.window.task import read_task
from jetsim.window.words import breakup_lengths
from tests.target_cases import content, fog, study

GPM, PSI = 6.30901964e-5, 6894.757293168361
TASK = read_task(content())


def candidates(content_):
    return read_candidates(content_, TASK, "street.toml")


def test_a_study_without_a_comparison_has_one_stream():
    (only,) = candidates(study())
    assert only.name == "this stream"
    assert only.pressures == pytest.approx(TASK.pressures)
    assert only.assumption == ""


def test_a_fog_nozzle_flies_as_its_rating_says():
    first, second = candidates({**study(**fog(nozzle_pressures=["75 psi", "50 psi"])), "stream": "tip"})
    assert first.name == "tip"
    assert second.name == "fog nozzle"
    assert second.pressures == pytest.approx([50 * PSI, 75 * PSI])
    fixed = second.space.fixed
    area = fixed["discharge_coefficient"] * np.pi / 4 * fixed["tip_diameter"] ** 2
    assert area == pytest.approx(float(ConstantFlow(150 * GPM, 50 * PSI).area), rel=1e-6)
    assert fixed["discharge_coefficient"] == fixed["velocity_coefficient"]
    assert set(second.space.names) == {"wind_along", "equivalent_diameter_ratio"}
    assert "0.4 to 0.9" in second.assumption
    assert "assumption: nobody measured it" in second.assumption
    assert "equivalent_diameter_ratio" not in first.space.names


def test_another_smooth_bore_shares_all_that_it_does_not_state():
    first, second = candidates(study(name="larger tip", fixed={"tip_diameter": "1 1/4 in"}))
    assert second.space.fixed["tip_diameter"] > first.space.fixed["tip_diameter"]
    assert second.space.names == first.space.names
    assert second.pressures == pytest.approx(first.pressures)


@pytest.mark.parametrize("where", ["fixed", "parameters"])
def test_a_measured_breakup_length_stays_with_the_stream_it_was_measured_on(where):
    given = study(**fog())
    length = {"distribution": "uniform", "low": "15 ft", "high": "17 ft", "role": "unknown", "basis": "measured",
              "source": "tape"}  # fmt: skip
    given[where]["breakup_length"] = "16 ft" if where == "fixed" else length
    first, second = candidates(given)
    assert first.is_measured
    assert not second.is_measured
    assert breakup_lengths([first, second]) == {"Breakup length": "measured on this stream; estimated for fog nozzle"}
    assert set(changes(first)) == {"still air"}
    assert len(changes(second)) == 3


def test_a_comparison_may_have_a_measured_breakup_length_of_its_own():
    first, second = candidates(study(name="other tip", fixed={"tip_diameter": "1 1/4 in", "breakup_length": "16 ft"}))
    assert not first.is_measured
    assert second.space.fixed["breakup_length"] == pytest.approx(16 * 0.3048)
    assert breakup_lengths([first]) == {}


def test_both_meet_the_same_draws():
    streams = candidates(study(**fog()))
    first, second = draws_of(streams, 16)
    assert np.array_equal(first["wind_along"], second["wind_along"])
    assert set(second.data_vars) == {"wind_along", "equivalent_diameter_ratio"}
    assert set(first.data_vars) == {"wind_along", "discharge_coefficient"}
    ratio = second["equivalent_diameter_ratio"].values
    assert 0.4 <= ratio.min() < 0.5
    assert 0.8 < ratio.max() <= 0.9


def test_an_input_with_two_distributions_has_one_quantile_in_a_draw():
    windy = study()["parameters"]["wind_along"] | {"sd": "6 mph"}
    first, second = draws_of(candidates(study(name="windy", parameters={"wind_along": windy})), 8)
    assert second["wind_along"].values == pytest.approx(2 * first["wind_along"].values)
    assert np.array_equal(first["discharge_coefficient"], second["discharge_coefficient"])


def test_shared_causes_of_which_nothing_is_left_are_dropped():
    given = study(**fog())
    quality = {"role": "unknown", "basis": "assumption", "source": "guess"}
    given["latents"] = {"quality": quality}
    given["parameters"]["discharge_coefficient"]["loadings"] = {"quality": 0.5}
    first, second = candidates(given)
    assert first.space.latents
    assert not second.space.latents
    assert set(draws_of([first, second], 4)[0].data_vars) == {"wind_along", "discharge_coefficient"}


@pytest.mark.parametrize(
    ("comparison", "message"),
    [
        (fog(rated_flow="150 psi"), r"street.toml: comparison: rated_flow = '150 psi'"),
        (fog(rated_pressure="-5 psi"), "street.toml: comparison: rated_pressure"),
        (fog(parameters={}), "parameters.equivalent_diameter_ratio is missing: no measurement"),
        (fog(fixed={"tip_diameter": "1 in"}), "tip_diameter: is set by rated_flow and rated_pressure"),
        (fog(rated_flows="150 gpm"), "unknown key 'rated_flows'; did you mean 'rated_flow'"),
        ({"rated_flow": "150 gpm", "name": "fog"}, "rated_pressure is missing"),
        ({"fixed": {"tip_diameter": "1 in"}}, "comparison: name is missing"),
        ({"name": "x", "fixed": {"tip_diameter": "99 in"}}, "comparison: fixed.tip_diameter = 99 in: allowed"),
        ({"name": "x", "fixed": {"elevation": "30 deg"}}, "comparison: elevation: is not for the study file"),
        ({"name": "x", "fixed": 5}, "comparison: fixed = 5: must be a table"),
    ],
)
def test_a_comparison_that_cannot_be_is_refused(comparison, message):
    with pytest.raises(InputError, match=message) as refused:
        candidates(study(**comparison))
    assert "\n" not in str(refused.value)
    assert str(refused.value).startswith("street.toml: ")
