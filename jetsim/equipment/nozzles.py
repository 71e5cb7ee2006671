"""Nozzles as a department states them: one model for each kind, which builds the nozzle that hydraulics knows."""

import math
from abc import abstractmethod
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from jetsim.equipment.reading import Of, Part, Stated, Text
from jetsim.hydraulics.automatic import STANDARD_DRIFT, ConstantPressure
from jetsim.hydraulics.nozzle_kinds import FLOW_RATIO, ConstantFlow, Nozzle, SelectableFlow, SmoothBore


class Entry(Part):
    """A table whose members may be uncertain: each such member is an input of the model, named by its quantity."""

    def stated(self) -> dict[str, Stated]:
        """Every stated value by its quantity."""
        found = {}
        for name, member in type(self).model_fields.items():
            value = getattr(self, name)
            marks = [mark.name for mark in member.metadata if isinstance(mark, Of)]
            if isinstance(value, Stated) and marks:
                found[marks[0]] = value
        return found


class NozzleEntry(Entry):
    """What all kinds have in common.

    Attributes
    ----------
    believed : tuple of str
        Unknowns of the nozzle that the table of beliefs speaks of where the department does not.
    without : tuple of str
        What a crew may vary on other kinds and cannot on this one.
    """

    believed: ClassVar[tuple[str, ...]] = ()
    without: ClassVar[tuple[str, ...]] = ("supply.setting_step",)
    label: Text | None = None
    maximum_pressure: Annotated[float | None, Of("supply.maximum_pressure")] = None
    basis: Text | None = None
    source: Text | None = None

    @property
    def rated(self) -> float | None:
        """Rated pressure [Pa]; None for a smooth bore."""
        return None

    @property
    def holds(self) -> tuple[float, float]:
        """Lowest and highest nozzle pressure that it can be held at within what is stated of it [Pa]."""
        return 0.0, math.inf if self.maximum_pressure is None else self.maximum_pressure

    @property
    def bends(self) -> tuple[float, ...]:
        """Nozzle pressures at which its law changes [Pa]: results bend there."""
        return ()

    def nozzle(self, values: Mapping[str, Any]) -> Nozzle:
        """The nozzle with the given values of its unknowns, by quantity; the middle of what is stated for the rest."""
        own = {**{name: stated.middle for name, stated in self.stated().items()}, **values}
        nozzle = self.built(own)
        return nozzle.sampled({FLOW_RATIO: own[FLOW_RATIO]}) if FLOW_RATIO in own else nozzle

    @abstractmethod
    def built(self, own: Mapping[str, Any]) -> Nozzle:
        """The nozzle with the given values, by quantity."""


class SmoothBoreEntry(NozzleEntry):
    """A smooth-bore tip."""

    believed: ClassVar[tuple[str, ...]] = ("discharge_coefficient", "supply.tip_wear")
    kind: Literal["smooth bore"]
    tip_diameter: Annotated[Stated, Of("tip_diameter")]
    discharge_coefficient: Annotated[Stated | None, Of("discharge_coefficient")] = None
    velocity_coefficient: Annotated[Stated | None, Of("velocity_coefficient")] = None

    def built(self, own: Mapping[str, Any]) -> Nozzle:
        """See `NozzleEntry`."""
        return SmoothBore(
            own["tip_diameter"],
            own["discharge_coefficient"],
            own.get("velocity_coefficient"),
            self.maximum_pressure,
        )


class FogEntry(NozzleEntry):
    """A combination nozzle on straight stream."""

    believed: ClassVar[tuple[str, ...]] = ("equivalent_diameter_ratio", "velocity_coefficient", FLOW_RATIO)
    rated_pressure: Annotated[float, Of("supply.rated_pressure")]
    velocity_coefficient: Annotated[Stated | None, Of("velocity_coefficient")] = None
    equivalent_diameter_ratio: Annotated[Stated | None, Of("equivalent_diameter_ratio")] = None

    @property
    def rated(self) -> float | None:
        """See `NozzleEntry`."""
        return self.rated_pressure

    def _fog(self, own: Mapping[str, Any]) -> dict[str, Any]:
        return {
            "velocity_coefficient": own["velocity_coefficient"],
            "equivalent_diameter_ratio": own["equivalent_diameter_ratio"],
            "maximum_pressure": self.maximum_pressure,
        }


class ConstantFlowEntry(FogEntry):
    """A constant-flow fog nozzle: a fixed opening."""

    kind: Literal["constant flow"]
    rated_flow: Annotated[Stated, Of("supply.rated_flow")]

    def built(self, own: Mapping[str, Any]) -> Nozzle:
        """See `NozzleEntry`."""
        return ConstantFlow(own["supply.rated_flow"], self.rated_pressure, **self._fog(own))


class SelectableFlowEntry(FogEntry):
    """A selectable-flow fog nozzle: a ring with settings."""

    without: ClassVar[tuple[str, ...]] = ()
    kind: Literal["selectable flow"]
    settings: Annotated[list[Annotated[float, Of("supply.rated_flow")]], Field(min_length=2)]
    setting: Annotated[float, Of("supply.rated_flow")]

    def built(self, own: Mapping[str, Any]) -> Nozzle:
        """See `NozzleEntry`."""
        ring = SelectableFlow(tuple(self.settings), self.rated_pressure, 0, **self._fog(own))
        return ring.select(self.setting)


class ConstantPressureEntry(FogEntry):
    """An automatic fog nozzle: its opening holds the pressure over a range of flows."""

    kind: Literal["constant pressure"]
    lowest_flow: Annotated[float, Of("supply.rated_flow")]
    highest_flow: Annotated[float, Of("supply.rated_flow")]
    drift: Annotated[float, Of("supply.pressure_drift")] = STANDARD_DRIFT

    @property
    def holds(self) -> tuple[float, float]:
        """See `NozzleEntry`: the pressures over its rated range of flows."""
        return self.rated_pressure - self.drift, min(self.rated_pressure + self.drift, super().holds[1])

    @property
    def bends(self) -> tuple[float, ...]:
        """See `NozzleEntry`: where the opening stands still at its smallest and at its largest."""
        return self.rated_pressure - self.drift, self.rated_pressure + self.drift

    def built(self, own: Mapping[str, Any]) -> Nozzle:
        """See `NozzleEntry`."""
        ends = (self.lowest_flow, self.highest_flow)
        return ConstantPressure(self.rated_pressure, *ends, self.drift, **self._fog(own))


AnyNozzle = Annotated[
    SmoothBoreEntry | ConstantFlowEntry | SelectableFlowEntry | ConstantPressureEntry, Field(discriminator="kind")
]
