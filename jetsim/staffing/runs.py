"""Flow against staffing: the highest flow within each crew's stated limit, windows of pump pressure, and latitude."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from jetsim.equipment.crews import drawn_force, share_within
from jetsim.equipment.department import Crew, SetUp
from jetsim.equipment.model import NOZZLE, SetUpModel, run_each
from jetsim.equipment.questions import Asked
from jetsim.equipment.setups_table import STILL
from jetsim.errors import InputError
from jetsim.hydraulics.hoseline import HoseLine
from jetsim.hydraulics.nozzle_kinds import Nozzle, SelectableFlow
from jetsim.hydraulics.operating_point import operating_point
from jetsim.hydraulics.required_pressure import required_pump_pressure
from jetsim.quantities import quantity
from jetsim.staffing.question import CrewQuestion, limited_crews

Array = NDArray[np.float64]
Question = Asked[CrewQuestion]

OUTPUTS = ("flow_rate", "effective_reach_at_best", "extreme_reach")
REACH = "effective_reach_at_best"
LIMIT, NOZZLE_MOST, PUMP_MOST, FLOW_MOST, HOSE_MOST = (
    "the stated limit",
    "the nozzle's stated maximum pressure",
    "the pump's maximum pressure",
    "the pump's maximum flow",
    "the hose's stated maximum pressure",
)
_HALVINGS, _ROUNDING = 60, 1e-12
# Pump pressures tried for the ends of the fit, over the target's own, in steps of one part in 64.
_TRIED = np.arange(16, 129) / 64
_ENDS = (0.05, 0.95)


def highest(holds: Callable[[float], bool], most: float) -> float:
    """The highest pressure [Pa] up to `most` at which what holds at low pressure still holds; 0 where it never does."""
    if holds(most):
        return most
    low, high = 0.0, most
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


@dataclass(frozen=True, eq=False)
class Rig:
    """A set-up with its model, as believed: everything unknown at its median, SI.

    Attributes
    ----------
    model : SetUpModel
    draws : mapping of str to ndarray, shape (n,)
        Of its uncertain inputs, common to all rigs.
    """

    model: SetUpModel
    draws: Mapping[str, Any]

    @property
    def setup(self) -> SetUp:
        """What it is."""
        return self.model.setup

    @cached_property
    def nozzle(self) -> Nozzle:
        """As believed."""
        return self.model.nozzle({})

    @cached_property
    def line(self) -> HoseLine | None:
        """As believed."""
        return self.setup.hose_line(self.model.fixed)

    def flow(self, pressure: ArrayLike) -> Array:
        """Flow at a nozzle pressure."""
        return self.nozzle.flow(pressure, self.model.density)

    @property
    def target_flow(self) -> float:
        """Flow at the set-up's own target."""
        return float(self.flow(self.model.target_pressure))

    def pump(self, pressure: float) -> float:
        """Pump pressure that gives a nozzle pressure; NaN without a line."""
        if self.line is None or not np.isfinite(pressure):
            return np.nan
        density, flow = self.model.density, self.flow(pressure)
        return float(required_pump_pressure(self.line, self.nozzle, flow=flow, density=density).pump_pressure)

    def ceilings(self) -> dict[str, float]:
        """Highest nozzle pressure that each stated maximum lets through [Pa]; only those that are stated."""
        found, most, pump = {}, quantity(NOZZLE).high, self.setup.pump
        if self.nozzle.maximum_pressure is not None:
            found[NOZZLE_MOST] = float(np.asarray(self.nozzle.maximum_pressure))
        if self.line is not None and pump is not None:
            at_most = operating_point(pump.maximum_pressure, self.line, self.nozzle, self.model.density)
            found[PUMP_MOST] = float(at_most.nozzle_pressure)
            if pump.maximum_flow is not None:
                one = pump.maximum_flow / self.line.sections[0].nozzles_fed
                found[FLOW_MOST] = float(self.nozzle.pressure(one, self.model.density))
        if self.line is not None:
            found[HOSE_MOST] = highest(self._within_hoses, min([most, *found.values()]))
        return found

    def _within_hoses(self, pressure: float) -> bool:
        assert self.line is not None
        if pressure <= 0:
            return True
        return not self.line.above_maximum(self.pump(pressure), self.flow(pressure), self.model.density).any()


