"""Make the invented department's throws from stated true values with scatter.

Run ``python studies/inputs/make_field_test_throws.py`` from the top folder; it writes ``field_test_throws.csv``
beside it, the same bytes each time. The throws are those of the plan, in its order. Two are marked as excluded, as
they would be on a drill ground.
"""

import sys
from pathlib import Path

import numpy as np

from jetsim.equipment.questions import load_question
from jetsim.throws import planning
from jetsim.throws.question import FieldTestQuestion, field_test
from jetsim.throws.sheet import MODEL_NOTE
from jetsim.throws.synthetic import read_truth, sheet_text, synthetic_readings

HERE = Path(__file__).parent
SEED = 77
KINKED, GUST = 14, 41  # in the run order
EXCLUDED = {KINKED: "line kinked, seen after the throw", GUST: "gust above the wind rule"}


def throws_text() -> str:
    """The filled sheet as CSV text."""
    test = field_test(load_question(HERE / "field_test.toml", FieldTestQuestion))
    truth = read_truth(HERE / "field_test_truth.toml", test)
    order = planning.make_plan(test, planning.BLOCKS, planning.DRAWS).order
    readings = synthetic_readings(test, truth, order, np.random.default_rng(SEED))
    readings["notes"] = [MODEL_NOTE] * len(order)
    readings["observer"] = ["north" if number % 2 else "south" for number in readings["run_order"]]
    readings["excluded"] = ["yes" if number in EXCLUDED else "no" for number in readings["run_order"]]
    readings["exclusion_reason"] = [EXCLUDED.get(number, "") for number in readings["run_order"]]
    readings["wind_speed"][readings["run_order"].index(GUST)] = 1.4 * test.question.largest_wind
    return sheet_text(readings, test.units)


def main() -> int:
    """Write the sheet."""
    (HERE / "field_test_throws.csv").write_bytes(throws_text().encode("utf-8"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
