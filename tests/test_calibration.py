"""Calibration: closed-form posteriors, diagnostics that can fail, identifiability, and recovery of true values."""

import csv
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from benchmarks import simulation_based_calibration as benchmark
from jetsim.errors import InputError
from jetsim.experiment.calibration import Sampling, Scores, calibrate, confused, effective_draws, halves_apart, learnt
from jetsim.experiment.distributions import LogNormal, Normal, Uniform
from jetsim.experiment.fieldtest import run_order
from jetsim.throws import expected, learning, model, synthetic
from jetsim.throws.emulated import emulate, wide_scores

STUDY_FILE = Path(__file__).resolve().parents[1] / "studies" / "inputs" / "field_test.toml"
TWO = {name: Normal(0.0, 1.0) for name in "ab"}
SMALL = Sampling(walkers=120, burn=80, steps=150, thin=3)


# Statistics with closed forms


@pytest.fixture(scope="module")
def linear():
    """Two unknowns with normal priors, three linear readings with normal errors: the posterior is normal."""
    means, sds, errors = np.array([2.0, -1.0]), np.array([1.5, 0.5]), np.array([0.4, 0.6, 0.8])
    design, readings = np.array([[1.0, 0.5], [0.2, -1.0], [1.0, 1.0]]), np.array([3.1, 0.7, 2.5])

    def log_likelihood(values):
        shown = np.column_stack([values["a"], values["b"]]) @ design.T
        return (-0.5 * ((readings - shown) / errors) ** 2).sum(axis=1)

    precision = design.T @ np.diag(errors**-2) @ design + np.diag(sds**-2)
    covariance = np.linalg.inv(precision)
    mean = covariance @ (design.T @ (readings / errors**2) + means / sds**2)
    priors = {"a": Normal(2.0, 1.5), "b": Normal(-1.0, 0.5)}
    return calibrate(priors, log_likelihood, 11, SMALL), mean, covariance, sds


def test_linear_gaussian_posterior_is_the_closed_form(linear):
    posterior, mean, covariance, _ = linear
    drawn = np.column_stack([posterior.values[name].values for name in "ab"])
    spread = np.sqrt(np.diag(covariance))
    assert (drawn.mean(axis=0) - mean) / spread == pytest.approx([0, 0], abs=0.1)
    assert drawn.std(axis=0) / spread == pytest.approx([1, 1], abs=0.06)
    assert np.corrcoef(drawn.T)[0, 1] == pytest.approx(covariance[0, 1] / np.prod(spread), abs=0.06)


def test_contraction_is_the_share_of_variance_gone(linear):
    posterior, _, covariance, sds = linear
    exact = 1 - np.diag(covariance) / sds**2
    assert [one.contraction for one in learnt(posterior)] == pytest.approx(exact.tolist(), abs=0.08)


def test_it_converges_and_says_so(linear):
    posterior = linear[0]
    assert posterior.converged
    assert posterior.convergence.startswith("converged")


def test_without_data_the_posterior_is_the_prior():
    priors = {"u": Uniform(2.0, 3.0), "l": LogNormal(1.5, 0.4)}
    posterior = calibrate(priors, lambda values: np.zeros(len(values["u"])), 3, SMALL)
    u, log = posterior.values["u"].values[::20], np.log(posterior.values["l"].values[::20])
    assert stats.kstest(u, stats.uniform(2.0, 1.0).cdf).pvalue > 1e-3
    assert stats.kstest(log, stats.norm(np.log(1.5), 0.4).cdf).pvalue > 1e-3
    assert [one.words for one in learnt(posterior)] == ["not learnt"] * 2


