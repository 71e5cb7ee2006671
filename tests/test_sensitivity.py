"""Indices against closed forms, SALib itself, scipy and OpenTURNS; coverage of the intervals; SALib's traps."""

import time
from importlib import import_module

import numpy as np
import pytest
import xarray as xr
from SALib.analyze import sobol as salib_sobol
from scipy import stats

from jetsim.errors import InputError
from jetsim.experiment.distributions import Choice, LogNormal, Normal, Uniform
from jetsim.experiment.ensemble import evaluate, plain_design, sobol_design
from jetsim.experiment.gate import convergence_gate
from jetsim.experiment.outputs import add_interval
from jetsim.experiment.sensitivity import convergence, rank, sobol_indices
from jetsim.experiment.space import Latent, Parameter, ParameterSpace
from tests.closed_forms import (
    as_model,
    columns,
    ishigami,
    ishigami_indices,
    product_indices,
    sobol_g,
    sobol_g_indices,
    uniform_space,
)


def indices_of(space, function, **options):
    design = sobol_design(space, **options)
    return sobol_indices(evaluate(design, as_model(function), progress=False)).sel(output="y")


def assert_close(indices, first, total, second=None, tolerance=0.01):
    np.testing.assert_allclose(indices["S1"], first, atol=tolerance)
    np.testing.assert_allclose(indices["ST"], total, atol=tolerance)
    if second is not None:
        np.testing.assert_allclose(indices["S2"], second, atol=2 * tolerance)


# --------------------------------------------------------------------------------------------------------
# Closed forms, at the default sizes (512 base samples, 16 replicates) unless stated


def test_ishigami():
    """Half of its variance is one interaction, so it needs more samples than a fire stream does."""
    found = indices_of(uniform_space(3, -np.pi, np.pi), ishigami, base_samples=2048)
    assert_close(found, *ishigami_indices())


def test_sobol_g():
    assert_close(indices_of(uniform_space(5), sobol_g), *sobol_g_indices(5))


def test_product_model_of_discharge():
    """Q = k Cd d^2 sqrt(P) with independent inputs: indices from the relative variance of each factor."""
    space = ParameterSpace(
        (
            Parameter("discharge_coefficient", Uniform(0.95, 0.99)),
            Parameter("tip_diameter", Normal(0.0238, 0.0002)),
            Parameter("nozzle_pressure", LogNormal(3.4e5, 0.08)),
        )
    )

    def flow(x):
        return x[0] * np.pi / 4 * x[1] ** 2 * np.sqrt(2 * x[2] / 999)

    relative = (0.0002 / 0.0238) ** 2
    spread = [
        (0.04**2 / 12) / 0.97**2,
        (4 * relative + 2 * relative**2) / (1 + relative) ** 2,  # variance of a normal's square, over its mean^2
        np.exp(0.04**2) - 1,  # the root of the pressure is lognormal with half the ln sd
    ]
    assert_close(indices_of(space, flow), *product_indices(spread))


def test_an_additive_function_has_no_interactions():
    weights = np.array([1.0, 2.0, 3.0, 0.0])
    share = weights**2 / np.sum(weights**2)
    found = indices_of(uniform_space(4), lambda x: weights @ x)
    assert_close(found, share, share, np.where(np.eye(4), np.nan, 0.0))
    assert float(found["ST"][3]) == 0.0  # an inert column is exactly zero
    assert float(found["S1"][3]) == 0.0


def test_a_pure_interaction_has_no_first_order():
    found = indices_of(uniform_space(3, -1, 1), lambda x: x[0] * x[1] + 0 * x[2])
    second = np.array([[np.nan, 1, 0], [1, np.nan, 0], [0, 0, np.nan]])
    assert_close(found, [0, 0, 0], [1, 1, 0], second)
    assert (found["S1_replicates"] < 0).any()  # negative estimates are shown, not clipped


def test_a_text_choice_is_an_ordinary_column():
    space = ParameterSpace((Parameter("x", Uniform(0, 1)), Parameter("law", Choice(("a", "b")))))

    def model(samples):
        jump = np.where(samples["law"].values == "a", -0.5, 0.5)
        return xr.Dataset({"y": ("sample", samples["x"].values + jump)})

    found = sobol_indices(evaluate(sobol_design(space), model, progress=False)).sel(output="y")
    share = np.array([1 / 12, 1 / 4]) / (1 / 12 + 1 / 4)
    assert_close(found, share, share)


