"""Make the invented department's throws from stated true values with scatter.

Run ``python studies/inputs/make_field_test_throws.py`` from the top folder; it writes ``field_test_throws.csv``
beside it, the same bytes each time. Two throws are marked as excluded, as they would be on a drill ground.
"""

import sys
from pathlib import Path

import numpy as np

from jetsim.trials.fieldfile import read_field_test
from jetsim.trials.synthetic import read_truth, sheet_text, synthetic_readings

HERE = Path(__file__).parent
BLOCKS, SEED = 12, 77
EXCLUDED = {14: "line kinked, seen after the throw", 41: "gust above the wind rule"}


def main() -> int:
    """Write the sheet."""
    test = read_field_test(HERE / "field_test.toml")
    truth = read_truth(HERE / "field_test_truth.toml", test)
    readings = synthetic_readings(test, truth, BLOCKS, np.random.default_rng(SEED))
    readings["observer"] = ["north" if number % 2 else "south" for number in readings["run_order"]]
    readings["excluded"] = ["yes" if number in EXCLUDED else "no" for number in readings["run_order"]]
    readings["exclusion_reason"] = [EXCLUDED.get(number, "") for number in readings["run_order"]]
    (HERE / "field_test_throws.csv").write_bytes(sheet_text(readings, test.units).encode("utf-8"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
