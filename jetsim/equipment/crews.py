"""A set-up's force against stated limits: by the formula that they were stated for, and with the measured excess."""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.equipment.department import Crew
from jetsim.equipment.model import EXCESS, SetUpModel
from jetsim.hydraulics.believed import Deviation, actual_nozzle
from jetsim.hydraulics.crew import crew_force
from jetsim.hydraulics.nozzle_kinds import Nozzle

Array = NDArray[np.float64]

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


def drawn_force(crew: Crew, model: SetUpModel, draws: Mapping[str, Any]) -> Callable[[ArrayLike], Array]:
    """The force with its measured excess [N], draw by draw, as a function of the nozzle pressure [Pa].

    Parameters
    ----------
    crew : Crew
        With limits, whose formula is used.
    model : SetUpModel
    draws : mapping
        As for `drawn_nozzle`.
    """
    assert crew.limits is not None
    limits, nozzle = crew.limits, drawn_nozzle(model, draws)
    excess = draws.get(EXCESS, model.fixed.get(EXCESS, 0.0))
    return lambda pressure: crew_force(limits.force(nozzle, pressure), excess)


def share_within(crew: Crew, force: ArrayLike) -> float:
    """Share of forces [N] within the limit that is stated for a crew."""
    assert crew.limits is not None
    return float(np.mean(crew.limits.within(force, crew.firefighters)))
