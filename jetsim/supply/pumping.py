"""What a department's pump must give, and what the crew then gets: spreads, charts, sweeps and choices."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from jetsim.errors import InputError
from jetsim.experiment.space import ParameterSpace
from jetsim.hydraulics.believed import Deviation, actual_line
from jetsim.hydraulics.hoseline import HoseLine
from jetsim.hydraulics.nozzle_kinds import SelectableFlow
from jetsim.hydraulics.operating_point import operating_point
from jetsim.hydraulics.required_pressure import RequiredPressure
from jetsim.supply.department import BREAKUP_LENGTH, Crew, Department, LineEntry, NozzleEntry
from jetsim.supply.model import DEVIATIONS, MEMBERS, PUMP, LineModel, applies, sampled_deviation, sampled_nozzle
from jetsim.supply.plan import Plan

Array = NDArray[np.float64]

# Parts of the supply that change what the pump must give for a target; the rest changes what it does give.
_LYING = ("supply.hose_deviation", "supply.friction_ratio", "supply.kink_loss_coefficient", "supply.tip_wear")
_QUANTILES = (0.05, 0.5, 0.95)
SWEEP_POINTS = 33
SWEPT = ("flow_rate", "reaction_force", "supply.crew_force", "extreme_reach", "breakup_distance")


@dataclass(frozen=True, eq=False)
class Spread:
    """Median and the ends of the middle 90 % of a quantity, SI; arrays of one shape."""

    low: Array
    middle: Array
    high: Array


def spread(values: ArrayLike) -> Spread:
    """Spread along the last axis; NaN where fewer than half of the values are defined."""
    array = np.asarray(values, dtype=float)
    few = np.isfinite(array).mean(axis=-1) < 0.5
    known = np.where(few[..., np.newaxis], 0.0, array)
    return Spread(*(np.where(few, np.nan, end) for end in np.nanquantile(known, _QUANTILES, axis=-1)))


@dataclass(frozen=True, eq=False)
class Pair:
    """A nozzle behind a line."""

    nozzle: NozzleEntry
    line: LineEntry

    @property
    def words(self) -> str:
        """Nozzle and line in words."""
        return f"{self.nozzle.label} on {self.line.label}"

    def needed(self, samples: xr.Dataset, line: HoseLine | None = None) -> Array:
        """Pump pressure that the target needs, as hose, kinks and tip really are; last axis the sample [Pa]."""
        values = {str(name): samples[name].values for name in samples.data_vars}
        lying = sampled_deviation(values, _LYING)
        own = {name: value for name, value in values.items() if applies(name, self.nozzle.nozzle)}
        nozzle = sampled_nozzle(self.nozzle.nozzle, own).worn(lying.tip_wear)
        pump = self.nozzle.required(actual_line(line or self.line.line, lying), nozzle).pump_pressure
        return np.broadcast_to(pump, (*pump.shape[:-1], samples.sizes["sample"]))


def pairs_of(department: Department) -> list[Pair]:
    """Every nozzle behind every line, line by line."""
    return [Pair(nozzle, line) for line in department.lines for nozzle in department.nozzles]


@dataclass(frozen=True, eq=False)
class Estimate:
    """What the pump must give for a nozzle's target.

    Attributes
    ----------
    pair : Pair
    stated : RequiredPressure
        By the stated coefficients, without kinks or wear.
    pump_pressure : Spread
        What is really needed [Pa].
    """

    pair: Pair
    stated: RequiredPressure
    pump_pressure: Spread

    @property
    def reaction(self) -> float:
        """Steady reaction at the target, by the formula [N]."""
        return float(self.stated.point.reaction_force)

    def force(self, crew: Crew) -> float:
        """Force at the target by the formula that the crew's limits were stated for [N]."""
        return float(crew.limits.force(self.pair.nozzle.nozzle, self.stated.point.nozzle_pressure))


def stated(pair: Pair, department: Department) -> RequiredPressure:
    """What a nozzle's target needs by the stated coefficients.

    Raises
    ------
    InputError
        The pump cannot give the target; the best achievable is named.
    """
    required = pair.nozzle.required(pair.line.line, supply=department.pump)
    required.demand_reachable(f"target of nozzles.{pair.nozzle.name} on lines.{pair.line.name}")
    return required


def estimate(pair: Pair, department: Department, samples: xr.Dataset) -> Estimate:
    """Pump pressure of a nozzle behind a line; raises as `stated`."""
    return Estimate(pair, stated(pair, department), spread(pair.needed(samples)))


