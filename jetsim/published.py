"""Formulas and tables of others that jetsim is judged by, each with its source and standing. SI throughout.

Standing of a source: ``"read"`` (in the source itself), ``"read in a secondary source"``, ``"abstract read"``,
``"from memory"``, or ``"common practice, no source"``. Nothing here enters a simulation by itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim import units

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Source:
    """Where numbers come from.

    Attributes
    ----------
    citation, standing : str
    """

    citation: str
    standing: str

    def __str__(self) -> str:
        return f"{self.citation} ({self.standing})"


def _in(value: ArrayLike, unit: str) -> Array:
    return units.from_si(value, unit)


# --------------------------------------------------------------------------------------------------------
# Discharge and reaction of smooth bores

HANDBOOK_SOURCE = Source("fire-service handbooks", "from memory")
# Coefficients that the handbook forms hide: 29.7 = 29.84 Cd, and 0.0505 = 0.05264 Cv.
HANDBOOK_DISCHARGE_COEFFICIENT = 0.995
HANDBOOK_VELOCITY_COEFFICIENT = 0.959


def handbook_flow(tip_diameter: ArrayLike, pressure: ArrayLike) -> Array:
    """Flow of a smooth bore [m3/s], ``Q = 29.7 d^2 sqrt(P)`` in gpm, in and psi. Handbooks, from memory."""
    return units.to_si(29.7 * _in(tip_diameter, "in") ** 2 * np.sqrt(_in(pressure, "psi")), "gpm")


def handbook_reaction(tip_diameter: ArrayLike, pressure: ArrayLike) -> Array:
    """Reaction of a smooth bore [N], ``R = 1.57 d^2 P`` in lbf, in and psi (Cd Cv = 1). Handbooks, from memory."""
    return units.to_si(1.57 * _in(tip_diameter, "in") ** 2 * _in(pressure, "psi"), "lbf")


def handbook_fog_reaction(flow: ArrayLike, pressure: ArrayLike) -> Array:
    """Reaction of a fog nozzle [N], ``R = 0.0505 Q sqrt(P)`` in lbf, gpm and psi. Handbooks, from memory."""
    return units.to_si(0.0505 * _in(flow, "gpm") * np.sqrt(_in(pressure, "psi")), "lbf")


# Tip diameter [in], nozzle pressure [psi], flow [gpm]. Handbooks, from memory.
_TIPS = (
    (0.875, 50, 161),
    (0.9375, 50, 185),
    (1.0, 50, 210),
    (1.125, 50, 266),
    (1.25, 50, 328),
    (1.375, 80, 502),
    (1.5, 80, 598),
    (1.75, 80, 814),
    (2.0, 80, 1063),
)


@dataclass(frozen=True)
class TipRow:
    """A row of the handbook table of smooth bores: tip diameter [m], nozzle pressure [Pa], flow [m3/s]."""

    tip_diameter: float
    pressure: float
    flow_rate: float


HANDBOOK_TIPS = tuple(
    TipRow(*(float(units.to_si(value, unit)) for value, unit in zip(row, ("in", "psi", "gpm"), strict=True)))
    for row in _TIPS
)


# --------------------------------------------------------------------------------------------------------
# Friction of hose

HOSE_TRAINING_SOURCE = Source("a municipal training handout", "read")
# A research-foundation report of 2012 (86 tests of 82 hoses) found most hoses below the handbook coefficient,
# with large scatter (abstract read).
# Hose diameter [in]: coefficient of the handbooks (from memory), of the training handout (read).
_HOSE_COEFFICIENTS = {
    1.0: (150.0, 150.0),
    1.5: (24.0, 24.0),
    1.75: (15.5, 10.0),
    2.0: (8.0, None),
    2.5: (2.0, 2.0),
    3.0: (0.8, 0.8),
    4.0: (0.2, 0.2),
    5.0: (0.08, 0.08),
}


@dataclass(frozen=True)
class HoseRow:
    """Coefficients of one size of hose [Pa s2/m7]; diameter [m]. The handout lacks some sizes."""

    diameter: float
    handbook: float
    training: float | None


HOSE_COEFFICIENTS = tuple(
    HoseRow(
        diameter * units.INCH,
        handbook * units.HOSE_COEFFICIENT,
        None if training is None else training * units.HOSE_COEFFICIENT,
    )
    for diameter, (handbook, training) in _HOSE_COEFFICIENTS.items()
)


def sprinkler_hazen_williams(flow: ArrayLike, diameter: ArrayLike, coefficient: ArrayLike) -> Array:
    """Hazen-Williams as sprinkler codes print it, loss per length [Pa/m]: ``4.52 Q^1.85 / (C^1.85 d^4.87)``.

    In psi for each foot, gpm and in; from memory.
    """
    per_foot = 4.52 * (_in(flow, "gpm") / np.asarray(coefficient)) ** 1.85 / _in(diameter, "in") ** 4.87
    return np.asarray(per_foot * units.PSI / units.FOOT)


def network_hazen_williams(flow: ArrayLike, diameter: ArrayLike, coefficient: ArrayLike) -> Array:
    """Hazen-Williams as a network manual prints it, head per length [-]: ``4.727 q^1.852 / (C^1.852 d^4.871)``.

    In cubic feet per second and ft; L. Rossman, network manual of 2000, from memory.
    """
    cubic_feet = np.asarray(flow, dtype=float) / units.FOOT**3
    return np.asarray(4.727 * (cubic_feet / np.asarray(coefficient)) ** 1.852 / _in(diameter, "ft") ** 4.871)


# --------------------------------------------------------------------------------------------------------
# Losses of valves and fittings, K on the waterway's dynamic head

VALVE_SOURCE = Source("Weisbach's plug cock, in a handbook table", "read in a secondary source")
# Degrees closed: K. 30 and 50 degrees are from memory.
PLUG_COCK_LOSS = {0: 0.05, 10: 0.29, 20: 1.56, 30: 5.47, 40: 17.3, 50: 52.6, 60: 206.0}
# In-line plunger or slide shutoff fully open: assumed, no published value was found.
PLUNGER_LOSS = (0.5, 2.0)


def sudden_expansion_loss(area_ratio: ArrayLike) -> Array:
    """K of a sudden expansion on the narrow side, ``(1 - r)^2``. Idelchik's handbook, read in a secondary source."""
    return np.asarray((1 - np.asarray(area_ratio, dtype=float)) ** 2)


