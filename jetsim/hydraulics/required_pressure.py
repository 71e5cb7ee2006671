"""The pump pressure that a target flow or nozzle pressure needs, and whether the supply can give it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim import units
from jetsim.errors import InputError
from jetsim.hydraulics.hoseline import HoseLine
from jetsim.hydraulics.nozzle_kinds import RATING_DENSITY, Nozzle, floats, shown_flows
from jetsim.hydraulics.operating_point import OperatingPoint, described, operating_point
from jetsim.quantities import check_range

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Supply:
    """What the pump can give.

    Attributes
    ----------
    maximum_pressure : float
        [Pa]
    maximum_flow : float or None
        Of the line, all its nozzles together [m3/s].

    Raises
    ------
    InputError
        A value out of range.
    """

    maximum_pressure: float
    maximum_flow: float | None = None

    def __post_init__(self) -> None:
        check_range("supply.pump_pressure", self.maximum_pressure, field="maximum_pressure")
        if self.maximum_flow is not None:
            check_range("supply.pump_flow", self.maximum_flow, field="maximum_flow")


@dataclass(frozen=True, eq=False)
class RequiredPressure:
    """What a target needs. Arrays of one shape, SI.

    Attributes
    ----------
    point : OperatingPoint
        The target itself: its flow, nozzle pressure, losses and reaction, and the pump pressure that it needs,
        reachable or not. A pump pressure below 0 says that the fall alone gives more than the target.
    reachable : array of bool
        Whether the supply can give it.
    nearest : OperatingPoint
        The nearest that the supply can give: the target where it is reachable, else the best achievable.
    """

    point: OperatingPoint
    reachable: NDArray[np.bool_]
    nearest: OperatingPoint

    @property
    def pump_pressure(self) -> Array:
        """Pump pressure that the target needs [Pa]."""
        return self.point.pump_pressure

    def demand_reachable(self, name: str = "target") -> None:
        """Refuse a target that the supply cannot give, naming the best achievable.

        Raises
        ------
        InputError
        """
        wrong = np.flatnonzero(~self.reachable)
        if not wrong.size:
            return
        first = wrong[0]
        wanted, best = (
            f"{shown_flows(p.flow_rate.flat[first])} at a nozzle pressure of {_shown(p.nozzle_pressure.flat[first])}"
            for p in (self.point, self.nearest)
        )
        raise InputError(
            f"{name} = {wanted}: needs a pump pressure of {_shown(self.pump_pressure.flat[first])}, beyond the supply; "
            f"the best achievable is {best}, pumped at {_shown(self.nearest.pump_pressure.flat[first])}"
        )


def _shown(pressure: float) -> str:
    psi, bar = (float(units.from_si(pressure, unit)) for unit in ("psi", "bar"))
    return f"{psi:.4g} psi ({bar:.3g} bar)"


def required_pump_pressure(
    line: HoseLine,
    nozzle: Nozzle,
    *,
    flow: ArrayLike | None = None,
    nozzle_pressure: ArrayLike | None = None,
    supply: Supply | None = None,
    density: ArrayLike = RATING_DENSITY,
) -> RequiredPressure:
    """Pump pressure for a target flow or a target nozzle pressure: the inverse of `operating_point`. Exact.

    Parameters
    ----------
    line : HoseLine
    nozzle : Nozzle
    flow : array_like, optional
        Target flow of one nozzle [m3/s].
    nozzle_pressure : array_like, optional
        Target nozzle pressure [Pa]; give this or `flow`.
    supply : Supply, optional
        Limits of the pump; none by default.
    density : array_like
        Of the water [kg/m3].

    Returns
    -------
    RequiredPressure

    Raises
    ------
    InputError
        Both targets or none, or a target out of range.

    Examples
    --------
    A 15/16-inch tip at 50 psi behind 200 ft of hose with C = 15.5:

    >>> from jetsim.hydraulics.hoseline import HoseSection
    >>> from jetsim.hydraulics.nozzle_kinds import SmoothBore
    >>> line = HoseLine([HoseSection(0.04445, 60.96, 15.5 * units.HOSE_COEFFICIENT)])
    >>> needed = required_pump_pressure(line, SmoothBore(0.0238125, 0.995), nozzle_pressure=50 * units.PSI)
    >>> round(float(needed.pump_pressure / units.PSI))
    156
    """
    if (flow is None) == (nozzle_pressure is None):
        raise InputError("give one target: either flow in m3/s or nozzle_pressure in Pa")
    if flow is None:
        assert nozzle_pressure is not None
        check_range("nozzle_pressure", nozzle_pressure)
        flow = nozzle.flow(nozzle_pressure, density)
    else:
        check_range("supply.rated_flow", flow, field="flow")
    wanted = floats(flow)
    lost = line.friction_loss(wanted, density) + line.local_loss(wanted, density)
    pump = np.asarray(nozzle.pressure(wanted, density) + lost + line.elevation_pressure(density))
    point = described(pump, wanted, np.zeros(wanted.shape, dtype=bool), (line, nozzle, density))
    return _judged(point, supply, (line, nozzle, density))


def _judged(
    point: OperatingPoint, supply: Supply | None, system: tuple[HoseLine, Nozzle, ArrayLike]
) -> RequiredPressure:
    """Hold a target against the supply."""
    highest = np.inf if supply is None else supply.maximum_pressure
    reachable = (point.pump_pressure >= 0) & (point.pump_pressure <= highest)
    most = None
    if supply is not None and supply.maximum_flow is not None:
        most = supply.maximum_flow / system[0].sections[0].nozzles_fed
        reachable &= point.flow_rate <= most
    if np.all(reachable):
        return RequiredPressure(point, reachable, point)
    return RequiredPressure(point, reachable, _nearest(point, highest, most, system))


def _nearest(
    point: OperatingPoint, highest: float, most: float | None, system: tuple[HoseLine, Nozzle, ArrayLike]
) -> OperatingPoint:
    """The point at the pump pressure that comes nearest to the target within the supply's limits."""
    line, nozzle, density = system
    wanted = point.pump_pressure
    if most is not None:
        fullest = required_pump_pressure(line, nozzle, flow=np.minimum(point.flow_rate, most), density=density)
        wanted = fullest.pump_pressure
    return operating_point(np.clip(wanted, 0.0, highest), line, nozzle, density)