def test_shared_latent_and_its_closed_group():
    """y = x0 + x1 with normal scores tied by a latent: exact shares of the latent and of both own parts."""
    parts = tuple(Parameter(f"x{i}", Normal(0, 1), loadings={"cause": 0.6}, group="pair") for i in range(2))
    space = ParameterSpace((*parts, Parameter("z", Normal(0, 1))), (Latent("cause", group="pair"),))
    whole = 1.2**2 + 2 * 0.8**2 + 1
    share = np.array([1.2**2, 0.8**2, 0.8**2, 1]) / whole
    found = indices_of(space, lambda x: x.sum(axis=0))
    assert found["parameter"].values.tolist() == ["cause", "x0", "x1", "z"]
    assert_close(found, share, share)
    grouped = indices_of(space, lambda x: x.sum(axis=0), groups=space.groups)
    assert grouped["parameter"].values.tolist() == ["pair", "z"]
    assert_close(grouped, [1 - 1 / whole, 1 / whole], [1 - 1 / whole, 1 / whole])


def test_grouped_indices_count_the_interactions_inside_the_group_as_its_own():
    space = uniform_space(3, -np.pi, np.pi)
    found = indices_of(space, ishigami, groups={"both": ("x0", "x2")}, base_samples=2048)
    first, _, second = ishigami_indices()
    own = first[0] + second[0, 2]
    assert found["parameter"].values.tolist() == ["both", "x1"]
    assert_close(found, [own, first[1]], [own, first[1]], np.array([[np.nan, 0], [0, np.nan]]))
    assert found["long_name"].values.tolist() == ["both", "x1"]


# --------------------------------------------------------------------------------------------------------
# Other estimators


@pytest.mark.parametrize(("second_order", "names"), [(True, ("S2",)), (False, ("S1", "ST"))])
def test_each_replicate_equals_salib_analyze(second_order, names):
    """With second order, the mean of SALib's answer and of its answer with the roles of A and B exchanged."""
    space = uniform_space(4)
    design = sobol_design(space, 64, 3, second_order=second_order)
    results = evaluate(design, as_model(lambda x: 5 + sobol_g(x)), progress=False)
    found = sobol_indices(results).sel(output="y")
    problem = {"num_vars": 4, "names": list(space.columns), "bounds": [[0, 1]] * 4}
    options = {"calc_second_order": second_order, "seed": 1}
    for replicate, y in enumerate(results["y"].values.reshape(3, -1)):
        # Of SALib's resamplings, 2 is the fewest that it takes: 0 raises, 1 warns.
        answers = [salib_sobol.analyze(problem, y, num_resamples=2, **options)]
        if second_order:
            exchanged = y.reshape(64, -1)[:, [9, 5, 6, 7, 8, 1, 2, 3, 4, 0]].ravel()
            answers.append(salib_sobol.analyze(problem, exchanged, num_resamples=2, **options))
        for name in names:
            expected = np.mean([answer[name] for answer in answers], axis=0)
            ours = found[f"{name}_replicates"][replicate].values
            where = np.triu_indices(4, 1) if name == "S2" else slice(None)
            np.testing.assert_allclose(ours[where], expected[where], rtol=1e-9, atol=1e-12)
            np.testing.assert_array_equal(ours, ours.T)


def test_crossed_both_ways_each_run_shares_in_each_estimate():
    """The estimators of Azzini, Mara & Rosati (2021, from memory), run by run, of one replicate."""
    design = sobol_design(uniform_space(3), 32, 2)
    results = evaluate(design, as_model(lambda x: 5 + sobol_g(x)), progress=False)
    found = sobol_indices(results).sel(output="y")
    runs = results["y"].values.reshape(2, 32, 8)[1]
    for factor in range(3):
        products, squares, whole = 0.0, 0.0, 0.0
        for run in runs:
            a, b, ab, ba = run[0], run[7], run[1 + factor], run[4 + factor]
            products += 2 * (a - ab) * (ba - b)
            squares += (a - ab) ** 2 + (b - ba) ** 2
            whole += (a - b) ** 2 + (ab - ba) ** 2
        assert float(found["S1_replicates"][1, factor]) == pytest.approx(products / whole, rel=1e-9)
        assert float(found["ST_replicates"][1, factor]) == pytest.approx(squares / whole, rel=1e-9)


