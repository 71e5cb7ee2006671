"""Running designs: order, any executor, the first failure named, and results that cannot be mixed up."""

import os
import signal
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from jetsim.errors import InputError
from jetsim.experiment.distributions import Choice, Uniform
from jetsim.experiment.ensemble import (
    evaluate,
    grid_design,
    grid_results,
    layout_of,
    plain_design,
    process_pool,
    sobol_design,
)
from jetsim.experiment.space import Parameter, ParameterSpace

ROOT = Path(__file__).resolve().parents[1]
SPACE = ParameterSpace(
    (Parameter("x", Uniform(0, 1)), Parameter("y", Uniform(1, 2)), Parameter("law", Choice(("plus", "times")))),
    outputs=("z",),
    base_samples=16,
    replicates=4,
)


def model(samples):
    x, y, law = (samples[name].values for name in ("x", "y", "law"))
    z = np.where(law == "plus", x + y, x * y) + np.sin(40 * x)
    return xr.Dataset({"z": ("sample", z, {"units": "m"}), "unasked": ("sample", x)})


def missing(samples):
    """Never reaches the target where x is above one half."""
    result = model(samples)
    far = samples["x"].values > 0.5
    result["z"] = result["z"].where(~far)
    result["outcome"] = ("sample", far.astype(np.int8), {"flag_meanings": "landed never_reaches"})
    return result


class Failing:
    """Fails, or answers wrongly, where x is in the topmost hundredth."""

    def __init__(self, how):
        self.how = how

    def __call__(self, samples):
        result = model(samples)
        bad = samples["x"].values > 0.99
        if self.how == "raise" and bad.any():
            raise ZeroDivisionError("no\nair")
        if self.how in ("nan", "inf"):
            result["z"] = result["z"].where(~bad, float(self.how))
        return result


def test_results_are_in_order_and_labelled():
    design = sobol_design(SPACE)
    results = evaluate(design, model, progress=False)
    assert set(results.data_vars) == {"x", "y", "law", "z"}
    np.testing.assert_array_equal(results["z"], model(design.samples)["z"])
    assert results["z"].attrs == {"units": "m"}
    assert layout_of(results) == design.layout


def test_any_executor_and_any_number_of_workers_give_the_same_bytes():
    design = sobol_design(SPACE)
    alone = evaluate(design, model, progress=False, chunk=50)
    for pool in (ThreadPoolExecutor(1), ThreadPoolExecutor(3), process_pool(2)):
        with pool:
            again = evaluate(design, model, executor=pool, progress=False, chunk=50)
        assert again["z"].values.tobytes() == alone["z"].values.tobytes()
        assert again.attrs == alone.attrs


@pytest.mark.parametrize("chunk", [1, 2, 7])
def test_no_chunk_is_empty(chunk):
    sizes = []

    def counting(samples):
        sizes.append(samples.sizes["sample"])
        return model(samples)

    evaluate(grid_design(SPACE, x=np.array([0.1, 0.2, 0.3])), counting, progress=False, chunk=chunk)
    assert sum(sizes) == 3
    assert 0 < min(sizes) <= max(sizes) <= chunk


def test_the_bar_is_on_stderr_and_only_when_asked(capsys):
    evaluate(sobol_design(SPACE), model, progress=True)
    shown = capsys.readouterr()
    assert "run/s" in shown.err
    assert shown.out == ""
    evaluate(sobol_design(SPACE), model, progress=False)
    assert capsys.readouterr().err == ""


def threads():
    return ThreadPoolExecutor(2)


