"""What the page is handed: set-ups with their tables, controls, crews, situations, words of both editions."""

from collections.abc import Mapping, Sequence
from typing import Any, get_args

import numpy as np

from jetsim.equipment.department import Crew
from jetsim.equipment.questions import Asked
from jetsim.flags import trade_words
from jetsim.quantities import UnitSystem
from jetsim.report.teaching import packed, shown_units
from jetsim.teaching import words
from jetsim.teaching.accuracy import Check, highest
from jetsim.teaching.question import TeachingQuestion
from jetsim.teaching.runs import Rig, needed_pump
from jetsim.teaching.situations import Situation
from jetsim.teaching.tables import ENDS, TOLD, Axis, Tables

SYSTEMS: tuple[UnitSystem, ...] = get_args(UnitSystem)
# Quantity of each control and number that the page shows.
SHOWN = {
    "pump": "supply.pump_pressure",
    "nozzle": "nozzle_pressure",
    "flow": "flow_rate",
    "force": "reaction_force",
    "distance": "extreme_reach",
    "length": "supply.hose_length",
    "wind": "wind_along",
    "elevation": "elevation",
}
# Steps of a control in each edition, in its display unit.
STEPS = {
    "us": {"pump": 1, "nozzle": 1, "length": 10, "wind": 1},
    "si": {"pump": 0.1, "nozzle": 0.1, "length": 5, "wind": 0.5},
}


def page_data(
    asked: Asked[TeachingQuestion],
    rigs: Sequence[Rig],
    tables: Sequence[Tables],
    low: Mapping[int, Tables],
    situations: Sequence[Situation],
    checks: Sequence[Check],
) -> dict[str, Any]:
    """Everything that the page's script reads.

    Parameters
    ----------
    asked : Asked
    rigs : sequence of Rig
    tables : sequence of Tables
    low : mapping of int to Tables
        Of set-ups with a ring, by number: with the ring one setting low.
    situations : sequence of Situation
    checks : sequence of Check
    """
    question = asked.question
    return {
        "setups": [_setup(rig, tables[n], low.get(n)) for n, rig in enumerate(rigs)],
        "crews": [_crew(crew) for crew in asked.department.crews.values()],
        "controls": _controls(question, rigs),
        "least": question.least_nozzle_pressure,
        "floor_height": question.floor_height,
        "error": question.pump_error,
        "told": TOLD,
        "ends": ENDS,
        "draws": question.base_samples,
        "units": {name: shown_units(quantity) for name, quantity in SHOWN.items()},
        "steps": STEPS,
        "edition": asked.units,
        "mistakes": {system: words.mistakes(question, system) for system in SYSTEMS},
        "situations": [{"controls": s.controls, **{e: words.told(s, e) for e in SYSTEMS}} for s in situations],
        "accuracy": words.accuracy_sentence(checks),
        "flags": trade_words(),
    }


def _controls(question: TeachingQuestion, rigs: Sequence[Rig]) -> dict[str, list[float]]:
    """Ends of the sliders, SI."""
    lined = [rig for rig in rigs if rig.lined]
    bare = [rig for rig in rigs if not rig.lined]
    ends: dict[str, Sequence[float]] = {
        "elevation": question.elevation,
        "wind": question.wind_along,
        "length": question.lengths,
        "floor": question.floors,
    }
    if lined:
        low = min(_least_pump(rig) for rig in lined)
        ends["pump"] = [low, max(highest(rig) for rig in lined)]
    if bare:
        ends["nozzle"] = [question.least_nozzle_pressure, max(highest(rig) for rig in bare)]
    return {name: [float(end) for end in pair] for name, pair in ends.items()}


def _least_pump(rig: Rig) -> float:
    """Pump pressure that gives the least nozzle pressure that is told, as laid [Pa]."""
    return float(rig.model().actual(rig.fixed).pump_pressure(rig.question.least_nozzle_pressure))


def _setup(rig: Rig, tables: Tables, low: Tables | None) -> dict[str, Any]:
    setup, nozzle = rig.setup, rig.model().nozzle({})
    crews = {} if setup.crew is None else {"crew": setup.crew.label}
    pump = setup.pump
    fed = setup.line.sections[0].nozzles_fed if setup.line else 1
    hose = setup.hoses[setup.line.sections[0].hose].maximum_pressure if setup.line else None
    most = {
        "pump": highest(rig),
        "stated": pump is not None,
        "flow": pump.maximum_flow / fed if pump and pump.maximum_flow else None,
        "nozzle": None if nozzle.maximum_pressure is None else float(np.asarray(nozzle.maximum_pressure)),
        "hose": hose,
    }
    return {
        "label": setup.label,
        "what": " \N{MIDDLE DOT} ".join(
            setup.labels[key] for key in ("nozzle", "shutoff", "line") if key in setup.labels
        ),
        **crews,
        "lined": rig.lined,
        "length": rig.length,
        "target": rig.target,
        "needed": needed_pump(rig, rig.length, 0) if rig.lined else rig.target,
        "most": most,
        "tables": _tables(tables),
        **({"low": _tables(low)} if low else {}),
    }


def _crew(crew: Crew) -> dict[str, Any]:
    limits = crew.limits
    stated = {} if limits is None else {"limit": crew.limit, "formula": limits.formula, "source": limits.source}
    return {"label": crew.label, "firefighters": crew.firefighters, **stated}


def _axis(axis: Axis) -> dict[str, Any]:
    return {"nodes": axis.nodes.tolist(), "log": axis.log, "stencils": axis.stencils.tolist()}


def _tables(tables: Tables) -> dict[str, Any]:
    """One set of tables: long ones packed; numbers of the middle as they are, of draws to one part in 65,000."""
    supply = tables.supply
    parts: dict[str, Any] = {
        "axes": [_axis(a) for a in (tables.pressure, tables.elevation, tables.wind)],
        "coarse": [_axis(a) for a in tables.coarse],
        "flat": {name: packed(table) for name, table in tables.flat.items()},
        "excess": tables.excess.tolist(),
        "middle": {name: packed(table) for name, table in tables.middle.items()},
        "departures": {name: packed(table, short=True) for name, table in tables.departures.items()},
        "site": tables.site,
        "flags": packed(tables.flags),
        "path": packed(tables.path, short=True),
    }
    if supply is not None:
        parts["supply"] = {name: packed(getattr(supply, name)) for name in ("base", "longer", "kinks", "higher")}
        parts["supply"]["shortest"] = supply.shortest
    return parts
