"""The gate, and adding samples until it passes or the budget ends."""

import json
from dataclasses import asdict

import numpy as np
import pytest
import xarray as xr

from jetsim.errors import InputError
from jetsim.experiment.ensemble import evaluate, sobol_design
from jetsim.experiment.gate import HEAVY_TAIL, Gate, Rule, convergence_gate, sobol_until_converged, tail_share
from jetsim.experiment.sensitivity import convergence, sobol_indices
from tests.closed_forms import as_model, ishigami, sobol_g, sobol_g_indices, uniform_space


def history_of(*sizes, spread=0.001, replicates=8):
    """A history of one output whose total-order indices at successive sizes are given."""
    rng = np.random.default_rng(0)
    truth = np.array(sizes)
    noise = rng.normal(0, spread, size=(len(truth), replicates, 1, truth.shape[1]))
    values = truth[:, np.newaxis, np.newaxis, :] + noise - noise.mean(axis=1, keepdims=True)
    dims = ("base_samples", "replicate", "output", "parameter")
    names = [f"x{i}" for i in range(truth.shape[1])]
    coords = {"base_samples": 8 * 2 ** np.arange(len(truth)), "output": ["y"], "parameter": names}
    data = xr.Dataset({"ST_replicates": (dims, values)}, coords=coords)
    mean, error = data["ST_replicates"].mean("replicate"), 3 * spread
    return data.assign(ST=mean, ST_low=mean - error, ST_high=mean + error)


def test_narrow_and_stable_passes():
    gate = convergence_gate(history_of([0.5, 0.3, 0.01], [0.49, 0.31, 0.02]))
    assert gate.passed
    assert gate.sentence.startswith("Converged at 16 base samples in each of 8 replicates: total-order intervals")
    assert gate.half_width["y"] == pytest.approx(0.003)


def test_wide_intervals_do_not_pass_and_name_the_output():
    gate = convergence_gate(history_of([0.5, 0.3], [0.5, 0.3], spread=0.01))
    assert not gate.passed
    assert "Not converged at 16 base samples" in gate.sentence
    assert "the widest total-order intervals (wanted: ±0.02) are ±0.030 for y" in gate.sentence
    assert convergence_gate(history_of([0.5, 0.3], [0.5, 0.3], spread=0.01), Rule(half_width=0.05)).passed


def test_leaders_that_change_places_do_not_pass():
    gate = convergence_gate(history_of([0.5, 0.4, 0.1], [0.4, 0.5, 0.1]))
    assert not gate.passed
    assert gate.moved == {"y": (("x0", "x1"),)}
    assert "x0 and x1 changed places for y" in gate.sentence


def test_ties_and_small_factors_may_change_places():
    assert convergence_gate(history_of([0.5, 0.4998], [0.4999, 0.5], spread=0.005)).passed
    assert convergence_gate(history_of([0.5, 0.02, 0.01], [0.5, 0.01, 0.02])).passed


def test_order_is_called_stable_only_of_leaders_that_are_told_apart():
    tie = convergence_gate(history_of([0.5, 0.4998], [0.4999, 0.5], spread=0.005))
    assert "order of the leaders stable" not in tie.sentence
    assert tie.sentence.endswith("pairs of leaders that are not: 1.")
    apart = convergence_gate(history_of([0.5, 0.3], [0.49, 0.31]))
    assert apart.sentence.endswith("order of the leaders stable.")


def test_an_output_without_index_does_not_read_as_converged():
    history = xr.concat([history_of([0.5, 0.3], [0.5, 0.3])] * 2, dim="output").assign_coords(output=["y", "w"])
    assert convergence_gate(history).passed
    for name in ("ST", "ST_low", "ST_high"):
        history[name] = history[name].where(history["output"] == "y")
    history = history.assign_coords(reason=("output", ["", "undefined in every run"]))
    gate = convergence_gate(history)
    assert not gate.passed
    assert "w has no index (undefined in every run)" in gate.sentence


def test_a_width_beyond_the_limit_is_not_printed_as_the_limit():
    gate = convergence_gate(history_of([0.5, 0.3], [0.5, 0.3], spread=0.0200004 / 3))
    assert "(wanted: ±0.02) are ±0.0200004 for y" in gate.sentence


