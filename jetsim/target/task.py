"""What the study of a target is asked: the window, the search and the map of a study file."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jetsim.experiment.tables import Table, read_measure
from jetsim.jet.delivery import Window
from jetsim.quantities import quantity

Array = NDArray[np.float64]

TABLES = ("target", "search", "map")


@dataclass(frozen=True)
class Place:
    """A window: stand-off of its wall [m], storey counted from 1 at the ground."""

    stand_off: float
    storey: int


@dataclass(frozen=True)
class Task:
    """What the study is asked.

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
    pressures, elevations : ndarray
        Nozzle pressures [Pa] and elevations [deg] to try, rising.
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
    pressures: Array
    elevations: Array
    flown: Array
    stand_offs: Array
    storeys: tuple[int, ...]

    def window(self, place: Place) -> Window:
        """The window at a place."""
        return Window(place.stand_off, (place.storey - 1) * self.storey_height + self.sill, self.height, self.width)

    def quick(self) -> "Task":
        """The same with fewer elevations, and half the stand-offs of the map."""
        low, high = self.elevations[0], self.elevations[-1]
        stand_offs = _with(self.stand_offs[::2], self.place.stand_off)
        return replace(
            self, elevations=np.linspace(low, high, 71), flown=flown_elevations(low, high, 11), stand_offs=stand_offs
        )


def read_task(content: Mapping[str, Any]) -> Task:
    """Read the tables ``target``, ``search`` and ``map`` of a study file.

    Raises
    ------
    InputError
        One line: the dotted name of the place, the value, and what is allowed.
    """
    target, search, chart = (Table("", content).table(name) for name in TABLES)
    target.only(("stand_off", "storey", "sill", "height", "width", "storey_height", "flow", "probability"))
    search.only(("nozzle_pressures", "elevations"))
    chart.only(("stand_offs", "storeys"))
    probability = target.number("probability")
    if not 0 < probability < 1:
        raise target.refuse("probability", "allowed is above 0 to below 1")
    place = Place(_length(target, "stand_off"), target.integer("storey", 1, 60))
    ends = _ends(search, "elevations", "elevation")
    return Task(
        place,
        _length(target, "sill", least=0.0),
        _length(target, "height"),
        _length(target, "width"),
        _length(target, "storey_height"),
        target.measure("flow", "flow").check("supply.rated_flow"),
        probability,
        rising(search, "nozzle_pressures", "nozzle_pressure"),
        np.linspace(*ends, 141),
        flown_elevations(*ends, 15),
        _with(np.linspace(*_ends(chart, "stand_offs", "path_along"), 15), place.stand_off),
        tuple(sorted({*_storeys(chart), place.storey})),
    )


def _with(stand_offs: Array, own: float) -> Array:
    """Stand-offs of the map and the window's own; one that all but equals it makes way."""
    others = stand_offs[np.abs(stand_offs - own) > 0.01]
    return np.sort(np.append(others, own))


def _length(table: Table, key: str, least: float = 1e-3) -> float:
    value = table.measure(key, "length").si
    if not least <= value <= 300.0:
        raise table.refuse(key, f"allowed is {'0' if least == 0 else '0.001'} m to 300 m")
    return value


def flown_elevations(low: float, high: float, count: int) -> Array:
    """Elevations from `low` to `high`, closer to each other at the low end, where flights change fastest [deg]."""
    part = np.linspace(0.0, 1.0, count)
    return np.asarray(low + (high - low) * part * (0.35 + 0.65 * part))


def rising(table: Table, key: str, name: str) -> Array:
    """Several values of a quantity, sorted."""
    raws = table.sequence(key)
    return np.array(sorted({read_measure(f"{table.place(key)}[{i}]", raw, quantity(name).dimension).check(name)
                            for i, raw in enumerate(raws)}))  # fmt: skip


def _ends(table: Table, key: str, name: str) -> tuple[float, float]:
    """Two ends of a range."""
    ends = rising(table, key, name)
    if ends.size != 2:
        raise table.refuse(key, "must be two different ends, each with its unit")
    if name == "path_along" and not 0 < ends[0] < ends[1] <= 300:
        raise table.refuse(key, "allowed is above 0 m to 300 m")
    return float(ends[0]), float(ends[1])


def _storeys(chart: Table) -> tuple[int, ...]:
    numbers = chart.sequence("storeys")
    if not numbers or any(isinstance(n, bool) or not isinstance(n, int) or not 1 <= n <= 60 for n in numbers):
        raise chart.refuse("storeys", "must be whole numbers from 1 to 60")
    return tuple(sorted(set(numbers)))