def test_crossed_both_ways_errors_are_smaller_than_those_of_both_ways_averaged():
    """The largest half-widths, beside the mean of the estimators of Saltelli et al. (2010) and Jansen (1999)."""
    results = evaluate(sobol_design(uniform_space(4), 64, 32), as_model(sobol_g), progress=False)
    found, runs = sobol_indices(results).sel(output="y"), results["y"].values.reshape(32, 64, 10)
    a, b, ab, ba = runs[..., :1], runs[..., 9:], runs[..., 1:5], runs[..., 5:9]
    variance = np.concatenate([a, b], axis=1).var(axis=1)
    older = {
        "S1": ((b - b.mean(axis=1, keepdims=True)) * (ab - a) + (a - a.mean(axis=1, keepdims=True)) * (ba - b)).mean(
            axis=1
        )
        / 2,
        "ST": ((ab - a) ** 2 + (ba - b) ** 2).mean(axis=1) / 4,
    }
    for name, values in older.items():
        ours = found[f"{name}_replicates"].values
        assert ours.std(axis=0).max() < 0.7 * (values / variance).std(axis=0).max()


def test_salib_wants_two_resamples_or_more_so_its_analyze_is_not_called():
    problem = {"num_vars": 1, "names": ["x"], "bounds": [[0, 1]]}
    y = np.random.default_rng(0).random(4 * 8)
    with pytest.raises(ValueError, match="zero-size array"):
        salib_sobol.analyze(problem, y, num_resamples=0)
    with pytest.raises(RuntimeWarning):
        salib_sobol.analyze(problem, y, num_resamples=1)


def test_numpy_random_state_is_left_alone():
    np.random.seed(3)
    before = np.random.get_state()[1].copy()
    indices_of(uniform_space(3), sobol_g)
    np.testing.assert_array_equal(before, np.random.get_state()[1])


def test_scipy_as_second_estimator():
    uniform = stats.uniform(-np.pi, 2 * np.pi)
    other = stats.sobol_indices(func=ishigami, n=2**15, dists=[uniform] * 3, rng=1)
    found = indices_of(uniform_space(3, -np.pi, np.pi), ishigami, base_samples=2048)
    assert_close(found, other.first_order, other.total_order)


def test_openturns_as_second_estimator():
    ot = import_module("openturns")  # where it is used alone: it is slow to load
    ot.RandomGenerator.SetSeed(1)
    inputs = ot.JointDistribution([ot.Uniform(-np.pi, np.pi)] * 3)
    formula = ot.SymbolicFunction(["x", "y", "z"], ["sin(x) + 7 * sin(y)^2 + 0.1 * z^4 * sin(x)"])
    size = 8192
    design = ot.SobolIndicesExperiment(inputs, size, True).generate()
    other = ot.SaltelliSensitivityAlgorithm(design, formula(design), size)
    found = indices_of(uniform_space(3, -np.pi, np.pi), ishigami, base_samples=2048)
    assert_close(found, list(other.getFirstOrderIndices()), list(other.getTotalOrderIndices()), tolerance=0.03)
    assert float(found["S2"][0, 2]) == pytest.approx(other.getSecondOrderIndices()[0, 2], abs=0.04)


# --------------------------------------------------------------------------------------------------------
# Intervals


def test_intervals_are_student_t_over_replicates():
    found = indices_of(uniform_space(3), sobol_g, replicates=5)
    replicates = found["ST_replicates"][:, 0].values
    interval = stats.t.interval(0.95, 4, replicates.mean(), stats.sem(replicates))
    assert (float(found["ST_low"][0]), float(found["ST_high"][0])) == pytest.approx(interval)
    wide = sobol_indices(
        evaluate(sobol_design(uniform_space(3), replicates=5), as_model(sobol_g), progress=False), confidence=0.999
    )
    assert np.all(wide["ST_high"] - wide["ST_low"] > 0)
    assert float((wide["ST_high"] - wide["ST_low"])[0, 0]) > 2 * np.ptp(interval)


