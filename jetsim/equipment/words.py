"""What every study says of its inputs: what they rest on, and what it states otherwise than the package."""

from typing import Any

from jetsim.equipment.questions import Asked
from jetsim.equipment.reading import Stated
from jetsim.equipment.spaces import label
from jetsim.experiment.parameters import Parameter
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.document import InputLine


def keyed(asked: Asked[Any]) -> dict[str, Parameter]:
    """Every uncertain input of the set-ups once, by its name with its owner."""
    inputs = [asked.inputs(setup) for setup in asked.setups]
    return {one.key(parameter.name): parameter for one in inputs for parameter in one.parameters}


def labelled(asked: Asked[Any]) -> dict[str, Parameter]:
    """Every uncertain input of the set-ups once, by its label."""
    return {label(key, asked.department): parameter for key, parameter in keyed(asked).items()}


def input_lines(asked: Asked[Any]) -> list[InputLine]:
    """Each input of the set-ups once, with its distribution and what that rests on."""
    return [InputLine(words, _distribution(p), p.role, p.basis, p.source) for words, p in labelled(asked).items()]


def _distribution(parameter: Parameter) -> str:
    ties = (f"; tied to {name.replace('_', ' ')} by {weight:+.2g}" for name, weight in parameter.loadings.items())
    return parameter.distribution.describe(parameter.unit) + "".join(ties)


def overrides_sentence(asked: Asked[Any] | None, system: UnitSystem) -> str:
    """What a question states otherwise than the package's table of beliefs; empty where it states nothing."""
    beliefs = asked.question.beliefs if asked is not None else {}
    told = "; ".join(f"{display.short_label(name)} ({_told(name, s, system)})" for name, s in beliefs.items())
    return f"This study states otherwise than the package: {told}." if told else ""


def _told(name: str, stated: Stated, system: UnitSystem) -> str:
    if stated.distribution is not None:
        return stated.distribution.describe(stated.unit)
    return stated.middle if isinstance(stated.middle, str) else display.value(name, stated.middle, system)
