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
import sys
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.command import run
from jetsim.errors import InputError
from jetsim.experiment.calibration import Sampling
from jetsim.experiment.fieldsheet import Sheet
from jetsim.experiment.fieldtest import run_order
from jetsim.trials import learning, model, synthetic
from jetsim.trials.fieldfile import FieldTest, read_field_test

HERE = Path(__file__).parent
STUDY_FILE = HERE.parent / "studies" / "inputs" / "field_test.toml"
RESULTS = HERE / "simulation_based_calibration.csv"
BLOCKS, TESTS = 4, 100
ALPHA = 0.01  # for all unknowns together
SIZES = Sampling(ensembles=2, walkers=64, burn=300, steps=400, thin=10)


def ranks_of(test: FieldTest, seed: int) -> dict[str, float]:
    """Share of the posterior's draws that lie below the true value, for one synthetic test."""
    rng = np.random.default_rng([seed, test.seed])
    truth = {name: float(value[0]) for name, value in model.drawn(test, 1, rng).items()}
    readings = synthetic.synthetic_readings(test, truth, run_order(list(test.labels), BLOCKS, rng), rng)
    columns = {name: np.array(values, dtype=float) for name, values in readings.items() if name != "setup"}
    count = len(readings["setup"])
    sheet = Sheet(list(readings["setup"]), columns, np.zeros(count, dtype=bool), [""] * count)
    found = learning.learn(test, sheet, SIZES, seed).values
    return {name: float(np.mean(values < truth[name])) for name, values in found.items()}


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
    return [*lines, pooled(ranks)]


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
    parser.add_argument("--results", type=Path, default=RESULTS)
    parser.add_argument("--summary", action="store_true", help="only read the stored results")
    options = parser.parse_args(argv)
    for name, value in (("--tests", options.tests), ("--first", options.first)):
        if value < 1:
            raise InputError(f"{name} {value}: must be 1 or more")
    if not options.summary:
        run_tests(options.tests, options.first, options.results)
    print("\n".join(summary(stored(options.results))))
    return 0


def stored(results: Path) -> dict[str, list[float]]:
    """Ranks of each unknown, one for each test."""
    try:
        with results.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        return {name: [float(row[name]) for row in rows] for name in rows[0] if name != "seed"}
    except (ValueError, TypeError, IndexError):
        raise InputError(f"--results {results}: is no table of ranks") from None


def run_tests(tests: int, first: int, results: Path) -> None:
    """Run synthetic tests; the ranks take the place of older ones when all are done."""
    test = read_field_test(STUDY_FILE)
    growing = results.with_name(results.name + ".part")
    with growing.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["seed", *model.unknowns(test)])
        for seed in range(first, first + tests):
            writer.writerow([seed, *(f"{share:.4f}" for share in ranks_of(test, seed).values())])
            stream.flush()
    growing.replace(results)


if __name__ == "__main__":
    sys.exit(run(main))
