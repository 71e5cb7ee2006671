"""Runs behind a teaching page: the tables of each set-up, and the model itself at single settings."""

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from jetsim.equipment.crews import drawn_nozzle
from jetsim.equipment.department import SetUp
from jetsim.equipment.model import DELIVERED, EXCESS, NOZZLE, PUMP, Actual, Drive, SetUpModel
from jetsim.equipment.questions import Asked
from jetsim.equipment.spaces import joint_draws
from jetsim.errors import InputError
from jetsim.hydraulics.nozzle_kinds import SelectableFlow
from jetsim.quantities import quantity
from jetsim.teaching.question import TeachingQuestion
from jetsim.teaching.tables import BEST, EFFECTIVE, LANDING, LENGTHS, Axis, Setting, Supply, Tables, axis

Array = NDArray[np.float64]
Question = Asked[TeachingQuestion]

RISE, KINK_LOSS, STEP = "supply.rise", "supply.kink_loss_coefficient", "supply.setting_step"
OUTPUTS = ("flow_rate", "reaction_force", "breakup_distance", "extreme_reach", "apex_height", EFFECTIVE, BEST)
# Spacing of the nodes: nozzle pressure by ratio, elevation [deg], wind [m/s]; of the middle, and of the draws.
FINE, COARSE = (1.35, 3.0, 1.2), (1.6, 7.0, 2.3)
STATIONS = 31
# Tables begin this far below the least nozzle pressure, for draws whose pressure is lower than the middle's.
MARGIN = 0.6


@dataclass(frozen=True, eq=False)
class Rig:
    """A set-up, its ring as set or one setting low, over the same draws as all others.

    Attributes
    ----------
    setup : SetUp
    fixed : mapping
        Every input at its median, in still air across.
    draws : mapping of str to ndarray, shape (n,)
    question : TeachingQuestion
    step : int
        Settings of the ring above the set-up's own.
    """

    setup: SetUp
    fixed: Mapping[str, Any]
    draws: Mapping[str, Array]
    question: TeachingQuestion
    step: int = 0

    @property
    def lined(self) -> bool:
        """Whether it has a line."""
        return self.setup.line is not None

    @property
    def length(self) -> float:
        """Of the last section as laid [m]; 0 without a line."""
        return self.setup.line.sections[-1].length if self.setup.line is not None else 0.0

    @property
    def has_ring(self) -> bool:
        """Whether a ring can be set too low."""
        nozzle = self.model().nozzle({})
        return isinstance(nozzle, SelectableFlow) and bool(np.all(np.asarray(nozzle.selected) > 0))

    @property
    def most(self) -> float:
        """Highest pump pressure [Pa]: the pump's stated maximum; without one twice what the target needs."""
        if self.setup.pump is not None:
            return self.setup.pump.maximum_pressure
        needed = self.model().believed
        return 2 * (float(needed.pump_pressure) if needed is not None else self.target)

    @property
    def target(self) -> float:
        """Nozzle pressure of the target, as believed [Pa]."""
        return self.model().target_pressure

    def model(
        self, length: ArrayLike | None = None, more: Mapping[str, Any] | None = None, drive: Drive = "nozzle"
    ) -> SetUpModel:
        """The set-up's model with its last section of another length, and further inputs fixed."""
        setup, line = self.setup, self.setup.line
        if line is not None and length is not None:
            last = line.sections[-1].model_copy(update={"length": length})
            setup = replace(setup, line=line.model_copy(update={"sections": [*line.sections[:-1], last]}))
        step = {STEP: float(self.step)} if self.step else {}
        return SetUpModel(setup, {**self.fixed, **step, **(more or {})}, (*OUTPUTS, DELIVERED), drive)

    def cases(self, name: str, default: float = 0.0) -> Array:
        """An input: its median, then its draws; shape (1 + n,)."""
        count = len(next(iter(self.draws.values()), ()))
        middle = self.fixed.get(name, default)
        return np.concatenate([[middle], np.broadcast_to(self.draws.get(name, middle), count)])

    def sample(self) -> dict[str, Array]:
        """Every uncertain input, its median first; shape (1 + n,)."""
        return {name: self.cases(name) for name in self.draws}


