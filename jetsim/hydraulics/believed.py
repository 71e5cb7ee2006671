"""Believed against delivered: what a line gives when something is not as the pump operator takes it to be."""

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.errors import InputError
from jetsim.hydraulics.hoseline import HoseLine
from jetsim.hydraulics.nozzle_kinds import RATING_DENSITY, Nozzle, SelectableFlow, floats
from jetsim.hydraulics.operating_point import OperatingPoint, operating_point
from jetsim.quantities import check_range

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Deviation:
    """How the real supply departs from the believed one; nothing by default.

    Attributes
    ----------
    pump_pressure_error : array_like
        Pressure at the pump above what the operator believes [Pa].
    hose_deviation : array_like
        Friction of the hose, in scatters of each section from its stated coefficient [-].
    friction_ratio : array_like
        Friction over the stated one [-]: a wrong coefficient.
    kink_loss_coefficient : array_like
        K of all kinks together, on the last section's diameter [-].
    tip_wear : array_like
        Diameter of the opening over its nominal one [-].
    setting_step : array_like
        Settings of a selectable nozzle above the believed one [-].

    Raises
    ------
    InputError
        A value out of range, or a setting error that is no whole number.
    """

    pump_pressure_error: ArrayLike = 0.0
    hose_deviation: ArrayLike = 0.0
    friction_ratio: ArrayLike = 1.0
    kink_loss_coefficient: ArrayLike = 0.0
    tip_wear: ArrayLike = 1.0
    setting_step: ArrayLike = 0.0

    def __post_init__(self) -> None:
        for item in fields(self):
            check_range(f"supply.{item.name}", getattr(self, item.name), field=item.name)
        check_steps(self.setting_step)


def check_steps(steps: ArrayLike) -> None:
    """Refuse a setting error that is not a whole number of settings.

    Raises
    ------
    InputError
    """
    values = np.ravel(floats(steps))
    broken = np.flatnonzero(values != np.rint(values))
    if broken.size:
        raise InputError(f"setting_step = {values[broken[0]]:.6g}: must be a whole number of settings")


def actual_line(line: HoseLine, deviation: Deviation) -> HoseLine:
    """The line as it really lies."""
    lying = line
    if np.any(floats(deviation.friction_ratio) != 1):
        lying = lying.with_friction(deviation.friction_ratio)
    if np.any(floats(deviation.hose_deviation)):
        lying = lying.deviated(deviation.hose_deviation)
    if np.any(floats(deviation.kink_loss_coefficient)):
        return lying.with_kinks(deviation.kink_loss_coefficient)
    return lying


def actual_nozzle(nozzle: Nozzle, deviation: Deviation) -> Nozzle:
    """The nozzle as it really is.

    Raises
    ------
    InputError
        A setting error on a nozzle without settings.
    """
    worn = nozzle.worn(deviation.tip_wear) if np.any(floats(deviation.tip_wear) != 1) else nozzle
    steps = floats(deviation.setting_step)
    if not np.any(steps):
        return worn
    if not isinstance(worn, SelectableFlow):
        raise InputError(f"setting_step = {deviation.setting_step!r}: this nozzle has no settings")
    return worn.stepped(steps)


def delivered(
    pump_pressure: ArrayLike,
    line: HoseLine,
    nozzle: Nozzle,
    deviation: Deviation,
    density: ArrayLike = RATING_DENSITY,
) -> OperatingPoint:
    """What the line delivers at a believed pump pressure [Pa].

    Parameters
    ----------
    pump_pressure : array_like
        As the operator believes [Pa].
    line : HoseLine
        As believed.
    nozzle : Nozzle
        As believed.
    deviation : Deviation
        How the real supply departs from that.
    density : array_like
        Of the water [kg/m3].

    Returns
    -------
    OperatingPoint

    Raises
    ------
    InputError
        A setting error on a nozzle without settings, or an error that leaves a pump pressure below 0.

    Examples
    --------
    A quarter less flow from a fixed opening is 44 % less pressure and reaction:

    >>> from jetsim import units
    >>> from jetsim.hydraulics.hoseline import HoseSection
    >>> from jetsim.hydraulics.nozzle_kinds import SmoothBore
    >>> line = HoseLine([HoseSection(0.04445, 60.96, 0.0)])
    >>> error = Deviation(pump_pressure_error=-0.4375 * 300e3)
    >>> tip = SmoothBore(0.0238125)
    >>> short, full = delivered(300e3, line, tip, error), operating_point(300e3, line, tip)
    >>> round(float(short.flow_rate / full.flow_rate), 6), round(float(short.reaction_force / full.reaction_force), 6)
    (0.75, 0.5625)
    """
    actual = floats(pump_pressure) + floats(deviation.pump_pressure_error)
    return operating_point(actual, actual_line(line, deviation), actual_nozzle(nozzle, deviation), density)


@dataclass(frozen=True, eq=False)
class Comparison:
    """What is believed, beside what each deviation delivers.

    Attributes
    ----------
    labels : tuple of str
        Words for each deviation, n of them.
    believed : OperatingPoint
        Arrays without dimension.
    delivered : OperatingPoint
        Arrays of shape (n,).
    """

    labels: tuple[str, ...]
    believed: OperatingPoint
    delivered: OperatingPoint

    def change(self, name: str) -> Array:
        """Delivered over believed, less 1, of a member of `OperatingPoint` such as ``"flow_rate"``; shape (n,)."""
        return np.asarray(getattr(self.delivered, name) / getattr(self.believed, name) - 1)


def compare_delivery(
    pump_pressure: float,
    line: HoseLine,
    nozzle: Nozzle,
    deviations: Mapping[str, Deviation],
    density: float = RATING_DENSITY,
) -> Comparison:
    """Hold several deviations, each alone, against what is believed.

    Parameters
    ----------
    pump_pressure : float
        As the operator believes [Pa].
    line : HoseLine
    nozzle : Nozzle
    deviations : mapping of str to Deviation
        Words to deviation, each of scalars.
    density : float
        Of the water [kg/m3].

    Returns
    -------
    Comparison
    """
    points = [delivered(pump_pressure, line, nozzle, deviation, density) for deviation in deviations.values()]
    stacked = [np.array([getattr(point, item.name) for point in points]) for item in fields(OperatingPoint)]
    return Comparison(
        tuple(deviations), operating_point(pump_pressure, line, nozzle, density), OperatingPoint(*stacked)
    )