def test_in_many_dimensions_the_sampler_is_as_wide_as_the_law():
    """A move that is not reversible shows only here: it may keep two dimensions right and narrow twenty."""
    priors = {f"u{k}": Normal(0.0, 1.0) for k in range(20)}
    posterior = calibrate(priors, lambda values: np.zeros(len(values["u0"])), 4, Sampling(256, 80, 150, 3))
    assert float(posterior.scores.std()) == pytest.approx(1.0, abs=0.015)
    assert float(np.mean(np.abs(posterior.scores) < 1.6449)) == pytest.approx(0.9, abs=0.006)


def ridge(width):
    """Only b + a**2 / 2 is read: a ridge that no normal law follows, and moments of its posterior by quadrature."""

    def log_likelihood(values):
        return -0.5 * ((values["b"] + values["a"] ** 2 / 2) / width) ** 2

    a, b = np.meshgrid(np.linspace(-4, 4, 401), np.linspace(-7, 3, 1001), indexing="ij")
    density = np.exp(log_likelihood({"a": a, "b": b}) - 0.5 * (a**2 + b**2))
    return log_likelihood, [float((density * what).sum() / density.sum()) for what in (a**2, b, b**2)]


def test_a_curved_ridge_is_followed_to_its_ends():
    """Walkers that start near its middle, and steps as wide as they are, would leave a seventh of the variance out."""
    log_likelihood, exact = ridge(0.2)
    runs = [calibrate(TWO, log_likelihood, seed, Sampling(256, 150, 60, 2)) for seed in range(4)]
    a, b = (np.concatenate([run.values[name].values for run in runs]) for name in "ab")
    assert [np.mean(a**2), np.mean(b), np.mean(b**2)] == pytest.approx(exact, rel=0.07)


def test_effective_draws_are_those_of_repeated_runs():
    """The variance of the mean over runs is that of the posterior over the effective draws."""
    log_likelihood, _ = ridge(0.4)
    runs = [calibrate(TWO, log_likelihood, seed, Sampling(64, 100, 50, 1)) for seed in range(40)]
    for name in "ab":
        means = [float(run.values[name].mean()) for run in runs]
        spread = np.mean([float(run.values[name].var()) for run in runs])
        claimed = np.mean([run.effective[name] for run in runs])
        assert claimed * np.var(means, ddof=1) / spread == pytest.approx(1.0, abs=0.33)


def test_a_product_cannot_be_taken_apart():
    """Only a + b is read: the two are named as confused."""

    def log_likelihood(values):
        return -0.5 * ((values["a"] + values["b"] - 1.0) / 0.05) ** 2

    posterior = calibrate({"a": Normal(0.0, 1.0), "b": Normal(0.0, 1.0)}, log_likelihood, 5, SMALL)
    (pair,) = confused(posterior)
    assert (pair.first, pair.second) == ("a", "b")
    assert pair.correlation < -0.98


def test_partial_pooling_shrinks_to_the_shared_mean():
    """Group effects with a known spread: closed-form shrinkage (normal means, shared centre 0)."""
    readings, error, spread = np.array([1.0, -0.6, 0.2]), 0.5, 0.4
    names = [f"deviation{k}" for k in range(3)]

    def log_likelihood(values):
        shown = spread * np.column_stack([values[name] for name in names])
        return (-0.5 * ((readings - shown) / error) ** 2).sum(axis=1)

    posterior = calibrate({name: Normal(0.0, 1.0) for name in names}, log_likelihood, 9, SMALL)
    found = [spread * float(posterior.values[name].mean()) for name in names]
    assert found == pytest.approx((readings * spread**2 / (spread**2 + error**2)).tolist(), abs=0.04)


# Diagnostics


def test_halves_that_differ_are_seen():
    rng = np.random.default_rng(0)
    alike = [rng.normal(size=(400, 20, 1)) for _ in range(3)]
    assert halves_apart(alike)[0] < 0.06
    assert halves_apart([alike[0], alike[1], alike[2] + 0.3])[0] == pytest.approx(0.3, abs=0.06)
    shifted = [run + np.repeat([0.0, 0.25], 200)[:, None, None] for run in alike]
    assert halves_apart(shifted)[0] == pytest.approx(0.25, abs=0.05)


