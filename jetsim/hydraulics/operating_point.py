"""Where pump, line and nozzle agree on a flow. SI throughout; the inverse is in `required_pressure`."""

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.hydraulics.hoseline import HoseLine
from jetsim.hydraulics.nozzle_kinds import RATING_DENSITY, Nozzle, floats
from jetsim.quantities import check_range

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class OperatingPoint:
    """A flow that pump, line and nozzle agree on. Arrays of one shape, SI.

    Attributes
    ----------
    pump_pressure, nozzle_pressure : array
        [Pa]
    flow_rate : array
        Of one nozzle [m3/s]; 0 where the pump does not lift the water to the nozzle.
    exit_speed : array
        [m/s]
    reaction_force : array
        Steady, by the formula [N].
    friction_loss, local_loss, elevation_pressure : array
        [Pa]
    no_inverse : array of bool
        Held at the threshold of a stepped loss: other pump pressures give the same flow.
    above_hose_maximum, above_nozzle_maximum : array of bool
        Above a stated maximum pressure.
    """

    pump_pressure: Array
    flow_rate: Array
    nozzle_pressure: Array
    exit_speed: Array
    reaction_force: Array
    friction_loss: Array
    local_loss: Array
    elevation_pressure: Array
    no_inverse: NDArray[np.bool_]
    above_hose_maximum: NDArray[np.bool_]
    above_nozzle_maximum: NDArray[np.bool_]


def operating_point(
    pump_pressure: ArrayLike, line: HoseLine, nozzle: Nozzle, density: ArrayLike = RATING_DENSITY
) -> OperatingPoint:
    """Flow and pressures at a pump pressure.

    Exact where every loss goes as the square of the flow; Hazen-Williams sections need a bracketed root.

    Parameters
    ----------
    pump_pressure : array_like
        Gauge, at the pump [Pa].
    line : HoseLine
    nozzle : Nozzle
    density : array_like
        Of the water [kg/m3].

    Returns
    -------
    OperatingPoint
        Arrays of the shape to which everything broadcasts.

    Raises
    ------
    InputError
        A pump pressure out of range.

    Examples
    --------
    A 15/16-inch tip behind 200 ft of hose with C = 15.5, pumped at 120 psi:

    >>> from jetsim import units
    >>> from jetsim.hydraulics.hoseline import HoseSection
    >>> from jetsim.hydraulics.nozzle_kinds import SmoothBore
    >>> line = HoseLine([HoseSection(0.04445, 60.96, 15.5 * units.HOSE_COEFFICIENT)])
    >>> point = operating_point(120 * units.PSI, line, SmoothBore(0.0238125, 0.995))
    >>> round(float(point.flow_rate / units.GALLON_PER_MINUTE))
    162
    """
    check_range("supply.pump_pressure", pump_pressure, field="pump_pressure")
    available = floats(pump_pressure) - line.elevation_pressure(density)
    flow, stuck = _flow_with_steps(available, line, nozzle, density)
    return described(floats(pump_pressure), flow, stuck, (line, nozzle, density))


def described(
    pump: Array, flow: Array, stuck: NDArray[np.bool_], system: tuple[HoseLine, Nozzle, ArrayLike]
) -> OperatingPoint:
    """An operating point from its pump pressure and flow (both SI), everything on one shape.

    `stuck` marks the flows that a stepped loss holds at its threshold.
    """
    line, nozzle, density = system
    pressure = nozzle.pressure(flow, density)
    friction, lift = line.friction_loss(flow, density), line.elevation_pressure(density)
    # Held at a threshold, the stepped loss takes what the others leave: part of its step.
    local = np.where(stuck, pump - pressure - friction - lift, line.local_loss(flow, density))
    above_nozzle = np.zeros(np.shape(pressure), dtype=bool)
    if nozzle.maximum_pressure is not None:
        above_nozzle = np.asarray(pressure > floats(nozzle.maximum_pressure))
    values = (
        pump,
        flow,
        pressure,
        nozzle.exit_speed(pressure, density),
        nozzle.reaction(pressure),
        friction,
        local,
        lift,
        stuck,
        line.above_maximum(pump, flow, density),
        above_nozzle,
    )
    return OperatingPoint(*np.broadcast_arrays(*values))


def _flow_with_steps(
    available: Array, line: HoseLine, nozzle: Nozzle, density: ArrayLike
) -> tuple[Array, NDArray[np.bool_]]:
    """Flow with each stepped loss, from the lowest threshold up; and where a threshold holds it."""
    flow = _flow(available, line, nozzle, density)
    stuck = np.zeros(flow.shape, dtype=bool)
    for step in line.steps:
        available = available - step.step
        beyond = flow > step.threshold
        with_step = _flow(available, line, nozzle, density)
        held = beyond & (with_step <= step.threshold)
        flow = np.where(held, step.threshold, np.where(beyond, with_step, flow))
        stuck |= held
    return flow, stuck


def _flow(available: Array, line: HoseLine, nozzle: Nozzle, density: ArrayLike) -> Array:
    """Flow without stepped losses; none where nothing is left to drive it."""
    driving = np.maximum(available, 0.0)
    resistance = line.quadratic_resistance(density)
    flow = np.asarray(nozzle.flow(driving, density, resistance))
    if not line.power_parts:
        return flow

    def surplus(q: Array) -> Array:
        losses = sum((part.loss(q, density) for part in line.power_parts), resistance * q**2)
        return np.asarray(nozzle.pressure(q, density) + losses - driving)

    return _rising_root(surplus, flow)


def _rising_root(function: Callable[[Array], Array], highest: Array) -> Array:
    """Root between 0 and `highest` of a rising function of arrays, all elements at once.

    The root finder drops elements as they converge, but the function's own arrays are whole: each call fills
    the whole array and picks the elements that are asked for.
    """
    shape = np.shape(function(highest))
    upper = np.broadcast_to(highest, shape).ravel()
    whole = upper.copy()

    def picked(x: Array, where: Array) -> Array:
        index = where.astype(int)
        whole[index] = x
        return np.asarray(np.ravel(function(whole.reshape(shape)))[index])

    flowing = np.flatnonzero(upper > 0)
    root = np.zeros(upper.shape)
    if flowing.size:
        find_root = import_module("scipy.optimize.elementwise").find_root
        found = find_root(picked, (np.zeros(flowing.size), upper[flowing]), args=(flowing.astype(float),))
        root[flowing] = found.x
    return root.reshape(shape)
