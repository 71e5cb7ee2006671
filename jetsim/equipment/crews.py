"""A set-up's force against stated limits: by the formula that they were stated for, and with the measured excess."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from jetsim.equipment.model import EXCESS, SetUpModel
from jetsim.hydraulics.believed import Deviation, actual_nozzle
from jetsim.hydraulics.crew import HandlingLimits, crew_force
from jetsim.hydraulics.nozzle_kinds import Nozzle

WEAR = "supply.tip_wear"


def drawn_nozzle(model: SetUpModel, draws: Mapping[str, Any]) -> Nozzle:
    """A set-up's nozzle with what is unknown of it as draws say.

    Parameters
    ----------
    model : SetUpModel
    draws : mapping
        Quantity to values, shape (n,), SI; what the draws lack stands as the model fixes it.
    """
    return actual_nozzle(model.nozzle(draws), Deviation(tip_wear=draws.get(WEAR, model.fixed.get(WEAR, 1.0))))


def chance_within(
    limits: HandlingLimits, firefighters: int, forces: tuple[Nozzle, ArrayLike], draws: Mapping[str, Any]
) -> float:
    """Share of draws in which the force with its measured excess is within the stated limit.

    Parameters
    ----------
    limits : HandlingLimits
    firefighters : int
    forces : tuple of Nozzle and array_like
        The nozzle as drawn, and the pressure at it [Pa].
    draws : mapping
        That the nozzle was drawn from, with the excess.
    """
    formula = limits.force(*forces)
    return float(np.mean(limits.within(crew_force(formula, draws[EXCESS]), firefighters)))
