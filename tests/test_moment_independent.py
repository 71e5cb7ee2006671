"""PAWN against SALib's and a closed form, its floor, texts, and what it sees that variance does not."""

import numpy as np
import pytest
import xarray as xr
from SALib.analyze import pawn as salib_pawn
from scipy import stats

from jetsim.errors import InputError
from jetsim.experiment.distributions import Choice, Uniform
from jetsim.experiment.ensemble import evaluate, plain_design, sobol_design
from jetsim.experiment.moment_independent import moment_independent, slice_distances, slice_labels
from jetsim.experiment.space import Parameter, ParameterSpace
from tests.closed_forms import as_model, ishigami, uniform_space


def test_distances_equal_scipy_in_every_slice_also_with_equal_values():
    rng = np.random.default_rng(0)
    label = rng.integers(0, 4, 500)
    for y in (rng.normal(size=500), rng.integers(0, 5, 500).astype(float)):
        expected = [stats.ks_2samp(y[label == k], y).statistic for k in range(4)]
        np.testing.assert_allclose(slice_distances(label, y), expected, atol=1e-12)


@pytest.mark.slow
def test_salib_as_second_estimator():
    results = evaluate(plain_design(uniform_space(3, -np.pi, np.pi), 8192), as_model(ishigami), progress=False)
    found = moment_independent(results)
    x = np.stack([results[f"x{i}"].values for i in range(3)], axis=1)
    problem = {"num_vars": 3, "names": ["x0", "x1", "x2"], "bounds": [[-np.pi, np.pi]] * 3}
    other = salib_pawn.analyze(problem, x, results["y"].values, S=10)
    # SALib leaves the largest input out of the last slice.
    np.testing.assert_allclose(found["pawn"].sel(output="y"), other["median"], atol=2e-3)
    np.testing.assert_allclose(found["pawn_mean"].sel(output="y"), other["mean"], atol=2e-3)
    np.testing.assert_allclose(found["pawn_max"].sel(output="y"), other["maximum"], atol=2e-3)


def test_an_input_that_decides_everything_and_one_that_does_nothing():
    """y = x0 in 10 slices: slice k differs from the whole by max(k, 9 - k)/10."""
    results = evaluate(sobol_design(uniform_space(2), 256, 8), as_model(lambda x: x[0]), progress=False)
    found = moment_independent(results).sel(output="y")
    assert float(found["pawn_mean"][0]) == pytest.approx(0.7, abs=0.01)
    assert float(found["pawn_max"][0]) == pytest.approx(0.9, abs=0.01)
    assert found["above_floor"].values.tolist() == [True, False]
    assert 0 < float(found["floor"]) < 0.06
    assert int(found["runs"]) == 4096


def test_it_sees_an_input_that_moves_the_shape_but_not_the_mean():
    def model(x):
        return np.where(x[1] < 0.5, 0.2, 1.0) * (x[0] - 0.5)

    found = moment_independent(evaluate(plain_design(uniform_space(2), 4096), as_model(model), progress=False))
    assert found["above_floor"].sel(output="y").all()
    assert float(found["skewness"].sel(output="y")) == pytest.approx(0, abs=0.05)


def test_texts_have_one_slice_each():
    space = ParameterSpace((Parameter("x", Uniform(0, 1)), Parameter("law", Choice(("a", "b"), (3.0, 1.0)))))

    def model(samples):
        return xr.Dataset({"y": ("sample", samples["x"].values + 5 * (samples["law"].values == "b"))})

    found = moment_independent(evaluate(plain_design(space, 4096), model, progress=False)).sel(output="y")
    # The whole holds 3/4 of "a" and 1/4 of "b", far apart: distances 1/4 and 3/4.
    assert float(found["pawn"].sel(parameter="law")) == pytest.approx(0.5, abs=0.01)
    assert float(found["pawn_max"].sel(parameter="law")) == pytest.approx(0.75, abs=0.01)


def test_labels_fill_slices_equally_and_keep_few_values_whole():
    assert np.bincount(slice_labels(np.random.default_rng(0).random(1000), 10)).tolist() == [100] * 10
    assert slice_labels(np.array([2.0, 1.0, 2.0, 3.0]), 10).tolist() == [1, 0, 1, 2]
    assert slice_labels(np.array(["b", "a"], dtype=object), 10).tolist() == [1, 0]


def test_undefined_runs_are_left_out_and_too_few_are_refused():
    def model(limit):
        def run(samples):
            x = samples["x0"].values
            far = x > limit
            data = {"y": np.where(far, np.nan, x), "outcome": far.astype(np.int8)}
            return xr.Dataset({name: ("sample", values) for name, values in data.items()})

        return run

    space = uniform_space(2, undefined="rank reaching")
    found = moment_independent(evaluate(plain_design(space, 1024), model(0.5), progress=False))
    assert found["runs"].item() == pytest.approx(512, abs=2)
    with pytest.raises(InputError, match=r"y is defined in \d+ plain runs: 200 are needed"):
        moment_independent(evaluate(plain_design(space, 1024), model(0.1), progress=False))


@pytest.mark.parametrize(
    ("options", "message"),
    [({"slices": 1}, "slices = 1"), ({"outputs": ["z"]}, "unknown output 'z'"), ({"rng": -3}, "rng = -3")],
)
def test_arguments_are_refused(options, message):
    results = evaluate(plain_design(uniform_space(2), 512), as_model(lambda x: x[0]), progress=False)
    with pytest.raises(InputError, match=message):
        moment_independent(results, **options)
