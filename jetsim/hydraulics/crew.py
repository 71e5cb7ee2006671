"""Steady nozzle reaction against handling limits that somebody has stated for a number of firefighters.

No result shows that a crew can hold a line: a force is *within* or *above the stated limit*, and no more. A limit means
something only beside the formula that its forces were computed by: one that was stated for 1.57 d^2 P is held against
1.57 d^2 P, which is 1 / (Cd Cv) above the nozzle's own reaction (5 % for a Cd of 0.975).
"""

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim import units
from jetsim.errors import InputError
from jetsim.hydraulics.nozzle_kinds import Nozzle
from jetsim.quantities import check_range, did_you_mean

Array = NDArray[np.float64]

# Measured force on the firefighter above the formula of the steady reaction: in every test above it, by up to
# 50 % (Nguyen et al. 2024, Fire Technology 60, 1627; abstract read). Where in between is not known to us.
MEASURED_EXCESS = (0.0, 0.5)

# Formula that a limit was stated for: its words.
FORMULAS: Mapping[str, str] = MappingProxyType(
    {
        "handbook": "the handbooks' formula",
        "own reaction": "the nozzle's own steady reaction",
    }
)


def crew_force(reaction: ArrayLike, excess: ArrayLike) -> Array:
    """Force on the firefighters: the formula's steady reaction, and a share on top.

    Parameters
    ----------
    reaction : array_like
        By the formula [N].
    excess : array_like
        Measured force over the formula, less 1 [-]; see `MEASURED_EXCESS`.

    Returns
    -------
    ndarray
        [N]

    Raises
    ------
    InputError
        An excess out of range.
    """
    check_range("supply.reaction_excess", excess, field="reaction_excess")
    return np.asarray(np.asarray(reaction, dtype=float) * (1 + np.asarray(excess, dtype=float)))


@dataclass(frozen=True)
class HandlingLimits:
    """A named set of stated limits, to be replaced by the department's own.

    Attributes
    ----------
    name : str
    forces : mapping of int to float
        Number of firefighters to stated limit [N]; more firefighters, a higher limit.
    source : str
        Who states it, and how it was read.
    formula : str
        A key of `FORMULAS`: how the forces that the limits were stated for are computed.

    Raises
    ------
    InputError
        No limit, a number of firefighters that is none, a force out of range, limits that do not rise, or an unknown
        formula.
    """

    name: str
    forces: Mapping[int, float]
    source: str
    formula: str = "handbook"

    def __post_init__(self) -> None:
        if self.formula not in FORMULAS:
            raise InputError(f"formula = {self.formula!r}: unknown{did_you_mean(self.formula, FORMULAS)}")
        if not self.forces:
            raise InputError(f"handling limits {self.name!r} are empty: state one or more")
        for count, force in self.forces.items():
            if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= 20:
                raise InputError(f"firefighters = {count!r}: must be a whole number from 1 to 20")
            check_range("supply.handling_limit", force, field=f"handling limit of {_people(count)}")
        ordered = [self.forces[count] for count in self.numbers]
        if any(later <= earlier for earlier, later in itertools.pairwise(ordered)):
            raise InputError(f"handling limits {self.name!r} must rise with the number of firefighters")

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of firefighters with a stated limit, rising."""
        return tuple(sorted(self.forces))

    def limit(self, firefighters: int) -> float:
        """Stated limit [N].

        Raises
        ------
        InputError
            None is stated for that number; those that are stated are named.
        """
        if firefighters not in self.forces:
            stated = ", ".join(map(str, self.numbers))
            raise InputError(f"firefighters = {firefighters!r}: {self.name} states limits for {stated}")
        return float(self.forces[firefighters])

    @property
    def stated_for(self) -> str:
        """The formula that the limits were stated for, in words."""
        return FORMULAS[self.formula]

    def force(self, nozzle: Nozzle, pressure: ArrayLike) -> Array:
        """Force to hold against the limits [N]: by the formula that they were stated for.

        Parameters
        ----------
        nozzle : Nozzle
        pressure : array_like
            At the nozzle [Pa].

        Examples
        --------
        A 7/8-inch tip at 50 psi by 1.57 d^2 P and by its own Cd Cv:

        >>> from jetsim.hydraulics.nozzle_kinds import SmoothBore
        >>> tip = SmoothBore(0.022225)
        >>> stated = HandlingLimits("own", {1: 260.0}, "invented")
        >>> print(stated.describe(float(stated.force(tip, 344738)), 1))
        60 lbf (267 N) is above the stated limit of 58 lbf (260 N) for 1 firefighter
        >>> measured = HandlingLimits("own", {1: 260.0}, "invented", "own reaction")
        >>> print(measured.describe(float(measured.force(tip, 344738)), 1))
        57 lbf (254 N) is within the stated limit of 58 lbf (260 N) for 1 firefighter
        """
        return nozzle.handbook_reaction(pressure) if self.formula == "handbook" else nozzle.reaction(pressure)

    def within(self, force: ArrayLike, firefighters: int) -> NDArray[np.bool_]:
        """Whether a force [N] is within the stated limit; a limit itself is within."""
        return np.asarray(np.asarray(force, dtype=float) <= self.limit(firefighters))

    def firefighters_stated(self, force: ArrayLike) -> NDArray[np.int_]:
        """Least number of firefighters whose stated limit a force [N] is within; 0 where it is above them all."""
        limits = np.array([self.forces[count] for count in self.numbers])
        numbers = np.array([*self.numbers, 0])
        return np.asarray(numbers[np.searchsorted(limits, np.asarray(force, dtype=float), side="left")])

    def describe(self, force: float, firefighters: int) -> str:
        """A force held against the stated limit, in words.

        Examples
        --------
        >>> own = HandlingLimits("own", {2: 330.0}, "invented")
        >>> own.describe(360.0, 2)
        '81 lbf (360 N) is above the stated limit of 74 lbf (330 N) for 2 firefighters'
        """
        return f"{_shown(force)} is {self.judgement(force, firefighters)}"

    def judgement(self, force: float, firefighters: int) -> str:
        """Whether a force [N] is within the stated limit, in words."""
        word = "within" if self.within(force, firefighters) else "above"
        return f"{word} the stated limit of {_shown(self.limit(firefighters))} for {_people(firefighters)}"


def _people(count: int) -> str:
    return "1 firefighter" if count == 1 else f"{count} firefighters"


def _shown(force: float) -> str:
    return f"{float(units.from_si(force, 'lbf')):.0f} lbf ({force:.0f} N)"
