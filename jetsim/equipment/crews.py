"""A set-up's force against stated limits: by the formula that they were stated for, and with the measured excess."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from jetsim.equipment.department import Crew
from jetsim.equipment.model import EXCESS, SetUpModel
from jetsim.hydraulics.believed import Deviation, actual_nozzle
from jetsim.hydraulics.crew import crew_force
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


def chance_within(crew: Crew, model: SetUpModel, draws: Mapping[str, Any], pressure: ArrayLike) -> float:
    """Share of draws in which the force with its measured excess is within the limit stated for a crew.

    Parameters
    ----------
    crew : Crew
        With limits.
    model : SetUpModel
    draws : mapping
        As for `drawn_nozzle`.
    pressure : array_like
        At the nozzle [Pa].
    """
    assert crew.limits is not None
    formula = crew.limits.force(drawn_nozzle(model, draws), pressure)
    excess = draws.get(EXCESS, model.fixed.get(EXCESS, 0.0))
    return float(np.mean(crew.limits.within(crew_force(formula, excess), crew.firefighters)))