@pytest.mark.parametrize("memory", [0.0, 0.8, 0.97])
def test_effective_draws_of_a_known_process(memory):
    """Autoregression of first order: n (1 - memory) / (1 + memory), also where a chain is a few times its memory."""
    rng = np.random.default_rng(4)
    steps, chains = 400, 60
    series = np.empty((steps, chains, 1))
    series[0] = rng.normal(size=(chains, 1))
    for k in range(1, steps):
        series[k] = memory * series[k - 1] + np.sqrt(1 - memory**2) * rng.normal(size=(chains, 1))
    exact = steps * chains * (1 - memory) / (1 + memory)
    assert effective_draws(series)[0] == pytest.approx(exact, rel=0.25)


def test_walkers_that_never_move_count_once_each():
    stuck = np.repeat(np.random.default_rng(0).normal(size=(1, 50, 1)), 300, axis=0)
    assert effective_draws(stuck)[0] < 100


def test_too_short_a_run_is_not_called_converged():
    posterior = calibrate({"a": Normal(0.0, 1.0)}, lambda v: -0.5 * v["a"] ** 2, 1, Sampling(8, 1, 8, 1))
    assert not posterior.converged
    assert "NOT converged" in posterior.convergence


def test_scores_reproduce_the_distributions():
    values = Scores({"l": LogNormal(1.5, 0.4)}).values(np.array([[-2.0], [0.0], [1.234]]))
    assert values["l"] == pytest.approx(1.5 * np.exp(0.4 * np.array([-2.0, 0.0, 1.234])), rel=1e-5)


def test_scores_beyond_the_table_give_its_ends():
    values = Scores({"n": Normal(1.0, 2.0), "u": Uniform(2.0, 3.0)}).values(np.array([[-7.0, 6.0], [6.0, 7.0]]))
    assert values["n"] == pytest.approx([-11.0, 13.0])
    assert values["u"] == pytest.approx([3.0, 3.0], rel=1e-8)


def test_the_same_seed_gives_the_same_draws():
    def once(seed):
        sizes = Sampling(10, 8, 10, 1)
        return calibrate({"a": Normal(0.0, 1.0)}, lambda v: -0.5 * v["a"] ** 2, seed, sizes).values["a"].values

    assert (once(0) == once(0)).all()
    assert (once(0) != once(1)).any()


def test_errors_are_one_line():
    with pytest.raises(InputError, match="not finite where its peak is sought"):
        calibrate({"a": Normal(0.0, 1.0)}, lambda values: np.full(len(values["a"]), np.nan), 0, SMALL)


# Synthetic tests: true values drawn from the priors must lie where the posterior says (the benchmark runs
# many)


@pytest.fixture(scope="module")
def recovered():
    """A truth of coarse drops in wide air, which an emulator of cubic terms cannot follow, and what is learnt of it."""
    return benchmark.synthetic_test(benchmark.demo_test(), 1)


@pytest.mark.slow
def test_true_values_of_a_synthetic_test_are_found_again(recovered):
    truth, found = recovered
    inside = 0
    for name, values in found.values.items():
        low, high = np.quantile(values, (0.05, 0.95))
        inside += low <= truth[name] <= high
    assert inside >= stats.binom.ppf(1e-3, len(truth), 0.9)


@pytest.mark.slow
def test_passes_go_on_until_the_emulator_can_be_trusted(recovered):
    _, found = recovered
    assert found.trusted
    shares = [found.emulator_share(emulated) for emulated in found.passes]
    assert max(shares[:-1]) > learning.LARGEST_SHARE >= shares[-1]
    assert not replace(found, passes=found.passes[:1]).trusted


