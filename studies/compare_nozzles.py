"""Compare nozzle and shutoff set-ups under a declared match: who out-reaches whom, with what odds.

Run ``python studies/compare_nozzles.py``; after a test add ``--posterior`` with the ``posterior.nc`` that
``field_test.py calibrate`` wrote.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

from jetsim.study import Findings, Options, Study, run
from jetsim.trials import comparing, posterior
from jetsim.trials.fieldfile import FieldTest, read_field_test

Loaded = tuple[FieldTest, dict[str, np.ndarray] | None]


def add_options(parser: argparse.ArgumentParser) -> None:
    """The option that names a posterior."""
    parser.add_argument("--posterior", type=Path, metavar="FILE.nc", help="draws after a test (default: the priors)")


def load(options: Options) -> Loaded:
    """Read the study file and, after a test, the posterior."""
    test = read_field_test(options.inputs)
    path = options.extra.get("posterior")
    return test, None if path is None else posterior.read_posterior(path, test)


def draws(options: Options) -> int:
    """Common draws."""
    return comparing.QUICK_DRAWS if options.quick else comparing.DRAWS


def plan(loaded: Loaded, options: Options) -> str:
    """What would be run."""
    test, after = loaded
    count = draws(options)
    basis = "the priors" if after is None else "the posterior"
    return (
        f"{test.title}\n{len(test.setups)} set-ups on {count:,} draws of {basis}: {2 * count * len(test.setups):,} runs"
    )


def compute(loaded: Loaded, options: Options) -> Findings:
    """Compare and write it up."""
    test, after = loaded
    compared = comparing.compare(test, draws(options), after)
    files = [] if after is None else [options.extra["posterior"]]
    return Findings(comparing.comparison_report(test, compared, options.system(test.units)), data_files=files)


STUDY = Study(
    "compare_nozzles",
    "Compare set-ups under a declared match: odds of reach, reaction, breakup, and a weighted decision.",
    Path(__file__),
    load,
    plan,
    compute,
    add_options,
    inputs="field_test",
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
