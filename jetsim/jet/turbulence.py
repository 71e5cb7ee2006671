"""Turbulence at the exit of the tip: clear waterway, shutoff valve, decay and taper.

Two ratios say what a valve does, both 1 for a valve that adds nothing. The *upstream factor* is turbulence before
the tip with the valve over that without: the chain below gives it, and named styles state it. The *valve turbulence
factor* F is the same ratio at the exit, where the tip's own turbulence has been added. Energies add, so that
`exit_factor` ties the two by one unknown, the share of a clear tip's turbulence that arises in the tip itself.
Neither sets the level: that of a clear tip is an input of its own.

Turbulence intensity here always means the plane average ``sqrt(2 k / 3) / U``.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from jetsim.errors import InputError
from jetsim.quantities import did_you_mean

Array = NDArray[np.float64]

# Range of `TurbulenceConstants.tip_share`. Assumed: nobody has measured it. Hose turbulence of 0.061 behind a taper
# that damps as (area ratio)^-0.7 (linear theory) would leave 0.8 to 0.9 of a clear tip's energy to the tip; real tapers
# damp less, and a tip that adds nothing cannot be ruled out.
TIP_SHARE = (0.0, 0.85)


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
    tip_share : float
        Share of a clear tip's turbulent energy at the exit that arises in the tip, out of the valve's reach. Assumed,
        uniform over `TIP_SHARE`; its middle by default.
    """

    friction_factor: ArrayLike = 0.02
    valve_efficiency: ArrayLike = 0.55
    decay_exponent: ArrayLike = 1.2
    eddy_size: ArrayLike = 0.175
    dissipation_constant: ArrayLike = 0.8
    tip_share: ArrayLike = sum(TIP_SHARE) / 2


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


def upstream_factor(
    loss_coefficient: ArrayLike, distance_over_diameter: ArrayLike, constants: TurbulenceConstants
) -> Array:
    """Turbulence before the tip with a valve over that without: waterway and decayed valve in quadrature.

    Assumed throughout: no measurement was found in print.

    Parameters
    ----------
    loss_coefficient : array_like
        K of the valve [-]; 0 is a clear waterway.
    distance_over_diameter : array_like
        Valve to tip over waterway diameter [-]; 0 means no decay.
    constants : TurbulenceConstants

    Returns
    -------
    ndarray
        At least 1 [-].

    Examples
    --------
    >>> float(upstream_factor(0.0, 6.0, TurbulenceConstants()))
    1.0
    """
    behind = valve_intensity(loss_coefficient, constants.valve_efficiency)
    valve = decayed_intensity(behind, distance_over_diameter, constants)
    return np.hypot(1.0, valve / waterway_intensity(constants.friction_factor))


def exit_factor(upstream: ArrayLike, tip_share: ArrayLike) -> Array:
    """Valve turbulence factor F at the exit, ``F^2 = s + (1 - s) f^2``; f the upstream factor, s the tip's share.

    The taper damps what comes from upstream, with the valve or without, by one ratio; what the tip adds is independent
    of it, so that energies add. The form is exact under these two statements, the share is assumed.

    Parameters
    ----------
    upstream, tip_share : array_like
        f and s [-].

    Returns
    -------
    ndarray
        F [-], between 1 and f.

    Examples
    --------
    >>> round(float(exit_factor(2.2, 0.85)), 2)
    1.26
    """
    share = np.asarray(tip_share, dtype=float)
    return np.asarray(np.sqrt(share + (1 - share) * np.asarray(upstream, dtype=float) ** 2))


class Valve(NamedTuple):
    """What may be stated of a valve [-]; each model of `VALVE_MODELS` reads its own.

    ``factor`` is F at the exit, ``upstream_factor`` that before the tip, ``loss_coefficient`` K on the waterway's
    dynamic head, ``distance`` that from valve to tip over waterway diameter.
    """

    factor: ArrayLike
    upstream_factor: ArrayLike
    loss_coefficient: ArrayLike
    distance: ArrayLike


def _given(valve: Valve, constants: TurbulenceConstants) -> Array:
    return np.asarray(valve.factor, dtype=float)


def _upstream(valve: Valve, constants: TurbulenceConstants) -> Array:
    return exit_factor(valve.upstream_factor, constants.tip_share)