def rigs_of(asked: Question) -> list[Rig]:
    """The set-ups, over common draws; still air across, and along it what the control says.

    Raises
    ------
    InputError
        A target outside the pump's reach; the best achievable is named.
    """
    inputs = []
    choices = asked.question.choices()
    for setup in asked.setups:
        still = {"wind_along": 0.0, "wind_across": 0.0, "elevation": setup.site.elevation.middle}
        own = replace(choices, fixed={**choices.fixed, **still}, outputs=(), drive="pump" if setup.line else "nozzle")
        inputs.append(asked.inputs(setup, own))
    draws = joint_draws(inputs, asked.question.base_samples, asked.question.seed, asked.learnt)
    rigs = [Rig(s, i.medians, d, asked.question) for s, i, d in zip(asked.setups, inputs, draws, strict=True)]
    for rig in rigs:
        rig.model().check_reachable(str(asked.department.path))
    return rigs


# --------------------------------------------------------------------------------------------------------
# The model itself at one setting


def simulated(rig: Rig, *settings: Setting, outputs: tuple[str, ...] = OUTPUTS) -> list[dict[str, Array]]:
    """Results at each setting by the model itself, the median first; shape (1 + n,), SI."""
    cases = rig.cases(RISE).size

    def each(*values: float) -> Array:
        return np.repeat(np.array(values, dtype=float), cases)

    sample = {name: np.tile(values, len(settings)) for name, values in rig.sample().items()}
    laid = rig.cases(RISE, 0.0 if rig.setup.line is None else rig.setup.line.rise.middle)
    floors = each(*(setting.floor for setting in settings)) * rig.question.floor_height
    sample |= {
        RISE: np.tile(laid, len(settings)) + floors,
        KINK_LOSS: each(*(setting.kinked * rig.question.kink_loss_coefficient for setting in settings)),
        PUMP if rig.lined else NOZZLE: each(*(setting.pressure for setting in settings)),
        "elevation": each(*(setting.elevation for setting in settings)),
        "wind_along": each(*(setting.wind for setting in settings)),
    }
    length = each(*(setting.length for setting in settings))
    model = rig.model(length if rig.lined else None, drive="pump" if rig.lined else "nozzle")
    found = replace(model, outputs=(*outputs, DELIVERED))(_dataset(sample))
    values = {name: found[name].values for name in outputs}
    pressure = found[DELIVERED].values
    force = np.broadcast_to(drawn_nozzle(model, sample).handbook_reaction(pressure), pressure.shape)
    values |= {"nozzle_pressure": pressure, "handbook_force": force}
    parts = {name: value.reshape(len(settings), cases) for name, value in values.items()}
    return [{name: part[number] for name, part in parts.items()} for number in range(len(settings))]


def middles(rig: Rig, *settings: Setting, outputs: tuple[str, ...] = OUTPUTS) -> list[dict[str, float]]:
    """Results at each setting with everything at its median, SI."""
    found = simulated(replace(rig, draws={}), *settings, outputs=outputs)
    return [{name: float(values[0]) for name, values in one.items()} for one in found]


def one_low(rig: Rig) -> Rig:
    """The same set-up with its ring one setting low."""
    return replace(rig, step=-1)


def needed_pump(rig: Rig, length: float, floor: float) -> float:
    """Pump pressure for the set-up's own target by the stated coefficients [Pa]."""
    assert rig.setup.line is not None
    rise = rig.fixed.get(RISE, rig.setup.line.rise.middle) + floor * rig.question.floor_height
    needed = rig.model(length, {RISE: rise}).believed
    assert needed is not None
    return float(needed.pump_pressure)


