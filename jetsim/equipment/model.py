"""One model from pump to landing: samples of what is uncertain of a set-up in, delivered streams out."""

from collections.abc import Iterable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any, Literal, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from jetsim import media
from jetsim.equipment.department import SetUp
from jetsim.errors import InputError
from jetsim.hydraulics.believed import Deviation, actual_line, actual_nozzle
from jetsim.hydraulics.crew import crew_force
from jetsim.hydraulics.hoseline import HoseLine
from jetsim.hydraulics.nozzle_kinds import Nozzle
from jetsim.hydraulics.operating_point import operating_point
from jetsim.hydraulics.required_pressure import RequiredPressure, required_pump_pressure
from jetsim.kept import kept, kept_map
from jetsim.quantities import quantity
from jetsim.simulation import simulate, sparing
from jetsim.stream import Stream, equivalent_fields

Drive = Literal["nozzle", "pump"]
Array = NDArray[np.float64]

NOZZLE, PUMP = "nozzle_pressure", "supply.pump_pressure"
NOZZLE_ERROR, PUMP_ERROR, EXCESS = (
    "supply.nozzle_pressure_error",
    "supply.pump_pressure_error",
    "supply.reaction_excess",
)
DELIVERED, NEEDED, FORCE = "supply.delivered_pressure", "supply.needed_pump_pressure", "supply.crew_force"
DEVIATIONS = tuple(f"supply.{item.name}" for item in fields(Deviation))
_TRICKLE = 1.0  # Pa
# Samples of fewer runs are flown again rather than kept.
_KEPT = 1024
# Results of a run in which no water reaches the nozzle; all others are undefined.
_DRY = {"outcome": np.int8(1), "validity": np.int16(0), "flow_rate": 0.0, "exit_speed": 0.0, "reaction_force": 0.0}


