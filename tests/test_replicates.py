"""Designs estimated replicate by replicate: the indices of the whole design, wherever the replicates are run."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import xarray as xr

from jetsim.errors import InputError
from jetsim.experiment.ensemble import evaluate, process_pool, sobol_design
from jetsim.experiment.replicates import QUANTILES, indices_by_replicate
from jetsim.experiment.sensitivity import independent_runs, rank, sobol_indices
from jetsim.experiment.space import ParameterSpace
from tests.test_ensemble import SPACE, missing, model

SIZES = {"base_samples": 64, "replicates": 4, "rng": 3}


@pytest.fixture(scope="module")
def whole():
    return evaluate(sobol_design(SPACE, **SIZES), model, progress=False)


def test_replicates_give_the_indices_of_the_whole_design(whole):
    found, wanted = indices_by_replicate(SPACE, model, **SIZES), sobol_indices(whole)
    names = ("S1", "ST", "S2", "S1_low", "ST_high", "mean", "standard_deviation", "used_share")
    for name in names:
        xr.testing.assert_allclose(
            found[name].reset_coords(drop=True), wanted[name].reset_coords(drop=True), rtol=1e-12
        )
    assert set(wanted.coords) - set(found.coords) <= {"output_units", "output_long_name"}
    assert rank(found)["label"].values.tolist() == rank(wanted)["label"].values.tolist()
    middle = [np.quantile(part, QUANTILES) for part in np.split(independent_runs(whole)["z"].values, 4)]
    np.testing.assert_allclose(found["quantiles"].values[0], np.mean(middle, axis=0), rtol=1e-12)


def test_any_executor_gives_the_same_bytes():
    alone = indices_by_replicate(SPACE, model, **SIZES)
    for pool in (ThreadPoolExecutor(2), process_pool(2)):
        with pool:
            assert indices_by_replicate(SPACE, model, executor=pool, **SIZES).identical(alone)


def test_runs_are_written_only_when_asked_for(tmp_path, whole):
    indices_by_replicate(SPACE, model, runs_to=tmp_path, **SIZES)
    parts = [xr.load_dataset(path, engine="h5netcdf") for path in sorted(tmp_path.iterdir())]
    assert len(parts) == 4
    np.testing.assert_array_equal(np.concatenate([part["z"].values for part in parts]), whole["z"].values)


def test_what_never_reaches_is_ranked_by_the_rule_and_counted():
    space = ParameterSpace(SPACE.parameters, outputs=("z",), undefined="probability of reaching")
    found = indices_by_replicate(space, missing, **SIZES)
    results = evaluate(sobol_design(space, **SIZES), missing, progress=False)
    assert found["output"].values.tolist() == ["probability_of_reaching"]
    assert int(found["missed"]) == int((results["outcome"] != 0).sum()) > 0
    np.testing.assert_allclose(found["ST"], sobol_indices(results)["ST"], rtol=1e-12)


def test_sizes_and_seeds_are_refused():
    with pytest.raises(InputError, match=r"base_samples = 1048576 x replicates = 1 x 12 .* at most 10,000,000"):
        indices_by_replicate(SPACE, model, base_samples=2**20, replicates=2, closed={"a": ["x"], "b": ["y"]})
    with pytest.raises(InputError, match="rng: must be a whole number or a SeedSequence"):
        indices_by_replicate(SPACE, model, **{**SIZES, "rng": np.random.default_rng(1)})