def test_stored_benchmark_is_of_this_model_and_these_priors():
    """Results of another model or of other priors say nothing: run the benchmark again when this fails."""
    with benchmark.RESULTS.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["fingerprint"] for row in rows} == {benchmark.fingerprint(benchmark.demo_test())}
    assert all(re.fullmatch(r"[0-9a-f]{12}", row["commit"]) for row in rows)
    lines = benchmark.summary(benchmark.stored(benchmark.RESULTS))
    assert not [line for line in lines if line.endswith("FAILS")]


def test_fingerprint_is_one_of_numbers_alone():
    """It follows priors; words, and a scatter that may be stated and is not, take no part."""
    test = benchmark.demo_test()
    told = tuple(replace(p, source="told otherwise") for p in test.readings.parameters)
    reworded = replace(test, readings=replace(test.readings, parameters=told))
    plain = benchmark.fingerprint(test)
    assert benchmark.fingerprint(reworded) == plain
    assert benchmark.fingerprint(with_spread(test, Uniform(0.5, 1.5))) != plain


def with_spread(test, prior):
    """The same test with a wide spread of set-ups with one shutoff."""
    parameters = tuple(replace(p, distribution=prior) if p.name == "trial.style_spread" else p
                       for p in test.readings.parameters)  # fmt: skip
    return replace(test, readings=replace(test.readings, parameters=parameters))


def test_benchmark_has_enough_tests_to_refuse_a_coverage_of_82_percent():
    unknowns = len(benchmark.demo_test().priors)
    assert benchmark.chance_of_failing(benchmark.TESTS, unknowns) >= 0.9
    assert benchmark.chance_of_failing(100, unknowns) < 0.5
    assert benchmark.chance_of_failing(benchmark.TESTS, unknowns, 0.9) < 0.05 / unknowns


def test_impossible_products_of_unknowns_are_never_drawn():
    """A shutoff's factor times a set-up's departure may leave the range of the factor although neither does."""
    wide = with_spread(benchmark.demo_test(), Uniform(0.5, 1.5))
    rng = np.random.default_rng(5)
    values = {key: np.asarray(p.distribution.ppf(rng.random(4096))) for key, p in wide.priors.items()}
    assert not model.possible(wide, values).all()
    assert model.possible(wide, model.drawn(wide, 4096, 5)).all()


def test_priors_that_are_tied_are_sampled_tied():
    """Without a word from the data the posterior is the prior, with its correlation, and no tie is the data's."""
    ties = np.array([[1.0, 0.8], [0.8, 1.0]])
    found = calibrate({"a": Normal(0.0, 1.0), "b": LogNormal(1.0, 0.3)}, lambda v: np.zeros(len(v["a"])), 3, SMALL,
                      None, ties)  # fmt: skip
    scores = found.scores
    assert np.corrcoef(scores.T)[0, 1] == pytest.approx(0.8, abs=0.05)
    assert scores.std(axis=0) == pytest.approx(np.ones(2), abs=0.07)
    assert found.values["b"].values == pytest.approx(np.exp(0.3 * scores[:, 1]), rel=1e-3)
    assert confused(found) == []


def test_emulated_throws_are_those_simulated():
    test = benchmark.demo_test()
    truth = synthetic.read_truth(STUDY_FILE.with_name("field_test_truth.toml"), test)
    rng = np.random.default_rng(0)
    readings = synthetic.synthetic_readings(test, truth, run_order(list(test.labels), 2, rng), rng)
    names = ("nozzle_pressure", "elevation")
    calm = np.linspace(-3, 3, len(readings["setup"]))
    thrown = expected.Throws(
        readings["setup"], *(np.array(readings[name], dtype=float) for name in names), calm, calm / 2
    )
    values = model.drawn(test, 64, 4)
    fast = emulate(test, thrown, wide_scores(test, rng))
    exact = expected.expected(test, thrown, values)
    for column, shown in fast.expected(values).items():
        limit = {"farthest_drops": 0.015, "breakup_distance": 1e-3}.get(column, 1e-12)
        assert np.sqrt(np.mean(np.log(shown / exact[column]) ** 2)) < limit
