"""Can this stream put a stated flow through that window: reading the task, and throwing at it.

Joins experiment (spaces, samples) to the delivery of streams. In every run the crew sees where the water goes and
picks the elevation and the direction that serve best; everything else is as it happens.
"""

from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim.experiment.space import ParameterSpace
from jetsim.experiment.tables import Table, read_measure
from jetsim.jet.delivery import Window, crossing, through_opening
from jetsim.jet.spray import Spray, drop_classes, fly_spray
from jetsim.quantities import quantity
from jetsim.simulation import start_of
from jetsim.stream import Stream

Array = NDArray[np.float64]

TABLES = ("target", "search", "map")
# Classes of drop size in each throw, and stations on each path.
CLASSES = 8
STATIONS = 41
# Draws thrown at once: their arrays then stay small.
BLOCK = 8
# Solutions of elevation closer than this are one [deg].
_APART = 8.0


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
    stand_offs: Array
    storeys: tuple[int, ...]

    def window(self, place: Place) -> Window:
        """The window at a place."""
        return Window(place.stand_off, (place.storey - 1) * self.storey_height + self.sill, self.height, self.width)

    def quick(self) -> "Task":
        """The same with fewer elevations, and half the stand-offs of the map."""
        fewer = np.linspace(self.elevations[0], self.elevations[-1], 21)
        return replace(self, elevations=fewer, stand_offs=_with(self.stand_offs[::2], self.place.stand_off))


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
    return Task(
        place,
        _length(target, "sill", least=0.0),
        _length(target, "height"),
        _length(target, "width"),
        _length(target, "storey_height"),
        target.measure("flow", "flow").check("supply.rated_flow"),
        probability,
        _rising(search, "nozzle_pressures", "nozzle_pressure"),
        np.linspace(*_ends(search, "elevations", "elevation"), 31),
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


def _rising(table: Table, key: str, name: str) -> Array:
    """Several values of a quantity, sorted."""
    raws = table.sequence(key)
    return np.array(sorted({read_measure(f"{table.place(key)}[{i}]", raw, quantity(name).dimension).check(name)
                            for i, raw in enumerate(raws)}))  # fmt: skip


def _ends(table: Table, key: str, name: str) -> tuple[float, float]:
    """Two ends of a range."""
    ends = _rising(table, key, name)
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


# --------------------------------------------------------------------------------------------------------
# Throwing


def thrown_spray(values: Mapping[str, Any], elevations: Array, classes: int = CLASSES) -> tuple[Spray, Array]:
    """Spray of streams at all elevations, and their flow rates; cases in the order (sample, elevation)."""
    varying = {name: value.values for name, value in values.items() if isinstance(value, xr.DataArray)}
    count = max((value.size for value in varying.values()), default=1)
    each = {name: np.repeat(value, elevations.size) for name, value in varying.items()}
    stream = Stream.from_values({**values, **each, "elevation": np.tile(elevations, count)})
    start = start_of(stream)
    sizes = drop_classes(start.constants.drop_spread, classes)
    return fly_spray(start.jet, start.launch, start.constants, sizes, STATIONS), start.flow_rate


def delivered(
    space: ParameterSpace,
    samples: xr.Dataset,
    task: Task,
    changes: Mapping[str, Any],
    places: Iterable[Place],
    executor: Executor | None = None,
) -> Array:
    """Flow through windows [m3/s], in an array (place, sample, elevation).

    Parameters
    ----------
    space : ParameterSpace
        Gives the fixed fields.
    samples : xarray.Dataset
        Draws of the fields that vary, along ``sample``.
    task : Task
    changes : mapping
        Fields that are other than stated: the nozzle pressure that is tried, or what might help.
    places : iterable of Place
    executor : Executor, optional
        Throws blocks of draws at once.
    """
    wanted = sorted(places, key=lambda place: (place.stand_off, place.storey))
    order = [wanted.index(place) for place in places]

    def run(start: int) -> Array:
        block = samples.isel(sample=slice(start, start + BLOCK))
        varying = {str(n): xr.DataArray(v.values, dims="sample") for n, v in block.data_vars.items()}
        count = block.sizes["sample"]
        spray, flow = thrown_spray({**space.fixed, **varying, **changes}, task.elevations)
        return _through(spray, task, wanted, flow).reshape(len(wanted), count, -1)

    starts = range(0, samples.sizes["sample"], BLOCK)
    mapped: Callable[..., Iterable[Array]] = map if executor is None else executor.map
    return np.concatenate(list(mapped(run, starts)), axis=1)[order]


def _through(spray: Spray, task: Task, places: Iterable[Place], flow: Array) -> Array:
    """Flow through each window; one wall is crossed once for all its storeys."""
    flows, wall, clouds = [], None, None
    for place in places:
        if clouds is None or place.stand_off != wall:
            wall, clouds = place.stand_off, crossing(spray, place.stand_off)
        flows.append(flow * through_opening(clouds, task.window(place)))
    return np.stack(flows)


@dataclass(frozen=True)
class Solution:
    """One way to aim: elevation [deg] and what it brings when the crew corrects it by eye about there."""

    elevation: float
    flow: float
    probability: float


def solutions(flows: Array, task: Task) -> list[Solution]:
    """The low and the high elevation that serve best, from flows (sample, elevation); one where there is one.

    Two peaks count where less than half of the lower one arrives somewhere between them, and where the lower one brings
    more than a tenth of the higher.
    """
    middle = np.median(flows, axis=0)
    elevations = task.elevations
    inner = np.concatenate([[-1.0], middle, [-1.0]])
    peaks = [i for i in range(middle.size) if inner[i] < inner[i + 1] >= inner[i + 2] and middle[i] > 0]
    peaks.sort(key=lambda i: -middle[i])
    kept: list[int] = []
    for i in peaks:
        if not kept or (len(kept) == 1 and _apart(middle, elevations, i, kept[0])):
            kept.append(i)
    near = [np.abs(elevations - elevations[i]) <= _APART for i in sorted(kept)]
    return [
        Solution(float(elevations[i]), float(middle[i]), float((flows[:, n].max(axis=1) >= task.flow).mean()))
        for i, n in zip(sorted(kept), near, strict=True)
    ]


def _apart(middle: Array, elevations: Array, one: int, other: int) -> bool:
    low, high = sorted((one, other))
    valley = middle[low : high + 1].min()
    far = elevations[high] - elevations[low] > _APART
    return bool(far and valley < 0.5 * min(middle[low], middle[high]) and middle[one] > 0.1 * middle[other])


def chance(flows: Array, task: Task) -> Array:
    """Share of draws in which some elevation brings the wanted flow; the last two axes are (sample, elevation)."""
    return np.asarray((flows.max(axis=-1) >= task.flow).mean(axis=-1))


def farthest(stand_offs: Array, chances: Array, wanted: float) -> float:
    """Farthest stand-off [m] with the wanted chance, linear between those given; NaN where none has it."""
    good = np.flatnonzero(chances >= wanted)
    if good.size == 0:
        return float("nan")
    last = int(good[-1])
    if last == stand_offs.size - 1:
        return float(stand_offs[-1])
    part = (chances[last] - wanted) / (chances[last] - chances[last + 1])
    return float(stand_offs[last] + part * (stand_offs[last + 1] - stand_offs[last]))
