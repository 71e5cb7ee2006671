"""Sentences and lines that every report of throws has: lengths, the match, and what is not known."""

import numpy as np
from numpy.typing import NDArray

from jetsim import findings
from jetsim.equipment.words import overrides_sentence
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.document import InputLine
from jetsim.throws import names
from jetsim.throws.question import OWN, FieldTest, in_words, matched_quantity
from jetsim.throws.reading import Overlay

Array = NDArray[np.float64]

MODEL_MADE = (
    "Practice data: these throws were made by this very model, so what is found tests the arithmetic and says nothing "
    "about real nozzles."
)


def inside(over: Overlay) -> str:
    """How many throws lie inside the bands of a prediction."""
    return f"{int(over.inside.sum())} of {int(np.isfinite(over.measured).sum())}"


def length(value: float, system: UnitSystem) -> str:
    """A distance or difference in words."""
    return display.value("extreme_reach", value, system)


def said(value: float, system: UnitSystem) -> str:
    """A distance or difference as it is said at a briefing."""
    return display.spoken("extreme_reach", value, system)


def match_value(test: FieldTest, system: UnitSystem) -> str:
    """The match with its value."""
    if test.condition == OWN:
        return in_words(test)
    return f"{in_words(test)} of {display.value(matched_quantity(test), test.matched, system)}"


def input_lines(test: FieldTest, system: UnitSystem) -> list[InputLine]:
    """Everything that is not known, with what is believed of it."""
    called = names.called(test)
    return findings.input_lines({called[key]: prior for key, prior in test.priors.items()}, system)


def key_words(test: FieldTest) -> str:
    """The key of the letters that sentences call set-ups by."""
    return f"Set-ups: {'; '.join(test.labels.values())}."


def resting(test: FieldTest) -> str:
    """What the inputs rest on."""
    called = names.called(test)
    return findings.standing_sentence({called[key]: prior for key, prior in test.priors.items()})


def otherwise(test: FieldTest, system: UnitSystem) -> list[str]:
    """What the question states otherwise than the package, as a notice."""
    said = overrides_sentence(test.asked, system)
    return [said] if said else []


def group_words(groups: list[list[str]]) -> str:
    """The order, ties joined by an equals sign."""
    return ", then ".join(" = ".join(name.upper() for name in group) for group in groups)
