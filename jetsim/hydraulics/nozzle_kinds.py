"""Kinds of nozzle by how their flow answers pressure. SI throughout; pressures are gauge totals at the tip.

Kinds and their definitions follow ASTM F1546 (definitions read): smooth bore, constant flow, selectable flow,
constant pressure. Every kind is an opening of effective area ``a = Cd A`` with ``Q = a sqrt(2 P / rho)``; the
kinds differ in what sets the area. Members may be arrays, which broadcast against each other.

What is not known of a nozzle acts in one way, whoever asks (`Nozzle.sampled`):

- The rating of a fog nozzle says which flow it passes at which pressure. That is the effective area a; Cd and A by
  themselves are stated nowhere and act nowhere, so that a fog nozzle has no Cd to vary. A nozzle that passes more or
  less than its rating has another opening (`FLOW_RATIO`): flow and reaction go with it, the speed does not.
- Cv is what friction inside leaves of the speed: speed and reaction go with it, the flow does not.
- A smooth bore is stated by its opening instead, so Cd acts on its flow, and on its speed too unless Cv is stated:
  smooth bores hardly contract.

A fog nozzle that passes 3 % less than its rating thus has 3 % less reaction. Were this taken for the Cd of a known
opening, its speed would fall by 3 % and its reaction by 6 %, which no reading of flow can show.
"""

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim import media, units
from jetsim.errors import InputError
from jetsim.hydraulics import nozzle
from jetsim.quantities import check_range, did_you_mean

Array = NDArray[np.float64]

# Ratings hold for water at 60 degF; at another temperature the same opening passes sqrt(ratio of densities).
RATING_DENSITY = float(media.water_density(units.to_si(60, "degF")))
# Cv that the handbook's 0.0505 Q sqrt(P) hides (from memory); no measured Cv of a fog nozzle was found.
FOG_VELOCITY_COEFFICIENT = 0.959
# Assumed range of the equivalent diameter ratio and its middle: no coherence data of a fog nozzle on straight stream
# were found. Its low end was lowered from 0.4 until throws that practice tells of lie within nine cases in ten
# (benchmarks/practice.py), which are therefore no validation.
FOG_DIAMETER_RANGE = (0.3, 0.9)
FOG_DIAMETER_RATIO = sum(FOG_DIAMETER_RANGE) / 2
FLOW_RATIO = "supply.flow_ratio"


def floats(value: ArrayLike) -> Array:
    """Any array-like as an array of floats."""
    return np.asarray(value, dtype=float)


@dataclass(frozen=True, eq=False)
class EquivalentStream:
    """What the flight needs to know of the water leaving a nozzle.

    Attributes
    ----------
    tip_diameter : array
        Of a smooth bore that passes the same flow at the same speed [m].
    discharge_coefficient, velocity_coefficient : array
        [-]
    nozzle_pressure : array
        [Pa]
    diameter_ratio : array
        Diameter of the smooth-bore stream that flies alike over `tip_diameter` [-]. 1 for a smooth bore. A fog
        nozzle's straight stream is a ring that joins again: assumed 0.3 to 0.9, no published data found.
    """

    tip_diameter: Array
    discharge_coefficient: Array
    velocity_coefficient: Array
    nozzle_pressure: Array
    diameter_ratio: Array