@pytest.mark.parametrize("both_ways", [False, True])
def test_intervals_cover_the_truth_as_often_as_they_say(both_ways):
    """Replicates are drawn and estimated each by itself, so those of four designs are 200 times eight.

    The number of intervals that cover lies within binomial limits at alpha = 0.001 for each index.
    """
    space, (first, total, _) = uniform_space(2), sobol_g_indices(2)
    size = {"base_samples": 64, "replicates": 50 * 8, "second_order": both_ways}
    found = [indices_of(space, sobol_g, rng=seed, **size) for seed in range(4)]
    low, high = stats.binom(200, 0.95).interval(1 - 0.001)
    for index, truth in (("S1", first), ("ST", total)):
        name = f"{index}_replicates"
        values = np.reshape([one[name] for one in found], (200, 8, 2))
        apart = xr.Dataset({name: (("time", "replicate", "parameter"), values)})
        add_interval(apart, index, 0.95)
        covered = ((apart[f"{index}_low"].values <= truth) & (truth <= apart[f"{index}_high"].values)).sum(axis=0)
        assert np.all((covered >= low) & (covered <= high)), covered


def test_convergence_reads_the_first_base_samples_of_each_replicate():
    space = uniform_space(3, -np.pi, np.pi)
    results = evaluate(sobol_design(space, 128, 8, rng=4), as_model(ishigami), progress=False)
    history = convergence(results)
    assert history["base_samples"].values.tolist() == [8, 16, 32, 64, 128]
    assert history["runs"].values.tolist() == [8 * 8 * n for n in (8, 16, 32, 64, 128)]
    smaller = sobol_indices(evaluate(sobol_design(space, 32, 8, rng=4), as_model(ishigami), progress=False))
    for name in ("S1", "ST_high", "ST_replicates"):
        np.testing.assert_allclose(history[name].sel(base_samples=32), smaller[name], rtol=1e-9, atol=1e-12)
    half = (history["ST_high"] - history["ST_low"]).max(["output", "parameter"]) / 2
    assert float(half[-1]) < 0.4 * float(half[0])
    assert convergence(results, smallest=64)["base_samples"].values.tolist() == [64, 128]
    with pytest.raises(InputError, match="smallest = 12: must be a power of two"):
        convergence(results, smallest=12)


# --------------------------------------------------------------------------------------------------------
# Outputs that have no index, and results that are refused


def results_of(model, space=None, **options):
    return evaluate(sobol_design(space or uniform_space(2), 16, 4, **options), model, progress=False)


def test_constant_outputs_have_no_index_and_say_why():
    def model(samples):
        x = columns(samples)
        rounding = 3.0 * (1 + 1e-15 * x[0])
        return xr.Dataset({"y": ("sample", x[0]), "c": ("sample", rounding), "o": ("sample", 0 * x[0])})

    found = sobol_indices(results_of(model))
    assert found["reason"].values.tolist() == ["", "constant: every run gives 3", "constant: every run gives 0"]
    assert found["ST"].sel(output=["c", "o"]).isnull().all()
    assert found["ST"].sel(output="y").notnull().all()
    ranked = rank(found)
    assert ranked["label"].sel(output="c").values.tolist() == ["undefined", "undefined"]
    assert ranked["label"].sel(output="y").values.tolist() == ["1", "2"]


def test_an_output_constant_within_a_replicate_says_so():
    found = sobol_indices(results_of(as_model(lambda x: (x.sum(axis=0) > 1.8).astype(float))))
    assert found["reason"].item() == "constant within a replicate: more base samples are needed"


def unreached(limit):
    def model(samples):
        x = columns(samples)
        far = x[0] > limit
        y = np.where(far, np.nan, x[0] + x[1])
        return xr.Dataset({"y": ("sample", y), "q": ("sample", x[1]), "outcome": ("sample", far.astype(np.int8))})

    return model


