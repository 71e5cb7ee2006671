"""The space of inputs: columns, the copula through latents, groups, and what it refuses."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from jetsim.errors import InputError
from jetsim.experiment.distributions import Choice, LogNormal, Normal, Uniform
from jetsim.experiment.space import QUICK_REPLICATES, QUICK_SAMPLES, Latent, Parameter, ParameterSpace


def valve_space(**changes):
    parameters = (
        Parameter("nozzle_pressure", Uniform(3e5, 4e5), role="controllable"),
        Parameter("discharge_coefficient", Uniform(0.95, 1.0), loadings={"quality": -0.8}, group="valve"),
        Parameter("valve_turbulence_factor", LogNormal(1.2, 0.3), loadings={"quality": 0.6}, group="valve"),
        Parameter("drag_model", Choice(("two_stage", "dragless")), role="structural"),
        Parameter("wind_along", Normal(0.0, 2.0), role="environment"),
    )
    options = {"latents": (Latent("quality", group="valve"),), "outputs": ("flow_rate",)}
    return ParameterSpace(**{"parameters": parameters, **options, **changes})


def test_columns_are_the_latents_and_the_own_parts():
    space = valve_space()
    assert space.columns == (
        "quality",
        "nozzle_pressure",
        "discharge_coefficient",
        "valve_turbulence_factor",
        "drag_model",
        "wind_along",
    )
    details = {column.name: column for column in space.column_details}
    assert details["quality"].latent
    assert details["discharge_coefficient"].long_name == "discharge coefficient (own part)"
    assert details["nozzle_pressure"].long_name == "nozzle pressure"


def test_a_parameter_that_its_latents_carry_wholly_has_no_column():
    carried = Parameter("valve_turbulence_factor", Uniform(1, 2), loadings={"a": 0.6, "b": 0.8})
    space = ParameterSpace((carried,), (Latent("a"), Latent("b")))
    assert space.columns == ("a", "b")
    u = np.random.default_rng(0).random((2000, 2))
    values = space.transform(u)["valve_turbulence_factor"]
    expected = 1 + stats.norm.cdf(0.6 * stats.norm.ppf(u[:, 0]) + 0.8 * stats.norm.ppf(u[:, 1]))
    np.testing.assert_allclose(values, expected, rtol=1e-12)


def test_marginals_stay_as_stated_and_normal_scores_correlate_by_the_product_of_loadings():
    space = valve_space()
    u = stats.qmc.Sobol(6, rng=np.random.default_rng(1)).random(2**14)
    values = space.transform(u)
    assert stats.kstest(values["discharge_coefficient"], stats.uniform(0.95, 0.05).cdf).statistic < 0.005
    assert stats.kstest(values["valve_turbulence_factor"], stats.lognorm(0.3, scale=1.2).cdf).statistic < 0.005
    # Spearman's rank correlation of a Gaussian copula: (6/pi) arcsin(rho/2), rho = -0.8 * 0.6.
    expected = 6 / np.pi * np.arcsin(-0.48 / 2)
    found = stats.spearmanr(values["discharge_coefficient"], values["valve_turbulence_factor"]).statistic
    assert found == pytest.approx(expected, abs=0.005)
    assert stats.spearmanr(values["nozzle_pressure"], values["wind_along"]).statistic == pytest.approx(0, abs=0.01)


@given(u=st.lists(st.sampled_from([0.0, 1.0, 0.5, 1e-300, 1 - 1e-16]), min_size=6, max_size=6))
def test_values_are_finite_in_every_corner(u):
    for name, values in valve_space().transform(np.array([u])).items():
        if name != "drag_model":
            assert np.all(np.isfinite(values))


def test_texts_travel_as_text():
    values = valve_space().transform(np.full((3, 6), 0.25))["drag_model"]
    assert values.tolist() == ["two_stage"] * 3


def test_groups_and_roles_list_their_columns():
    space = valve_space()
    assert space.groups == {"valve": ("quality", "discharge_coefficient", "valve_turbulence_factor")}
    assert space.roles["structural"] == ("drag_model",)
    assert space.roles["unknown"] == ("quality", "discharge_coefficient", "valve_turbulence_factor")


def test_medians_and_freezing():
    space = valve_space()
    medians = space.medians()
    assert medians["nozzle_pressure"] == pytest.approx(3.5e5)
    assert medians["valve_turbulence_factor"] == pytest.approx(1.2)
    frozen = space.freeze(["wind_along", "drag_model"])
    assert frozen.names == space.names[:3]
    assert frozen.fixed["wind_along"] == pytest.approx(0)
    assert frozen.fixed["drag_model"] == medians["drag_model"]
    with pytest.raises(InputError, match="shares a latent"):
        space.freeze(["discharge_coefficient"])
    with pytest.raises(InputError, match="did you mean 'wind_along'"):
        space.freeze(["wind_alog"])
    with pytest.raises(InputError, match="nothing varies"):
        ParameterSpace((Parameter("x", Uniform(0, 1)),)).freeze(["x"])


def test_quick_is_the_same_space_with_fewer_runs():
    quick = valve_space().quick()
    assert (quick.base_samples, quick.replicates) == (QUICK_SAMPLES, QUICK_REPLICATES)
    assert quick.parameters == valve_space().parameters
    assert valve_space(base_samples=16, replicates=4).quick().base_samples == 16


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"parameters": ()}, "parameters is empty"),
        ({"base_samples": 500}, "base_samples = 500: must be a power of two, 4 to 1048576 (say 256 or 512)"),
        ({"base_samples": 0}, "base_samples = 0: must be a power of two"),
        ({"base_samples": -8}, "base_samples = -8: must be a power of two"),
        ({"base_samples": 2**21}, "(say 1048576)"),
        ({"base_samples": True}, "base_samples = True"),
        ({"base_samples": 64.0}, "base_samples = 64.0"),
        ({"replicates": 1}, "replicates = 1: must be a whole number from 2 to 1024"),
        ({"undefined": "drop"}, "undefined = 'drop': must be one of refuse"),
        ({"fixed": {"wind_along": 1.0}}, "parameters.wind_along: wind_along is in [fixed] as well"),
        ({"latents": ()}, "loadings.quality: there is no such latent; the study has no [latents]"),
        ({"latents": (Latent("qualty"),)}, "did you mean 'qualty'"),
        ({"latents": (Latent("quality"),)}, "the group is not closed (no group and valve)"),
        ({"latents": (Latent("quality", group="valve"), Latent("idle"))}, "latents.idle: no parameter loads on it"),
        ({"latents": (Latent("quality", group="valve"), Latent("wind_along"))}, "'wind_along' is named twice"),
    ],
)
def test_refused(changes, message):
    with pytest.raises(InputError) as caught:
        valve_space(**changes)
    assert message in str(caught.value)


def test_probabilities_of_the_wrong_shape_are_refused():
    with pytest.raises(InputError, match=r"must be \(n, 6\)"):
        valve_space().transform(np.zeros((3, 5)))
