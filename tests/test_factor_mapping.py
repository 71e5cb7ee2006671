"""Regional sensitivity: distances and places in closed form, texts, shares, and what is refused."""

import json

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from jetsim.errors import InputError
from jetsim.experiment.distributions import Choice, Uniform
from jetsim.experiment.ensemble import evaluate, grid_design, plain_design, sobol_design
from jetsim.experiment.factor_mapping import factor_mapping
from jetsim.experiment.space import Parameter, ParameterSpace
from tests.closed_forms import as_model, uniform_space

SPACE = ParameterSpace(
    (Parameter("x", Uniform(0, 1)), Parameter("z", Uniform(0, 1)), Parameter("law", Choice(("a", "b", "c")))),
    base_samples=256,
    replicates=8,
)


def model(samples):
    y = samples["x"].values + 2 * (samples["law"].values == "c")
    return xr.Dataset({"y": ("sample", y)})


@pytest.fixture(scope="module")
def mapped():
    """Below one half: law is not c, and x is below one half."""
    return factor_mapping(evaluate(sobol_design(SPACE), model, progress=False), "y", below=0.5)


def test_what_decides_comes_first_and_what_does_not_is_not_significant(mapped):
    assert mapped["parameter"].values.tolist() == ["x", "law", "z"]
    assert (mapped["p_value"] < 1e-6).values.tolist() == [True, True, False]
    # Inside x is uniform on (0, 1/2), 1/3 of all; outside it holds the rest: distance 3/4 at one half.
    assert float(mapped["distance"].sel(parameter="x")) == pytest.approx(0.75, abs=0.01)
    # law: inside a and b by halves; outside 1/4, 1/4, 1/2.
    assert float(mapped["distance"].sel(parameter="law")) == pytest.approx(0.5, abs=0.01)
    assert float(mapped["p_value"].sel(parameter="z")) > 0.2


def test_where_the_inputs_lie_inside_and_outside(mapped):
    inside = mapped["value"].sel(parameter="x", region="inside")
    np.testing.assert_allclose(inside, 0.5 * inside["quantile"], atol=0.01)
    assert mapped["value"].sel(parameter="law").isnull().all()
    choices = json.loads(mapped.attrs["choices"])
    assert set(choices) == {"law"}
    np.testing.assert_allclose(choices["law"]["a"], [0.5, 0.25], atol=0.01)
    np.testing.assert_allclose(choices["law"]["c"], [0.0, 0.5], atol=0.01)


def test_the_share_has_an_interval_over_replicates(mapped):
    assert float(mapped["share_low"]) <= 1 / 3 <= float(mapped["share_high"])
    assert float(mapped["share_high"] - mapped["share_low"]) < 0.02
    plain = factor_mapping(evaluate(plain_design(SPACE, 1024), model, progress=False), "y", above=0.5)
    assert float(plain["share"]) == pytest.approx(2 / 3, abs=0.01)
    assert np.isnan(plain["share_low"])


def test_statistics_equal_scipy():
    results = evaluate(plain_design(SPACE, 256), model, progress=False)
    found = factor_mapping(results, "y", below=0.5)
    inside = results["y"].values < 0.5
    z = stats.ks_2samp(results["z"].values[inside], results["z"].values[~inside])
    assert float(found["distance"].sel(parameter="z")) == pytest.approx(z.statistic)


def test_undefined_runs_are_left_out():
    def missing(samples):
        x = samples["x0"].values
        far = x > 0.5
        data = {"y": np.where(far, np.nan, x), "outcome": far.astype(np.int8)}
        return xr.Dataset({name: ("sample", values) for name, values in data.items()})

    results = evaluate(plain_design(uniform_space(2, undefined="rank reaching"), 512), missing, progress=False)
    assert float(factor_mapping(results, "y", below=0.25)["share"]) == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({}, "give one limit, below or above"),
        ({"below": 1.0, "above": 2.0}, "give one limit, below or above"),
        ({"below": float("nan")}, "below = nan: must be a finite number"),
        ({"above": "1 m"}, "above = '1 m': must be a finite number"),
        ({"below": -1.0}, "y below -1: 0 of 512 runs lie there, at least 20 must lie on each side; seen was 0.00"),
        ({"above": -1.0}, "y above -1: 512 of 512 runs lie there"),
        ({"below": 0.5, "confidence": 2}, "confidence = 2"),
    ],
)
def test_refused(options, message):
    results = evaluate(plain_design(uniform_space(2), 512), as_model(lambda x: x[0]), progress=False)
    with pytest.raises(InputError) as caught:
        factor_mapping(results, "y", **options)
    assert message in str(caught.value)


def test_a_grid_and_an_unknown_output_are_refused():
    grid = evaluate(grid_design(SPACE, x=[0.1, 0.9]), model, progress=False)
    with pytest.raises(InputError, match="come from a grid"):
        factor_mapping(grid, "y", below=0.5)
    with pytest.raises(InputError, match="unknown output 'w'"):
        factor_mapping(evaluate(plain_design(SPACE, 64), model, progress=False), "w", below=0.5)