def test_rank_among_the_runs_that_reach():
    found = sobol_indices(results_of(unreached(0.25), uniform_space(2, undefined="rank reaching")))
    assert found["reason"].values.tolist()[0].startswith("undefined in too many runs")
    space = uniform_space(2, undefined="rank reaching")
    design = sobol_design(space, 256, 8)
    found = sobol_indices(evaluate(design, unreached(0.96), progress=False))
    # Base samples of which every run is defined: x0 <= 0.96 in A and in B.
    assert float(found["used_share"].sel(output="y")) == pytest.approx(0.96**2, abs=0.01)
    assert float(found["used_share"].sel(output="q")) == 1.0
    # Among them x0 is uniform on (0, 0.96), and nothing acts together.
    first = 0.96**2 / (0.96**2 + 1)
    np.testing.assert_allclose(found["S1"].sel(output="y"), [first, 1 - first], atol=0.01)
    np.testing.assert_allclose(found["ST"].sel(output="y"), [first, 1 - first], atol=0.02)


def test_inputs_that_oppose_each_other_are_not_ranked_where_many_runs_are_undefined():
    """Where x0 + x1 > 0.5 alone is defined, whole base samples would give other shares than the runs that reach."""

    def model(samples):
        x = columns(samples)
        missed = x[0] + x[1] <= 0.5
        y = np.where(missed, np.nan, x[0] - 2 * x[1])
        return xr.Dataset({"y": ("sample", y), "outcome": ("sample", missed.astype(np.int8))})

    design = sobol_design(uniform_space(2, undefined="rank reaching"), 256, 8)
    results = evaluate(design, model, progress=False)
    found = sobol_indices(results)
    assert "below 90 %, leaving out the others would bias the shares" in found["reason"].item()
    assert found["ST"].isnull().all()
    gate = convergence_gate(convergence(results))
    assert not gate.passed


def test_tied_inputs_as_wholes_and_overlapping_sets():
    """y = a + b with scores a = r l + s p and b = -r l + s q: closed forms of wholes, parts and the group."""
    r = 0.6
    inputs = tuple(
        Parameter(name, Normal(0, 1), loadings={"l": sign * r}, group="pair") for name, sign in (("a", 1), ("b", 0.5))
    )
    space = ParameterSpace((*inputs, Parameter("c", Normal(0, 1))), (Latent("l", group="pair"),))
    design = sobol_design(space, 256, 16, rng=3, closed=space.closed)
    results = evaluate(design, as_model(lambda x: x.sum(axis=0)), progress=False)
    found = sobol_indices(results).sel(output="y")
    own_a, own_b, shared = 1 - r**2, 1 - r**2 / 4, (1.5 * r) ** 2
    truth = {"a": own_a, "b": own_b, "l": shared, "c": 1.0, "a (whole)": own_a + shared, "b (whole)": own_b + shared}
    truth["pair (group)"] = own_a + own_b + shared
    for name, part in truth.items():
        share = part / (own_a + own_b + shared + 1)
        for index in ("S1", "ST"):
            assert float(found[index].sel(parameter=name)) == pytest.approx(share, abs=0.015), (name, index)
    second = found["S2"]
    assert np.isnan(second.sel(parameter="a (whole)", other_parameter="l"))
    assert float(second.sel(parameter="a (whole)", other_parameter="c")) == pytest.approx(0, abs=0.02)


def test_inputs_moved_as_wholes_alone_have_the_shares_that_they_have_beside_their_parts():
    inputs = tuple(Parameter(name, Normal(0, 1), loadings={"l": 0.6}) for name in "ab")
    space = ParameterSpace((*inputs, Parameter("c", Normal(0, 1))), (Latent("l"),))
    few = sobol_design(space, 64, 8, rng=3, moved=space.inputs)
    many = sobol_design(space, 64, 8, rng=3, closed=space.wholes)
    assert (few.layout.block, many.layout.block) == (2 * 3 + 2, 2 * 6 + 2)
    model = as_model(lambda x: x[0] * x[1] + x[2])
    alone, beside = (sobol_indices(evaluate(design, model, progress=False)) for design in (few, many))
    assert list(alone["parameter"].values) == ["a (whole)", "b (whole)", "c"]
    shared = beside.sel(parameter=alone["parameter"].values)
    np.testing.assert_allclose(alone["ST"], shared["ST"], rtol=1e-10)
    np.testing.assert_allclose(alone["S1"], shared["S1"], atol=2e-3)  # the mean is over other runs


def test_rank_the_probability_of_reaching():
    space = uniform_space(2, undefined="probability of reaching")
    found = sobol_indices(evaluate(sobol_design(space), unreached(0.5), progress=False))
    assert found["output"].values.tolist() == ["q", "probability_of_reaching"]
    np.testing.assert_allclose(found["S1"].sel(output="probability_of_reaching"), [1, 0], atol=0.01)
    assert float(found["mean"].sel(output="probability_of_reaching")) == pytest.approx(0.5, abs=0.01)