@pytest.mark.parametrize("executor", [None, threads], ids=["serial", "threads"])
@pytest.mark.parametrize(
    ("how", "message"),
    [
        ("raise", r"^the model failed in run (\d+) \(x = 0.99\d*, y = 1.\d+, law = \w+\): ZeroDivisionError: no air$"),
        ("nan", r"^the model gave z = nan in run (\d+) \(x = 0.99"),
        ("inf", r"^the model gave z = inf in run (\d+) \(x = 0.99"),
    ],
)
def test_a_failure_stops_and_names_the_run_and_its_values(how, message, executor):
    design = sobol_design(SPACE)
    pool = executor() if executor else None
    with pytest.raises(InputError, match=message) as caught:
        evaluate(design, Failing(how), executor=pool, progress=False, chunk=100)
    if pool:
        pool.shutdown()
    row = int(str(caught.value).split("run ")[1].split(" ")[0])
    assert row == int(np.flatnonzero(design.samples["x"].values > 0.99)[0])


def test_a_model_that_cannot_be_sent_to_another_process_says_so():
    with (
        ProcessPoolExecutor(1) as pool,
        pytest.raises(InputError, match=r"failed in runs 0 to \d+: .*([Pp]ickle|local object)"),
    ):
        evaluate(sobol_design(SPACE), lambda samples: model(samples), executor=pool, progress=False)


def test_an_interrupt_is_not_swallowed():
    def interrupted(samples):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        evaluate(sobol_design(SPACE), interrupted, progress=False)


