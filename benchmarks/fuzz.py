"""Spoil department files and count what becomes of them: refused in lines that name a place, or flown.

Run ``python benchmarks/fuzz.py [--examples N]``. Every count of the last three rows must be zero.
"""

import argparse
import sys
import time
import warnings
from collections import Counter
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, Phase, given, settings

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.command import run
from jetsim.equipment.department import read_department
from jetsim.equipment.setups_table import middle_of
from jetsim.errors import InputError, InputFileError
from jetsim.experiment.tables import load_toml
from tests.fuzzing import spoilt

DEMO = Path(__file__).resolve().parents[1] / "studies" / "inputs" / "department.toml"
WORDS = ("refused", "flown", "other errors", "lines without a place", "refusals of over a second")


def outcome(content: dict[str, object]) -> list[str]:
    """What becomes of one spoilt file."""
    start = time.perf_counter()
    try:
        department = read_department(content, "d.toml")
        for setup in department.setups[:2]:
            values = middle_of(setup, None)
            assert np.isfinite(values["flow_rate"])
    except InputError as error:
        lines = error.lines if isinstance(error, InputFileError) else (str(error),)
        bad = any("\n" in line or "«" in line for line in lines)
        slow = time.perf_counter() - start > 1.0
        return ["refused", *([WORDS[3]] if bad else []), *([WORDS[4]] if slow else [])]
    except Exception as error:  # anything else is what is looked for
        print(f"{type(error).__name__}: {error}", file=sys.stderr)
        return [WORDS[2]]
    return ["flown"]


def main() -> int:
    """Spoil, count and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=10_000)
    parser.add_argument("--quick", action="store_true", help="60 examples")
    options = parser.parse_args()
    counts: Counter[str] = Counter()

    @settings(
        max_examples=60 if options.quick else options.examples,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(spoilt(load_toml(DEMO)))
    def count(content: dict[str, object]) -> None:
        counts.update(outcome(content))

    warnings.simplefilter("error")
    count()
    for word in WORDS:
        print(f"{word:28} {counts[word]:8,}")
    return 1 if any(counts[word] for word in WORDS[2:]) else 0


if __name__ == "__main__":
    sys.exit(run(main))