class Nozzle(ABC):
    """What all kinds have in common.

    Attributes
    ----------
    maximum_pressure : array_like or None
        Stated maximum nozzle pressure [Pa].
    exit_coefficient : array
        Cv [-].
    """

    maximum_pressure: ArrayLike | None

    @property
    @abstractmethod
    def exit_coefficient(self) -> Array:
        """Velocity coefficient Cv [-]."""

    @abstractmethod
    def discharge_area(self, pressure: ArrayLike) -> Array:
        """Effective area ``Cd A`` of the opening [m2] at a nozzle pressure [Pa]."""

    @abstractmethod
    def pressure(self, flow: ArrayLike, density: ArrayLike = RATING_DENSITY) -> Array:
        """Nozzle pressure [Pa] at a flow [m3/s]; the inverse of `flow`."""

    @abstractmethod
    def flow(self, pressure: ArrayLike, density: ArrayLike = RATING_DENSITY, resistance: ArrayLike = 0.0) -> Array:
        """Flow behind a resistance: nozzle pressure plus ``resistance Q^2`` equals the pressure. Exact.

        Parameters
        ----------
        pressure : array_like
            Available pressure [Pa], at least 0; the nozzle pressure itself where there is no resistance.
        density : array_like
            Of the water [kg/m3].
        resistance : array_like
            Of the line before the nozzle [Pa s2/m6].

        Returns
        -------
        ndarray
            [m3/s]
        """

    @abstractmethod
    def worn(self, diameter_ratio: ArrayLike) -> Self:
        """The same nozzle with its opening's diameter times `diameter_ratio` [-]."""

    @property
    @abstractmethod
    def members(self) -> tuple[str, ...]:
        """Names of the members that may be unknown, beside `FLOW_RATIO`."""

    def sampled(self, values: Mapping[str, ArrayLike]) -> Self:
        """The same nozzle with what is unknown of it as a sample says.

        Parameters
        ----------
        values : mapping of str to array_like
            Some of `members`, and `FLOW_RATIO`: the flow over that of this nozzle at the same pressure [-].

        Raises
        ------
        InputError
            A name that does not act on this kind of nozzle, or a value out of range.
        """
        known = (*self.members, FLOW_RATIO)
        for name in values:
            if name not in known:
                raise InputError(f"{name}: does not act on this nozzle{did_you_mean(name, known)}")
        own = {name: value for name, value in values.items() if name != FLOW_RATIO}
        nozzle: Self = replace(self, **own) if own else self  # type: ignore[type-var] # every kind is a dataclass
        if FLOW_RATIO not in values:
            return nozzle
        check_range(FLOW_RATIO, values[FLOW_RATIO])
        return nozzle.worn(np.sqrt(floats(values[FLOW_RATIO])))

    @abstractmethod
    def handbook_reaction(self, pressure: ArrayLike) -> Array:
        """Reaction at a nozzle pressure as the handbooks' formulas give it [N]."""

    def exit_speed(self, pressure: ArrayLike, density: ArrayLike = RATING_DENSITY) -> Array:
        """Speed of the stream at a nozzle pressure [m/s]."""
        return nozzle.exit_speed(pressure, self.exit_coefficient, density)

    def reaction(self, pressure: ArrayLike) -> Array:
        """Steady reaction ``rho Q V = 2 a Cv P`` at a nozzle pressure [N]; whatever the density."""
        return np.asarray(2 * self.discharge_area(pressure) * self.exit_coefficient * floats(pressure))

    @abstractmethod
    def equivalent_stream(self, pressure: ArrayLike) -> EquivalentStream:
        """The stream at a nozzle pressure [Pa], as the flight takes it."""


class FixedOpening(Nozzle):
    """A nozzle whose opening does not answer pressure: ``Q = a sqrt(2 P / rho)``."""

    @property
    @abstractmethod
    def area(self) -> Array:
        """Effective area ``Cd A`` [m2]."""

    def discharge_area(self, pressure: ArrayLike) -> Array:
        """See `Nozzle`."""
        return np.broadcast_to(self.area, np.broadcast_shapes(self.area.shape, np.shape(pressure)))

    def pressure(self, flow: ArrayLike, density: ArrayLike = RATING_DENSITY) -> Array:
        """See `Nozzle`."""
        return np.asarray(floats(density) / 2 * (floats(flow) / self.area) ** 2)

    def flow(self, pressure: ArrayLike, density: ArrayLike = RATING_DENSITY, resistance: ArrayLike = 0.0) -> Array:
        """See `Nozzle`."""
        return np.sqrt(floats(pressure) / (floats(resistance) + floats(density) / (2 * self.area**2)))


@dataclass(frozen=True, eq=False)
class SmoothBore(FixedOpening):
    """A smooth-bore tip.

    Attributes
    ----------
    tip_diameter : array_like
        [m]
    discharge_coefficient : array_like
        Cd [-]; 0.975 unless the tip has been flow-tested.
    velocity_coefficient : array_like or None
        Cv [-], at least Cd; equal to Cd by default (no contraction).
    maximum_pressure : array_like or None
        Stated maximum nozzle pressure [Pa].

    Raises
    ------
    InputError
        A value out of range, or Cd above Cv.

    Examples
    --------
    >>> tip = SmoothBore(0.0238125, discharge_coefficient=0.995)
    >>> round(float(tip.flow(344738)) * 15850.32, 1)
    184.5
    """

    tip_diameter: ArrayLike
    discharge_coefficient: ArrayLike = 0.975
    velocity_coefficient: ArrayLike | None = None
    maximum_pressure: ArrayLike | None = None

    def __post_init__(self) -> None:
        for name in ("tip_diameter", "discharge_coefficient"):
            check_range(name, getattr(self, name))
        check_range("velocity_coefficient", self.exit_coefficient)
        nozzle.check_coefficients(self.discharge_coefficient, self.exit_coefficient)
        check_maximum(self.maximum_pressure)

    @property
    def exit_coefficient(self) -> Array:
        """See `Nozzle`."""
        given = self.discharge_coefficient if self.velocity_coefficient is None else self.velocity_coefficient
        return floats(given)

    @property
    def area(self) -> Array:
        """Effective area ``Cd A`` [m2]."""
        return np.asarray(floats(self.discharge_coefficient) * np.pi / 4 * floats(self.tip_diameter) ** 2)

    @property
    def members(self) -> tuple[str, ...]:
        """See `Nozzle`."""
        return ("discharge_coefficient", "velocity_coefficient")

    def handbook_reaction(self, pressure: ArrayLike) -> Array:
        """See `Nozzle`: ``2 A P``, 1.57 d^2 P in lbf, in and psi; Cd Cv is taken as 1."""
        return nozzle.reaction_force(pressure, self.tip_diameter, 1.0, 1.0)

    def worn(self, diameter_ratio: ArrayLike) -> Self:
        """See `Nozzle`."""
        return replace(self, tip_diameter=floats(self.tip_diameter) * check_wear(diameter_ratio))

    def equivalent_stream(self, pressure: ArrayLike) -> EquivalentStream:
        """See `Nozzle`: the tip itself."""
        discharge = floats(self.discharge_coefficient)
        return EquivalentStream(
            floats(self.tip_diameter), discharge, self.exit_coefficient, floats(pressure), np.asarray(1.0)
        )


