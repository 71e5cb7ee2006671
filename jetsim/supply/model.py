"""The model of a study that starts at the pump: samples of what may deviate in, delivered streams out."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim import media
from jetsim.errors import InputError
from jetsim.hydraulics.believed import Deviation, actual_nozzle, delivered
from jetsim.hydraulics.crew import crew_force
from jetsim.hydraulics.hoseline import HoseLine
from jetsim.hydraulics.nozzle_kinds import FogNozzle, Nozzle, SelectableFlow, SmoothBore
from jetsim.quantities import did_you_mean, quantity
from jetsim.simulation import simulate, sparing
from jetsim.stream import Stream, equivalent_fields

PUMP, EXCESS = "supply.pump_pressure", "supply.reaction_excess"
# Members of the nozzle that a study may vary.
MEMBERS = ("discharge_coefficient", "equivalent_diameter_ratio")
DEVIATIONS = tuple(f"supply.{item.name}" for item in fields(Deviation))
# What the nozzle sets, so that a study cannot set it as well.
SET_BY_NOZZLE = ("tip_diameter", "nozzle_pressure", "pressure_tap", "waterway_diameter", "velocity_coefficient")
# Results of a run in which no water reaches the nozzle; all others are undefined.
_DRY = {"outcome": np.int8(1), "validity": np.int16(0), "flow_rate": 0.0, "exit_speed": 0.0, "reaction_force": 0.0}


def applies(name: str, nozzle: Nozzle) -> bool:
    """Whether a parameter can act on a nozzle: settings need a ring, Cd a smooth bore, a ring-shaped stream fog."""
    if name == "supply.setting_step":
        return isinstance(nozzle, SelectableFlow)
    if name == "discharge_coefficient":
        return isinstance(nozzle, SmoothBore)
    return name != "equivalent_diameter_ratio" or isinstance(nozzle, FogNozzle)


def check_parameter(name: str, place: str) -> None:
    """Refuse a parameter that a study from the pump cannot vary.

    Raises
    ------
    InputError
    """
    if name in SET_BY_NOZZLE:
        raise InputError(f"{place}: {name} is set by the nozzle and the line, so it cannot be given here")
    if name.startswith("supply.") and name not in (PUMP, EXCESS, *DEVIATIONS):
        known = did_you_mean(name, (PUMP, EXCESS, *DEVIATIONS))
        raise InputError(f"{place}: {name} belongs to a hose, a line or a nozzle and cannot be varied here{known}")


@dataclass(frozen=True, eq=False)
class LineModel:
    """A picklable model: what a nozzle behind a line throws, case by case.

    Attributes
    ----------
    line : HoseLine
        As believed.
    nozzle : Nozzle
        As believed.
    pump_pressure : float
        As believed [Pa]; a column ``supply.pump_pressure`` of the samples replaces it.
    fixed : mapping
        Fields of the stream that do not vary, SI.
    outputs : tuple of str
        Results to return besides `outcome` and `validity`; all by default.
    """

    line: HoseLine
    nozzle: Nozzle
    pump_pressure: float
    fixed: Mapping[str, Any] = field(default_factory=dict)
    outputs: tuple[str, ...] = ()

    def __call__(self, samples: xr.Dataset) -> xr.Dataset:
        """Run a sample.

        Parameters
        ----------
        samples : xarray.Dataset
            Along ``sample``: stream fields, dotted model constants, ``supply.`` deviations, and
            ``supply.reaction_excess``.

        Returns
        -------
        xarray.Dataset
            Along ``sample``: the results of `jetsim.simulation.simulate`, ``supply.delivered_pressure`` (at the
            nozzle) and ``supply.crew_force``. Where no water reaches the nozzle the flow is 0, what needs a
            stream is NaN, and `outcome` is 1.
        """
        values = {str(name): samples[name].values for name in samples.data_vars}
        nozzle, deviation, rest = self._split(values)
        count = samples.sizes["sample"]
        density = media.water_density(rest.get("water_temperature", Stream.water_temperature))
        pump = values.get(PUMP, self.pump_pressure)
        point = delivered(pump, self.line, nozzle, deviation, density)
        same = equivalent_fields(actual_nozzle(nozzle, deviation), point.nozzle_pressure)
        flowing = np.broadcast_to(point.flow_rate > 0, count)
        result = _simulated({**rest, **same, **sparing(self.outputs)}, flowing)
        pressure = np.broadcast_to(point.nozzle_pressure, count)
        force = crew_force(result["reaction_force"].values, values.get(EXCESS, 0.0))
        result["supply.delivered_pressure"] = _labelled("supply.delivered_pressure", pressure)
        result["supply.crew_force"] = _labelled("supply.crew_force", force)
        return result[[*self.outputs, "outcome", "validity"]] if self.outputs else result

    def _split(self, values: Mapping[str, NDArray[Any]]) -> tuple[Nozzle, Deviation, dict[str, Any]]:
        """The nozzle with its sampled members, what deviates, and the fields of the stream."""
        for name in (*values, *self.fixed):
            check_parameter(name, "samples")
            if not applies(name, self.nozzle):
                raise InputError(f"samples: {name} does not act on this nozzle")
        own = {n: v for n, v in values.items() if not n.startswith("supply.") and n not in MEMBERS}
        return sampled_nozzle(self.nozzle, values), sampled_deviation(values), {**self.fixed, **own}


def sampled_nozzle(nozzle: Nozzle, values: Mapping[str, Any]) -> Nozzle:
    """The nozzle with those of its members that a sample varies."""
    return nozzle.sampled({name: values[name] for name in MEMBERS if name in values})


def sampled_deviation(values: Mapping[str, Any], names: Iterable[str] = DEVIATIONS) -> Deviation:
    """What deviates in a sample; only the named parts if names are given."""
    return Deviation(**{name.partition(".")[2]: values[name] for name in names if name in values})


def _labelled(name: str, values: NDArray[Any]) -> xr.DataArray:
    q = quantity(name)
    return xr.DataArray(values, dims="sample", attrs={"units": q.udunits, "long_name": q.long_name})


def _simulated(columns: Mapping[str, Any], flowing: NDArray[np.bool_]) -> xr.Dataset:
    """Simulate the runs in which water flows; the others are marked as never reaching."""
    runs = np.arange(flowing.size)
    # Where no run flows, a trickle in the first one gives the results their names; it is then left out.
    rows = runs[flowing] if flowing.any() else runs[:1]
    wet = {**columns, "nozzle_pressure": np.where(flowing, columns["nozzle_pressure"], 1.0)}
    picked = {
        name: xr.DataArray(np.broadcast_to(value, flowing.size)[rows], dims="sample") if np.ndim(value) else value
        for name, value in wet.items()
    }
    result = simulate(Stream.from_values(picked), workers=1)
    if flowing.all():
        return result
    return result.assign_coords(sample=rows).isel(sample=flowing[rows]).reindex(sample=runs, fill_value=_DRY)