@dataclass(frozen=True, eq=False)
class Fit:
    """What a set-up gives within the limit that is stated for a crew, SI.

    Attributes
    ----------
    rig : Rig
    crew : Crew
    pressure, flow, pump : float
        Highest within the limit and all stated maxima, by the limit's own formula; pump pressure NaN without a line.
    held_by : str
        What keeps it from more.
    reach, extreme : float
        Effective reach at the best elevation and extreme reach there.
    chance : float
        Of being within the limit with the measured excess of force, there.
    careful : float
        Highest flow at which that chance is as high as is wanted.
    own_force : float
        At the set-up's own target, by the limit's formula.
    window : tuple of float
        Pump pressures between which the flow that is wanted and the limit hold together; NaN where there are none,
        or no line.
    under, over : float
        How far the pump may be set below and above what the set-up's own target needs before flow or limit is lost;
        negative where it is lost at the target already; NaN without a line.
    """

    rig: Rig
    crew: Crew
    pressure: float
    flow: float
    pump: float
    held_by: str
    reach: float
    extreme: float
    chance: float
    careful: float
    own_force: float
    window: tuple[float, float]
    under: float
    over: float

    @property
    def careful_pressure(self) -> float:
        """At the nozzle, of the careful flow [Pa]."""
        return float(self.rig.nozzle.pressure(self.careful, self.rig.model.density))

    @property
    def meets(self) -> bool:
        """Whether flow and limit hold together somewhere."""
        return bool(np.isfinite(self.window[0]))


@dataclass(frozen=True, eq=False)
class Matched:
    """A set-up under a match: at its own target, or at its highest flow within one crew's limit; SI.

    Attributes
    ----------
    rig : Rig
    match : str
    pressure, flow, force : float
        Force by the limit's formula.
    reach : ndarray, shape (n,)
        Effective reach at the best elevation over common draws.
    """

    rig: Rig
    match: str
    pressure: float
    flow: float
    force: float
    reach: Array


@dataclass(frozen=True, eq=False)
class Setting:
    """One setting of a ring, believed and delivered; SI.

    Attributes
    ----------
    rig : Rig
    setting : float
        Rated flow of the setting: what is believed at the rated pressure.
    reaction : float
        At the rated pressure, by the formula.
    delivered, delivered_reaction : float
        With the ring there at the pump pressure that the set-up's own setting needs; NaN without a line.
    light : float
        Flow at a third of `reaction`.
    light_pressure : float
        Nozzle pressure there.
    """

    rig: Rig
    setting: float
    reaction: float
    delivered: float
    delivered_reaction: float
    light: float
    light_pressure: float


@dataclass(frozen=True, eq=False)
class Found:
    """Everything the study found.

    Attributes
    ----------
    rigs : sequence of Rig
    crews : mapping of str to Crew
    fits : sequence of Fit
        Crew by crew, each with all set-ups.
    fitted : mapping of str to tuple of float
        Set-up to the pump pressures (nozzle pressures without a line) between which no law leaves its fit; NaN where
        it has left it at the target already.
    matches : sequence of Matched
    settings : sequence of Setting
    validity : ndarray of int
        Flags of all runs.
    """

    rigs: Sequence[Rig]
    crews: Mapping[str, Crew]
    fits: Sequence[Fit]
    fitted: Mapping[str, tuple[float, float]]
    matches: Sequence[Matched]
    settings: Sequence[Setting]
    validity: NDArray[np.int16]


