"""Simulation-based calibration of the field test: are posteriors as wide as they should be?

True values are drawn from the priors, a whole test is made from them, and the rank of each true value among its
posterior's draws is kept (Talts et al. 2018, "Validating Bayesian inference algorithms with simulation-based
calibration", from memory). With a sound calibration ranks are uniform and 90 % intervals hold 90 % of the true
values. Run ``python benchmarks/simulation_based_calibration.py``; results are stored beside it as CSV.

Elevation is held exactly here: the likelihood has no scatter of elevation of its own and counts it as scatter of
reach, so with it `reach_scatter` would mean something else to the one who makes the data than to the one who reads
them. What this checks is the sampler, the emulator and the likelihood, not the physics: both sides share it.

The stored 100 tests: 19 of 20 unknowns pass; the 90 % intervals of the fog nozzle's coherence hold 75 of 100 true
values and FAIL their limits, so they are too narrow. Probable cause, not yet shown: the emulator's error is common to
all throws of a set-up, while the likelihood counts it for each throw on its own.
"""

import argparse
import csv
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import stats

from jetsim.experiment.calibration import Sampling
from jetsim.experiment.fieldsheet import Sheet
from jetsim.trials import learning, model, synthetic
from jetsim.trials.fieldfile import FieldTest, read_field_test

HERE = Path(__file__).parent
STUDY_FILE = HERE.parent / "studies" / "inputs" / "field_test.toml"
RESULTS = HERE / "simulation_based_calibration.csv"
BLOCKS, TESTS = 4, 100
ALPHA = 0.01  # for all unknowns together
SIZES = Sampling(ensembles=2, walkers=48, burn=120, steps=120, thin=5)


def ranks_of(test: FieldTest, seed: int) -> dict[str, float]:
    """Share of the posterior's draws that lie below the true value, for one synthetic test."""
    rng = np.random.default_rng([seed, test.seed])
    truth = {name: float(value[0]) for name, value in model.drawn(test, 1, rng).items()}
    readings = synthetic.synthetic_readings(test, truth, BLOCKS, rng)
    columns = {name: np.array(values, dtype=float) for name, values in readings.items() if name != "setup"}
    count = len(readings["setup"])
    sheet = Sheet(list(readings["setup"]), columns, np.zeros(count, dtype=bool), [""] * count)
    found = learning.learn(test, sheet, SIZES, seed).values
    return {name: float(np.mean(values < truth[name])) for name, values in found.items()}


def summary(ranks: Mapping[str, list[float]]) -> list[str]:
    """Coverage of 90 % intervals with binomial limits, and a test of uniformity, for each unknown."""
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
    return lines


def main(argv: list[str] | None = None) -> int:
    """Run the tests and store the ranks; a stored file is read instead with ``--summary``."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tests", type=int, default=TESTS)
    parser.add_argument("--first", type=int, default=1, help="seed of the first test")
    parser.add_argument("--results", type=Path, default=RESULTS)
    parser.add_argument("--summary", action="store_true", help="only read the stored results")
    options = parser.parse_args(argv)
    if not options.summary:
        run(options.tests, options.first, options.results)
    with options.results.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    ranks = {name: [float(row[name]) for row in rows] for name in rows[0] if name != "seed"}
    print("\n".join(summary(ranks)))
    return 0


def run(tests: int, first: int, results: Path) -> None:
    """Run synthetic tests and write each one's ranks as soon as it ends."""
    stated = read_field_test(STUDY_FILE)
    test = replace(stated, scatter={**stated.scatter, "elevation": 1e-6})
    with results.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["seed", *model.unknowns(test)])
        for seed in range(first, first + tests):
            writer.writerow([seed, *(f"{share:.4f}" for share in ranks_of(test, seed).values())])
            stream.flush()


if __name__ == "__main__":
    sys.exit(main())