class FogNozzle(Nozzle):
    """A combination nozzle on straight stream: speed and equivalent stream."""

    velocity_coefficient: ArrayLike
    equivalent_diameter_ratio: ArrayLike

    @property
    def members(self) -> tuple[str, ...]:
        """See `Nozzle`."""
        return ("velocity_coefficient", "equivalent_diameter_ratio")

    def handbook_reaction(self, pressure: ArrayLike) -> Array:
        """See `Nozzle`: ``0.0505 Q sqrt(P)`` in lbf, gpm and psi, which hides `FOG_VELOCITY_COEFFICIENT`."""
        return np.asarray(2 * self.discharge_area(pressure) * FOG_VELOCITY_COEFFICIENT * floats(pressure))

    @property
    def exit_coefficient(self) -> Array:
        """See `Nozzle`."""
        return floats(self.velocity_coefficient)

    def equivalent_stream(self, pressure: ArrayLike) -> EquivalentStream:
        """See `Nozzle`: the smooth bore of the same flow and speed, without contraction. Assumed."""
        cv = self.exit_coefficient
        tip = np.sqrt(4 / np.pi * self.discharge_area(pressure) / cv)
        return EquivalentStream(tip, cv, cv, floats(pressure), floats(self.equivalent_diameter_ratio))

    def _check_fog(self) -> None:
        check_range("velocity_coefficient", self.velocity_coefficient)
        check_ratio(self.equivalent_diameter_ratio)
        check_maximum(self.maximum_pressure)


@dataclass(frozen=True, eq=False)
class ConstantFlow(FogNozzle, FixedOpening):
    """A constant-flow combination nozzle: a fixed opening that passes its rated flow at its rated pressure.

    Attributes
    ----------
    rated_flow : array_like
        Of the disc that is fitted, for water at 60 degF [m3/s].
    rated_pressure : array_like
        [Pa]
    velocity_coefficient : array_like
        Cv [-]; 0.959 is what the handbook's reaction formula hides (from memory).
    equivalent_diameter_ratio : array_like
        See `EquivalentStream`; assumed.
    maximum_pressure : array_like or None
        Stated maximum nozzle pressure [Pa].

    Raises
    ------
    InputError
        A value out of range.

    Examples
    --------
    >>> fog = ConstantFlow(rated_flow=150 / 15850.32, rated_pressure=344738)
    >>> round(float(fog.flow(344738 * 0.75**2)) * 15850.32, 1)
    112.5
    """

    rated_flow: ArrayLike
    rated_pressure: ArrayLike
    velocity_coefficient: ArrayLike = FOG_VELOCITY_COEFFICIENT
    equivalent_diameter_ratio: ArrayLike = FOG_DIAMETER_RATIO
    maximum_pressure: ArrayLike | None = None

    def __post_init__(self) -> None:
        check_range("supply.rated_flow", self.rated_flow, field="rated_flow")
        check_range("supply.rated_pressure", self.rated_pressure, field="rated_pressure")
        self._check_fog()

    @property
    def area(self) -> Array:
        """Effective area of the rating [m2]."""
        return _rated_area(self.rated_flow, self.rated_pressure)

    def worn(self, diameter_ratio: ArrayLike) -> Self:
        """See `Nozzle`."""
        return replace(self, rated_flow=floats(self.rated_flow) * check_wear(diameter_ratio) ** 2)