def sudden_contraction_loss(area_ratio: ArrayLike) -> Array:
    """K of a sudden contraction on the narrow side, ``0.5 (1 - r)^0.75``. Idelchik, read in a secondary source."""
    return np.asarray(0.5 * (1 - np.asarray(area_ratio, dtype=float)) ** 0.75)


# --------------------------------------------------------------------------------------------------------
# Height of vertical streams

LUEGER_SOURCE = Source("Lueger's technical encyclopaedia, greatest height of a fire stream", "from memory")
FREEMAN_HEIGHT_SOURCE = Source("J. R. Freeman, Trans. ASCE 21, 1889: height of vertical streams", "from memory")


def lueger_height(head: ArrayLike, tip_diameter: ArrayLike) -> Array:
    """Height of a vertical stream [m], ``S = H / (1 + phi H)``, ``phi = 0.25 / (d + (0.1 d)^3)``.

    H is the head at the tip [m], d the tip diameter in mm. Lueger, from memory.

    Parameters
    ----------
    head : array_like
        [m]
    tip_diameter : array_like
        [m]
    """
    d, h = 1e3 * np.asarray(tip_diameter, dtype=float), np.asarray(head, dtype=float)
    return np.asarray(h / (1 + 0.25 / (d + (0.1 * d) ** 3) * h))


def freeman_height(head: ArrayLike, tip_diameter: ArrayLike) -> Array:
    """Height of a vertical stream [m], ``S = H (1 - 0.000113 H / d)`` for d of 19 mm and more. Freeman, from memory.

    Parameters
    ----------
    head : array_like
        At the tip [m].
    tip_diameter : array_like
        [m]
    """
    h = np.asarray(head, dtype=float)
    return np.asarray(h * (1 - 0.000113 * h / np.asarray(tip_diameter, dtype=float)))


# --------------------------------------------------------------------------------------------------------
# Handling limits


@dataclass(frozen=True)
class PublishedLimits:
    """Stated limits of steady nozzle reaction [N] by number of firefighters."""

    forces: Mapping[int, float]
    source: Source


# No second published set is known to us that is independent of this one.
HANDLING_LIMITS = {
    "grimwood": PublishedLimits(
        {1: 60 * units.POUND_FORCE, 2: 75 * units.POUND_FORCE, 3: 95 * units.POUND_FORCE},
        Source("P. Grimwood: working limits for one, two and three firefighters", "read in a secondary source"),
    ),
}
