"""First-order shares from runs as they are: against closed forms, and among runs that a rule has picked."""

import numpy as np
import pytest
import xarray as xr

from jetsim.experiment.design import sobol_design
from jetsim.experiment.distributions import Uniform
from jetsim.experiment.ensemble import evaluate
from jetsim.experiment.given_data import correlation_ratio, first_order_given
from jetsim.experiment.sensitivity import sobol_indices
from jetsim.experiment.space import Parameter, ParameterSpace

NAMES = ("elevation", "wind_along", "wind_across")


def toy(**more) -> ParameterSpace:
    return ParameterSpace(
        tuple(Parameter(name, Uniform(0.0, 1.0)) for name in NAMES), outputs=("extreme_reach",), **more
    )


def thrown(x, y, z):
    """A reach that two opposed inputs move, undefined unless they pull alike."""
    return np.where(x + y > 0.9, 2 * x - y + 0.3 * z, np.nan)


def model(samples: xr.Dataset) -> xr.Dataset:
    reach = thrown(*(samples[name].values for name in NAMES))
    outcome = np.where(np.isnan(reach), 1, 0).astype(np.int8)
    validity = np.zeros(reach.shape, dtype=np.int16)
    columns = {"extreme_reach": reach, "outcome": outcome, "validity": validity}
    return xr.Dataset({name: ("sample", values) for name, values in columns.items()})


def by_force(place: int, count: int = 2_000_000, bins: int = 200) -> float:
    """The share by plain binning of very many independent draws."""
    draws = np.random.default_rng(3).random((3, count))
    values = thrown(*draws)
    kept = np.isfinite(values)
    bin_of, y = (draws[place, kept] * bins).astype(int), values[kept]
    counts, sums = np.bincount(bin_of, minlength=bins), np.bincount(bin_of, y, minlength=bins)
    means = np.divide(sums, counts, out=np.zeros(bins), where=counts > 0)
    return float(np.sum(counts * (means - y.mean()) ** 2) / np.sum((y - y.mean()) ** 2))


def test_opposed_inputs_among_the_runs_that_reach():
    given = toy(undefined="rank reaching", seed=4, base_samples=256, replicates=16)
    runs = evaluate(sobol_design(given), model, None, progress=False)
    found = first_order_given(runs).sel(output="extreme_reach")
    true = np.array([by_force(place) for place in range(3)])
    assert true[0] - true[1] > 0.2
    np.testing.assert_allclose(found["S1"], true, atol=0.015)
    assert float(found["used_share"]) == pytest.approx(1 - 0.9**2 / 2, abs=0.01)
    assert np.all(found["S1_high"] - found["S1_low"] < 0.05)
    # Base samples kept whole are another population: the crossed runs would tell something else.
    assert np.isnan(sobol_indices(runs)["S1"]).all()


def test_replicates_with_few_such_runs_are_taken_together():
    given = toy(undefined="rank reaching", base_samples=16, replicates=16)
    runs = evaluate(sobol_design(given), model, None, progress=False)
    found = first_order_given(runs)
    assert 4 <= found.sizes["replicate"] < 16
    assert found["S1"].notnull().all()


def test_too_few_runs_give_a_reason_in_place_of_a_share():
    given = toy(undefined="rank reaching", base_samples=4, replicates=4)
    found = first_order_given(evaluate(sobol_design(given), model, None, progress=False))
    assert found["S1"].isnull().all()
    assert "it takes 160 or more" in str(found["reason"].values[0])


def test_a_correlation_ratio_is_corrected_for_its_terms():
    rng = np.random.default_rng(0)
    nothing = [correlation_ratio(rng.random(60), rng.random(60)) for _ in range(400)]
    assert abs(np.mean(nothing)) < 0.01
    x = rng.random(20_000)
    noise = rng.normal(0.0, 1.0, x.size)
    assert correlation_ratio(x, 3 * x + noise) == pytest.approx(0.75 / 1.75, abs=0.01)
    assert correlation_ratio(x, (x - 0.5) ** 2) == pytest.approx(1.0)
    words = np.where(x < 0.5, "a", "b")
    assert correlation_ratio(words, x) == pytest.approx(0.75, abs=0.01)
    assert np.isnan(correlation_ratio(x, np.ones(x.size)))