def _dataset(sample: Mapping[str, Array]) -> xr.Dataset:
    return xr.Dataset({name: ("sample", values) for name, values in sample.items()})


# --------------------------------------------------------------------------------------------------------
# Tables


def tables_of(rig: Rig) -> Tables:
    """Every table of a set-up."""
    fine, coarse = _axes(rig, FINE), _axes(rig, COARSE)
    middle = _flown(rig, {name: values[:1] for name, values in rig.sample().items()}, fine)
    drawn = _flown(rig, rig.sample(), coarse)
    lengths = {name: middle[name][0] for name in (*LENGTHS, BEST)}
    site = rig.setup.site.elevation.middle
    unit = np.einsum("pew,e,w->p", lengths["extreme_reach"], fine[1].weights(site), fine[2].weights(0.0))
    scale = fine[0].weights(coarse[0].nodes) @ unit
    departures = {}
    for name in lengths:
        off = drawn[name][1:] - drawn[name][:1]
        departures[name] = off / scale.reshape((-1, *[1] * (off.ndim - 2)))
    found = Tables(
        *fine,
        coarse,
        _supply(rig, fine[0]) if rig.lined else None,
        _flat(rig, fine[0]),
        rig.cases(EXCESS),
        lengths,
        departures,
        site,
        middle["validity"][0],
        _paths(rig, coarse),
    )
    return _checked(rig, found)


def _checked(rig: Rig, tables: Tables) -> Tables:
    """Refuse tables with a hole: a control reaches where streams are not told."""
    whole = {**tables.middle, **tables.departures, **tables.flat}
    holes = [name for name, table in whole.items() if not np.isfinite(table).all()]
    if holes:
        raise InputError(f"setups.{rig.setup.name}: {quantity(holes[0]).long_name} is undefined within the controls; "
                         "narrow elevation, wind_along or least_nozzle_pressure")  # fmt: skip
    return tables


def _axes(rig: Rig, steps: tuple[float, float, float]) -> tuple[Axis, Axis, Axis]:
    question, site = rig.question, rig.setup.site.elevation.middle
    low, high = _pressures(rig)
    holds = [p for p in rig.setup.nozzle.bends if low < p < high]
    points = [low, high, *holds, *([rig.target] if low < rig.target < high else [])]
    own = [site] if question.elevation[0] < site < question.elevation[1] else []
    return (
        axis(points, steps[0], holds, log=True, least=3 if holds and steps is FINE else 2),
        axis([*question.elevation, *own], steps[1]),
        axis([*question.wind_along, 0.0], steps[2]),
    )


def _pressures(rig: Rig) -> tuple[float, float]:
    """Lowest and highest nozzle pressure of the tables [Pa]."""
    low = MARGIN * rig.question.least_nozzle_pressure
    if not rig.lined:
        return low, 2 * rig.target
    pump = _laid(rig, rig.question.lengths[0], rig.question.floors[0])
    highest = float(np.max(pump.nozzle_pressure(rig.most + rig.question.pump_error)))
    return low, max(highest, 1.2 * rig.target)


def _laid(rig: Rig, length: float, floor: float, kinks: float = 0.0) -> Actual:
    """Nozzle and line as they really are, case by case."""
    sample = rig.sample()
    assert rig.setup.line is not None
    sample[RISE] = rig.cases(RISE, rig.setup.line.rise.middle) + floor * rig.question.floor_height
    return rig.model(length).actual({**sample, KINK_LOSS: kinks} if kinks else sample)


def _supply(rig: Rig, pressure: Axis) -> Supply:
    """Pump pressures by two lengths, two floors, and with kinks: all between is straight."""
    short, long = rig.question.lengths

    def needed(length: float, floor: float, kinks: float = 0.0) -> Array:
        real = _laid(rig, length, floor, kinks)
        rows = [np.broadcast_to(real.pump_pressure(node), rig.cases(RISE).size) for node in pressure.nodes]
        return np.array(rows).T

    base = needed(short, 0)
    kinks = needed(short, 0, rig.question.kink_loss_coefficient) - base
    return Supply(base, (needed(long, 0) - base) / (long - short), kinks, (needed(short, 1) - base)[:, 0], short)


