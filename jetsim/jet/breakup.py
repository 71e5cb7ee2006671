"""Breakup length: how far along the stream the water holds together.

Two regimes, and the smaller of the two lengths acts. Both are correlations of published jets from long
pipes; the turbulence exponent of the atomization regime rests almost wholly on one study of rough pipes and
is this subject's weakest published number.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.errors import InputError
from jetsim.quantities import did_you_mean

Array = NDArray[np.float64]

ATOMIZATION = "atomization"
SURFACE = "turbulent surface breakup"
# Liquid over gas density of water jets in air, centre (geometric mean) of the published points.
REFERENCE_DENSITY_RATIO = 837.0

# What is believed of unknowns that no constant's own fit covers: the lognormal scatter of `BreakupConstants.scale` from
# nozzle to nozzle, and the ends of the uniform `BreakupConstants.turbulence_exponent`; evidence stands there.
BREAKUP_SCATTER = 0.15
EXPONENT_RANGE = (0.15, 0.60)
# Where an eye sees a stream break up, over the breakup distance: lognormal, median and spread of ln. Drops leave the
# surface long before the breakup length, and a torn stream still looks whole behind it.
# Assumed, and widened from (0.8, 0.3) until a bore and two fog streams that were seen to break up at 30, 15 and 30 ft
# (common practice, no source; benchmarks/practice.py) lie within nine cases in ten: these are no validation.
OBSERVED_ONSET = (1.3, 0.6)


@dataclass(frozen=True)
class BreakupConstants:
    """Constants of the breakup correlations; every member may be a scalar or an array of cases.

    Attributes
    ----------
    scale : float
        Factor on the breakup length of either regime: what differs from nozzle to nozzle, lognormal (1, 0.15). That
        width rests on fire tips: 17 lengths of Theobald's five tips (1981) scatter by 0.11 about the law at a clear
        turbulence of 0.07, the means of his tips by 0.16 (standard deviation of ln). Pipe jets scatter more from study
        to study: 26 in air above the regimes' boundary by 0.27, the 12 of them in the atomization regime by 0.35 (root
        mean square, bias included).
    atomization_coefficient : float
        B of ``x_b/d = B (Tu/0.05)^-m``, fitted to 42 pipe jets at air density, which scatter by 0.15 about it (ln).
    turbulence_exponent : float
        m; fitted 0.26 +- 0.10 (one standard deviation), other estimates 0.28 to 0.57, hence the prior uniform 0.15 to
        0.60. The default stays the value that was fitted together with B, although the other estimates lie above it:
        the rows transcribed here cannot settle it (0.05 +- 0.21 from the same 26).
    density_exponent : float
        Exponent on the density ratio (0.335, fitted to 11 jets in pressurised gas; it also equals what the
        published regime boundary implies).
    surface_coefficient : float
        3.61 of ``x_b/d = 3.61 We^0.334 Tu^-0.275``, fitted to 149 points of 4 studies, ln scatter 0.035.
    """

    scale: ArrayLike = 1.0
    atomization_coefficient: ArrayLike = 246.0
    turbulence_exponent: ArrayLike = 0.26
    density_exponent: ArrayLike = 0.335
    surface_coefficient: ArrayLike = 3.61


class JetNumbers(NamedTuple):
    """Weber number (liquid density, exit diameter), turbulence intensity, liquid/gas density ratio [-]."""

    weber_number: Array
    turbulence_intensity: Array
    density_ratio: Array


def _atomization(jet: JetNumbers, constants: BreakupConstants) -> Array:
    """``B (Tu/0.05)^-m``, scaled by density ratio; hardly depends on speed."""
    turbulence = (jet.turbulence_intensity / 0.05) ** -np.asarray(constants.turbulence_exponent, dtype=float)
    density = (jet.density_ratio / REFERENCE_DENSITY_RATIO) ** np.asarray(constants.density_exponent)
    return np.asarray(np.asarray(constants.atomization_coefficient) * turbulence * density)


def _surface(jet: JetNumbers, constants: BreakupConstants) -> Array:
    """``3.61 We^0.334 Tu^-0.275``: turbulent surface breakup of slower jets."""
    weber = np.asarray(constants.surface_coefficient) * jet.weber_number**0.334
    return np.asarray(weber * jet.turbulence_intensity**-0.275)


def _regimes(jet: JetNumbers, constants: BreakupConstants) -> Array:
    """The smaller of the two regimes' lengths."""
    return np.minimum(_atomization(jet, constants), _surface(jet, constants))


class BreakupModel(NamedTuple):
    """One selectable breakup law: its function and the ranges it was fitted on."""

    length: Callable[[JetNumbers, BreakupConstants], Array]
    weber_range: tuple[float, float]
    turbulence_range: tuple[float, float]