def find(asked: Question, executor: Executor | None = None) -> Found:
    """Run everything; each set-up's flights are a piece of work for `executor`, if there is one.

    Raises
    ------
    InputError
        A target outside the pump's reach, or a crew without a stated limit.
    """
    crews = crews_of(asked)
    rigs = rigs_of(asked)
    fits = [fit(asked.question, rig, crew) for crew in crews.values() for rig in rigs]
    fits = _with_reach(fits, executor)
    matched = crews[asked.question.matched_crew or next(iter(crews))]
    matches, flags = _matches([f for f in fits if f.crew is matched], executor)
    settings = [setting for rig in rigs for setting in settings_of(rig)]
    fitted = {rig.setup.name: fitted_between(rig) for rig in rigs}
    return Found(rigs, crews, fits, fitted, matches, settings, flags)


def crews_of(asked: Question) -> dict[str, Crew]:
    """See `limited_crews`; errors name the question's file."""
    try:
        return limited_crews(asked.question, asked.department)
    except InputError as error:
        raise InputError(f"{asked.path}: {error}") from None


def rigs_of(asked: Question) -> list[Rig]:
    """Every set-up with its draws.

    Raises
    ------
    InputError
        A target outside the pump's reach; the best achievable is named.
    """
    return [Rig(model, own) for model, own in asked.drawn(OUTPUTS, ("supply.crew_force",))]


# --------------------------------------------------------------------------------------------------------
# Within a limit


def fit(question: CrewQuestion, rig: Rig, crew: Crew) -> Fit:
    """The highest flow within a crew's limit, and what surrounds it; the reach is still missing."""
    assert crew.limits is not None
    limits, count, most = crew.limits, crew.firefighters, quantity(NOZZLE).high
    ceilings = rig.ceilings()
    ceilings[LIMIT] = highest(lambda p: bool(limits.within(limits.force(rig.nozzle, p), count)), most)
    held_by = min(ceilings, key=lambda name: (ceilings[name], name != LIMIT))
    pressure = ceilings[held_by]

    drawn = drawn_force(crew, rig.model, rig.draws)

    def chance(p: float) -> float:
        return share_within(crew, drawn(p))

    careful = min(pressure, highest(lambda p: chance(p) >= question.probability, most))
    wanted = question.target_flow or rig.target_flow
    least = float(rig.nozzle.pressure(wanted, rig.model.density))
    low, own, high = (rig.pump(p) for p in (least, rig.model.target_pressure, pressure))
    return Fit(
        rig,
        crew,
        pressure,
        float(rig.flow(pressure)),
        high,
        held_by,
        np.nan,
        np.nan,
        chance(pressure),
        float(rig.flow(careful)),
        float(limits.force(rig.nozzle, rig.model.target_pressure)),
        (low, high) if low <= high * (1 + _ROUNDING) else (np.nan, np.nan),
        _apart(own, low),
        _apart(high, own),
    )


def _apart(high: float, low: float) -> float:
    """A difference of pressures, without what rounding leaves of nothing."""
    return 0.0 if abs(high - low) <= _ROUNDING * abs(low) else high - low


def _with_reach(fits: Sequence[Fit], executor: Executor | None) -> list[Fit]:
    """The same with the reach at each, everything at its median and in still air."""
    by_rig: dict[str, list[Fit]] = {}
    for one in fits:
        by_rig.setdefault(one.rig.setup.name, []).append(one)
    asked = [_in_still_air(several[0].rig, [one.pressure for one in several]) for several in by_rig.values()]
    reached = {}
    for several, result in zip(by_rig.values(), run_each(asked, executor), strict=True):
        for row, one in enumerate(several):
            reached[id(one)] = float(result[REACH][row]), float(result["extreme_reach"][row])
    return [replace(one, reach=reached[id(one)][0], extreme=reached[id(one)][1]) for one in fits]


def at_medians(rig: Rig, pressures: ArrayLike, outputs: tuple[str, ...] = OUTPUTS) -> xr.Dataset:
    """Streams at nozzle pressures [Pa], shape (n,), everything at its median and in still air."""
    model, samples = _in_still_air(rig, pressures, outputs)
    return model(samples)


def _in_still_air(rig: Rig, pressures: ArrayLike, outputs: tuple[str, ...] = OUTPUTS) -> tuple[SetUpModel, xr.Dataset]:
    model = replace(rig.model, fixed={**rig.model.fixed, **STILL}, outputs=outputs)
    return model, xr.Dataset({NOZZLE: ("sample", np.asarray(pressures, dtype=float))})


