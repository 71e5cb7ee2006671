"""How the runs of a trial stood to each other: whether their order was random, and what cannot be told apart."""

from collections import Counter
from collections.abc import Hashable, Sequence
from itertools import pairwise
from typing import TypeVar

import numpy as np

T = TypeVar("T", bound=Hashable)


def runs_score(labels: Sequence[Hashable]) -> float:
    """How many standard deviations the number of runs of equal labels lies from that of a random order.

    Far below 0: one label was tried after another. Wald and Wolfowitz's runs for several kinds of labels, mean and
    variance under all orders alike (Wallis and Roberts; from memory, tested against drawn orders).

    Parameters
    ----------
    labels : sequence
        In the order in which they were tried.

    Returns
    -------
    float
        NaN where no order differs from another.

    Examples
    --------
    >>> round(runs_score("aaaabbbbcccc"), 1)
    -4.1
    """
    total = len(labels)
    counts = np.array(list(Counter(labels).values()), dtype=float)
    if len(counts) < 2 or total < 4:
        return float("nan")
    runs = 1 + sum(a != b for a, b in pairwise(labels))
    squares, cubes = (counts**2).sum(), (counts**3).sum()
    mean = (total * (total + 1) - squares) / total
    spread = (squares * (squares + total * (total + 1)) - 2 * total * cubes - total**3) / (total**2 * (total - 1))
    return float((runs - mean) / np.sqrt(spread)) if spread > 0 else float("nan")


def always_in_one_order(labels: Sequence[T], blocks: Sequence[Hashable], fewest: int = 3) -> bool:
    """Whether every block tried the same labels in the same order, in `fewest` blocks or more.

    Examples
    --------
    >>> always_in_one_order("abcabcabc", "111222333"), always_in_one_order("abcbacabc", "111222333")
    (True, False)
    """
    orders: dict[Hashable, list[T]] = {}
    for label, block in zip(labels, blocks, strict=True):
        orders.setdefault(block, []).append(label)
    found = list(orders.values())
    return len(found) >= fewest and len(found[0]) > 1 and all(order == found[0] for order in found)


def separate(labels: Sequence[T], groups: Sequence[str]) -> list[tuple[list[T], list[str]]]:
    """Sets of labels that no group joins: what differs between two sets may be the labels or the groups.

    Parameters
    ----------
    labels : sequence
        What was tried in each run.
    groups : sequence of str
        On which day, by whom; empty where nobody says: such a run joins nothing.

    Returns
    -------
    list of (labels, groups)
        One set where everything hangs together.

    Examples
    --------
    >>> separate("aabb", ["north", "north", "south", "south"])
    [(['a'], ['north']), (['b'], ['south'])]
    >>> len(separate("abab", ["north", "north", "south", "south"]))
    1
    """
    sets: list[tuple[set[T], set[str]]] = []
    for label, group in dict.fromkeys(zip(labels, groups, strict=True)):
        if not group:
            continue
        touching = [one for one in sets if label in one[0] or group in one[1]]
        joined: tuple[set[T], set[str]] = ({label}, {group})
        for one in touching:
            joined[0].update(one[0])
            joined[1].update(one[1])
        sets = [one for one in sets if one not in touching] + [joined]
    return [(sorted(names, key=str), sorted(those)) for names, those in sets]
