"""Elementary effects against Morris' own test function, hand-made effects, and groups."""

import numpy as np
import pytest
import xarray as xr

from jetsim.errors import InputError
from jetsim.experiment.distributions import Choice, Normal, Uniform
from jetsim.experiment.ensemble import evaluate, sobol_design
from jetsim.experiment.screening import morris_design, morris_effects, negligible
from jetsim.experiment.sensitivity import sobol_indices
from jetsim.experiment.space import Parameter, ParameterSpace
from tests.closed_forms import as_model, columns, uniform_space


def morris_function(x):
    """The test function of Morris 1991 in 20 inputs (from memory); its random coefficients are drawn with a seed.

    Inputs 1 to 7 curve or interact, 8 to 10 act alone and linearly, 11 to 20 do next to nothing.
    """
    rng = np.random.default_rng(1991)
    w = 2 * (x - 0.5)
    for i in (2, 4, 6):
        w[i] = 2 * (1.1 * x[i] / (x[i] + 0.1) - 0.5)
    linear = np.concatenate([np.full(10, 20.0), rng.normal(size=10)])
    pairs = rng.normal(size=(20, 20))
    pairs[:6, :6] = -15.0
    y = linear @ w + np.einsum("ij,in,jn->n", np.triu(pairs, 1), w, w)
    third, fourth = np.zeros(x.shape[1]), w[0] * w[1] * w[2] * w[3]
    for i in range(5):
        for j in range(i + 1, 5):
            for k in range(j + 1, 5):
                third += w[i] * w[j] * w[k]
    return y - 10 * third + 5 * fourth


def test_the_published_test_function_is_sorted_as_published():
    design = morris_design(uniform_space(20), trajectories=100)
    assert design.layout.runs == 100 * 21
    found = morris_effects(evaluate(design, as_model(morris_function), progress=False)).sel(output="y")
    mu_star, sigma = found["mu_star"].values, found["sigma"].values
    assert mu_star[:10].min() > 2.5 * mu_star[10:].max()  # ten inputs matter, ten do not
    # Inputs 8 to 10 (slope 2 x 20) move y by 40 for a whole unit, whatever the others do, but for the small
    # random terms; inputs 1 to 6 interact.
    np.testing.assert_allclose(found["mu"].values[7:10], 40, atol=6)
    np.testing.assert_allclose(mu_star[7:10], 40, atol=6)
    assert sigma[7:10].max() < 12 < sigma[:6].min()
    assert set(negligible(found.expand_dims("output"), 0.2)) == {f"x{i}" for i in range(10, 20)}


def test_effects_equal_those_of_a_slow_twin():
    """All effects from the runs themselves: the difference along each step over half of the probability."""
    design = morris_design(uniform_space(5), trajectories=12, levels=6, rng=3)
    results = evaluate(design, as_model(lambda x: x[0] ** 2 + x[1] * x[2] + 3 * x[3]), progress=False)
    found = morris_effects(results).sel(output="y")
    effects = {i: [] for i in range(5)}
    y = results["y"].values
    for row in range(len(y) - 1):
        step = design.unit[row + 1] - design.unit[row]
        if row % 6 != 5:
            (moved,) = np.flatnonzero(step)
            assert abs(step[moved]) == pytest.approx(0.5)
            effects[moved].append((y[row + 1] - y[row]) / step[moved])
    for i, values in effects.items():
        assert len(values) == 12
        assert float(found["mu"][i]) == pytest.approx(np.mean(values), abs=1e-12)
        assert float(found["mu_star"][i]) == pytest.approx(np.mean(np.abs(values)), abs=1e-12)
        assert float(found["sigma"][i]) == pytest.approx(np.std(values, ddof=1), abs=1e-12)
        spread = np.std(np.abs(values), ddof=1) / np.sqrt(12)
        assert float(found["mu_star_high"][i] - found["mu_star"][i]) == pytest.approx(1.96 * spread, rel=0.15, abs=1e-9)


@pytest.mark.parametrize("levels", [2, 4, 8])
def test_levels_are_the_middles_of_equal_cells(levels):
    design = morris_design(uniform_space(3), 50, levels)
    np.testing.assert_allclose(np.unique(design.unit), (np.arange(levels) + 0.5) / levels)


def test_unbounded_distributions_and_texts_are_screened_like_others():
    space = ParameterSpace((Parameter("x", Normal(0, 1)), Parameter("law", Choice(("a", "b")))))

    def model(samples):
        return xr.Dataset({"y": ("sample", samples["x"].values + 10 * (samples["law"].values == "b"))})

    found = morris_effects(evaluate(morris_design(space), model, progress=False)).sel(output="y")
    assert float(found["mu"][1]) == pytest.approx(20)  # each step of half the probability changes the law
    assert float(found["sigma"][1]) == pytest.approx(0, abs=1e-9)
    # Steps of the normal between quantiles 1/8, 3/8, 5/8 and 7/8, which is symmetric: 1.469 for half.
    assert float(found["mu_star"][0]) == pytest.approx(2 * 1.4690, abs=1e-3)


