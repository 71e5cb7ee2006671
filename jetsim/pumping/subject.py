"""A set-up that is pumped: its line, its crew's stated limits, and the pump pressure that its target needs."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from jetsim import media
from jetsim.equipment.department import SetUp
from jetsim.equipment.model import PUMP, SetUpModel
from jetsim.equipment.spaces import Inputs
from jetsim.hydraulics.believed import Deviation, actual_line, actual_nozzle
from jetsim.hydraulics.crew import HandlingLimits
from jetsim.hydraulics.hoseline import HoseLine
from jetsim.hydraulics.required_pressure import RequiredPressure, required_pump_pressure
from jetsim.stream import Stream

Array = NDArray[np.float64]

# Parts of the supply that change what the pump must give for a target; the rest changes what it does give.
LYING = ("supply.hose_deviation", "supply.friction_ratio", "supply.kink_loss_coefficient", "supply.tip_wear")


@dataclass(frozen=True, eq=False)
class Subject:
    """A set-up that is pumped, with what is uncertain of it and its model."""

    setup: SetUp
    inputs: Inputs
    model: SetUpModel

    @property
    def words(self) -> str:
        """Set-up and line in words."""
        return f"{self.setup.label}, on {self.line_label}"

    @property
    def line_label(self) -> str:
        """The line in words."""
        return self.setup.labels["line"]

    @property
    def line(self) -> HoseLine:
        """The line as believed."""
        line = self.setup.hose_line(self.model.fixed)
        assert line is not None
        return line

    @property
    def limits(self) -> HandlingLimits | None:
        """The crew's stated limits, if anybody states them."""
        return self.setup.crew.limits if self.setup.crew else None

    @property
    def believed(self) -> RequiredPressure:
        """What the target needs by the stated coefficients."""
        found = self.model.believed
        assert found is not None
        return found

    def within(self, force: ArrayLike) -> NDArray[np.bool_] | None:
        """Whether a force [N] is within the crew's stated limit; None where nobody states one."""
        if self.limits is None or self.setup.crew is None:
            return None
        return self.limits.within(force, self.setup.crew.firefighters)

    def needed(self, samples: xr.Dataset, line: HoseLine | None = None) -> Array:
        """Pump pressure that the target needs, as hose, kinks and tip really are; last axis the sample [Pa]."""
        values = {**self.model.fixed, **{str(name): samples[name].values for name in samples.data_vars}}
        lying = Deviation(**{name.partition(".")[2]: values[name] for name in LYING if name in values})
        nozzle = actual_nozzle(self.model.nozzle(values), lying)
        real = actual_line(line or self.setup.hose_line(values) or self.line, lying)
        target: Mapping[str, Any] = self.setup.target
        density = media.water_density(values.get("water_temperature", Stream.water_temperature))
        pump = required_pump_pressure(real, nozzle, density=density, **target).pump_pressure
        return np.broadcast_to(pump, (*pump.shape[:-1], samples.sizes["sample"]))

    def pumped(self, pressure: float, outputs: tuple[str, ...] = ()) -> SetUpModel:
        """The model, pumped (as believed) at a pressure [Pa]."""
        return replace(self.model, fixed={**self.model.fixed, PUMP: pressure}, outputs=outputs)
