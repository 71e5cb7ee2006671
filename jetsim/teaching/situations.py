"""Situations to teach with: where the controls stand, and the facts of the answer, by the model itself."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jetsim import units
from jetsim.equipment.crews import drawn_force, share_within
from jetsim.equipment.department import Crew
from jetsim.equipment.questions import Asked
from jetsim.teaching.question import TeachingQuestion
from jetsim.teaching.runs import Rig, middles, needed_pump, one_low, simulated
from jetsim.teaching.tables import BEST, EFFECTIVE, Setting

Array = NDArray[np.float64]

LOW, HIGH, RING, KINKED = "low", "high", "ring", "kinks"
LONGER, HIGHER = float(units.to_si(100.0, "ft")), 2
TARGETED = ("flow_rate", "reaction_force", "extreme_reach")  # told of a stream at its target; no more is flown
_TRIED = 2000


@dataclass(frozen=True, eq=False)
class Situation:
    """A situation of the page.

    Attributes
    ----------
    name : str
    controls : mapping
        Where the controls stand, SI; what it leaves out stands at the target, as laid, at the site's elevation, in
        still air, with nothing wrong.
    facts : mapping
        Numbers (SI) and labels of question and answer.
    """

    name: str
    controls: Mapping[str, Any]
    facts: Mapping[str, Any]


def situations_of(asked: Asked[TeachingQuestion], rigs: Sequence[Rig]) -> list[Situation]:
    """All situations that this department's set-ups can show."""
    found: list[Situation] = []
    lined = next((number for number, rig in enumerate(rigs) if rig.lined), None)
    if lined is not None:
        found += [_mistake(LOW, rigs, lined), *_stretched(rigs, lined)]
    found += [_raised(rigs), *_windy(rigs), *_pair(rigs)]
    ring = next((number for number, rig in enumerate(rigs) if rig.lined and rig.has_ring), None)
    if ring is not None:
        found.append(_mistake(RING, rigs, ring))
    if lined is not None:
        found.append(_mistake(KINKED, rigs, lined))
        found += list(_limited(asked, rigs, lined))
    return found


def at_target(rig: Rig) -> Setting:
    """A set-up at its own target, as laid, at the site's elevation, in still air."""
    pressure = needed_pump(rig, rig.length, 0) if rig.lined else rig.target
    return Setting(pressure, rig.setup.site.elevation.middle, 0.0, rig.length)


def _mistake(kind: str, rigs: Sequence[Rig], number: int) -> Situation:
    """One mistake: what is believed beside what is delivered."""
    rig, set_ = rigs[number], at_target(rigs[number])
    slipped = {LOW: rig.question.pump_error}.get(kind, 0.0)
    wrong = replace(set_, pressure=set_.pressure - slipped, kinked=kind == KINKED)
    (believed,) = middles(rig, set_, outputs=TARGETED)
    (delivered,) = middles(one_low(rig) if kind == RING else rig, wrong, outputs=TARGETED)
    facts: dict[str, Any] = {f"{name}_believed": value for name, value in believed.items()}
    facts |= delivered
    facts |= {"label": rig.setup.label, "error": rig.question.pump_error}
    return Situation(kind, {"setups": [number], "mistake": kind}, facts)


def _stretched(rigs: Sequence[Rig], number: int) -> Iterator[Situation]:
    """More hose and more floors for the same stream; nothing where the controls leave no room."""
    rig = rigs[number]
    length = min(rig.length + LONGER, rig.question.lengths[1])
    floor = min(HIGHER, rig.question.floors[1])
    if length <= rig.length or floor < 1:
        return
    before, longer, both = (needed_pump(rig, a, b) for a, b in ((rig.length, 0), (length, 0), (length, floor)))
    facts = {"label": rig.setup.label, "more": length - rig.length, "floors": floor, "before": before}
    facts |= {"needed": both, "hose": longer - before, "lift": both - longer, "most": rig.most}
    yield Situation("stretch", {"setups": [number], "length": length, "floor": floor}, facts)


