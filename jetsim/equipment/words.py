"""What every study says of its inputs: what they rest on, and what it states otherwise than the package."""

from typing import Any

from jetsim.equipment.learnt import HALF, MEASURED
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


def input_lines(asked: Asked[Any]) -> list[InputLine]:
    """Each input of the set-ups once, with its distribution and what that rests on."""
    return [
        InputLine(label(key, asked.department), _distribution(p), p.role, p.basis, p.source)
        for key, p in keyed(asked).items()
    ]


def _distribution(parameter: Parameter) -> str:
    ties = (f"; tied to {name.replace('_', ' ')} by {weight:+.2g}" for name, weight in parameter.loadings.items())
    return parameter.distribution.describe(parameter.unit) + "".join(ties)


def standing_sentence(asked: Asked[Any]) -> str:
    """Which inputs are measured, half learnt or believed; what the weather and the crew do is neither."""
    unknown = {key: p for key, p in keyed(asked).items() if p.role == "unknown"}
    standing = asked.learnt.standing if asked.learnt is not None else {}
    measured = [key for key, p in unknown.items() if p.basis == "measured" or standing.get(key) == MEASURED]
    half = [key for key in unknown if standing.get(key) == HALF]
    if not measured and not half:
        return f"None of the {len(unknown)} inputs that nobody sets was measured: all are as believed."
    parts = [
        f"{word}: {'; '.join(label(key, asked.department) for key in keys)}"
        for word, keys in (("Measured", measured), ("Half learnt", half))
        if keys
    ]
    rest = len(unknown) - len({*measured, *half})
    return f"{'. '.join(parts)}. As believed: the other {rest} inputs that nobody sets."


def overrides_sentence(asked: Asked[Any], system: UnitSystem) -> str:
    """What a question states otherwise than the package's table of beliefs; empty where it states nothing."""
    beliefs = asked.question.beliefs
    told = "; ".join(f"{display.short_label(name)} ({_told(name, s, system)})" for name, s in beliefs.items())
    return f"This study states otherwise than the package: {told}." if told else ""


def _told(name: str, stated: Stated, system: UnitSystem) -> str:
    if stated.distribution is not None:
        return stated.distribution.describe(stated.unit)
    return stated.middle if isinstance(stated.middle, str) else display.value(name, stated.middle, system)
