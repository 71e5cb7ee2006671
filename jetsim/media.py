"""Properties of the two media: water and air, by temperature and pressure.

Every function takes and returns arrays of any one shape.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_GAS_CONSTANT_DRY_AIR = 287.0528  # J/(kg K), US Standard Atmosphere 1976
_KELVIN = 273.15


def water_density(temperature: ArrayLike) -> Array:
    """Density of air-free water at one atmosphere.

    Kell (1975), J. Chem. Eng. Data 20, 97-105, rational formula for 0 to 150 degC (from memory; the tests
    hold it against IAPWS-95). Solid.

    Parameters
    ----------
    temperature : array_like
        [degC], 0 to 99.

    Returns
    -------
    ndarray
        [kg/m3]
    """
    t = np.asarray(temperature, dtype=float)
    numerator = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 - 280.54253e-12 * t)))
    )
    return np.asarray(numerator / (1 + 16.879850e-3 * t))


def water_surface_tension(temperature: ArrayLike) -> Array:
    """Surface tension of water against air.

    IAPWS R1-76 (revised 2014): ``235.8e-3 tau^1.256 (1 - 0.625 tau)``, tau = 1 - T/647.096 K. Solid.

    Parameters
    ----------
    temperature : array_like
        [degC]

    Returns
    -------
    ndarray
        [N/m]
    """
    tau = 1 - (np.asarray(temperature, dtype=float) + _KELVIN) / 647.096
    return np.asarray(235.8e-3 * tau**1.256 * (1 - 0.625 * tau))


def air_density(temperature: ArrayLike, pressure: ArrayLike = 101325.0) -> Array:
    """Density of dry air as an ideal gas (US Standard Atmosphere 1976). Solid.

    Moisture lowers it by at most 2 % at 35 degC, which is left out.

    Parameters
    ----------
    temperature : array_like
        [degC]
    pressure : array_like
        [Pa], absolute.

    Returns
    -------
    ndarray
        [kg/m3]
    """
    absolute = np.asarray(temperature, dtype=float) + _KELVIN
    return np.asarray(np.asarray(pressure, dtype=float) / (_GAS_CONSTANT_DRY_AIR * absolute))


def air_viscosity(temperature: ArrayLike) -> Array:
    """Dynamic viscosity of air by Sutherland's law (US Standard Atmosphere 1976). Solid.

    Parameters
    ----------
    temperature : array_like
        [degC]

    Returns
    -------
    ndarray
        [Pa s]
    """
    absolute = np.asarray(temperature, dtype=float) + _KELVIN
    return np.asarray(1.458e-6 * absolute**1.5 / (absolute + 110.4))