@dataclass(frozen=True, eq=False)
class SetUpModel:
    """A picklable model: what a set-up throws, case by case.

    Attributes
    ----------
    setup : SetUp
    fixed : mapping
        Values of everything that a sample does not vary, by quantity, SI: the medians of the beliefs among them.
    outputs : tuple of str
        Results to return besides `outcome` and `validity`; all by default.
    drive : {"nozzle", "pump"}
        What the crew sets for the target: the nozzle's own pressure, or the pump's by the stated coefficients.
    """

    setup: SetUp
    fixed: Mapping[str, Any] = field(default_factory=dict)
    outputs: tuple[str, ...] = ()
    drive: Drive = "nozzle"

    def __post_init__(self) -> None:
        if self.drive == "pump" and self.setup.line is None:
            raise InputError(f"setups.{self.setup.name}: has no line, so no pump pressure can be told; name one")

    # ----------------------------------------------------------------------------------------------------
    # What is believed

    @cached_property
    def believed(self) -> RequiredPressure | None:
        """What the target needs by the stated coefficients; None where the set-up has no line."""
        line = self.setup.hose_line(self.fixed)
        if line is None:
            return None
        supply = self.setup.pump.supply() if self.setup.pump else None
        return required_pump_pressure(line, self.nozzle({}), **self.setup.target, supply=supply, density=self.density)

    @cached_property
    def target_pressure(self) -> float:
        """Nozzle pressure of the target, as believed [Pa]."""
        if NOZZLE in self.setup.target:
            return self.setup.target[NOZZLE]
        return float(self.nozzle({}).pressure(self.setup.target["flow"], self.density))

    def check_reachable(self, where: str) -> None:
        """Refuse a target that the set-up's pump cannot give; without a line nothing is refused.

        Raises
        ------
        InputError
            Starts with `where` and names the best achievable.
        """
        if self.believed is None:
            return
        try:
            self.believed.demand_reachable(f"target of setups.{self.setup.name}")
        except InputError as error:
            raise InputError(f"{where}: {error}") from None

    @property
    def density(self) -> Any:
        """Of the water that is believed [kg/m3]."""
        return media.water_density(self.fixed.get("water_temperature", Stream.water_temperature))

    def nozzle(self, values: Mapping[str, Any]) -> Nozzle:
        """The nozzle with the given values of its unknowns, what is fixed for the rest."""
        return self.setup.nozzle.nozzle({**self.fixed, **values})

    # ----------------------------------------------------------------------------------------------------
    # Runs

    def __call__(self, samples: xr.Dataset) -> xr.Dataset:
        """Run a sample.

        Parameters
        ----------
        samples : xarray.Dataset
            Along ``sample``: anything of `fixed`, deviations of the supply, ``supply.nozzle_pressure_error``.

        Returns
        -------
        xarray.Dataset
            Along ``sample``: the results of `jetsim.simulation.simulate`, ``supply.delivered_pressure`` (at the
            nozzle), ``supply.needed_pump_pressure`` (NaN without a line) and ``supply.crew_force``. Where no water
            reaches the nozzle the flow is 0, what needs a stream is NaN, and `outcome` is 1.
        """
        return kept(self._results, samples) if samples.sizes["sample"] >= _KEPT else self._results(samples)

    def _results(self, samples: xr.Dataset) -> xr.Dataset:
        run, count = self._run(samples), samples.sizes["sample"]
        result = self._simulated(run, count, path=False)
        force = crew_force(result["reaction_force"].values, run.values.get(EXCESS, 0.0))
        extra = {DELIVERED: run.pressure, FORCE: force, NEEDED: run.real.pump_pressure(run.pressure)}
        result = result.assign({name: _labelled(name, np.broadcast_to(value, count)) for name, value in extra.items()})
        return result[[*self.outputs, "outcome", "validity"]] if self.outputs else result

    def flown(self, samples: xr.Dataset) -> xr.Dataset:
        """Results of the stream alone with its flown path, see `jetsim.simulation.simulate`; ``sample`` comes last."""
        return self._simulated(self._run(samples), samples.sizes["sample"], path=True)

    def streams(self, samples: xr.Dataset) -> dict[str, Any]:
        """Fields of the streams that a sample throws, for what flies them itself; scalars or of shape (sample,).

        Where no water reaches the nozzle, a trickle leaves it.
        """
        run = self._run(samples)
        pressure = np.maximum(run.pressure, _TRICKLE)
        return {**stream_fields(self.setup, run.values), **equivalent_fields(run.real.nozzle, pressure)}

    def _simulated(self, run: "_Run", count: int, path: bool) -> xr.Dataset:
        asked = tuple(name for name in self.outputs if not name.startswith("supply."))
        own = stream_fields(self.setup, run.values)
        columns = {**own, **equivalent_fields(run.real.nozzle, run.pressure), **sparing(asked)}
        return _simulated(columns, np.broadcast_to(run.pressure > 0, count), path)

    def _run(self, samples: xr.Dataset) -> "_Run":
        values = {**self.fixed, **{str(name): samples[name].values for name in samples.data_vars}}
        real = self.actual(values)
        return _Run(values, real, self._pressure(values, real))

    def actual(self, values: Mapping[str, Any]) -> "Actual":
        """Nozzle and line as they really are, by the given values and what is fixed for the rest."""
        given = {**self.fixed, **values}
        deviation = Deviation(**{name.partition(".")[2]: given[name] for name in DEVIATIONS if name in given})
        line = self.setup.hose_line(given)
        density = media.water_density(given.get("water_temperature", Stream.water_temperature))
        lying = None if line is None else actual_line(line, deviation)
        return Actual(actual_nozzle(self.nozzle(given), deviation), lying, density)

    def _pressure(self, values: Mapping[str, Any], real: "Actual") -> Array:
        """Pressure at the nozzle [Pa], at least 0."""
        if self.drive == "nozzle":
            held = np.asarray(values.get(NOZZLE, self.target_pressure), dtype=float)
            return np.asarray(np.maximum(held + values.get(NOZZLE_ERROR, 0.0), 0.0))
        assert self.believed is not None
        pump = values[PUMP] if PUMP in values else float(self.believed.pump_pressure)
        return real.nozzle_pressure(np.asarray(pump) + values.get(PUMP_ERROR, 0.0))