INTERRUPTED = """
import sys, time
from jetsim.experiment.ensemble import evaluate, process_pool, sobol_design
from tests.test_ensemble import SPACE, model

def slow(samples):
    time.sleep(0.05)
    return model(samples)

if __name__ == "__main__":
    try:
        with process_pool(2) as pool:
            evaluate(sobol_design(SPACE, 8192), slow, pool, chunk=100)
    except KeyboardInterrupt:
        sys.exit(130)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="there such signals cannot be sent")
def test_an_interrupt_of_all_processes_ends_at_once():
    script = [sys.executable, "-c", INTERRUPTED]
    with subprocess.Popen(script, stderr=subprocess.PIPE, start_new_session=True, cwd=ROOT) as running:
        seen = b""
        while seen.count(b"run/s") < 4:  # the bar has moved, so the workers are at it
            more = os.read(running.stderr.fileno(), 200)
            assert more, seen.decode()
            seen += more
        os.killpg(running.pid, signal.SIGINT)
        assert running.wait(timeout=20) == 130


def test_undefined_outputs_need_a_rule_and_an_outcome():
    design = sobol_design(SPACE)
    with pytest.raises(InputError, match=r"z is undefined \(never reaches the target\) in run \d+ .*state undefined"):
        evaluate(design, missing, progress=False)
    allowed = sobol_design(ParameterSpace(SPACE.parameters, outputs=("z",), undefined="rank reaching", base_samples=16))
    results = evaluate(allowed, missing, progress=False)
    np.testing.assert_array_equal(np.isnan(results["z"]), results["x"] > 0.5)
    assert results["outcome"].dtype == np.int8
    assert results["outcome"].attrs["flag_meanings"] == "landed never_reaches"
    with pytest.raises(InputError, match="the model gave z = nan"):
        evaluate(allowed, Failing("nan"), progress=False)


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        (lambda s: None, "returned a NoneType: must be an xarray.Dataset"),
        (lambda s: xr.Dataset(), "the model gives no 'z': it gives nothing"),
        (lambda s: model(s).rename(z="w"), "the model gives no 'z': it gives w, unasked"),
        (lambda s: model(s).isel(sample=slice(1, None)), "in another order than the samples|must be sample"),
        (lambda s: xr.Dataset({"z": 1.0}), "must be sample: 640"),
        (lambda s: xr.Dataset({"z": ("case", s["x"].values)}), "must be sample: 640"),
        (lambda s: xr.Dataset({"z": ("sample", s["law"].values)}), "must be numbers"),
        (lambda s: s.assign(z=s["x"]).isel(sample=slice(None, None, -1)), "in another order than the samples"),
    ],
)
def test_answers_that_do_not_fit_are_refused(answer, message):
    with pytest.raises(InputError, match=message):
        evaluate(sobol_design(SPACE, replicates=5), answer, progress=False, chunk=640)


@pytest.mark.parametrize("chunk", [0, -1, 2.5, True])
def test_chunks_are_refused(chunk):
    with pytest.raises(InputError, match="chunk = "):
        evaluate(sobol_design(SPACE), model, progress=False, chunk=chunk)


def test_more_samples_reuse_the_earlier_runs():
    small = evaluate(sobol_design(SPACE, 16), model, progress=False)
    counted = []

    def counting(samples):
        counted.append(samples.sizes["sample"])
        return model(samples)

    design = sobol_design(SPACE, 64)
    large = evaluate(design, counting, progress=False, previous=small, chunk=100)
    assert sum(counted) == design.layout.runs - small.sizes["sample"]
    xr.testing.assert_identical(large, evaluate(design, model, progress=False))
    assert evaluate(sobol_design(SPACE, 16), Failing("raise"), progress=False, previous=small).identical(small)
    for other in (sobol_design(SPACE, 64, rng=9), sobol_design(SPACE, 8), sobol_design(SPACE, 64, second_order=False)):
        with pytest.raises(InputError, match="not a beginning of this design"):
            evaluate(other, model, progress=False, previous=small)


@pytest.fixture(scope="module")
def results():
    return evaluate(sobol_design(SPACE), model, progress=False)


def reversed_rows(results):
    return results.isel(sample=slice(None, None, -1))


def altered(results, name):
    changed = results.copy(deep=True)
    changed[name].values[[0, 1]] = changed[name].values[[1, 0]]
    return changed


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda r: r.isel(sample=slice(0, -1)), "511 rows, but their design has 512 runs: rows are missing"),
        (reversed_rows, "not in the order of their design"),
        (lambda r: reversed_rows(r).assign_coords(sample=r["sample"]), "rows shuffled or altered"),
        (lambda r: altered(r, "z"), "z was altered or shuffled after evaluate"),
        (lambda r: altered(r, "x"), "rows shuffled or altered"),
        (lambda r: r[["z"]], "lack the parameter 'x'"),
        (lambda r: r.drop_attrs(), "carry no layout"),
        (lambda r: r.assign_attrs(layout="?"), "layout cannot be read"),
        (lambda r: r.assign_attrs(layout=sobol_design(SPACE, rng=5).layout.to_json()), "not those of their design"),
    ],
)
def test_results_that_are_not_whole_are_refused(results, spoil, message):
    with pytest.raises(InputError) as caught:
        layout_of(spoil(results))
    assert message in str(caught.value)


def test_another_kind_of_design_is_refused(results):
    plain = evaluate(plain_design(SPACE, 64), model, progress=False)
    with pytest.raises(InputError, match="come from a plain sample: a replicated Sobol' design is needed"):
        layout_of(plain, "sobol")
    with pytest.raises(InputError, match="come from a replicated Sobol' design: a grid is needed"):
        grid_results(results)


def test_results_survive_a_file(results, tmp_path):
    results.to_netcdf(tmp_path / "results.nc", engine="h5netcdf")
    with xr.open_dataset(tmp_path / "results.nc", engine="h5netcdf") as again:
        assert layout_of(again).fingerprint == layout_of(results).fingerprint
        np.testing.assert_array_equal(again["z"], results["z"])


def test_a_grid_gets_its_axes_back():
    x, law = np.linspace(0, 1, 5), ["times", "plus"]
    grid = grid_results(evaluate(grid_design(SPACE, law=law, x=x), model, progress=False))
    assert grid["z"].dims == ("law", "x")
    np.testing.assert_array_equal(grid["x"], x)
    assert grid["law"].values.tolist() == law
    np.testing.assert_allclose(grid["z"].sel(law="plus"), x + 1.5 + np.sin(40 * x))
    np.testing.assert_allclose(grid["z"].sel(law="times"), x * 1.5 + np.sin(40 * x))