def _clear(valve: Valve, constants: TurbulenceConstants) -> Array:
    return np.ones_like(np.asarray(valve.factor, dtype=float))


def _loss(valve: Valve, constants: TurbulenceConstants) -> Array:
    return exit_factor(upstream_factor(valve.loss_coefficient, 0.0, constants), constants.tip_share)


def _decaying_loss(valve: Valve, constants: TurbulenceConstants) -> Array:
    upstream = upstream_factor(valve.loss_coefficient, valve.distance, constants)
    return exit_factor(upstream, constants.tip_share)


# How the valve turbulence factor is found: as measured at the exit, from the factor upstream of the tip (named styles),
# none, or from the valve's loss without or with decay.
VALVE_MODELS: Mapping[str, Callable[[Valve, TurbulenceConstants], Array]] = MappingProxyType(
    {"factor": _given, "upstream factor": _upstream, "clear": _clear, "loss": _loss, "decaying loss": _decaying_loss}
)


def valve_factor(model: str, valve: Valve, constants: TurbulenceConstants) -> Array:
    """Valve turbulence factor at the exit by a named valve model.

    Parameters
    ----------
    model : str
        A key of `VALVE_MODELS`.
    valve : Valve
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
    return VALVE_MODELS[model](valve, constants)


@dataclass(frozen=True)
class ValveStyle:
    """A named, *assumed* kind of shutoff: what it does upstream of the tip, in the words of a study file.

    Attributes
    ----------
    name : str
    median, ln_sd : float
        Of the upstream factor, lognormal.
    loss_coefficient : mapping
        Distribution of K.
    basis, source : str
        Standing of the numbers; shown wherever the style shows.
    """

    name: str
    median: float
    ln_sd: float
    loss_coefficient: Mapping[str, object]
    basis: str
    source: str

    @property
    def upstream_factor(self) -> Mapping[str, object]:
        """Distribution of the upstream factor."""
        return _lognormal(self.median, self.ln_sd)

    @property
    def factor(self) -> Mapping[str, object]:
        """Distribution of F at the exit where `tip_share` does not vary beside it: its share is averaged over.

        Lognormal, median and spread of ln F computed from the upstream factor and a share uniform over `TIP_SHARE`.
        """
        level = (np.arange(64) + 0.5) / 64
        upstream = self.median * np.exp(self.ln_sd * ndtri(level))
        share = TIP_SHARE[0] + (TIP_SHARE[1] - TIP_SHARE[0]) * level
        logs = np.log(exit_factor(upstream[:, None], share))
        return _lognormal(float(np.exp(np.median(logs))), float(logs.std()))


def _lognormal(median: float, ln_sd: float) -> Mapping[str, object]:
    return MappingProxyType({"distribution": "lognormal", "median": median, "ln_sd": ln_sd})


# The chain above with every constant drawn from its prior and the valve 3 to 12 waterway diameters before the tip,
# rounded; tests/test_turbulence.py computes it. K of a full ball is published, the others are guesses from the shape of
# the waterway. The plunger's reach against a ball's, as practice saw it, lies within what they predict
# (benchmarks/practice.py).
_BY_CHAIN = "assumed: energy-balance chain over its ranges, no measurement of any shutoff found in print"
VALVE_STYLES: Mapping[str, ValveStyle] = MappingProxyType(
    {
        style.name: style
        for style in (
            ValveStyle("full ball", 1.3, 0.12, _lognormal(0.05, 0.3), "assumption",
                       f"upstream factor {_BY_CHAIN}; K of an open plug cock after Weisbach, read in a handbook table"),
            ValveStyle("cut-away ball", 1.7, 0.23, _lognormal(0.3, 0.5), "assumption",
                       f"upstream factor {_BY_CHAIN}; K guessed between full ball and plunger"),
            ValveStyle("slide", 1.85, 0.26, _lognormal(0.5, 0.5), "assumption",
                       f"upstream factor {_BY_CHAIN}; K guessed between full ball and plunger"),
            ValveStyle("plunger", 2.2, 0.30,
                       MappingProxyType({"distribution": "uniform", "low": 0.5, "high": 2.0}), "assumption",
                       f"upstream factor {_BY_CHAIN}; K guessed, 0.5 to 2"),
        )
    }
)  # fmt: skip