def chart(pair: Pair, plan: Plan, samples: xr.Dataset) -> Spread:
    """Pump pressure by length of the last section and by storey, shape (lengths, storeys) [Pa]."""
    line = pair.line.line
    last: Any = line.sections[-1]
    longer = replace(last, length=np.array(plan.lengths)[:, np.newaxis, np.newaxis])
    rise = np.asarray(line.rise, dtype=float) + np.array(plan.storeys)[:, np.newaxis] * plan.storey_height
    laid = replace(line, sections=(*line.sections[:-1], longer), rise=rise)
    return spread(pair.needed(samples, laid))


def model_of(pair: Pair, space: ParameterSpace, pump_pressure: float) -> LineModel:
    """The model of a study of this pair, pumped (as believed) at a pressure [Pa]."""
    fixed = {name: value for name, value in space.fixed.items() if applies(name, pair.nozzle.nozzle)}
    if pair.nozzle.breakup_length is not None:
        fixed[BREAKUP_LENGTH] = pair.nozzle.breakup_length
    return LineModel(pair.line.line, pair.nozzle.nozzle, pump_pressure, fixed, space.outputs)


def space_of(pair: Pair, space: ParameterSpace) -> ParameterSpace:
    """The space with only those parameters that act on the pair's nozzle."""
    acting = tuple(parameter for parameter in space.parameters if applies(parameter.name, pair.nozzle.nozzle))
    return replace(space, parameters=acting)


def delivered_at(found: Estimate, space: ParameterSpace, samples: xr.Dataset) -> xr.Dataset:
    """What the pair delivers at its estimated pump pressure, draw by draw."""
    acting = samples[[name for name in samples.data_vars if applies(str(name), found.pair.nozzle.nozzle)]]
    return replace(model_of(found.pair, space, float(found.pump_pressure.middle)), outputs=())(acting)


@dataclass(frozen=True, eq=False)
class Sweep:
    """A nozzle behind a line over a range of pump pressures.

    Attributes
    ----------
    pair : Pair
    pump_pressure : array, shape (n,)
        As believed [Pa].
    runs : mapping of str to array, shape (n, sample)
        Results, SI.
    allowed : array of bool, shape (n,)
        Within the pump's limits and all stated maximum pressures, as believed.
    """

    pair: Pair
    pump_pressure: Array
    runs: Mapping[str, Array]
    allowed: NDArray[np.bool_]

    def spread(self, name: str) -> Spread:
        """Spread of a result, shape (n,)."""
        return spread(self.runs[name])


def sweep(pair: Pair, space: ParameterSpace, department: Department, plan: Plan, samples: xr.Dataset) -> Sweep:
    """Run a pair over the plan's range of pump pressures, with the same deviations at each."""
    pump = np.linspace(*plan.sweep, SWEEP_POINTS)
    count = samples.sizes["sample"]
    tiled = {
        str(name): ("sample", np.tile(samples[name].values, pump.size))
        for name in samples.data_vars
        if applies(str(name), pair.nozzle.nozzle)
    }
    laid = xr.Dataset({**tiled, PUMP: ("sample", np.repeat(pump, count))})
    result = replace(model_of(pair, space, 0.0), outputs=SWEPT)(laid)
    runs = {name: result[name].values.reshape(pump.size, count) for name in SWEPT}
    return Sweep(pair, pump, runs, _allowed(pair, department, pump))


def _allowed(pair: Pair, department: Department, pump: Array) -> NDArray[np.bool_]:
    point = operating_point(pump, pair.line.line, pair.nozzle.nozzle)
    over = point.above_hose_maximum | point.above_nozzle_maximum | (pump > department.pump.maximum_pressure)
    if department.pump.maximum_flow is not None:
        over = over | (point.flow_rate * pair.line.line.sections[0].nozzles_fed > department.pump.maximum_flow)
    return np.asarray(~over)


@dataclass(frozen=True, eq=False)
class Chances:
    """Chances over a sweep, shape (n,): of the target flow, of the stated limit, and of both."""

    flow: Array
    limit: Array
    both: Array


def chances(swept: Sweep, department: Department, plan: Plan) -> Chances:
    """Share of the runs that give the target flow, that keep the crew within its stated limit, and both."""
    enough = swept.runs["flow_rate"] >= plan.target_flow
    within = department.crew.limits.within(swept.runs["supply.crew_force"], department.crew.firefighters)
    return Chances(enough.mean(axis=-1), within.mean(axis=-1), (enough & within).mean(axis=-1))