def run_each(asked: Iterable[tuple[SetUpModel, xr.Dataset]], executor: Executor | None = None) -> list[xr.Dataset]:
    """Results of models on their samples, in order; each pair is a piece of work for an executor, if there is one."""
    return kept_map(_run_one, asked, executor)


def _run_one(pair: tuple[SetUpModel, xr.Dataset]) -> xr.Dataset:
    model, samples = pair
    return model(samples)


class _Run(NamedTuple):
    """A sample from the pump to the tip: its values, what is really there, and the pressure at the nozzle [Pa]."""

    values: Mapping[str, Any]
    real: "Actual"
    pressure: Array


@dataclass(frozen=True, eq=False)
class Actual:
    """Nozzle and line as they really are; members are arrays of cases.

    Attributes
    ----------
    nozzle : Nozzle
    line : HoseLine or None
    density : array
        Of the water [kg/m3].
    """

    nozzle: Nozzle
    line: HoseLine | None
    density: Any

    def flow(self, pressure: ArrayLike) -> Array:
        """Flow at a nozzle pressure [m3/s]."""
        return self.nozzle.flow(pressure, self.density)

    def pump_pressure(self, pressure: ArrayLike) -> Array:
        """Pump pressure that gives a nozzle pressure [Pa]; NaN without a line."""
        if self.line is None:
            return np.asarray(np.nan)
        flow = self.flow(pressure)
        lost = self.line.friction_loss(flow, self.density) + self.line.local_loss(flow, self.density)
        return np.asarray(np.asarray(pressure) + lost + self.line.elevation_pressure(self.density))

    def nozzle_pressure(self, pump: ArrayLike) -> Array:
        """Nozzle pressure that a pump pressure gives [Pa]; 0 where no water comes."""
        assert self.line is not None
        point = operating_point(pump, self.line, self.nozzle, self.density)
        return np.where(point.flow_rate > 0, point.nozzle_pressure, 0.0)


def stream_fields(setup: SetUp, values: Mapping[str, Any]) -> dict[str, Any]:
    """Those values that are fields of the stream and that neither nozzle nor line sets.

    Parameters
    ----------
    setup : SetUp
    values : mapping
        By quantity, SI.
    """
    of_nozzle = {*setup.nozzle.stated(), *setup.nozzle.believed, "velocity_coefficient", NOZZLE}
    return {n: v for n, v in values.items() if not n.startswith(("supply.", "trial.")) and n not in of_nozzle}


def _labelled(name: str, values: NDArray[Any]) -> xr.DataArray:
    q = quantity(name)
    return xr.DataArray(values, dims="sample", attrs={"units": q.udunits, "long_name": q.long_name})


def _varies(value: Any) -> bool:
    """Whether a value has an entry for each run; a tuple of names is one value."""
    return isinstance(value, np.ndarray) and value.ndim > 0


def _simulated(columns: Mapping[str, Any], flowing: NDArray[np.bool_], path: bool) -> xr.Dataset:
    """Simulate the runs in which water flows; the others are marked as never reaching."""
    runs = np.arange(flowing.size)
    # Where no run flows, a trickle in the first one gives the results their names; it is then left out.
    rows = runs[flowing] if flowing.any() else runs[:1]
    wet = {**columns, "nozzle_pressure": np.where(flowing, columns["nozzle_pressure"], _TRICKLE)}
    picked = {
        name: xr.DataArray(np.broadcast_to(value, flowing.size)[rows], dims="sample") if _varies(value) else value
        for name, value in wet.items()
    }
    result = simulate(Stream.from_values(picked), path, workers=1).reset_coords(drop=True)
    if flowing.all():
        return result
    return result.assign_coords(sample=rows).isel(sample=flowing[rows]).reindex(sample=runs, fill_value=_DRY)