@dataclass(frozen=True, eq=False)
class SelectableFlow(FogNozzle, FixedOpening):
    """A selectable-flow combination nozzle: one fixed opening for each position of its ring.

    Attributes
    ----------
    settings : sequence of float
        Rated flow of each setting, rising [m3/s].
    rated_pressure : array_like
        Of all settings [Pa].
    selected : array_like of int
        Position of the ring, counted from 0 at the lowest setting.
    velocity_coefficient, equivalent_diameter_ratio, maximum_pressure
        As for `ConstantFlow`.

    Raises
    ------
    InputError
        A value out of range, settings that do not rise, or a position that the ring lacks.
    """

    settings: Sequence[float]
    rated_pressure: ArrayLike
    selected: ArrayLike
    velocity_coefficient: ArrayLike = FOG_VELOCITY_COEFFICIENT
    equivalent_diameter_ratio: ArrayLike = FOG_DIAMETER_RATIO
    maximum_pressure: ArrayLike | None = None

    def __post_init__(self) -> None:
        flows = floats(self.settings)
        check_range("supply.rated_flow", flows, field="settings")
        if flows.ndim != 1 or flows.size < 2 or np.any(np.diff(flows) <= 0):
            raise InputError(f"settings = {shown_flows(flows)}: must be two or more rated flows, rising")
        check_range("supply.rated_pressure", self.rated_pressure, field="rated_pressure")
        position = np.asarray(self.selected)
        if position.dtype.kind not in "iu" or np.any((position < 0) | (position >= flows.size)):
            raise InputError(f"selected = {self.selected!r}: must be a position from 0 to {flows.size - 1}")
        self._check_fog()

    @classmethod
    def at(cls, rated_flow: float, settings: Sequence[float], rated_pressure: ArrayLike) -> Self:
        """A nozzle set to the setting of the given rated flow [m3/s]."""
        return cls(settings, rated_pressure, 0).select(rated_flow)

    def select(self, rated_flow: float) -> Self:
        """The same nozzle set to the setting of the given rated flow [m3/s].

        Raises
        ------
        InputError
            The nozzle lacks that setting; those it has are named.
        """
        where = np.flatnonzero(np.isclose(floats(self.settings), rated_flow, rtol=1e-6))
        if not where.size:
            raise InputError(
                f"setting = {shown_flows([rated_flow])}: this nozzle has the settings {shown_flows(self.settings)}"
            )
        return replace(self, selected=int(where[0]))

    def stepped(self, steps: ArrayLike) -> Self:
        """The ring turned by whole settings, up positive; it stops at its first and last one."""
        position = np.asarray(self.selected) + np.rint(floats(steps)).astype(int)
        return replace(self, selected=np.clip(position, 0, len(self.settings) - 1))

    @property
    def area(self) -> Array:
        """Effective area of the setting in use [m2]."""
        return _rated_area(floats(self.settings)[np.asarray(self.selected)], self.rated_pressure)

    def worn(self, diameter_ratio: ArrayLike) -> Self:
        """See `Nozzle`: wear of the opening is the same pressure drop as a lower rated pressure."""
        return replace(self, rated_pressure=floats(self.rated_pressure) / check_wear(diameter_ratio) ** 4)


def _rated_area(flow: ArrayLike, pressure: ArrayLike) -> Array:
    """Effective area that passes a rated flow at a rated pressure [m2]."""
    return np.asarray(floats(flow) * np.sqrt(RATING_DENSITY / (2 * floats(pressure))))


def shown_flows(flows: ArrayLike) -> str:
    """Flows [m3/s] as a message names them, in both units."""
    listed = [
        ", ".join(f"{value:.4g}" for value in np.atleast_1d(units.from_si(flows, unit))) for unit in ("gpm", "L/min")
    ]
    return f"{listed[0]} gpm ({listed[1]} L/min)"


def check_wear(diameter_ratio: ArrayLike) -> Array:
    """Refuse a wear ratio out of range; returns it as an array."""
    check_range("supply.tip_wear", diameter_ratio, field="tip_wear")
    return floats(diameter_ratio)


def check_ratio(ratio: ArrayLike) -> None:
    """Refuse an equivalent diameter ratio that is not above 0 and at most 1."""
    values = floats(ratio)
    if not np.all((values > 0) & (values <= 1)):
        raise InputError(f"equivalent_diameter_ratio = {ratio!r}: allowed is above 0 to 1")


def check_maximum(pressure: ArrayLike | None) -> None:
    """Refuse a stated maximum pressure that is not above 0; None states none."""
    if pressure is not None:
        check_range("supply.maximum_pressure", pressure, field="maximum_pressure")
