"""How rankings move from one combination of laws to another."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from jetsim import findings
from jetsim.assumptions.question import Plan
from jetsim.assumptions.runs import Combination, Found

# Only differences of shares above this are called a change of order.
LEADER = 0.05
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Swap:
    """Two inputs in one order with one combination and, surely, in the other with another."""

    first: str
    second: str
    here: Combination
    there: Combination
    size: float


def leader_survives(studied: Sequence[Combination], output: str) -> bool:
    """Whether an input of the reference's first place is in first place with each combination."""
    first = set(studied[0].leaders(output))
    return bool(first) and all(first & set(c.leaders(output)) for c in studied if c.defined(output))


def largest_swap(studied: Sequence[Combination], output: str) -> Swap | None:
    """The clearest change of order against the first combination; None if the order survives.

    Only pairs whose difference is significant both ways, and in which both lead by `LEADER`, count.
    """
    defined = [c for c in studied if c.defined(output)]
    swaps = [swap for there in defined[1:] if (swap := _swap(defined[0], there, output))]
    return max(swaps, key=lambda swap: swap.size, default=None)


def _swap(here: Combination, there: Combination, output: str) -> Swap | None:
    lead = _sure_lead(here, output)
    size = np.minimum(lead, _sure_lead(there, output).T)
    first, second = np.unravel_index(int(size.argmax()), size.shape)
    if size[first, second] < LEADER:
        return None
    names = here.ranking["parameter"].values
    return Swap(str(names[first]), str(names[second]), here, there, float(size[first, second]))


def _sure_lead(combination: Combination, output: str) -> Array:
    """By how much each input surely leads each other; zero where it does not."""
    at = combination.ranking.sel(output=output)
    return np.where(at["tied"].values, 0.0, np.maximum(at["difference"].values, 0.0))


@dataclass(frozen=True)
class Shift:
    """How far a ranking moves when one assumption alone is changed: means over all such pairs of combinations."""

    assumption: str
    share: float
    leader: float
    pairs: int


def shifts(plan: Plan, found: Found, output: str) -> list[Shift]:
    """How far each assumption moves the ranking of an output, the largest first."""
    moved = [_shift(name, pairs(found.combinations, name), (output, output)) for name in plan.choices]
    others = [reach for reach in plan.reaches if reach != output]
    moved += [
        _shift(f"reach read as {findings.output_words(other)}", [(c, c) for c in found.combinations], (output, other))
        for other in others
    ]
    return sorted(moved, key=lambda shift: -np.nan_to_num(shift.share))


def pairs(studied: Sequence[Combination], assumption: str) -> list[tuple[Combination, Combination]]:
    """Pairs of combinations that differ in one assumption alone."""

    def others(combination: Combination) -> dict[str, str]:
        return {name: law for name, law in combination.laws.items() if name != assumption}

    return [(a, b) for a, b in combinations(studied, 2) if others(a) == others(b)]


def _shift(assumption: str, changed: Sequence[tuple[Combination, Combination]], outputs: tuple[str, str]) -> Shift:
    one, other = outputs
    defined = [(a, b) for a, b in changed if a.defined(one) and b.defined(other)]
    if not defined:
        return Shift(assumption, np.nan, np.nan, 0)
    largest = [float(np.abs(_totals(a, one) - _totals(b, other)).max()) for a, b in defined]
    led_by_others = [not set(a.leaders(one)) & set(b.leaders(other)) for a, b in defined]
    return Shift(assumption, float(np.mean(largest)), float(np.mean(led_by_others)), len(defined))


def _totals(combination: Combination, output: str) -> Array:
    return np.asarray(combination.indices["ST"].sel(output=output).values)
