"""Simulation-based calibration of the field test: are posteriors as wide as they should be?

True values are drawn from the priors, a whole test is made from them, and the rank of each true value among its
posterior's draws is kept (Talts et al. 2018, "Validating Bayesian inference algorithms with simulation-based
calibration", from memory). With a sound calibration ranks are uniform and 90 % intervals hold 90 % of the true
values. Run ``python benchmarks/simulation_based_calibration.py``; results are stored beside it as CSV.

Both sides share the physics, so what this checks is the sampler, the emulator and the likelihood. Each synthetic throw
has all errors that the study file states: the stream's own scatter, an elevation held only about, a gauge misread, and
each instrument's own error.

Each unknown has its limits; all of them together are held to closer ones, because a fault that narrows every posterior
by a tenth hides in the limits of a single one. That is how a biased move of the sampler was found.
"""

import argparse
import csv
import hashlib
import subprocess
import sys
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.command import run
from jetsim.equipment.questions import load_question
from jetsim.errors import InputError
from jetsim.experiment.calibration import Sampling
from jetsim.experiment.fieldtest import run_order
from jetsim.throws import expected, learning, model, synthetic
from jetsim.throws.likelihood import log_density
from jetsim.throws.question import FieldTest, FieldTestQuestion, field_test
from jetsim.throws.sheet import Sheet

HERE = Path(__file__).parent
QUESTION = HERE.parent / "studies" / "inputs" / "field_test.toml"
HEAD = ("seed", "commit", "fingerprint")
RESULTS = HERE / "simulation_based_calibration.csv"
BLOCKS, TESTS = 4, 400
SAMPLING = Sampling(walkers=320, steps=40, thin=2)  # warmed up as a calibration is, and kept shorter
ALPHA = 0.05  # for all unknowns together
TOO_LOW = 0.82  # a coverage of 90 % intervals that must not pass
LEAST_DRAWS = 4  # of a scrambled sequence, of which the first is the truth
_DIGITS = 4  # of the fingerprint's numbers: rounding differs between machines
_NOTHING = 1e-9  # of them are taken for 0


def demo_test() -> FieldTest:
    """The invented department's test."""
    return field_test(load_question(QUESTION, FieldTestQuestion))


def synthetic_test(test: FieldTest, seed: int) -> tuple[dict[str, float], learning.Learning]:
    """True values drawn from the priors, and what a calibration learns of them from throws that they made."""
    rng = np.random.default_rng([seed, test.seed])
    truth = {name: float(value[0]) for name, value in model.drawn(test, LEAST_DRAWS, seed).items()}
    readings = synthetic.synthetic_readings(test, truth, run_order(list(test.labels), BLOCKS, rng), rng)
    columns = {name: np.array(values, dtype=float) for name, values in readings.items() if name != "setup"}
    count = len(readings["setup"])
    sheet = Sheet(list(readings["setup"]), columns, np.zeros(count, dtype=bool), [""] * count)
    return truth, learning.learn(test, sheet, SAMPLING, seed)


def ranks_of(test: FieldTest, seed: int) -> dict[str, float]:
    """Share of the posterior's draws that lie below the true value, for one synthetic test."""
    truth, found = synthetic_test(test, seed)
    return {name: float(np.mean(values < truth[name])) for name, values in found.values.items()}


def fingerprint(test: FieldTest) -> str:
    """Digest of the numbers of the model: priors, scatters, and what is expected of a few throws at fixed values.

    Results that were stored under another fingerprint are those of another model. Wording takes no part.
    """
    ends = np.array([0.2, 0.5, 0.8])
    at = {key: np.asarray(prior.distribution.ppf(ends), dtype=float) for key, prior in test.priors.items()}
    names = [setup.name for setup in test.setups]
    thrown = expected.Throws(names, *(np.full(len(names), value) for value in (4.0e5, 30.0, -2.0, 1.0)))
    shown = expected.expected(test, thrown, at)
    variances = {name: expected.relative_variance(test, name, column, at) for name, column in shown.items()}
    shared = expected.shared_errors(test, thrown, model.medians(test))
    weights = np.array([1 / variance.T for variance in variances.values()])
    density = log_density(np.full(weights.shape, 0.05), weights, shared)
    stated = [value for _, value in sorted(dict(test.scatter).items()) if value]
    parts = [*at.values(), test.ties, stated, *shown.values(), *variances.values(), shared, density]
    numbers = np.concatenate([np.ravel(np.asarray(part, dtype=float)) for part in parts])
    told = [f"{value:.{_DIGITS - 1}e}" for value in np.where(np.abs(numbers) < _NOTHING, 0.0, numbers)]
    return hashlib.sha256("\n".join([*at, *told]).encode()).hexdigest()[:16]


