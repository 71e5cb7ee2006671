"""The line between pump and nozzle: hose friction, appliances, kinks, valves and elevation. SI throughout.

Every part of a line takes a pressure that depends on its flow. Flows are those of *one nozzle*: a part that is
laid as two equal hoses side by side carries half of it in each, and a part that feeds two equal nozzles carries
both of them. Members may be arrays, which broadcast against each other.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim import units
from jetsim.errors import InputError
from jetsim.hydraulics.nozzle_kinds import RATING_DENSITY, check_maximum, floats
from jetsim.quantities import check_range

Array = NDArray[np.float64]

HAZEN_WILLIAMS_EXPONENT = 1.852


class LinePart(ABC):
    """A part of the line with a loss ``resistance Q^exponent``, Q the flow of one nozzle.

    Attributes
    ----------
    lines : int
        Equal hoses side by side (wyed or siamesed).
    nozzles_fed : int
        Equal nozzles fed through the part: 2 for the leader line of a wye with two attack lines.
    """

    lines: int
    nozzles_fed: int
    exponent: float = 2.0

    @property
    def share(self) -> float:
        """Flow in each of its hoses over the flow of one nozzle."""
        return self.nozzles_fed / self.lines

    @abstractmethod
    def resistance(self, density: ArrayLike = RATING_DENSITY) -> Array:
        """Loss [Pa] at a flow of 1 m3/s through the nozzle."""

    def loss(self, flow: ArrayLike, density: ArrayLike = RATING_DENSITY) -> Array:
        """Loss [Pa] at a flow of the nozzle [m3/s]."""
        return np.asarray(self.resistance(density) * floats(flow) ** self.exponent)

    def _check_counts(self) -> None:
        for name in ("lines", "nozzles_fed"):
            count = getattr(self, name)
            if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= 4:
                raise InputError(f"{name} = {count!r}: must be a whole number from 1 to 4")


class Hose(LinePart):
    """A section of hose; its friction may be scaled.

    Attributes
    ----------
    diameter, length : array_like
        [m]
    maximum_pressure : array_like or None
        Stated maximum operating pressure [Pa].
    """

    diameter: ArrayLike
    length: ArrayLike
    coefficient_scatter: ArrayLike
    maximum_pressure: ArrayLike | None

    @abstractmethod
    def with_friction(self, ratio: ArrayLike) -> Self:
        """The same section with its friction loss times `ratio` [-]."""

    def deviated(self, deviation: ArrayLike) -> Self:
        """The same section, `deviation` scatters from its stated friction: times ``exp(scatter deviation)``."""
        check_range("supply.hose_deviation", deviation, field="hose_deviation")
        return self.with_friction(np.exp(floats(self.coefficient_scatter) * floats(deviation)))

    def _check_hose(self) -> None:
        for name in ("diameter", "length"):
            check_range(f"supply.hose_{name}", getattr(self, name), field=name)
        check_range("supply.coefficient_scatter", self.coefficient_scatter, field="coefficient_scatter")
        check_maximum(self.maximum_pressure)
        self._check_counts()


@dataclass(frozen=True, eq=False)
class HoseSection(Hose):
    """Hose by the coefficient law, ``loss = C Q^2 L``: the trade's form in SI. Solid form, uncertain C.

    Attributes
    ----------
    diameter, length : array_like
        [m]
    coefficient : array_like
        C [Pa s2/m7]; the trade's coefficient times `jetsim.units.HOSE_COEFFICIENT`. It belongs to ordinary cold
        water.
    coefficient_scatter : array_like
        Standard deviation of ln C between hoses that are called the same [-].
    lines, nozzles_fed : int
        See `LinePart`.
    maximum_pressure : array_like or None
        Stated maximum operating pressure [Pa].

    Raises
    ------
    InputError
        A value out of range.

    Examples
    --------
    200 ft of hose with C = 15.5 at 150 gpm lose 15.5 x 1.5^2 x 2 psi:

    >>> from jetsim import units
    >>> hose = HoseSection(0.04445, 60.96, 15.5 * units.HOSE_COEFFICIENT)
    >>> round(float(hose.loss(150 * units.GALLON_PER_MINUTE) / units.PSI), 6)
    69.75
    """

    diameter: ArrayLike
    length: ArrayLike
    coefficient: ArrayLike
    coefficient_scatter: ArrayLike = 0.0
    lines: int = 1
    nozzles_fed: int = 1
    maximum_pressure: ArrayLike | None = None

    def __post_init__(self) -> None:
        check_range("supply.hose_coefficient", self.coefficient, field="coefficient")
        self._check_hose()

    def resistance(self, density: ArrayLike = RATING_DENSITY) -> Array:
        """See `LinePart`."""
        return np.asarray(floats(self.coefficient) * floats(self.length) * self.share**2)

    def with_friction(self, ratio: ArrayLike) -> Self:
        """See `Hose`."""
        return replace(self, coefficient=floats(self.coefficient) * _check_friction(ratio))


@dataclass(frozen=True, eq=False)
class HazenWilliamsSection(Hose):
    """Hose or pipe by Hazen-Williams, ``h = 10.67 L Q^1.852 / (C^1.852 D^4.8704)`` of water column.

    The usual SI form (from memory); an empirical fit for cold water at ordinary speeds.

    Attributes
    ----------
    diameter, length : array_like
        True inside diameter, which counts with its fifth power, and length [m].
    hazen_williams_coefficient : array_like
        C [-]; 120 to 150 for lined hose and smooth pipe (common practice, no source).
    coefficient_scatter : array_like
        Standard deviation of ln *loss* between hoses that are called the same [-].
    lines, nozzles_fed, maximum_pressure
        As for `HoseSection`.

    Raises
    ------
    InputError
        A value out of range.
    """

    diameter: ArrayLike
    length: ArrayLike
    hazen_williams_coefficient: ArrayLike
    coefficient_scatter: ArrayLike = 0.0
    lines: int = 1
    nozzles_fed: int = 1
    maximum_pressure: ArrayLike | None = None
    exponent = HAZEN_WILLIAMS_EXPONENT

    def __post_init__(self) -> None:
        name = "hazen_williams_coefficient"
        check_range(f"supply.{name}", self.hazen_williams_coefficient, field=name)
        self._check_hose()

    def resistance(self, density: ArrayLike = RATING_DENSITY) -> Array:
        """See `LinePart`."""
        per_flow = (self.share / floats(self.hazen_williams_coefficient)) ** self.exponent
        head = 10.67 * floats(self.length) * per_flow / floats(self.diameter) ** 4.8704
        return np.asarray(floats(density) * units.STANDARD_GRAVITY * head)

    def with_friction(self, ratio: ArrayLike) -> Self:
        """See `Hose`: the loss goes as ``C^-1.852``."""
        factor = _check_friction(ratio) ** (-1 / self.exponent)
        return replace(self, hazen_williams_coefficient=floats(self.hazen_williams_coefficient) * factor)


@dataclass(frozen=True, eq=False)
class LocalLoss(LinePart):
    """A valve, a kink, a wye or another appliance: ``K rho U^2 / 2`` with U in a waterway of `diameter`.

    Attributes
    ----------
    loss_coefficient : array_like
        K [-], of one such part.
    diameter : array_like
        Of the waterway that K refers to [m].
    count : int
        Parts of this kind in a row.
    lines, nozzles_fed : int
        See `LinePart`.

    Raises
    ------
    InputError
        A value out of range.
    """

    loss_coefficient: ArrayLike
    diameter: ArrayLike
    count: int = 1
    lines: int = 1
    nozzles_fed: int = 1

    def __post_init__(self) -> None:
        check_range("supply.loss_coefficient", self.loss_coefficient, field="loss_coefficient")
        check_range("supply.hose_diameter", self.diameter, field="diameter")
        if isinstance(self.count, bool) or not isinstance(self.count, int) or not 0 <= self.count <= 100:
            raise InputError(f"count = {self.count!r}: must be a whole number from 0 to 100")
        self._check_counts()

    def resistance(self, density: ArrayLike = RATING_DENSITY) -> Array:
        """See `LinePart`."""
        area = np.pi / 4 * floats(self.diameter) ** 2
        return np.asarray(self.count * floats(self.loss_coefficient) * floats(density) / 2 * (self.share / area) ** 2)


@dataclass(frozen=True)
class StepLoss:
    """A loss that is nothing up to a flow and constant above it, as handbooks allow for appliances.

    Where the loss steps in, a range of pump pressures (as wide as the step) belongs to one and the same flow:
    there the rule has no inverse. `operating_point` then returns the flow of the threshold and says so.

    Attributes
    ----------
    step : float
        [Pa]
    above_flow : float
        Flow through the appliance above which it counts [m3/s]; 0: always.
    nozzles_fed : int
        Equal nozzles fed through it.

    Raises
    ------
    InputError
        A value out of range.
    """

    step: float
    above_flow: float = 0.0
    nozzles_fed: int = 1

    def __post_init__(self) -> None:
        check_range("supply.stepped_loss", self.step, field="step")
        check_range("supply.threshold_flow", self.above_flow, field="above_flow")

    @property
    def threshold(self) -> float:
        """Flow of one nozzle at which the loss steps in [m3/s]."""
        return self.above_flow / self.nozzles_fed

    def loss(self, flow: ArrayLike) -> Array:
        """Loss [Pa] at a flow of the nozzle [m3/s]."""
        return np.where(floats(flow) > self.threshold, self.step, 0.0)


# Rules of the trade, from memory: an appliance costs nothing below 350 gpm and 10 psi above, a master-stream
# device 25 psi.
HANDBOOK_APPLIANCE = StepLoss(10 * units.PSI, 350 * units.GALLON_PER_MINUTE)
HANDBOOK_MASTER_STREAM_DEVICE = StepLoss(25 * units.PSI)


@dataclass(frozen=True, eq=False)
class HoseLine:
    """A line from the pump to one nozzle, or to several equal ones.

    Attributes
    ----------
    sections : sequence of HoseSection or HazenWilliamsSection
        In series, from the pump on.
    losses : sequence of LocalLoss or StepLoss
        Valves, kinks and appliances; counted at the nozzle's end, so that hose pressures come out highest.
    rise : array_like
        Nozzle above pump [m]; negative below it.

    Raises
    ------
    InputError
        No section, a part of another kind, or a value out of range.
    """

    sections: Sequence[Hose]
    losses: Sequence[LocalLoss | StepLoss] = ()
    rise: ArrayLike = 0.0

    def __post_init__(self) -> None:
        if not self.sections:
            raise InputError("sections is empty: a line needs one section of hose or more")
        for name, parts, kinds in (("sections", self.sections, Hose), ("losses", self.losses, (LocalLoss, StepLoss))):
            for part in parts:
                if not isinstance(part, kinds):
                    raise InputError(f"{name} holds {part!r}: not a part of that kind")
        check_range("supply.rise", self.rise, field="rise")

    @property
    def steps(self) -> tuple[StepLoss, ...]:
        """Stepped losses, the lowest threshold first."""
        return tuple(sorted((p for p in self.losses if isinstance(p, StepLoss)), key=lambda step: step.threshold))

    @property
    def power_parts(self) -> tuple[Hose, ...]:
        """Sections whose loss does not go as the square of the flow."""
        return tuple(section for section in self.sections if section.exponent != 2.0)

    def quadratic_resistance(self, density: ArrayLike = RATING_DENSITY) -> Array:
        """Resistance of all parts whose loss goes as the square of the flow [Pa s2/m6]."""
        parts = [part for part in (*self.sections, *self.losses) if isinstance(part, LinePart) and part.exponent == 2.0]
        return np.asarray(sum((part.resistance(density) for part in parts), np.zeros(())))

    def friction_loss(self, flow: ArrayLike, density: ArrayLike = RATING_DENSITY) -> Array:
        """Friction of all hose [Pa] at a flow of the nozzle [m3/s]."""
        return np.asarray(sum((part.loss(flow, density) for part in self.sections), np.zeros(())))

    def local_loss(self, flow: ArrayLike, density: ArrayLike = RATING_DENSITY) -> Array:
        """Losses of valves, kinks and appliances [Pa] at a flow of the nozzle [m3/s]."""
        total: Any = np.zeros(np.shape(flow))
        for part in self.losses:
            total = total + (part.loss(flow) if isinstance(part, StepLoss) else part.loss(flow, density))
        return np.asarray(total)

    def elevation_pressure(self, density: ArrayLike = RATING_DENSITY) -> Array:
        """Pressure that lifting the water takes, ``rho g z`` [Pa]: 0.433 psi for each foot. Solid."""
        return np.asarray(floats(density) * units.STANDARD_GRAVITY * floats(self.rise))

    def above_maximum(
        self, pump_pressure: ArrayLike, flow: ArrayLike, density: ArrayLike = RATING_DENSITY
    ) -> NDArray[np.bool_]:
        """Whether some section may stand above its stated maximum pressure.

        Each section is judged at its inlet, after the friction of those before it; a fall is counted at the
        pump's end and a rise at the nozzle's, so the highest pressure that the section can see is judged.
        """
        inlet = floats(pump_pressure) + np.maximum(-self.elevation_pressure(density), 0.0)
        above: Any = np.zeros(np.broadcast_shapes(inlet.shape, np.shape(flow)), dtype=bool)
        for section in self.sections:
            if section.maximum_pressure is not None:
                above = above | (inlet > floats(section.maximum_pressure))
            inlet = inlet - section.loss(flow, density)
        return np.asarray(above)

    def with_friction(self, ratio: ArrayLike) -> Self:
        """The same line with the friction of all its hose times `ratio` [-]."""
        return replace(self, sections=tuple(section.with_friction(ratio) for section in self.sections))

    def deviated(self, deviation: ArrayLike) -> Self:
        """The same line with every section `deviation` of its own scatters from its stated friction."""
        return replace(self, sections=tuple(section.deviated(deviation) for section in self.sections))

    def with_kinks(self, loss_coefficient: ArrayLike) -> Self:
        """The same line with kinks of this K in all [-], in the last section (the one the crew drags)."""
        last = self.sections[-1]
        kinks = LocalLoss(loss_coefficient, last.diameter, lines=last.lines, nozzles_fed=last.nozzles_fed)
        return replace(self, losses=(*self.losses, kinks))


def _check_friction(ratio: ArrayLike) -> Array:
    check_range("supply.friction_ratio", ratio, field="friction_ratio")
    return floats(ratio)