_MODELS = {
    "two_regime": BreakupModel(_regimes, (1.6e3, 2.8e5), (0.054, 0.127)),
    "atomization": BreakupModel(_atomization, (2.0e4, 2.8e5), (0.054, 0.127)),
    "surface": BreakupModel(_surface, (1.6e3, 5.7e4), (0.054, 0.127)),
}
# A view: models registered later show too.
BREAKUP_MODELS: Mapping[str, BreakupModel] = MappingProxyType(_MODELS)


def register_breakup_model(name: str, model: BreakupModel) -> None:
    """Make a breakup law selectable by name, in streams and study files.

    Raises
    ------
    InputError
        The name is taken.
    """
    if name in BREAKUP_MODELS:
        raise InputError(f"breakup model {name!r}: the name is taken")
    _MODELS[name] = model


def breakup_model(name: str) -> BreakupModel:
    """Look up a breakup law by name.

    Raises
    ------
    InputError
        Unknown law; the known ones are named.
    """
    if name not in BREAKUP_MODELS:
        raise InputError(f"breakup_model = {name!r}: unknown{did_you_mean(name, BREAKUP_MODELS)}")
    return BREAKUP_MODELS[name]


def _numbers(weber_number: ArrayLike, turbulence_intensity: ArrayLike, density_ratio: ArrayLike) -> JetNumbers:
    arrays = (weber_number, turbulence_intensity, density_ratio)
    return JetNumbers(*(np.asarray(value, dtype=float) for value in arrays))


def breakup_length_over_diameter(
    *,
    weber_number: ArrayLike,
    turbulence_intensity: ArrayLike,
    density_ratio: ArrayLike = REFERENCE_DENSITY_RATIO,
    constants: BreakupConstants | None = None,
    model: str = "two_regime",
) -> Array:
    """Breakup length along the stream over tip diameter, of the regime that acts.

    Parameters
    ----------
    weber_number : array_like
        ``rho_l V^2 d / sigma`` [-].
    turbulence_intensity : array_like
        At the exit, plane average [-].
    density_ratio : array_like, optional
        Liquid over gas [-]; water in air at one atmosphere by default.
    constants : BreakupConstants, optional
    model : str, optional
        ``"two_regime"`` (the smaller length acts), ``"atomization"`` or ``"surface"`` alone.

    Returns
    -------
    ndarray
        x_b/d [-], broadcast shape. Fitted; outside the ranges of `BREAKUP_MODELS` it extrapolates, which
        `simulate` flags in ``validity``.

    Raises
    ------
    InputError
        Unknown model.

    Examples
    --------
    >>> round(float(breakup_length_over_diameter(weber_number=3e5, turbulence_intensity=0.05)))
    246
    """
    jet = _numbers(weber_number, turbulence_intensity, density_ratio)
    given = constants or BreakupConstants()
    return np.asarray(np.asarray(given.scale) * breakup_model(model).length(jet, given))


def breakup_regime(
    *,
    weber_number: ArrayLike,
    turbulence_intensity: ArrayLike,
    density_ratio: ArrayLike = REFERENCE_DENSITY_RATIO,
    constants: BreakupConstants | None = None,
) -> NDArray[np.str_]:
    """Which of the two regimes acts: the one with the smaller length.

    Parameters
    ----------
    weber_number, turbulence_intensity, density_ratio, constants
        As in `breakup_length_over_diameter`.

    Returns
    -------
    ndarray of str
        ``"atomization"`` or ``"turbulent surface breakup"``, broadcast shape.

    Examples
    --------
    >>> str(breakup_regime(weber_number=3e5, turbulence_intensity=0.05))
    'atomization'
    """
    jet = _numbers(weber_number, turbulence_intensity, density_ratio)
    given = constants or BreakupConstants()
    return np.where(_surface(jet, given) < _atomization(jet, given), SURFACE, ATOMIZATION)


def critical_weber_number(turbulence_intensity: ArrayLike, density_ratio: ArrayLike) -> Array:
    """Published boundary between the regimes, ``3.17 Tu^-0.876 (rho_l/rho_g)^1.004``. Fitted.

    For checks: the two lengths cross near it (at 26,000 where it says 37,000 for Tu = 5 % in air).

    Parameters
    ----------
    turbulence_intensity, density_ratio : array_like
        [-]

    Returns
    -------
    ndarray
        Weber number [-].
    """
    turbulence = np.asarray(turbulence_intensity, dtype=float) ** -0.876
    return np.asarray(3.17 * turbulence * np.asarray(density_ratio, dtype=float) ** 1.004)
