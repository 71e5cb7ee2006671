"""The tables held against the model, at settings between their entries."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jetsim.teaching.runs import Rig, simulated
from jetsim.teaching.tables import BEST, EFFECTIVE, TOLD, Setting, Tables, ends_of

Array = NDArray[np.float64]

JUDGED = ("flow_rate", "reaction_force", "breakup_distance", EFFECTIVE, BEST, "extreme_reach")
SETTINGS = 8


@dataclass(frozen=True)
class Check:
    """Largest relative departures of one result: in the middle, and at the ends of nine in ten."""

    setup: str
    name: str
    middle: float
    ends: float
    count: int


def checks_of(rigs: Sequence[Rig], tables: Sequence[Tables], seed: int, count: int = SETTINGS) -> list[Check]:
    """Every judged result of every set-up, at settings drawn at random."""
    found = []
    for number, (rig, table) in enumerate(zip(rigs, tables, strict=True)):
        settings = list(random_settings(rig, table, np.random.default_rng([seed, number]), count))
        pairs = list(zip(map(table.read, settings), simulated(rig, *settings), strict=True))
        for name in JUDGED:
            off = np.array([departures(name, read, true) for read, true in pairs]).max(axis=0)
            found.append(Check(rig.setup.label, name, float(off[0]), float(off[1]), count))
    return found


def random_settings(rig: Rig, table: Tables, rng: np.random.Generator, count: int) -> Iterator[Setting]:
    """Settings within the controls at which a stream is told."""
    question = rig.question
    while count:
        ends = (question.elevation, question.wind_along, question.lengths)
        elevation, wind, length = (float(rng.uniform(low, high)) for low, high in ends)
        floor = int(rng.integers(question.floors[0], question.floors[1], endpoint=True))
        setting = Setting(0.0, elevation, wind, length, floor, bool(rng.random() < 0.2))
        low, high = lowest(table, setting, question.least_nozzle_pressure), highest(rig)
        if low < high:
            count -= 1
            yield Setting(float(rng.uniform(low, high)), elevation, wind, length, floor, setting.kinked)


def lowest(table: Tables, setting: Setting, least: float) -> float:
    """Pressure of the control at which the middle's nozzle pressure is the least that is told."""
    if table.supply is None:
        return least
    return float(np.interp(least, table.pressure.nodes, table.supply.needed(setting)[0]))


def highest(rig: Rig) -> float:
    """Highest pressure of the control."""
    return rig.most if rig.lined else 2 * rig.target


def departures(name: str, read: dict[str, Array], true: dict[str, Array]) -> tuple[float, float]:
    """Relative departure of the middle, and the larger one of the two ends; where it is told at all."""
    least = TOLD * true["extreme_reach"][0] if name == EFFECTIVE else 0.0
    if name == EFFECTIVE and true[name][0] < least:
        return 0.0, 0.0
    shown = np.maximum([read[name][0], *ends_of(read[name])], least)
    right = np.maximum([true[name][0], *ends_of(true[name])], least)
    off = np.abs(shown - right) / np.maximum(right, 1e-9)
    return float(off[0]), float(off[1:].max())