def fitted_between(rig: Rig) -> tuple[float, float]:
    """Pump pressures (nozzle pressures without a line) around the target's between which no law leaves its fit [Pa]."""
    pressures = rig.model.target_pressure * _TRIED
    good = at_medians(rig, pressures, ("flow_rate",))["validity"].values == 0
    place = int(np.searchsorted(_TRIED, 1.0))
    if not good[place]:
        return np.nan, np.nan
    low = place - int(np.argmin(good[place::-1])) + 1 if not good[: place + 1].all() else 0
    high = place + int(np.argmin(good[place:])) - 1 if not good[place:].all() else good.size - 1
    ends = pressures[[low, high]]
    return (float(ends[0]), float(ends[1])) if rig.line is None else (rig.pump(ends[0]), rig.pump(ends[1]))


# --------------------------------------------------------------------------------------------------------
# Matched set-ups, and rings


OWN, HIGHEST = "own target", "highest flow within the limit"


def _matches(fits: Sequence[Fit], executor: Executor | None) -> tuple[list[Matched], NDArray[np.int16]]:
    """Each set-up at its own target, and at its highest flow within one crew's limit, on common draws."""
    cases = [(match, one, one.rig.model.target_pressure if match == OWN else one.pressure)
             for match in (OWN, HIGHEST) for one in fits]  # fmt: skip
    results = run_each([_held(one.rig, pressure) for _, one, pressure in cases], executor)
    found = [_matched(*case, runs[REACH].values) for case, runs in zip(cases, results, strict=True)]
    return found, np.concatenate([runs["validity"].values for runs in results])


def _held(rig: Rig, pressure: float) -> tuple[SetUpModel, xr.Dataset]:
    """A set-up held at a nozzle pressure, and its draws."""
    draws = {name: ("sample", values) for name, values in rig.draws.items()}
    return replace(rig.model, fixed={**rig.model.fixed, NOZZLE: pressure}), xr.Dataset(draws)


def _matched(match: str, one: Fit, pressure: float, reach: Array) -> Matched:
    assert one.crew.limits is not None
    force = float(one.crew.limits.force(one.rig.nozzle, pressure))
    return Matched(one.rig, match, pressure, float(one.rig.flow(pressure)), force, reach)


def settings_of(rig: Rig) -> list[Setting]:
    """A ring setting by setting; nothing for other nozzles."""
    ring = rig.nozzle
    if not isinstance(ring, SelectableFlow):
        return []
    return [_setting(rig, ring, number) for number in range(len(ring.settings))]


def _setting(rig: Rig, ring: SelectableFlow, number: int) -> Setting:
    turned, density = replace(ring, selected=number), rig.model.density
    rated = float(np.asarray(rig.setup.nozzle.rated))
    delivered = reaction = np.nan
    if rig.line is not None:
        point = operating_point(rig.pump(rig.model.target_pressure), rig.line, turned, density)
        delivered, reaction = float(point.flow_rate), float(point.reaction_force)
    believed = float(turned.reaction(rated))
    light = highest(lambda p: float(turned.reaction(p)) <= believed / 3, rated)
    return Setting(rig, ring.settings[number], believed, delivered, reaction, float(turned.flow(light, density)), light)


def results_of(found: Found) -> xr.Dataset:
    """Effective reach of all matches, along ``match``, ``setup`` and ``sample``."""
    matches = list(dict.fromkeys(row.match for row in found.matches))
    names = list(dict.fromkeys(row.rig.setup.name for row in found.matches))
    reach = np.array([row.reach for row in found.matches]).reshape(len(matches), len(names), -1)
    q = quantity(REACH)
    data = xr.DataArray(reach, {"match": matches, "setup": names}, ("match", "setup", "sample"),
                        attrs={"units": q.udunits, "long_name": q.long_name})  # fmt: skip
    return xr.Dataset({REACH: data})
