"""What every study says of its inputs: what they rest on, and what it states otherwise than the package."""

from collections.abc import Callable
from typing import Any

from jetsim.equipment.department import SetUp
from jetsim.equipment.questions import Asked
from jetsim.equipment.reading import Stated
from jetsim.experiment.parameters import Parameter
from jetsim.quantities import UnitSystem
from jetsim.report import display, glossary
from jetsim.report.methods import stream_laws
from jetsim.stream import Stream


def labelled(asked: Asked[Any], call: Callable[[str], str] = display.label) -> dict[str, Parameter]:
    """Every uncertain input of the set-ups once, by its technical name, or as `call` names it, and whose it is."""
    found = {}
    for setup in asked.setups:
        inputs = asked.inputs(setup)
        for parameter in inputs.parameters:
            name = parameter.name
            owner = setup.label if name in inputs.own else owner_label(inputs.owners.get(name), setup)
            found[f"{call(name)}: {owner}" if owner else call(name)] = parameter
    return found


def owner_label(owner: str | None, setup: SetUp) -> str:
    """What the entry that owns an input is called; empty without one."""
    if owner is None:
        return ""
    return setup.labels.get(owner.partition(".")[0].removesuffix("s"), setup.label)


def in_trade_words(asked: Asked[Any]) -> dict[str, Parameter]:
    """The same by what the trade calls it."""
    return labelled(asked, glossary.trade)


def laws(asked: Asked[Any], *more: str) -> list[str]:
    """Keys of the laws that the set-ups use, for the methods, and of further ones."""
    drag = {str(asked.inputs(setup).medians.get("drag_model", Stream.drag_model)) for setup in asked.setups}
    return stream_laws(sorted(drag), "nozzle kinds", "supply", *more)


def overrides_sentence(asked: Asked[Any] | None, system: UnitSystem) -> str:
    """What a question states otherwise than the package's table of beliefs; empty where it states nothing."""
    beliefs = asked.question.beliefs if asked is not None else {}
    told = "; ".join(f"{display.trade(name)} ({_told(name, s, system)})" for name, s in beliefs.items())
    return f"This study states otherwise than the package: {told}." if told else ""


def _told(name: str, stated: Stated, system: UnitSystem) -> str:
    if stated.distribution is not None:
        return stated.distribution.describe(display.unit_label(name, system) or "1")
    return stated.middle if isinstance(stated.middle, str) else display.value(name, stated.middle, system)
