"""Pumps, hoses and lines as a department states them."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field, model_validator

from jetsim.equipment.nozzles import Entry
from jetsim.equipment.reading import Name, Of, Part, Stated, Text
from jetsim.errors import InputError
from jetsim.hydraulics.hoseline import (
    HANDBOOK_APPLIANCE,
    HANDBOOK_MASTER_STREAM_DEVICE,
    HazenWilliamsSection,
    Hose,
    HoseLine,
    HoseSection,
    LocalLoss,
    StepLoss,
)
from jetsim.hydraulics.required_pressure import Supply

_RULES = {"handbook appliance": HANDBOOK_APPLIANCE, "handbook master stream device": HANDBOOK_MASTER_STREAM_DEVICE}
Count = Annotated[int, Field(ge=1, le=4)]


class PumpEntry(Part):
    """What a pump can give."""

    maximum_pressure: Annotated[float, Of("supply.pump_pressure")]
    maximum_flow: Annotated[float | None, Of("supply.pump_flow")] = None
    label: Text | None = None

    def supply(self) -> Supply:
        """The pump as hydraulics knows it."""
        return Supply(self.maximum_pressure, self.maximum_flow)


class HoseEntry(Part):
    """A kind of hose: its coefficient with the scatter between hoses that are called the same.

    A distribution of the coefficient acts through its median and its spread (half the distance between its 16 % and
    84 % points, of the logarithm).
    """

    diameter: Annotated[float, Of("supply.hose_diameter")]
    coefficient: Annotated[Stated | None, Of("supply.hose_coefficient")] = None
    hazen_williams_coefficient: Annotated[float | None, Of("supply.hazen_williams_coefficient")] = None
    coefficient_scatter: Annotated[float | None, Of("supply.coefficient_scatter")] = None
    maximum_pressure: Annotated[float | None, Of("supply.maximum_pressure")] = None
    label: Text | None = None
    basis: Literal["measured", "published", "common practice", "assumption"] = "assumption"
    source: Text = "not stated"

    @model_validator(mode="after")
    def _one_law(self) -> "HoseEntry":
        if (self.coefficient is None) == (self.hazen_williams_coefficient is None):
            raise InputError("give either coefficient or hazen_williams_coefficient")
        uncertain = self.coefficient is not None and self.coefficient.distribution is not None
        if uncertain and self.coefficient_scatter is not None:
            raise InputError("coefficient_scatter: the distribution of coefficient says it already; leave one out")
        return self

    @property
    def scatter(self) -> float:
        """Standard deviation of the logarithm of the coefficient [-]."""
        if self.coefficient is None or self.coefficient.distribution is None:
            return self.coefficient_scatter or 0.0
        low, high = np.asarray(self.coefficient.distribution.ppf(np.array([0.158655, 0.841345])), dtype=float)
        return float(np.log(high / low) / 2)

    def section(self, length: float, lines: int, nozzles_fed: int) -> Hose:
        """A section of this hose."""
        common = (self.scatter, lines, nozzles_fed, self.maximum_pressure)
        if self.coefficient is not None:
            return HoseSection(self.diameter, length, self.coefficient.middle, *common)
        assert self.hazen_williams_coefficient is not None
        return HazenWilliamsSection(self.diameter, length, self.hazen_williams_coefficient, *common)


class SectionEntry(Part):
    """A section of a line."""

    hose: Name
    length: Annotated[float, Of("supply.hose_length")]
    lines: Count = 1
    nozzles_fed: Count = 1


class LossEntry(Part):
    """A valve, wye or appliance of a line: a rule of the trade, or a loss coefficient on a diameter."""

    rule: Literal["handbook appliance", "handbook master stream device"] | None = None
    loss_coefficient: Annotated[float | None, Of("supply.loss_coefficient")] = None
    diameter: Annotated[float | None, Of("supply.hose_diameter")] = None
    count: Annotated[int, Field(ge=0, le=100)] = 1
    lines: Count = 1
    nozzles_fed: Count = 1

    @model_validator(mode="after")
    def _one_kind(self) -> "LossEntry":
        own = (self.loss_coefficient is not None, self.diameter is not None)
        if own not in ((True, True), (False, False)) or (self.rule is None) != own[0]:
            raise InputError("give either rule, or loss_coefficient and diameter")
        return self

    def loss(self) -> LocalLoss | StepLoss:
        """The loss as hydraulics knows it."""
        if self.rule is not None:
            return _RULES[self.rule]
        assert self.loss_coefficient is not None
        assert self.diameter is not None
        return LocalLoss(self.loss_coefficient, self.diameter, self.count, self.lines, self.nozzles_fed)


class LineEntry(Entry):
    """A line from a pump to the nozzle."""

    sections: Annotated[list[SectionEntry], Field(min_length=1)]
    pump: Name | None = None
    losses: list[LossEntry] = []
    rise: Annotated[Stated, Of("supply.rise")] = Stated(0.0, unit="ft")
    label: Text | None = None

    def line(self, hoses: Mapping[str, HoseEntry], values: Mapping[str, Any]) -> HoseLine:
        """The line as hydraulics knows it, with the given values of its unknowns by quantity."""
        sections = [hoses[part.hose].section(part.length, part.lines, part.nozzles_fed) for part in self.sections]
        rise = values.get("supply.rise", self.rise.middle)
        return HoseLine(sections, [loss.loss() for loss in self.losses], rise)
