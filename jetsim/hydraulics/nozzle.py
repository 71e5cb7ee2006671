"""Discharge and reaction of nozzles. SI throughout; pressures are gauge.

``P`` is the total gauge pressure at the tip. A pitot in the stream reads rho V^2 / 2 itself: give such a
reading with a velocity coefficient of 1. A static gauge at the base of the tip reads less than the total:
see `total_pressure`.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.errors import InputError

Array = NDArray[np.float64]


def exit_speed(pressure: ArrayLike, velocity_coefficient: ArrayLike, density: ArrayLike) -> Array:
    """Speed of the stream, ``V = Cv sqrt(2 P / rho)``. Solid.

    Parameters
    ----------
    pressure : array_like
        Total gauge pressure at the tip [Pa].
    velocity_coefficient : array_like
        Cv [-].
    density : array_like
        Of the water [kg/m3].

    Returns
    -------
    ndarray
        [m/s]
    """
    head = 2 * np.asarray(pressure, dtype=float) / np.asarray(density, dtype=float)
    return np.asarray(np.asarray(velocity_coefficient, dtype=float) * np.sqrt(head))


def flow_rate(
    pressure: ArrayLike, tip_diameter: ArrayLike, discharge_coefficient: ArrayLike, density: ArrayLike
) -> Array:
    """Flow of a smooth bore, ``Q = Cd A sqrt(2 P / rho)``. Solid.

    Parameters
    ----------
    pressure : array_like
        Total gauge pressure at the tip [Pa].
    tip_diameter : array_like
        [m]
    discharge_coefficient : array_like
        Cd [-].
    density : array_like
        Of the water [kg/m3].

    Returns
    -------
    ndarray
        [m3/s]

    Examples
    --------
    A 7/8-inch tip at 50 psi, in US gallons per minute:

    >>> round(float(flow_rate(344738, 0.022225, 0.995, 999.0)) * 15850.32)
    161
    """
    area = np.pi / 4 * np.asarray(tip_diameter, dtype=float) ** 2
    return np.asarray(area * exit_speed(pressure, discharge_coefficient, density))


def reaction_force(
    pressure: ArrayLike,
    tip_diameter: ArrayLike,
    discharge_coefficient: ArrayLike,
    velocity_coefficient: ArrayLike,
) -> Array:
    """Steady reaction, ``rho Q V = 2 Cd Cv A P``. Solid.

    Opening, closing and slipping add to it, and measured forces on the firefighter exceed this formula by up
    to 50 % (Nguyen et al. 2024, Fire Technology 60, 1627; abstract read).

    Parameters
    ----------
    pressure : array_like
        Total gauge pressure at the tip [Pa].
    tip_diameter : array_like
        [m]
    discharge_coefficient, velocity_coefficient : array_like
        Cd and Cv [-].

    Returns
    -------
    ndarray
        [N]
    """
    area = np.pi / 4 * np.asarray(tip_diameter, dtype=float) ** 2
    both = np.asarray(discharge_coefficient, dtype=float) * np.asarray(velocity_coefficient, dtype=float)
    return np.asarray(2 * both * area * np.asarray(pressure, dtype=float))


def total_pressure(
    base_pressure: ArrayLike,
    discharge_coefficient: ArrayLike,
    tip_diameter: ArrayLike,
    waterway_diameter: ArrayLike,
) -> Array:
    """Total pressure at the tip from a static gauge at its base: adds the velocity of approach.

    The waterway carries the tip's flow, so its dynamic pressure is ``Cd^2 beta^4 P`` with beta the ratio of
    diameters and P the total pressure: ``P = P_base / (1 - Cd^2 beta^4)``. Flow then rises by
    ``1 / sqrt(1 - Cd^2 beta^4)``, about 3 % at beta = 0.5. Solid.

    Parameters
    ----------
    base_pressure : array_like
        Static gauge pressure in the waterway just before the tip [Pa].
    discharge_coefficient : array_like
        Cd [-].
    tip_diameter, waterway_diameter : array_like
        [m]

    Returns
    -------
    ndarray
        [Pa]

    Raises
    ------
    InputError
        The tip is not narrower than its waterway.
    """
    check_waterway(tip_diameter, waterway_diameter)
    beta = np.asarray(tip_diameter, dtype=float) / np.asarray(waterway_diameter, dtype=float)
    approach = np.asarray(discharge_coefficient, dtype=float) ** 2 * beta**4
    return np.asarray(np.asarray(base_pressure, dtype=float) / (1 - approach))


def check_waterway(tip_diameter: ArrayLike, waterway_diameter: ArrayLike) -> None:
    """Refuse a waterway that is not wider than its tip.

    Raises
    ------
    InputError
    """
    tip, waterway = np.broadcast_arrays(tip_diameter, waterway_diameter)
    wrong = np.flatnonzero(waterway <= tip)
    if wrong.size:
        raise InputError(
            f"waterway_diameter = {waterway.flat[wrong[0]]:.6g} m: allowed is above tip_diameter, "
            f"{tip.flat[wrong[0]]:.6g} m"
        )


def check_coefficients(discharge_coefficient: ArrayLike, velocity_coefficient: ArrayLike) -> None:
    """Refuse a discharge coefficient above the velocity coefficient: contraction cannot exceed 1.

    Raises
    ------
    InputError
    """
    discharge, velocity = np.broadcast_arrays(discharge_coefficient, velocity_coefficient)
    wrong = np.flatnonzero(discharge > velocity)
    if wrong.size:
        raise InputError(
            f"discharge_coefficient = {discharge.flat[wrong[0]]:.6g}: allowed is above 0 to "
            f"velocity_coefficient, {velocity.flat[wrong[0]]:.6g}"
        )
