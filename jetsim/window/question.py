"""What the study of a target is asked: the window, what the crew may choose, and the map beside it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, Field, field_validator, model_validator

from jetsim import units
from jetsim.equipment.model import NEEDED
from jetsim.equipment.questions import Question
from jetsim.equipment.reading import Of, Part
from jetsim.equipment.spaces import Choices
from jetsim.errors import InputError, InputFileError
from jetsim.jet.delivery import Window
from jetsim.quantities import UnitSystem, quantity

Array = NDArray[np.float64]

# Results told of the throws at the elevation found; `delivered` water makes the spread of drops an input.
TOLD = ("flow_rate", "reaction_force", "effective_reach", NEEDED)
FARTHEST = 300.0  # m
# What the study searches or knows itself, so that no question can state it as well.
_SEARCHED = {
    "nozzle_pressure": "this study searches it about each set-up's target: pressures_about_target",
    "elevation": "this study searches it: state search.elevations",
    "target_height": "is that of the window: state target.sill",
    "delivery_distance": "is that of the wall: state target.stand_off",
    "reach_criterion": "acts on nothing here: the window says what counts as delivered",
    "drag_model": "this study flies the spray of the air_stream law alone",
}
_STEP = 1.0  # deg between elevations tried; the best lies between them
_QUICK_DRAWS, _QUICK_STEP = 16, 1.5


def _size(value: float) -> float:
    return _checked(value, 1e-3)


def _height(value: float) -> float:
    return _checked(value, 0.0)


def _checked(value: float, least: float) -> float:
    if not least <= value <= FARTHEST:
        feet = [f"{float(units.from_si(each, 'ft')):.4g}" for each in (value, least, FARTHEST)]
        raise InputError(f"is {feet[0]} ft ({value:.4g} m): allowed is {feet[1]} ft to {feet[2]} ft (300 m)")
    return value


Size = Annotated[float, Of("path_along"), AfterValidator(_size)]
Height = Annotated[float, Of("path_along"), AfterValidator(_height)]
Storey = Annotated[int, Field(ge=1, le=60)]
Elevation = Annotated[float, Of("elevation")]


class Target(Part):
    """The window, and what is to go through it."""

    stand_off: Size
    storey: Storey
    storey_height: Size
    sill: Height
    height: Size
    width: Size
    flow: Annotated[float, Of("supply.rated_flow")]
    probability: Annotated[float, Field(gt=0, lt=1)]


class Search(Part):
    """What the crew may choose."""

    pressures_about_target: Annotated[
        list[Annotated[float, Of("supply.nozzle_pressure_error")]], Field(min_length=1, max_length=20)
    ]
    elevations: Annotated[list[Elevation], Field(min_length=2, max_length=2)]

    @field_validator("elevations")
    @classmethod
    def _rising(cls, value: list[float]) -> list[float]:
        return _two_ends(value)


class Map(Part):
    """Stand-offs from one to another, and storeys, beside those of the window."""

    stand_offs: Annotated[list[Size], Field(min_length=2, max_length=2)]
    storeys: Annotated[list[Storey], Field(min_length=1, max_length=60)]

    @field_validator("stand_offs")
    @classmethod
    def _rising(cls, value: list[float]) -> list[float]:
        return _two_ends(value)


def _two_ends(value: list[float]) -> list[float]:
    if not value[0] < value[1]:
        raise InputError("must be two different ends, the lower one first")
    return value


class WindowQuestion(Question):
    """A question file of the study of a target."""

    asks: ClassVar[str] = "reach_a_target"
    base_samples: int = 64
    target: Target
    search: Search
    map: Map

    @model_validator(mode="after")
    def _nothing_ignored(self) -> Self:
        """Refuse what this study searches itself or would not heed."""
        lines = [
            f"{table}.{name}: {_SEARCHED[name]}"
            for table in ("vary", "fixed", "beliefs")
            for name in getattr(self, table)
            if name in _SEARCHED
        ]
        lines += [
            f"vary.{name}: a choice of laws is for valve_assumptions; this study flies one: state it under [fixed]"
            for name in self.vary
            if quantity(name).dimension == "name" and name not in _SEARCHED
        ]
        if self.outputs:
            lines.append(f"outputs = {self.outputs}: this study tells the flow through the window; leave outputs out")
        if self.drive != "nozzle":
            lines.append(f"drive = {self.drive!r}: this study searches the nozzle pressure and tells the pump's; leave "
                         "drive out")  # fmt: skip
        if "replicates" in self.model_fields_set:
            lines.append(f"replicates = {self.replicates}: this study draws base_samples once; leave replicates out")
        if lines:
            raise InputFileError(lines)
        return self

    def quick(self) -> Self:
        """The same question with few draws."""
        return self.model_copy(update={"base_samples": min(self.base_samples, _QUICK_DRAWS)})

    def choices(self) -> Choices:
        """See `Question`: inputs that act on what is told."""
        return replace(super().choices(), outputs=TOLD)

    def task(self, quick: bool = False, system: UnitSystem = "us") -> "Task":
        """What is to be thrown at, with fewer elevations and stand-offs for a quick look."""
        target, (low, high) = self.target, self.search.elevations
        place = Place(target.stand_off, target.storey)
        nearest, farthest = self.map.stand_offs
        stand_offs = round_marks(nearest, farthest, system)
        tried = max(4, round((high - low) / (_QUICK_STEP if quick else _STEP)) + 1)
        return Task(
            place,
            target.sill,
            target.height,
            target.width,
            target.storey_height,
            target.flow,
            target.probability,
            np.linspace(low, high, tried),
            flown_elevations(low, high, 10),
            _with(stand_offs[::2] if quick else stand_offs, place.stand_off),
            tuple(sorted({*self.map.storeys, place.storey})),
        )


@dataclass(frozen=True)
class Place:
    """A window: stand-off of its wall [m], storey counted from 1 at the ground."""

    stand_off: float
    storey: int


@dataclass(frozen=True)
class Task:
    """What is to be thrown at.

    Attributes
    ----------
    place : Place
    sill, height, width : float
        Lower edge above its floor, and size of the opening [m].
    storey_height : float
        [m]
    flow : float
        That is to pass the window [m3/s].
    probability : float
        Wanted.
    elevations : ndarray
        To try, rising and evenly spaced [deg].
    flown : ndarray
        Elevations that are flown [deg]; the paths at those to try lie between them.
    stand_offs : ndarray
        Of the map, the window's own among them [m].
    storeys : tuple of int
        Of the map, the window's own among them.
    """

    place: Place
    sill: float
    height: float
    width: float
    storey_height: float
    flow: float
    probability: float
    elevations: Array
    flown: Array
    stand_offs: Array
    storeys: tuple[int, ...]

    def window(self, place: Place) -> Window:
        """The window at a place."""
        return Window(place.stand_off, (place.storey - 1) * self.storey_height + self.sill, self.height, self.width)

    @property
    def row(self) -> list[Place]:
        """The windows of the map on the storey asked for."""
        return [Place(float(x), self.place.storey) for x in self.stand_offs]


def round_marks(nearest: float, farthest: float, system: UnitSystem) -> Array:
    """Fifteen stand-offs or fewer, evenly spaced but for whole feet or half metres [m]."""
    unit = float(units.to_si(1, "ft")) if system == "us" else 0.5
    return np.unique(np.maximum(np.round(np.linspace(nearest, farthest, 15) / unit), 1)) * unit


def _with(stand_offs: Array, own: float) -> Array:
    """Stand-offs of the map and the window's own; one that all but equals it makes way."""
    others = stand_offs[np.abs(stand_offs - own) > 0.01]
    return np.sort(np.append(others, own))


def flown_elevations(low: float, high: float, count: int) -> Array:
    """Elevations from `low` to `high`, closer to each other at the low end, where flights change fastest [deg]."""
    part = np.linspace(0.0, 1.0, count)
    return np.asarray(low + (high - low) * part * (0.35 + 0.65 * part))


def pressures_within(target: float, changes: Sequence[float], limits: tuple[float, float]) -> Array:
    """Nozzle pressures about a target that a nozzle can be held at [Pa], rising; the target alone where none is."""
    low, high = limits
    tried = np.unique(target + np.asarray(changes))
    held = tried[(tried > 0) & (tried >= low - 1) & (tried <= high + 1)]
    return held if held.size else np.array([target])
