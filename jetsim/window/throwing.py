"""Throwing at windows: what flow passes where, at what elevation, with what chance.

In every run the crew sees where the water goes and picks the elevation and the direction that serve best; everything
else is as it happens.
"""

from collections.abc import Iterable, Mapping, Sequence, Set
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jetsim.jet.delivery import crossing, through_opening
from jetsim.jet.sizes import drop_classes
from jetsim.jet.spray import Spray, between_elevations, fly_spray, spray_of
from jetsim.kept import kept_map
from jetsim.simulation import Start, start_of
from jetsim.stream import Stream
from jetsim.window.question import Place, Task

Array = NDArray[np.float64]

Fields = Mapping[str, Any]

# Classes of drop size in each throw and in figures of one throw, and stations on each path: straight lines between them
# cut its bow by some 15 mm.
CLASSES = 24
MANY = 160
STATIONS = 25
# Draws thrown at once: their arrays then stay small.
BLOCK = 32
# Solutions of elevation closer than this are one [deg].
_APART = 8.0


def thrown_spray(fields: Fields, task: Task, classes: int = CLASSES) -> tuple[Spray, Array]:
    """Spray of streams at all elevations to try, and their flow rates; cases in the order (draw, elevation)."""
    start = started(fields, task.flown)
    sizes = drop_classes(start.constants.drop_spread, classes, farthest=start.constants.farthest_share)
    spray = fly_spray(start.jet, start.launch, start.constants, sizes, STATIONS, start.law)
    wanted = started(fields, task.elevations)
    law = spray_of(wanted.law).mean(wanted.jet, wanted.constants)
    return between_elevations(spray, task.flown, task.elevations, law), wanted.flow_rate


def spray_at(fields: Fields, elevation: float) -> Spray:
    """Spray of streams at one elevation, in many classes, for figures; cases are the draws."""
    start = started(fields, np.array([elevation]))
    sizes = drop_classes(start.constants.drop_spread, MANY, farthest=start.constants.farthest_share)
    return fly_spray(start.jet, start.launch, start.constants, sizes, law=start.law)


def draws_in(fields: Fields) -> int:
    """How many draws the fields of a stream hold."""
    return max((np.size(value) for value in fields.values()), default=1)


def started(fields: Fields, elevations: Array) -> Start:
    """Streams at all elevations, in the order (draw, elevation)."""
    each = {name: np.repeat(value, elevations.size) if np.ndim(value) else value for name, value in fields.items()}
    return start_of(Stream.from_values({**each, "elevation": np.tile(elevations, draws_in(fields))}))


def delivered(
    streams: Sequence[Fields],
    task: Task,
    places: Sequence[Place],
    executor: Executor | None = None,
    whole: int | None = None,
) -> list[Array]:
    """Flow through windows [m3/s], for each stream in an array (place, draw, elevation).

    Parameters
    ----------
    streams : sequence of mapping
        Fields, each a scalar or of shape (draw,).
    task : Task
    places : sequence of Place
    executor : Executor, optional
        Throws blocks of draws at once.
    whole : int, optional
        The first so many places are computed at every elevation (all by default); the others where at least half the
        flow wanted may pass, and elsewhere stands what passes at the window's height, which is less than that.
    """
    wanted = sorted(set(places), key=lambda place: (place.stand_off, place.storey))
    order = [wanted.index(place) for place in places]
    fully = {*(places if whole is None else places[:whole])}
    blocks = [
        {name: value[start : start + BLOCK] if np.ndim(value) else value for name, value in fields.items()}
        for fields in streams
        for start in range(0, draws_in(fields), BLOCK)
    ]
    parts = iter(kept_map(partial(_block, task, wanted, fully), blocks, executor))
    counts = [len(range(0, draws_in(fields), BLOCK)) for fields in streams]
    return [np.concatenate(list(islice(parts, count)), axis=1)[order] for count in counts]


def _block(task: Task, wanted: Sequence[Place], fully: Set[Place], fields: Fields) -> Array:
    """Flow of one block of draws through each window, (place, draw, elevation)."""
    spray, flow = thrown_spray(fields, task)
    return _through(spray, task, wanted, flow, fully).reshape(len(wanted), draws_in(fields), -1)


def _through(spray: Spray, task: Task, places: Iterable[Place], flow: Array, fully: Set[Place]) -> Array:
    """Flow through each window; one wall is crossed once for all its storeys."""
    flows, wall, clouds = [], None, None
    for place in places:
        if clouds is None or place.stand_off != wall:
            wall, clouds = place.stand_off, crossing(spray, place.stand_off)
        least = 0.0 if place in fully else task.flow / 2 / flow
        flows.append(flow * through_opening(clouds, task.window(place), least=least))
    return np.stack(flows)


def best(flows: Array, elevations: Array) -> tuple[Array, Array]:
    """Elevation that serves best [deg] and the flow there, from flows whose last axis is elevation, evenly spaced.

    The top of a parabola through the best elevation tried and its neighbours.
    """
    at = np.expand_dims(np.argmax(flows, axis=-1), -1)
    inner = np.clip(at, 1, flows.shape[-1] - 2) if flows.shape[-1] > 2 else at
    here = np.take_along_axis(flows, at, axis=-1)[..., 0]
    if flows.shape[-1] < 3:
        return elevations[at[..., 0]], here
    before, middle, after = (np.take_along_axis(flows, inner + side, axis=-1)[..., 0] for side in (-1, 0, 1))
    bend = before - 2 * middle + after
    shift = np.where(bend < 0, (before - after) / np.where(bend < 0, 2 * bend, 1.0), 0.0)
    shift = np.where(at[..., 0] == inner[..., 0], np.clip(shift, -0.5, 0.5), 0.0)
    step = (elevations[-1] - elevations[0]) / (elevations.size - 1)
    return elevations[at[..., 0]] + shift * step, here - 0.25 * (before - after) * shift * (shift != 0)


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
    return [_solution(flows, middle, task, i) for i in sorted(kept)]


def _solution(flows: Array, middle: Array, task: Task, peak: int) -> Solution:
    """What aiming about a peak of the middle flow brings."""
    near = np.abs(task.elevations - task.elevations[peak]) <= _APART
    elevation, flow = best(middle[near], task.elevations[near])
    _, flows_near = best(flows[:, near], task.elevations[near])
    return Solution(float(elevation), float(flow), float((flows_near >= task.flow).mean()))


def _apart(middle: Array, elevations: Array, one: int, other: int) -> bool:
    low, high = sorted((one, other))
    valley = middle[low : high + 1].min()
    far = elevations[high] - elevations[low] > _APART
    return bool(far and valley < 0.5 * min(middle[low], middle[high]) and middle[one] > 0.1 * middle[other])


def chance(flows: Array, task: Task) -> Array:
    """Share of draws in which some elevation brings the wanted flow; the last two axes are (sample, elevation)."""
    return np.asarray((best(flows, task.elevations)[1] >= task.flow).mean(axis=-1))


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