def test_one_size_cannot_pass():
    gate = convergence_gate(history_of([0.5, 0.3]))
    assert not gate.passed
    assert "there is no smaller sample to compare with" in gate.sentence


def test_outputs_without_index_take_no_part():
    def model(samples):
        return xr.Dataset({"y": samples["x0"] + samples["x1"], "c": 0 * samples["x0"]})

    results = evaluate(sobol_design(uniform_space(2), 256, 16), model, progress=False)
    gate = convergence_gate(convergence(results))
    assert gate.passed
    assert gate.undefined == ("c",)
    only = convergence_gate(convergence(results, ["c"]))
    assert not only.passed
    assert only.sentence.startswith("Not converged: no output has an index")


def test_a_gate_is_the_same_after_it_was_written_down():
    gate = convergence_gate(history_of([0.5, 0.4, 0.1], [0.4, 0.5, 0.1]))
    assert gate.moved
    assert Gate.read(json.loads(json.dumps(asdict(gate)))) == gate


def test_samples_are_added_until_the_gate_passes():
    counted = []

    def counting(samples):
        counted.append(samples.sizes["sample"])
        return as_model(sobol_g)(samples)

    space = uniform_space(4, base_samples=32, replicates=10)
    study = sobol_until_converged(space, counting, Rule(half_width=0.01), progress=False)
    assert study.gate.passed
    assert study.runs == sum(counted) == study.results.sizes["sample"]  # no run was repeated
    assert study.design.layout.base_samples > 32
    before = study.history.isel(base_samples=slice(0, -1))
    assert not convergence_gate(before, Rule(half_width=0.01)).passed  # and it stopped at the first pass
    first, total, _ = sobol_g_indices(4)
    np.testing.assert_allclose(study.indices["ST"].sel(output="y"), total, atol=0.02)
    np.testing.assert_allclose(study.indices["S1"].sel(output="y"), first, atol=0.02)
    whole = evaluate(sobol_design(space, study.design.layout.base_samples), as_model(sobol_g), progress=False)
    xr.testing.assert_identical(study.indices, sobol_indices(whole))


def test_the_budget_ends_it_and_that_is_said():
    space = uniform_space(3, -np.pi, np.pi, base_samples=16, replicates=4)
    study = sobol_until_converged(space, as_model(ishigami), Rule(half_width=0.001, budget=3000), progress=False)
    assert not study.gate.passed
    assert study.gate.sentence.startswith("Not converged at 64 base samples")
    assert study.runs == 64 * 4 * 8 <= 3000


def test_groups_are_kept_while_samples_are_added():
    space = uniform_space(4, base_samples=16, replicates=4)
    groups = {"pair": ("x0", "x1")}
    study = sobol_until_converged(space, as_model(sobol_g), Rule(budget=2000), progress=False, groups=groups)
    assert study.indices["parameter"].values.tolist() == ["pair", "x2", "x3"]


def test_a_budget_below_the_first_size_is_refused():
    space = uniform_space(3, base_samples=16, replicates=4)
    with pytest.raises(InputError, match="budget = 100 runs: the first 512 alone exceed it"):
        sobol_until_converged(space, as_model(sobol_g), Rule(budget=100), progress=False)


def test_half_the_samples_must_have_an_index_to_compare_with():
    history = history_of([0.5, 0.3], [0.5, 0.3])
    history["ST"][0] = np.nan
    assert "there is no smaller sample to compare with" in convergence_gate(history).sentence


@pytest.mark.parametrize(
    ("options", "message"),
    [({"half_width": 0}, "half_width = 0"), ({"leader": 1}, "leader = 1"), ({"budget": 1e5}, "budget = 100000.0")],
)
def test_rules_are_refused(options, message):
    with pytest.raises(InputError, match=message):
        Rule(**options)


def test_a_heavy_tail_is_told_from_a_normal_one():
    rng = np.random.default_rng(1)
    assert tail_share(rng.normal(size=200_000)) == pytest.approx(0.0845, abs=0.005)
    assert tail_share(rng.exponential(size=200_000)) == pytest.approx(0.22, abs=0.02)
    assert tail_share(np.exp(1.4 * rng.normal(size=20_000))) > HEAVY_TAIL
    assert tail_share(np.array([2.0, 2.0, np.nan])) == 0.0
    assert tail_share(np.array([np.nan])) == 0.0
