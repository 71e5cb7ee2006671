"""Turbulence at the exit of the tip: clear waterway, shutoff valve, decay and taper.

The chain supplies the *valve turbulence factor* F, the ratio of exit turbulence with the valve to that of
the same tip on a clear waterway. It does not set the level: the level of a clear tip is an input of its own,
because real tips are rougher than hose turbulence and taper alone say.

Turbulence intensity here always means the plane average ``sqrt(2 k / 3) / U``.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.errors import InputError
from jetsim.quantities import did_you_mean

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TurbulenceConstants:
    """Constants of the valve chain; every member may be a scalar or an array of cases.

    Attributes
    ----------
    friction_factor : float
        Darcy friction factor of the waterway before the valve; 0.02 is a lined hose (assumed).
    valve_efficiency : float
        Share eta of the valve's loss that becomes turbulence. Assumed, uniform 0.2 to 0.9.
    decay_exponent : float
        n of the decay law, uniform 1.0 to 1.4; 6/5 by Kitamura et al. (2014), J. Fluid Mech. (abstract read).
    eddy_size : float
        Integral length over waterway diameter behind the valve, L/D. Assumed, uniform 0.05 to 0.3.
    dissipation_constant : float
        A of the dissipation rate. Assumed, uniform 0.4 to 1.2.
    taper_exponent : float
        t of ``Tu ~ c^-t``, c the area ratio of the taper; normal 0.7, 0.1 (linear theory, about 0.7).
    """

    friction_factor: ArrayLike = 0.02
    valve_efficiency: ArrayLike = 0.55
    decay_exponent: ArrayLike = 1.2
    eddy_size: ArrayLike = 0.175
    dissipation_constant: ArrayLike = 0.8
    taper_exponent: ArrayLike = 0.7


def waterway_intensity(friction_factor: ArrayLike) -> Array:
    """Turbulence of a long straight waterway, ``0.366 f^0.459``.

    Fitted to published pipe flows; about 0.05 to 0.06 in fire hose.

    Parameters
    ----------
    friction_factor : array_like
        Darcy friction factor [-].

    Returns
    -------
    ndarray
        Intensity [-].

    Examples
    --------
    >>> round(float(waterway_intensity(0.02)), 4)
    0.0608
    """
    return np.asarray(0.366 * np.asarray(friction_factor, dtype=float) ** 0.459)


def valve_intensity(loss_coefficient: ArrayLike, valve_efficiency: ArrayLike) -> Array:
    """Turbulence just behind a valve, ``sqrt(eta K / 3)``.

    Energy balance: the share eta of the loss K U^2/2 becomes turbulent kinetic energy. Assumed.

    Parameters
    ----------
    loss_coefficient, valve_efficiency : array_like
        K and eta [-].

    Returns
    -------
    ndarray
        Intensity [-].
    """
    product = np.asarray(valve_efficiency, dtype=float) * np.asarray(loss_coefficient, dtype=float)
    return np.asarray(np.sqrt(product / 3))


def decayed_intensity(intensity: ArrayLike, distance_over_diameter: ArrayLike, constants: TurbulenceConstants) -> Array:
    """Turbulence left after a run of straight waterway, ``k/k0 = [1 + x/(n l)]^-n``, ``l = 1.5 L/(A Tu0)``.

    The form is published, its length scale assumed.

    Parameters
    ----------
    intensity : array_like
        Intensity Tu0 at the start [-].
    distance_over_diameter : array_like
        Distance from valve to tip over waterway diameter [-].
    constants : TurbulenceConstants

    Returns
    -------
    ndarray
        Intensity [-].
    """
    start = np.asarray(intensity, dtype=float)
    n = np.asarray(constants.decay_exponent, dtype=float)
    # x / (n l) with the starting intensity multiplied through, so that no turbulence divides nothing by zero.
    stretch = (
        np.asarray(distance_over_diameter, dtype=float)
        * np.asarray(constants.dissipation_constant, dtype=float)
        * start
        / (1.5 * n * np.asarray(constants.eddy_size, dtype=float))
    )
    return np.asarray(start * (1 + stretch) ** (-n / 2))


def tapered_intensity(intensity: ArrayLike, area_ratio: ArrayLike, taper_exponent: ArrayLike) -> Array:
    """Turbulence after the taper of the tip, ``Tu c^-t``; c = waterway area / tip area, at least 1 [-].

    Linear theory of a strained turbulent stream gives about ``c^-0.7``; real tapers damp less.
    """
    ratio = np.asarray(area_ratio, dtype=float)
    return np.asarray(np.asarray(intensity, dtype=float) * ratio ** -np.asarray(taper_exponent, dtype=float))


def chain_intensity(
    loss_coefficient: ArrayLike,
    distance_over_diameter: ArrayLike,
    area_ratio: ArrayLike,
    constants: TurbulenceConstants,
) -> Array:
    """Exit turbulence by the whole chain: waterway and decayed valve in quadrature, then the taper.

    Parameters
    ----------
    loss_coefficient : array_like
        K of the valve [-]; 0 is a clear waterway.
    distance_over_diameter, area_ratio : array_like
        Valve to tip over waterway diameter, and waterway area over tip area [-].
    constants : TurbulenceConstants

    Returns
    -------
    ndarray
        Intensity [-]. It underestimates the level of real tips: use ratios of it.
    """
    behind = valve_intensity(loss_coefficient, constants.valve_efficiency)
    valve = decayed_intensity(behind, distance_over_diameter, constants)
    together = np.hypot(waterway_intensity(constants.friction_factor), valve)
    return tapered_intensity(together, area_ratio, constants.taper_exponent)


def factor_of_valve(
    loss_coefficient: ArrayLike, distance_over_diameter: ArrayLike, constants: TurbulenceConstants
) -> Array:
    """Valve turbulence factor F from the valve's loss; distance 0 means no decay.

    The taper cancels in the ratio. Assumed throughout: no measurement of F was found in print.

    Parameters
    ----------
    loss_coefficient, distance_over_diameter : array_like
        K, and valve to tip over waterway diameter [-].
    constants : TurbulenceConstants

    Returns
    -------
    ndarray
        F >= 1 [-].

    Examples
    --------
    >>> float(factor_of_valve(0.0, 6.0, TurbulenceConstants()))
    1.0
    """
    with_valve = chain_intensity(loss_coefficient, distance_over_diameter, 1.0, constants)
    return np.asarray(with_valve / waterway_intensity(constants.friction_factor))


def _given(factor: Array, loss: Array, distance: Array, constants: TurbulenceConstants) -> Array:
    return factor


def _clear(factor: Array, loss: Array, distance: Array, constants: TurbulenceConstants) -> Array:
    return np.ones_like(factor)


def _loss(factor: Array, loss: Array, distance: Array, constants: TurbulenceConstants) -> Array:
    return factor_of_valve(loss, np.zeros_like(distance), constants)


def _decaying_loss(factor: Array, loss: Array, distance: Array, constants: TurbulenceConstants) -> Array:
    return factor_of_valve(loss, distance, constants)


# How the valve turbulence factor is found: as given, none, or from the valve's loss without or with decay.
VALVE_MODELS: Mapping[str, Callable[[Array, Array, Array, TurbulenceConstants], Array]] = MappingProxyType(
    {"factor": _given, "clear": _clear, "loss": _loss, "decaying loss": _decaying_loss}
)


def valve_factor(
    model: str,
    factor: ArrayLike,
    loss_coefficient: ArrayLike,
    distance_over_diameter: ArrayLike,
    constants: TurbulenceConstants,
) -> Array:
    """Valve turbulence factor by a named valve model.

    Parameters
    ----------
    model : str
        A key of `VALVE_MODELS`.
    factor, loss_coefficient, distance_over_diameter : array_like
        F, K and x/D [-]; each model uses its own.
    constants : TurbulenceConstants

    Returns
    -------
    ndarray
        F [-].

    Raises
    ------
    InputError
        Unknown model; the known ones are named.
    """
    if model not in VALVE_MODELS:
        raise InputError(f"valve_model = {model!r}: unknown{did_you_mean(model, VALVE_MODELS)}")
    given, loss, distance = (np.asarray(v, dtype=float) for v in (factor, loss_coefficient, distance_over_diameter))
    return VALVE_MODELS[model](given, loss, distance, constants)


def pressure_share(loss_coefficient: ArrayLike, area_ratio: ArrayLike) -> Array:
    """Pressure that the valve takes, as a share of the tip's dynamic head: ``K / c^2``. Solid.

    Kept apart from the turbulence: a valve may rob pressure and leave the stream clean, or the reverse.

    Parameters
    ----------
    loss_coefficient : array_like
        K on the waterway's dynamic head [-].
    area_ratio : array_like
        Waterway area over tip area c [-].

    Returns
    -------
    ndarray
        Loss over rho V^2 / 2 of the tip [-].
    """
    return np.asarray(np.asarray(loss_coefficient, dtype=float) / np.asarray(area_ratio, dtype=float) ** 2)


@dataclass(frozen=True)
class ValveStyle:
    """A named, *assumed* distribution of a shutoff valve's turbulence factor and loss coefficient.

    Attributes
    ----------
    name : str
    factor : mapping
        Distribution of F in the words of a study file.
    loss_coefficient : mapping
        Distribution of K in the same words.
    basis, source : str
        Standing of the numbers; shown wherever the style shows.
    """

    name: str
    factor: Mapping[str, object]
    loss_coefficient: Mapping[str, object]
    basis: str
    source: str


def _lognormal(median: float, ln_sd: float) -> Mapping[str, object]:
    return MappingProxyType({"distribution": "lognormal", "median": median, "ln_sd": ln_sd})


# F comes from the chain above with every constant drawn from its prior and the valve 3 to 12 waterway
# diameters before the tip (benchmarks/valve_styles.py prints it), rounded. K of a full ball is published,
# the others are guesses from the shape of the waterway.
_BY_CHAIN = "assumed: energy-balance chain over its priors, no measurement of any shutoff found in print"
VALVE_STYLES: Mapping[str, ValveStyle] = MappingProxyType(
    {
        style.name: style
        for style in (
            ValveStyle("full ball", _lognormal(1.3, 0.12), _lognormal(0.05, 0.3), "assumption",
                       f"F {_BY_CHAIN}; K of a fully open plug cock after Weisbach, read in a handbook table"),
            ValveStyle("cut-away ball", _lognormal(1.7, 0.23), _lognormal(0.3, 0.5), "assumption",
                       f"F {_BY_CHAIN}; K guessed between full ball and plunger"),
            ValveStyle("slide", _lognormal(1.85, 0.26), _lognormal(0.5, 0.5), "assumption",
                       f"F {_BY_CHAIN}; K guessed between full ball and plunger"),
            ValveStyle("plunger", _lognormal(2.2, 0.30),
                       MappingProxyType({"distribution": "uniform", "low": 0.5, "high": 2.0}), "assumption",
                       f"F {_BY_CHAIN}; K guessed, 0.5 to 2"),
        )
    }
)  # fmt: skip


def valve_style(name: str) -> ValveStyle:
    """Look up a valve style by name.

    Raises
    ------
    InputError
        Unknown style; the known ones are named.
    """
    if name not in VALVE_STYLES:
        raise InputError(f"unknown valve style {name!r}{did_you_mean(name, VALVE_STYLES)}")
    return VALVE_STYLES[name]
