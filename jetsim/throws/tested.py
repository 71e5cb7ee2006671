"""The paired test of a field test's throws: which set-ups differ, and the power that was planned for."""

import numpy as np

from jetsim.experiment import fieldtest
from jetsim.experiment.fieldtest import PairedTest
from jetsim.throws import model
from jetsim.throws.question import FieldTest
from jetsim.throws.sheet import Sheet

COLUMN_OF = {"extreme_reach": "farthest_drops", "breakup_distance": "breakup_distance"}
BLOCKS = 1024


def tested(test: FieldTest, sheet: Sheet) -> list[PairedTest]:
    """Test every pair on the measured quantity of the plan, wind and all."""
    counted = sheet.accepted
    readings = counted.numbers[COLUMN_OF[test.wanted.quantity]]
    return fieldtest.paired_tests(counted.setups, counted.numbers["block"], readings, test.wanted.false_alarm)


def planned_powers(test: FieldTest, pairs: list[PairedTest]) -> list[tuple[float, float]]:
    """Power for the wanted difference at the blocks that count: of each pair alone, and at Holm's first step."""
    measured = model.simulate_blocks(test, BLOCKS, np.random.default_rng(test.seed)).measured
    wanted, found = test.wanted, []
    for pair in pairs:
        spread = float((measured[pair.first] - measured[pair.second]).std(ddof=1))
        levels = (wanted.false_alarm, wanted.false_alarm / len(pairs))
        alone, all_pairs = (
            fieldtest.power_closed_form(wanted.difference, spread, pair.blocks, level) if pair.blocks > 1 else np.nan
            for level in levels
        )
        found.append((alone, all_pairs))
    return found


def farthest(test: FieldTest, pairs: list[PairedTest]) -> str | None:
    """The set-up that is tested to go beyond every other one, or None."""
    for name in test.labels:
        own = [pair for pair in pairs if name in (pair.first, pair.second)]
        ahead = [
            pair.differs(test.wanted.false_alarm) and (pair.difference > 0) == (pair.first == name) for pair in own
        ]
        if own and all(ahead):
            return name
    return None
