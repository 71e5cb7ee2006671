"""The paired test of a field test's throws: which set-ups differ, and the power that was planned for."""

import numpy as np

from jetsim.experiment import fieldtest
from jetsim.experiment.fieldtest import PairedTest
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.tables import Column, Table
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


def verdict_words(test: FieldTest, pairs: list[PairedTest], system: UnitSystem) -> str:
    """Which pairs differ, by how much, with adjusted p."""
    if not any(pair.blocks for pair in pairs):
        return (
            "No pair can be told apart by this sheet: it has no column block, or no block holds two set-ups, and the "
            "planned test pairs throws by their block."
        )
    apart = [pair for pair in pairs if pair.differs(test.wanted.false_alarm)]
    open_pairs = [pair for pair in pairs if not pair.differs(test.wanted.false_alarm)]
    level = f"{100 * test.wanted.false_alarm:.3g} %"
    lines = [
        f"Paired by block, {len(apart)} of {len(pairs)} pairs differ in {test.wanted.measured} (Holm-adjusted, false "
        f"alarm {level} over all pairs)" + (":" if apart else ".")
    ]
    if apart:
        lines.append(
            "; ".join(_pair_words(pair, test, system) for pair in sorted(apart, key=lambda p: p.adjusted)) + "."
        )
    if open_pairs:
        named = ", ".join(f"{pair.first.upper()} and {pair.second.upper()}" for pair in open_pairs)
        lines.append(f"Not told apart, which does not make them equal: {named}.")
    return " ".join(lines)


def _pair_words(pair: PairedTest, test: FieldTest, system: UnitSystem) -> str:
    far, near, sign = (pair.first, pair.second, 1) if pair.difference > 0 else (pair.second, pair.first, -1)
    ends = sorted((sign * pair.low, sign * pair.high))
    span = display.span("extreme_reach", ends[0], ends[1], system).replace("-", "\N{MINUS SIGN}")
    return (
        f"{far.upper()} beyond {near.upper()} by {display.both('extreme_reach', abs(pair.difference), system)} "
        f"({100 * (1 - test.wanted.false_alarm):.3g} % interval {span}; adjusted p {p_words(pair.adjusted)})"
    )


def p_words(chance: float) -> str:
    """An adjusted p; never zero."""
    return "below 0.001" if chance < 0.001 else f"{chance:.3f}"


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


def tested_table(test: FieldTest, pairs: list[PairedTest], system: UnitSystem) -> Table:
    """Every pair with its test and the power that was planned for."""
    powers = planned_powers(test, pairs)
    wanted = display.both("extreme_reach", test.wanted.difference, system)
    return Table(
        "paired_tests",
        "Every pair by its differences inside blocks",
        (
            Column("first", [test.labels[p.first] for p in pairs]),
            Column("second", [test.labels[p.second] for p in pairs]),
            Column("blocks", [p.blocks for p in pairs]),
            Column("difference", [p.difference for p in pairs], "extreme_reach", "First minus second", interval=True),
            Column("low", [p.low for p in pairs], "extreme_reach", "low", interval=True),
            Column("high", [p.high for p in pairs], "extreme_reach", "high", interval=True),
            Column("adjusted_p", [p.adjusted for p in pairs], label="Adjusted p", decimals=4),
            Column("verdict", ["differ" if p.differs(test.wanted.false_alarm) else "open" for p in pairs]),
            Column("power [%]", [100 * alone for alone, _ in powers], label="Planned power, %", decimals=0),
            Column("power_all [%]", [100 * every for _, every in powers], label="all pairs guarded, %", decimals=0),
        ),
        f"Low and high: {100 * (1 - test.wanted.false_alarm):.3g} % interval of that pair alone. Planned power: chance "
        f"to find a difference of {wanted} with the blocks that count, by the scatter that the study file states; with "
        "all pairs guarded: at the first step of Holm's adjustment, so at least that.",
    )