def _raised(rigs: Sequence[Rig]) -> Situation:
    """Elevations at which the extreme and the effective reach are longest."""
    rig = rigs[0]
    low, high = rig.question.elevation
    tried = np.arange(np.ceil(low), np.floor(high) + 1)
    reaches = ("extreme_reach", EFFECTIVE)
    each = middles(rig, *(replace(at_target(rig), elevation=float(one)) for one in tried), outputs=reaches)
    found = {name: [one[name] for one in each] for name in reaches}
    far, good = (int(np.argmax(found[name])) for name in ("extreme_reach", EFFECTIVE))
    facts = {"label": rig.setup.label, "far_at": tried[far], "good_at": tried[good]}
    facts |= {"far": found["extreme_reach"][far], "good": found[EFFECTIVE][good], "good_there": found[EFFECTIVE][far]}
    return Situation("raise", {"setups": [0], "elevation": float(tried[far])}, facts)


def _windy(rigs: Sequence[Rig]) -> Iterator[Situation]:
    """The strongest head wind of the control, extreme and effective reach; nothing where it blows from behind."""
    rig, wind = rigs[0], rigs[0].question.wind_along[0]
    if wind >= 0:
        return
    reaches = ("extreme_reach", BEST)
    still, windy = middles(rig, at_target(rig), replace(at_target(rig), wind=wind), outputs=reaches)
    lost = {name: 1 - windy[name] / still[name] for name in reaches}
    facts = {"label": rig.setup.label, "wind": -wind, "far_lost": lost["extreme_reach"], "good_lost": lost[BEST]}
    yield Situation("wind", {"setups": [0], "wind": wind}, facts)


def _pair(rigs: Sequence[Rig]) -> Iterator[Situation]:
    """The first set-up beside the first one with another nozzle, each at its own target."""
    other = next(
        (n for n, rig in enumerate(rigs) if rig.setup.owners["nozzle"] != rigs[0].setup.owners["nozzle"]), None
    )
    if other is None:
        return
    (first,), (second,) = (simulated(rig, at_target(rig), outputs=TARGETED) for rig in (rigs[0], rigs[other]))
    farther = first["extreme_reach"][1:] > second["extreme_reach"][1:]
    facts: dict[str, Any] = {"label": rigs[0].setup.label, "other": rigs[other].setup.label}
    facts |= {"share": float(farther.mean()), "draws": int(farther.size)}
    for key, found in (("first", first), ("second", second)):
        facts |= {f"{key}_flow": float(found["flow_rate"][0]), f"{key}_reaction": float(found["reaction_force"][0])}
    yield Situation("pair", {"setups": [0, other]}, facts)


def _limited(asked: Asked[TeachingQuestion], rigs: Sequence[Rig], number: int) -> Iterator[Situation]:
    """The pump pressure at which the force reaches the limit of the smallest crew; nothing where nobody states one."""
    crews = list(asked.department.crews.values())
    limited = [(crew.firefighters, place) for place, crew in enumerate(crews) if crew.limit is not None]
    if not limited:
        return
    rig, place = rigs[number], min(limited)[1]
    crew = crews[place]
    pressure = _pressure_of(rig, crew)
    pump = float(rig.model(rig.length).actual(rig.fixed).pump_pressure(pressure)) if np.isfinite(pressure) else np.inf
    facts = {"label": rig.setup.label, "firefighters": crew.firefighters, "limit": crew.limit, "most": rig.most}
    facts |= {"pump": pump, "nozzle": pressure}
    if pump <= rig.most and pressure >= rig.question.least_nozzle_pressure:
        facts["within"] = share_within(crew, drawn_force(crew, rig.model(), rig.draws)(pressure))
        yield Situation("crew", {"setups": [number], "crew": place, "pressure": pump}, facts)


def _pressure_of(rig: Rig, crew: Crew) -> float:
    """Nozzle pressure at which the force by the limit's formula reaches the limit [Pa]."""
    assert crew.limits is not None
    tried = np.geomspace(1e4, 5e6, _TRIED)
    force = crew.limits.force(rig.model().nozzle({}), tried)
    return float(np.interp(crew.limit or 0.0, force, tried, right=np.inf))