def test_groups_move_together_and_keep_their_labels():
    space = uniform_space(5)
    groups = {"late": ("x4", "x3"), "early": ("x0",)}
    design = morris_design(space, 20, groups=groups)
    assert design.layout.runs == 20 * 5
    results = evaluate(design, as_model(lambda x: 8 * x[4] + 0 * x[0] + x[1] + 3 * x[2]), progress=False)
    found = morris_effects(results).sel(output="y")
    assert found["parameter"].values.tolist() == ["late", "early", "x1", "x2"]
    np.testing.assert_allclose(found["mu_star"], [8, 0, 1, 3], atol=1e-12)
    assert np.isnan(found["mu"].values[0])  # members of a group move either way
    assert np.isnan(found["sigma"].values[0])
    np.testing.assert_allclose(found["mu"].values[1:], [0, 1, 3], atol=1e-12)
    assert negligible(morris_effects(results)) == ("early",)


def test_screening_then_sobol():
    weights = np.array([5.0, 0.01, 3.0, 0.0, 0.02])
    space = uniform_space(5)
    effects = morris_effects(evaluate(morris_design(space), as_model(lambda x: weights @ x), progress=False))
    assert negligible(effects) == ("x1", "x3", "x4")
    kept = space.freeze(negligible(effects))
    assert kept.names == ("x0", "x2")

    def model(samples):
        return xr.Dataset({"y": ("sample", weights[[0, 2]] @ columns(samples))})

    indices = sobol_indices(evaluate(sobol_design(kept), model, progress=False))
    np.testing.assert_allclose(indices["ST"].sel(output="y"), [25 / 34, 9 / 34], atol=0.01)


def test_seeds():
    space = uniform_space(3)
    zero = morris_design(space, 4, rng=0).layout.fingerprint
    assert morris_design(space, 4, rng=0).layout.fingerprint == zero
    assert morris_design(space, 4, rng=1).layout.fingerprint != zero
    results = evaluate(morris_design(space, 10), as_model(lambda x: x[0] * x[1]), progress=False)
    xr.testing.assert_identical(morris_effects(results), morris_effects(results))


def test_constant_and_undefined_outputs():
    def model(samples):
        x = columns(samples)
        far = (x[0] > 0.85) & (x[1] > 0.85)
        y = np.where(far, np.nan, x[0] + 2 * x[1])
        data = {"y": y, "c": 0 * x[0], "outcome": far.astype(np.int8)}
        return xr.Dataset({name: ("sample", values) for name, values in data.items()})

    space = uniform_space(2, undefined="rank reaching")
    # Of eight levels a side one cell in the corner is undefined, and three in 64 trajectories pass it; of four
    # levels three in 16 do, too many.
    found = morris_effects(evaluate(morris_design(space, 200, levels=8), model, progress=False))
    np.testing.assert_allclose(found["mu_star"].sel(output="y"), [1, 2], atol=1e-12)
    assert 0.9 < float(found["used_share"].sel(output="y")) < 1
    coarse = morris_effects(evaluate(morris_design(space, 200), model, progress=False)).sel(output="y")
    assert "leaving out the others would bias" in coarse["reason"].item()
    assert coarse["mu_star"].isnull().all()
    assert found["reason"].sel(output="c").item().startswith("constant")
    assert found["mu_star"].sel(output="c").isnull().all()
    assert negligible(found) == ()
    with pytest.raises(InputError, match="nothing can be screened"):
        negligible(found.sel(output=["c"]))


def test_results_of_another_design_or_altered_are_refused():
    space = uniform_space(2)
    sobol = evaluate(sobol_design(space, 16, 2), as_model(lambda x: x[0]), progress=False)
    with pytest.raises(InputError, match="a Morris design is needed"):
        morris_effects(sobol)
    results = evaluate(morris_design(space, 10), as_model(lambda x: x[0]), progress=False)
    with pytest.raises(InputError, match="come from a Morris design"):
        sobol_indices(results)
    altered = results.copy(deep=True)
    altered["unit"].values[0, 0] += 0.25
    with pytest.raises(InputError, match="unit was altered"):
        morris_effects(altered)
    with pytest.raises(InputError, match="rows are missing"):
        morris_effects(results.isel(sample=slice(0, -3)))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"trajectories": 1}, "trajectories = 1: must be a whole number from 2"),
        ({"trajectories": 2.5}, "trajectories = 2.5"),
        ({"levels": 5}, "levels = 5: must be an even number"),
        ({"levels": 0}, "levels = 0: must be a whole number from 2 to 64"),
        ({"groups": {"a": ("z",)}}, "group 'a': unknown column 'z'"),
        ({"rng": -1}, "rng = -1"),
    ],
)
def test_arguments_are_refused(options, message):
    with pytest.raises(InputError) as caught:
        morris_design(ParameterSpace((Parameter("x", Uniform(0, 1)),)), **options)
    assert message in str(caught.value)


def test_share_is_refused():
    effects = morris_effects(evaluate(morris_design(uniform_space(2), 4), as_model(lambda x: x[0]), progress=False))
    with pytest.raises(InputError, match="share = 5"):
        negligible(effects, 5)
