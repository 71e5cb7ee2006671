"""Sentences and lines that every report of throws has: lengths, the match, and what is not known."""

import numpy as np
from numpy.typing import NDArray

from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.document import InputLine
from jetsim.throws import names
from jetsim.throws.question import OWN, FieldTest, in_words, matched_quantity

Array = NDArray[np.float64]


def length(value: float, system: UnitSystem) -> str:
    """A distance or difference in words."""
    return display.both("extreme_reach", value, system)


def match_value(test: FieldTest, system: UnitSystem) -> str:
    """The match with its value."""
    if test.condition == OWN:
        return in_words(test)
    return f"{in_words(test)} of {display.both(matched_quantity(test), test.matched, system)}"


def input_lines(test: FieldTest) -> list[InputLine]:
    """Everything that is not known, with what is believed of it."""
    called = names.called(test)
    return [
        InputLine(called[key], prior.describe(), prior.role, prior.basis, prior.source)
        for key, prior in test.priors.items()
    ]


def group_words(groups: list[list[str]]) -> str:
    """The order, ties joined by an equals sign."""
    return ", then ".join(" = ".join(name.upper() for name in group) for group in groups)
