"""Single drops: their drag in air, and how fast they settle."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.units import STANDARD_GRAVITY

Array = NDArray[np.float64]

# Abraham (1970), Phys. Fluids 13, 2194 (from memory): smooth in the Reynolds number, square roots only.
DRAG_FAR, DRAG_NEAR = 0.2924, 9.06
# Flattening of large drops, fitted to Gunn & Kinzer (1949), 0.4 to 5 mm; the cap is a disc-like drop (assumed).
FLATTENING, FLATTENED = 0.0139, 1.5
# Terminal fall [m/s] grows by so much for each metre of diameter, up to the other [m/s]: Gunn & Kinzer (1949), rounded.
_FALL_RATE, _FASTEST_FALL = 4000.0, 9.0


def drop_drag_coefficient(reynolds_number: ArrayLike, weber_number: ArrayLike) -> Array:
    """Drag coefficient of a falling drop, ``0.2924 (1 + 9.06 / sqrt(Re))^2 (1 + f / (1 + f / 1.5))``.

    The first factor is Abraham's (1970, from memory) for spheres; f = 0.0139 We^2 flattens large drops and is fitted
    to the terminal speeds of Gunn & Kinzer (1949), 0.4 to 5 mm, which it holds within 5 %.

    Parameters
    ----------
    reynolds_number, weber_number : array_like
        With the drop's diameter and slip, and the air's viscosity and density [-].

    Returns
    -------
    ndarray
        [-]
    """
    flattening = FLATTENING * np.asarray(weber_number, dtype=float) ** 2
    sphere = DRAG_FAR * (1 + DRAG_NEAR / np.sqrt(np.asarray(reynolds_number, dtype=float))) ** 2
    return np.asarray(sphere * (1 + flattening / (1 + flattening / FLATTENED)))


def longest_stable_step(diameter: Array, water_density: Array, air_viscosity: Array) -> Array:
    """What one step of the integrator may stably leap over [s]: twice the time in which a falling drop settles.

    Mist falls by Stokes' law, larger drops by the rounded table; SI.
    """
    mist = water_density * diameter**2 / (18 * air_viscosity)
    return np.asarray(2 * np.minimum(mist, np.minimum(_FALL_RATE * diameter, _FASTEST_FALL) / STANDARD_GRAVITY))
