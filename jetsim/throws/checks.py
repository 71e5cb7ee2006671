"""What the throws of a test may be: its plan, and readings that cannot be together by physics."""

from jetsim.throws import model
from jetsim.throws.question import FieldTest
from jetsim.throws.sheet import SheetRules


def sheet_rules(test: FieldTest) -> SheetRules:
    """What the plan lets a throw be."""
    question = test.question
    return SheetRules(
        model.target_pressures(test),
        question.match.tolerance,
        question.largest_wind,
        test.ground.last_mark,
        {label: name for name, label in test.labels.items()},
        test.ground.throw_bearing,
    )
