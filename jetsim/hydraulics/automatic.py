"""The constant-pressure ("automatic") nozzle: an opening that answers pressure so as to hold it."""

from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim import units
from jetsim.errors import InputError
from jetsim.hydraulics.nozzle_kinds import (
    FOG_DIAMETER_RATIO,
    FOG_VELOCITY_COEFFICIENT,
    RATING_DENSITY,
    FogNozzle,
    check_wear,
    floats,
    shown_flows,
)
from jetsim.quantities import check_range

Array = NDArray[np.float64]

# ASTM F1546 (definition read): the pressure stays within 15 psi of the rated one over the rated flow range.
STANDARD_DRIFT = 15 * units.PSI


@dataclass(frozen=True, eq=False)
class ConstantPressure(FogNozzle):
    """A constant-pressure nozzle.

    Its law, with q the flow of water at 60 degF: over the rated range the pressure rises on a straight line
    from ``rated_pressure - drift`` at `lowest_flow` to ``rated_pressure + drift`` at `highest_flow`; below and
    above, the opening stands still at its smallest and largest and the pressure goes as q^2. Pressure is
    continuous and rises everywhere, so that each pressure has one flow. The straight line is assumed; its ends
    are the standard's.

    Attributes
    ----------
    rated_pressure : array_like
        [Pa]
    lowest_flow, highest_flow : array_like
        Ends of the rated flow range [m3/s].
    drift : array_like
        Largest departure from the rated pressure over the range, above 0 to 15 psi [Pa]. By default the most
        that ASTM F1546 allows.
    velocity_coefficient, equivalent_diameter_ratio, maximum_pressure
        As for `jetsim.hydraulics.nozzle_kinds.ConstantFlow`.

    Raises
    ------
    InputError
        A value out of range, or a range of flows that does not rise.
    """

    rated_pressure: ArrayLike
    lowest_flow: ArrayLike
    highest_flow: ArrayLike
    drift: ArrayLike = STANDARD_DRIFT
    velocity_coefficient: ArrayLike = FOG_VELOCITY_COEFFICIENT
    equivalent_diameter_ratio: ArrayLike = FOG_DIAMETER_RATIO
    maximum_pressure: ArrayLike | None = None

    def __post_init__(self) -> None:
        for name in ("lowest_flow", "highest_flow"):
            check_range("supply.rated_flow", getattr(self, name), field=name)
        check_range("supply.rated_pressure", self.rated_pressure, field="rated_pressure")
        check_range("supply.pressure_drift", self.drift, field="drift")
        if np.any(floats(self.lowest_flow) >= floats(self.highest_flow)):
            low, high = shown_flows(self.lowest_flow), shown_flows(self.highest_flow)
            raise InputError(f"lowest_flow = {low}: allowed is below highest_flow, {high}")
        if np.any(floats(self.drift) >= floats(self.rated_pressure)):
            raise InputError(f"drift = {self.drift!r} Pa: allowed is below rated_pressure, {self.rated_pressure!r} Pa")
        self._check_fog()

    @property
    def lowest_pressure(self) -> Array:
        """Pressure at the lowest rated flow [Pa]."""
        return np.asarray(floats(self.rated_pressure) - floats(self.drift))

    @property
    def highest_pressure(self) -> Array:
        """Pressure at the highest rated flow [Pa]."""
        return np.asarray(floats(self.rated_pressure) + floats(self.drift))

    @property
    def slope(self) -> Array:
        """Rise of pressure over flow within the rated range [Pa s/m3]."""
        return np.asarray(2 * floats(self.drift) / (floats(self.highest_flow) - floats(self.lowest_flow)))

    def pressure(self, flow: ArrayLike, density: ArrayLike = RATING_DENSITY) -> Array:
        """See `Nozzle`."""
        q = floats(flow) * np.sqrt(floats(density) / RATING_DENSITY)
        low, high = floats(self.lowest_flow), floats(self.highest_flow)
        below = self.lowest_pressure * (q / low) ** 2
        above = self.highest_pressure * (q / high) ** 2
        within = self.lowest_pressure + self.slope * (q - low)
        return np.where(q < low, below, np.where(q > high, above, within))

    def flow(self, pressure: ArrayLike, density: ArrayLike = RATING_DENSITY, resistance: ArrayLike = 0.0) -> Array:
        """See `Nozzle`: each of the three pieces is a quadratic in the flow."""
        scale = RATING_DENSITY / floats(density)
        available, line = floats(pressure), floats(resistance) * scale
        low, high = floats(self.lowest_flow), floats(self.highest_flow)
        below = np.sqrt(available / (line + self.lowest_pressure / low**2))
        above = np.sqrt(available / (line + self.highest_pressure / high**2))
        within = self._within(available, line)
        return np.where(below < low, below, np.where(above > high, above, within)) * np.sqrt(scale)

    def _within(self, available: Array, line: Array) -> Array:
        """Positive root of ``line q^2 + slope q = surplus``, in the form that keeps its digits at line = 0."""
        surplus = available - self.lowest_pressure + self.slope * floats(self.lowest_flow)
        root = np.sqrt(np.maximum(self.slope**2 + 4 * line * surplus, 0.0))
        return np.asarray(2 * surplus / (self.slope + root))

    def discharge_area(self, pressure: ArrayLike) -> Array:
        """See `Nozzle`: the smallest opening below the rated range, the largest above it."""
        given = np.clip(floats(pressure), self.lowest_pressure, self.highest_pressure)
        return np.asarray(self.flow(given) * np.sqrt(RATING_DENSITY / (2 * given)))

    def worn(self, diameter_ratio: ArrayLike) -> Self:
        """See `Nozzle`: the flow range grows, the pressure is still held."""
        factor = check_wear(diameter_ratio) ** 2
        lowest, highest = floats(self.lowest_flow) * factor, floats(self.highest_flow) * factor
        return replace(self, lowest_flow=lowest, highest_flow=highest)
