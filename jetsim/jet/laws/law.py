"""What is recorded of a law of drag: all that the rest of the package asks it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple, Protocol

from numpy.typing import ArrayLike

from jetsim.jet.core import Flight, Launch
from jetsim.jet.drag import Array, DragLaw, FittedRange, FlightConstants, Jet
from jetsim.jet.trajectory import FINE, Effort, fly


class Constant(NamedTuple):
    """A constant that a law brings with it: default, what it is, lowest and highest allowed value [-]."""

    default: float
    long_name: str
    low: float
    high: float


class MeanFlight(DragLaw, Protocol):
    """A law with spray, flown with its own effective drop: where the stream goes, and how wide it is."""

    def half_width(self, time: Array) -> Array:
        """Half-width of the stream [m] at times since launch [s]."""


class SprayLaw(NamedTuple):
    """What a law says of its drops by size.

    Attributes
    ----------
    drop : callable
        Effective drop diameter [m], (n,), of a jet and its constants: that of the farthest drops.
    mean : callable
        The law itself, flown with that drop.
    classes : callable
        Law of the drops whose diameter over the effective one is given, for the same cases.
    finest : float
        Drops finer than this [m] fly as drops of this size.
    """

    drop: Callable[[Jet, FlightConstants], Array]
    mean: Callable[[Jet, FlightConstants], MeanFlight]
    classes: Callable[[Jet, FlightConstants, ArrayLike], DragLaw]
    finest: float


@dataclass(frozen=True)
class Law:
    """One selectable law of drag.

    Attributes
    ----------
    name : str
        As in the field `drag_model` of a stream.
    build : callable
        The law for an array of cases, from their jet and constants.
    words : str
        What reports call it.
    fitted : FittedRange, optional
        Ranges of the data that it was fitted on; beyond them results are flagged.
    constants : tuple of str
        Members of `FlightConstants` that act on it.
    own : mapping of str to Constant
        Constants that it brings with it, found in `FlightConstants.own`.
    closed_form : callable, optional
        The whole flight in closed form, where there is one: of the law, its launch and breakup length.
    spray : SprayLaw, optional
        What becomes of its spray; without it there is no effective reach.
    """

    name: str
    build: Callable[[Jet, FlightConstants], DragLaw]
    words: str
    fitted: FittedRange | None = None
    constants: tuple[str, ...] = ()
    own: Mapping[str, Constant] = field(default_factory=dict)
    closed_form: Callable[..., Flight] | None = None
    spray: SprayLaw | None = None

    def of(self, jet: Jet, constants: FlightConstants) -> DragLaw:
        """The law for an array of cases; its own constants take their defaults where none is given."""
        if not self.own:
            return self.build(jet, constants)
        given = {name: constants.own.get(name, constant.default) for name, constant in self.own.items()}
        return self.build(jet, replace(constants, own=given))

    def fly(self, law: DragLaw, launch: Launch, breakup_length: Array, effort: Effort = FINE) -> Flight:
        """Fly all cases of `law`, which `of` built: in closed form where there is one, else by Runge-Kutta steps."""
        if self.closed_form is not None:
            return self.closed_form(law, launch, breakup_length)
        return fly(law, launch, breakup_length, effort=effort)
