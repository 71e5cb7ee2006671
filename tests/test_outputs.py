"""Plain runs behind a crossed design, and the reasons why an output has no index."""

import numpy as np
import pytest

from jetsim.errors import InputError
from jetsim.experiment.ensemble import evaluate, grid_design, plain_design, sobol_design
from jetsim.experiment.outputs import Output, independent_runs
from tests.closed_forms import as_model, sobol_g, uniform_space


def test_independent_runs_are_matrices_a_and_b():
    design = sobol_design(uniform_space(3), 16, 4)
    runs = independent_runs(evaluate(design, as_model(sobol_g), progress=False))
    assert runs.sizes["sample"] == 2 * 16 * 4
    block = design.layout.block
    np.testing.assert_array_equal(runs["sample"] % block, np.tile([0, block - 1], 64))
    np.testing.assert_array_equal(runs["replicate"], np.repeat(np.arange(4), 32))


def test_all_runs_of_a_plain_sample_are_independent_and_a_grid_has_none():
    plain = evaluate(plain_design(uniform_space(3), 64), as_model(sobol_g), progress=False)
    assert independent_runs(plain).sizes["sample"] == 64
    grid = evaluate(grid_design(uniform_space(3), x0=[0.1, 0.2]), as_model(sobol_g), progress=False)
    with pytest.raises(InputError, match="come from a grid"):
        independent_runs(grid)


VARYING = np.random.default_rng(0).random((4, 32, 3))


@pytest.mark.parametrize(
    ("blocks", "reason"),
    [
        (VARYING, ""),
        (VARYING * 1e-200, ""),
        (np.full((4, 32, 3), np.nan), "undefined in every run"),
        (np.full((4, 32, 3), 2.5), "constant: every run gives 2.5"),
        (5 + 1e-12 * VARYING, "constant: every run gives 5"),
        (np.where(np.arange(32)[:, None] < 20, np.nan, VARYING), "a replicate keeps 12 base samples"),
        (np.where(np.arange(3) == 1, 7.0, VARYING), "constant within a replicate"),
    ],
)
def test_why_an_output_has_no_index(blocks, reason):
    found = Output("y", blocks, {}).reason
    assert found == reason if not reason else reason in found


def test_only_whole_base_samples_are_used():
    blocks = VARYING.copy()
    blocks[2, 5, 1] = np.nan
    output = Output("y", blocks, {})
    assert [output.replicate(r).shape for r in range(3)] == [(4, 32), (4, 31), (4, 32)]
    assert output.used == pytest.approx(95 / 96)