def test_unexplained_nan_and_unstated_rule_are_refused():
    results = results_of(as_model(lambda x: x[0]))
    spoiled = results.assign(w=results["y"].where(results["sample"] != 3))
    with pytest.raises(InputError, match="w = nan in run 3, and no outcome explains it"):
        sobol_indices(spoiled)
    with pytest.raises(InputError, match="w = inf in run 3"):
        sobol_indices(results.assign(w=results["y"].where(results["sample"] != 3, np.inf)))
    reached = results_of(unreached(0.5), uniform_space(2, undefined="rank reaching"))
    with pytest.raises(InputError, match="the study must state a rule"):
        sobol_indices(reached.assign_attrs(undefined="refuse"))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"outputs": ["z"]}, "unknown output 'z'; known: y"),
        ({"outputs": ["outcome"]}, "unknown output 'outcome'"),
        ({"outputs": []}, "no output is named"),
        ({"outputs": ["y", "y"]}, "an output is named twice"),
        ({"confidence": 1.0}, "confidence = 1.0: must be between 0 and 1"),
        ({"confidence": 95}, "confidence = 95: must be between 0 and 1"),
    ],
)
def test_arguments_are_refused(options, message):
    with pytest.raises(InputError) as caught:
        sobol_indices(results_of(as_model(lambda x: x[0])), **options)
    assert message in str(caught.value)


def test_results_of_another_design_or_shuffled_are_refused():
    results = results_of(as_model(lambda x: x[0] + x[1]))
    shuffled = results.isel(sample=np.random.default_rng(0).permutation(results.sizes["sample"]))
    for spoiled in (shuffled, shuffled.assign_coords(sample=results["sample"]), results.isel(sample=slice(1, None))):
        for reader in (sobol_indices, convergence):
            with pytest.raises(InputError, match=r"rows|not in the order of their design"):
                reader(spoiled)
    plain = evaluate(plain_design(uniform_space(2), 64), as_model(lambda x: x[0]), progress=False)
    with pytest.raises(InputError, match="a replicated Sobol' design is needed"):
        sobol_indices(plain)


def test_one_output_may_be_named_as_text_and_outputs_may_be_added():
    results = results_of(as_model(lambda x: x[0]))
    assert sobol_indices(results, "y")["output"].values.tolist() == ["y"]
    added = results.assign(double=2 * results["y"])
    np.testing.assert_allclose(*sobol_indices(added)["ST"].values)


def test_labels_of_a_quantity_and_of_its_column():
    space = ParameterSpace((Parameter("nozzle_pressure", Uniform(3e5, 4e5), "controllable", "measured", "a gauge"),))

    def model(samples):
        return xr.Dataset({"flow_rate": ("sample", np.sqrt(samples["nozzle_pressure"].values))})

    found = sobol_indices(evaluate(sobol_design(space, 16, 2), model, progress=False))
    assert found["long_name"].values.tolist() == ["nozzle pressure"]
    assert (found["role"].item(), found["basis"].item()) == ("controllable", "measured")
    other = Parameter("wind_along", Normal(0, 1), "environment", "measured", "a mast")
    grouped = sobol_design(
        ParameterSpace((*space.parameters, other)), 16, 2, groups={"both": ("nozzle_pressure", "wind_along")}
    )
    both = sobol_indices(evaluate(grouped, model, progress=False))
    assert [both[key].item() for key in ("long_name", "role", "basis")] == ["both", "several", "measured"]
    assert (found["output_units"].item(), found["output_long_name"].item()) == ("m3 s-1", "flow")


# --------------------------------------------------------------------------------------------------------
# Speed


def test_the_default_study_is_analysed_in_a_second_or_two():
    space = uniform_space(10)

    def model(samples):
        y = columns(samples).sum(axis=0)
        return xr.Dataset({f"y{k}": ("sample", y**k) for k in range(1, 7)})

    results = evaluate(sobol_design(space), model, progress=False)
    assert results.sizes["sample"] == 180_224
    start = time.process_time()
    sobol_indices(results)
    assert time.process_time() - start < 3