def _flat(rig: Rig, pressure: Axis) -> dict[str, Array]:
    """Flow and forces by nozzle pressure, case by case."""
    real = rig.model().actual(rig.sample())
    count = rig.cases(RISE).size

    def by_pressure(function: Any) -> Array:
        return np.array([np.broadcast_to(function(node), count) for node in pressure.nodes]).T

    return {
        "flow_rate": by_pressure(real.flow),
        "reaction_force": by_pressure(real.nozzle.reaction),
        "handbook_force": by_pressure(real.nozzle.handbook_reaction),
    }


def _flown(rig: Rig, sample: Mapping[str, Array], axes: tuple[Axis, Axis, Axis]) -> dict[str, NDArray[Any]]:
    """Lengths and flags over all nodes, shape (cases, pressures, elevations, winds); the best without elevations."""
    cases = len(next(iter(sample.values())))
    found = _over(rig, sample, axes, LENGTHS)
    shape = (cases, *(one.nodes.size for one in axes))
    results = {name: found[name].values.reshape(shape) for name in (*LENGTHS, "validity")}
    results[LANDING] = continued(results[LANDING])
    level = (axes[0], Axis(np.array([rig.setup.site.elevation.middle])), axes[2])
    best = _over(rig, sample, level, (BEST,))[BEST].values
    return {**results, BEST: best.reshape(cases, axes[0].nodes.size, axes[2].nodes.size)}


def continued(landing: Array) -> Array:
    """Landings with those behind the nozzle replaced by a straight continuation along the elevations, axis 2 of 4.

    Drops that a head wind brings to a stop fall on another branch: the landing jumps where it crosses 0, and cubics
    across the jump would spoil what lies before it. Behind the nozzle the page shows 0 whatever the value.
    """
    found = landing.copy()
    for k in range(2, found.shape[2]):
        onward = np.minimum(2 * found[:, :, k - 1] - found[:, :, k - 2], 0.0)
        found[:, :, k] = np.where(landing[:, :, k] <= 0.0, onward, landing[:, :, k])
    return found


def _over(rig: Rig, sample: Mapping[str, Array], axes: tuple[Axis, Axis, Axis], outputs: tuple[str, ...]) -> Any:
    columns = _crossed(sample, axes)
    return replace(rig.model(), outputs=outputs)(_dataset(columns))


def _crossed(sample: Mapping[str, Array], axes: tuple[Axis, Axis, Axis]) -> dict[str, Array]:
    """Each case at each node, the case in front."""
    cases = np.arange(len(next(iter(sample.values()))))
    mesh = np.meshgrid(cases, *(one.nodes for one in axes), indexing="ij")
    case, *controls = (each.ravel() for each in mesh)
    named = dict(zip((NOZZLE, "elevation", "wind_along"), controls, strict=True))
    return {**{name: values[case] for name, values in sample.items()}, **named}


def _paths(rig: Rig, axes: tuple[Axis, Axis, Axis]) -> Array:
    """The middle's path at every coarse node."""
    middle = {name: values[:1] for name, values in rig.sample().items()}
    flown = replace(rig.model(), outputs=("extreme_reach",)).flown(_dataset(_crossed(middle, axes)))
    along, height = flown["path_along"].values, flown["path_height"].values
    picked = np.linspace(0, along.shape[0] - 1, STATIONS).round().astype(int)
    shape = (STATIONS, *(one.nodes.size for one in axes))
    return np.stack([(along / along[-1])[picked].reshape(shape), height[picked].reshape(shape)])


def built(rigs: list[Rig], executor: Executor | None = None) -> list[Tables]:
    """Tables of every set-up; each on a thread of `executor`, if there is one."""
    return list((map if executor is None else executor.map)(tables_of, rigs))