def chance_of_failing(tests: int, unknowns: int, coverage: float = TOO_LOW) -> float:
    """Chance that the limits of one unknown refuse a true coverage of its 90 % intervals. Exact (binomial law)."""
    low, high = stats.binom.interval(1 - ALPHA / unknowns, tests, 0.9)
    return float(stats.binom.cdf(low - 1, tests, coverage) + stats.binom.sf(high, tests, coverage))


def summary(ranks: Mapping[str, list[float]]) -> list[str]:
    """Coverage of 90 % intervals with binomial limits, and a test of uniformity, for each unknown and for all."""
    alpha = ALPHA / len(ranks)
    lines = []
    for name, shares in ranks.items():
        values = np.array(shares)
        inside = int(np.sum((values >= 0.05) & (values <= 0.95)))
        low, high = stats.binom.interval(1 - alpha, len(values), 0.9)
        uniform = stats.kstest(values, "uniform").pvalue
        verdict = "passes" if low <= inside <= high and uniform > alpha else "FAILS"
        limits = f"limits {low:.0f} to {high:.0f}"
        lines.append(f"{name}: {inside} of {len(values)} inside ({limits}), uniformity p {uniform:.3f}: {verdict}")
    tests = len(next(iter(ranks.values())))
    chance = 100 * chance_of_failing(tests, len(ranks))
    told = f"an unknown covered {100 * TOO_LOW:.0f} % of the time fails with a chance of {chance:.0f} %"
    return [*lines, pooled(ranks), f"{tests} tests: {told}"]


def pooled(ranks: Mapping[str, list[float]]) -> str:
    """Coverage over all unknowns, with limits from its scatter between tests: unknowns of one test are tied."""
    values = np.array(list(ranks.values()))
    shares = np.mean((values >= 0.05) & (values <= 0.95), axis=0)
    error = stats.norm.isf(ALPHA / 2) * float(shares.std(ddof=1)) / np.sqrt(shares.size) if shares.size > 1 else 1.0
    verdict = "passes" if abs(shares.mean() - 0.9) <= error else "FAILS"
    return f"all together: {100 * shares.mean():.1f} % inside (limits 90 +- {100 * error:.1f} %): {verdict}"


def main(argv: list[str] | None = None) -> int:
    """Run the tests and store the ranks; a stored file is read instead with ``--summary``."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tests", type=int, default=TESTS, help="how many synthetic tests")
    parser.add_argument("--first", type=int, default=1, help="seed of the first test")
    parser.add_argument("--jobs", type=int, default=1, help="tests at the same time")
    parser.add_argument("--append", action="store_true", help="go on behind the tests stored under this fingerprint")
    parser.add_argument("--results", type=Path, default=RESULTS)
    parser.add_argument("--summary", action="store_true", help="only read the stored results")
    options = parser.parse_args(argv)
    for name, value in (("--tests", options.tests), ("--first", options.first), ("--jobs", options.jobs)):
        if value < 1:
            raise InputError(f"{name} {value}: must be 1 or more")
    if not options.summary:
        run_tests(options.tests, options.first, options.results, options.jobs, options.append)
    print("\n".join(summary(stored(options.results))))
    return 0


def stored(results: Path) -> dict[str, list[float]]:
    """Ranks of each unknown, one for each test."""
    try:
        with results.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        return {name: [float(row[name]) for row in rows] for name in rows[0] if name not in HEAD}
    except (ValueError, TypeError, IndexError):
        raise InputError(f"--results {results}: is no table of ranks") from None


def run_tests(tests: int, first: int, results: Path, jobs: int, append: bool) -> None:
    """Run synthetic tests; the ranks take the place of older ones, or are added to them, when all are done."""
    test = demo_test()
    mark, older = fingerprint(test), results.read_text(encoding="utf-8").splitlines() if append else []
    if older and any(row["fingerprint"] != mark for row in csv.DictReader(older)):
        raise InputError(f"--append {results}: holds tests of another model or of other priors: run without it")
    first += max(len(older) - 1, 0)
    head = commit()
    lines = older or [",".join([*HEAD, *test.priors])]
    with ProcessPoolExecutor(jobs) as pool:
        seeds = range(first, first + tests)
        for seed, ranks in zip(seeds, pool.map(partial(ranks_of, test), seeds), strict=True):
            lines.append(",".join([str(seed), head, mark, *(f"{share:.4f}" for share in ranks.values())]))
    growing = results.with_name(results.name + ".part")
    growing.write_text("\n".join(lines) + "\n", encoding="utf-8")
    growing.replace(results)


def commit() -> str:
    """The commit that is checked out, or "unknown" outside of a checkout."""
    command = ["git", "-C", str(HERE), "rev-parse", "--short=12", "HEAD"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.stdout.strip() or "unknown"


if __name__ == "__main__":
    sys.exit(run(main))