@dataclass(frozen=True, eq=False)
class Choice:
    """The best point of a sweep.

    Attributes
    ----------
    swept : Sweep
    chances : Chances
    place : int
        Which pump pressure of the sweep.
    met : bool
        Whether the wanted probability of meeting both is reached there.
    window : tuple of float or None
        Lowest and highest pump pressure around it that reach that probability [Pa].
    """

    swept: Sweep
    chances: Chances
    place: int
    met: bool
    window: tuple[float, float] | None

    @property
    def pump_pressure(self) -> float:
        """As believed [Pa]."""
        return float(self.swept.pump_pressure[self.place])

    @property
    def reach(self) -> float:
        """Median reach [m]."""
        return float(self.swept.spread("extreme_reach").middle[self.place])

    @property
    def merit(self) -> tuple[bool, float]:
        """Order of choices: those that reach the wanted probability by reach, the others by probability."""
        return self.met, self.reach if self.met else float(self.chances.both[self.place])


def choose(swept: Sweep, department: Department, plan: Plan) -> Choice:
    """The most reach at the target flow within the stated crew limit, with the wanted probability of both.

    Where no pump pressure has that probability, the one with the highest; where none ever meets both, the one at
    which the two chances come nearest to each other.

    Raises
    ------
    InputError
        Every pump pressure of the sweep is above a stated maximum.
    """
    found = chances(swept, department, plan)
    if not swept.allowed.any():
        raise InputError(f"sweep.low: {swept.pair.words} is above a stated maximum pressure over the whole sweep")
    good = swept.allowed & (found.both >= plan.probability)
    if not good.any():
        nearness = 1e-3 * np.minimum(found.flow, found.limit) - 1e-6 * np.abs(found.flow - found.limit)
        score = np.where(swept.allowed, found.both + nearness, -1.0)
        return Choice(swept, found, int(score.argmax()), False, None)
    reach = np.nan_to_num(swept.spread("extreme_reach").middle, nan=-1.0)
    place = int(np.where(good, reach, -2.0).argmax())
    low, high = _around(good, place)
    return Choice(swept, found, place, True, (float(swept.pump_pressure[low]), float(swept.pump_pressure[high])))


def _around(good: NDArray[np.bool_], place: int) -> tuple[int, int]:
    """Ends of the unbroken run of good points around a place."""
    low = high = place
    while low > 0 and good[low - 1]:
        low -= 1
    while high < good.size - 1 and good[high + 1]:
        high += 1
    return low, high


@dataclass(frozen=True, eq=False)
class Mistakes:
    """Believed against delivered.

    Attributes
    ----------
    pair : Pair
    pump_pressure : float
        For the target, by the stated coefficients [Pa].
    labels : tuple of str
        What is wrong; nothing in the first row.
    results : xarray.Dataset
        Along ``sample``, one run a row.
    """

    pair: Pair
    pump_pressure: float
    labels: tuple[str, ...]
    results: xr.Dataset

    def change(self, name: str) -> Array:
        """Each row's result over the first row's, less 1."""
        values = self.results[name].values
        return np.asarray(values / values[0] - 1)


NOTHING_WRONG = "as believed"


def mistakes_of(pair: Pair, space: ParameterSpace, department: Department) -> Mistakes:
    """What each mistake alone delivers, pumped for the target by the stated coefficients.

    Setting errors are left out for nozzles without settings. What the study varies besides the supply stands at
    its median.
    """
    ring = isinstance(pair.nozzle.nozzle, SelectableFlow)
    rows = {NOTHING_WRONG: Deviation()} | {
        words: deviation
        for words, deviation in department.mistakes.items()
        if ring or not np.any(np.asarray(deviation.setting_step))
    }
    names = [name for name in DEVIATIONS if applies(name, pair.nozzle.nozzle)]
    columns = {n: np.array([getattr(d, n.partition(".")[2]) for d in rows.values()], dtype=float) for n in names}
    others = {
        name: np.full(len(rows), value)
        for name, value in space.medians().items()
        if not name.startswith("supply.") and name not in MEMBERS
    }
    samples = xr.Dataset({name: ("sample", values) for name, values in {**columns, **others}.items()})
    pump = float(pair.nozzle.required(pair.line.line).pump_pressure)
    results = replace(model_of(pair, space, pump), outputs=())(samples)
    return Mistakes(pair, pump, tuple(rows), results)


def best(choices: Sequence[Choice]) -> Choice:
    """The best of several choices."""
    return max(choices, key=lambda choice: choice.merit)
