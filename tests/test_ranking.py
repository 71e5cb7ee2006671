"""Ranks: what is apart is told apart, what is not stays tied, and chance is kept in check."""

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from jetsim.errors import InputError
from jetsim.experiment.ensemble import evaluate, sobol_design
from jetsim.experiment.ranking import holm, interaction_map, paired_differences, rank, t_test
from jetsim.experiment.sensitivity import sobol_indices
from tests.closed_forms import as_model, uniform_space


def table(*outputs):
    """Indices with the given replicates, each of shape (replicates, parameters)."""
    values = np.stack(outputs, axis=1)
    names = [f"x{i}" for i in range(values.shape[2])]
    coords = {"output": [f"y{i}" for i in range(values.shape[1])], "parameter": names}
    dims = ("replicate", "output", "parameter")
    return xr.Dataset({f"{index}_replicates": (dims, values) for index in ("S1", "ST")}, coords=coords)


def test_holm_by_hand():
    # Sorted: 0.01 * 4, 0.02 * 3 = 0.06, 0.03 * 2 = 0.06, 0.6 * 1.
    np.testing.assert_allclose(holm(np.array([0.6, 0.01, 0.03, 0.02])), [0.6, 0.04, 0.06, 0.06])
    np.testing.assert_allclose(holm(np.array([0.5, 0.9])), [1.0, 1.0])
    assert holm(np.array([])).size == 0


def test_paired_t_test_equals_scipy():
    values = np.random.default_rng(0).normal(size=(9, 2))
    expected = stats.ttest_rel(values[:, 0], values[:, 1])
    difference, p_value = paired_differences(values)
    assert p_value[0, 1] == p_value[1, 0] == pytest.approx(expected.pvalue)
    assert difference[0, 1] == pytest.approx(np.mean(values[:, 0] - values[:, 1]))
    assert difference[1, 0] == -difference[0, 1]


def test_differences_that_never_vary():
    np.testing.assert_array_equal(t_test(np.array([[0.0, 1.0, -2.0]] * 4)), [1, 0, 0])


def test_pairing_sees_what_separate_intervals_cannot():
    """Two indices that swing together by far more than they differ."""
    rng = np.random.default_rng(1)
    swing = rng.normal(0.5, 0.1, size=(12, 1))
    values = swing + np.array([0.0, 0.01]) + rng.normal(0, 1e-3, size=(12, 2))
    ranked = rank(table(values))
    assert ranked["label"].values.tolist() == [["2", "1"]]
    assert ranked["order"].values.tolist() == [[1, 0]]


def test_ties_share_their_ranks():
    rng = np.random.default_rng(2)
    centre = np.array([0.1, 0.5, 0.5, 0.0])
    ranked = rank(table(centre + rng.normal(0, 0.01, size=(10, 4))))
    assert ranked["label"].values.tolist() == [["3", "1 to 2", "1 to 2", "4"]]
    assert bool(ranked["tied"].sel(output="y0", parameter="x1", other_parameter="x2"))
    assert not bool(ranked["tied"].sel(output="y0", parameter="x1", other_parameter="x0"))
    assert ranked["rank"].values.tolist() == [[3, 1, 1, 4]]
    assert ranked["rank_last"].values.tolist() == [[3, 2, 2, 4]]


def test_equal_parameters_are_told_apart_no_oftener_than_stated():
    """200 rankings of four equal inputs: wrong ones within binomial limits (alpha 0.05, limit at 0.001)."""
    rng = np.random.default_rng(3)
    ranked = rank(table(*rng.normal(size=(200, 8, 4))))
    wrong = int((~ranked["tied"]).any(["parameter", "other_parameter"]).sum())
    assert wrong <= stats.binom(200, 0.05).ppf(0.999)


def test_outputs_without_index_are_undefined():
    ranked = rank(table(np.full((4, 3), np.nan)))
    assert ranked["label"].values.tolist() == [["undefined"] * 3]
    assert ranked["rank"].values.tolist() == [[0, 0, 0]]
    assert not ranked["tied"].any()


def test_a_real_study_ranks_by_weight_and_ties_equal_ones():
    weights = np.array([3.0, 1.0, 1.0, 0.0])
    design = sobol_design(uniform_space(4), 128, 8)
    indices = sobol_indices(evaluate(design, as_model(lambda x: weights @ x + x[0] * x[1]), progress=False))
    for index in ("ST", "S1"):
        first, *_, last = rank(indices, index)["label"].values[0]
        assert (first, last) == ("1", "4")


@pytest.mark.parametrize(
    ("options", "message"),
    [({"index": "S2"}, "index = 'S2': must be"), ({"alpha": 0}, "alpha = 0: must be between"), ({"alpha": 2}, "alpha")],
)
def test_arguments_are_refused(options, message):
    with pytest.raises(InputError, match=message):
        rank(table(np.zeros((3, 2))), **options)


def test_the_interaction_map_finds_the_one_pair_that_interacts():
    design = sobol_design(uniform_space(4, -1, 1), 256, 12)
    model = as_model(lambda x: x[0] + x[1] + x[2] + 2 * x[0] * x[2] + 0.2 * x[3])
    found = interaction_map(sobol_indices(evaluate(design, model, progress=False))).sel(output="y")
    expected = np.zeros((4, 4), dtype=bool)
    expected[0, 2] = expected[2, 0] = True
    np.testing.assert_array_equal(found["significant"], expected)
    # Variances: 1/3 each, 4/9 of the pair, 0.04/3.
    share = (4 / 9) / (1 + 4 / 9 + 0.04 / 3)
    assert float(found["S2"][0, 2]) == pytest.approx(share, abs=0.02)
    np.testing.assert_allclose(found["interaction"], [share, 0, share, 0], atol=0.02)
    assert np.isnan(found["p_value"].values.diagonal()).all()


def test_the_interaction_map_needs_second_order_and_skips_outputs_without_index():
    design = sobol_design(uniform_space(2), 16, 4, second_order=False)
    first = sobol_indices(evaluate(design, as_model(lambda x: x[0]), progress=False))
    with pytest.raises(InputError, match="second_order=True"):
        interaction_map(first)
    both = sobol_indices(evaluate(sobol_design(uniform_space(2), 16, 4), as_model(lambda x: 0 * x[0]), progress=False))
    assert not interaction_map(both)["significant"].any()
    with pytest.raises(InputError, match="alpha = 1"):
        interaction_map(both, alpha=1)
