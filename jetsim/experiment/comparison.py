"""Set-ups compared draw by draw: odds instead of a ranking inside the noise, ties, and a weighted decision.

Every set-up is evaluated on the same draws (common random numbers), so that what they share cancels in a difference.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jetsim.errors import InputError
from jetsim.experiment.distributions import ranks

Array = NDArray[np.float64]

SURE = 0.9
EQUAL = 1e-9  # points of a decision: far below anything that a scale of a department can mean
BAND = (0.05, 0.95)


@dataclass(frozen=True)
class Odds:
    """How two set-ups differ: chance that the first is larger, and median and middle 90 % of first minus second."""

    first: str
    second: str
    chance: float
    median: float
    low: float
    high: float

    @property
    def tie(self) -> bool:
        """Whether neither is larger with a chance of 90 %."""
        return 1 - SURE < self.chance < SURE

    @property
    def ordered(self) -> "Odds":
        """The same pair with the likelier winner first."""
        if self.chance >= 0.5:
            return self
        return Odds(self.second, self.first, 1 - self.chance, -self.median, -self.high, -self.low)


def odds(values: Mapping[str, Array], first: str, second: str) -> Odds:
    """Compare two set-ups on common draws.

    Parameters
    ----------
    values : mapping of set-up to ndarray, shape (draws,)
        Draw n of every set-up shares everything that set-ups can share.
    first, second : str

    Raises
    ------
    InputError
        Different numbers of draws.
    """
    a, b = values[first], values[second]
    if a.shape != b.shape:
        raise InputError(f"{first} has {a.size} draws, {second} has {b.size}: common draws are needed")
    difference = a - b
    low, median, high = np.quantile(difference, (BAND[0], 0.5, BAND[1]))
    chance = float(np.mean(difference > 0) + 0.5 * np.mean(difference == 0))
    return Odds(first, second, chance, float(median), float(low), float(high))


def chances(values: Mapping[str, Array]) -> Array:
    """Chance that the row's set-up is larger than the column's, shape (set-ups, set-ups); NaN on the diagonal."""
    names = list(values)
    matrix = np.full((len(names), len(names)), np.nan)
    for i, first in enumerate(names):
        for j, second in enumerate(names):
            if i != j:
                matrix[i, j] = odds(values, first, second).chance
    return matrix


def order_with_ties(values: Mapping[str, Array]) -> list[list[str]]:
    """Set-ups in groups, farthest first: a group holds those that its first one does not beat with 90 %."""
    left = sorted(values, key=lambda name: -float(np.median(values[name])))
    groups = []
    while left:
        group = [left[0], *(name for name in left[1:] if odds(values, left[0], name).tie)]
        groups.append(group)
        left = [name for name in left if name not in group]
    return groups


def shares_of_variance(difference: Array, causes: Mapping[str, Array]) -> dict[str, float]:
    """Squared rank correlation of a difference with each cause, the largest first.

    With independent causes this is close to each one's share of the variance; with tied ones the shares overlap.
    """
    places = ranks(difference)
    found = {}
    for name, cause in causes.items():
        varies = np.ptp(cause) > 0 and np.ptp(difference) > 0
        found[name] = float(np.corrcoef(places, ranks(cause))[0, 1] ** 2) if varies else 0.0
    return dict(sorted(found.items(), key=lambda item: -item[1]))


# --------------------------------------------------------------------------------------------------------
# Decision


@dataclass(frozen=True, eq=False)
class Decision:
    """A weighted decision.

    Attributes
    ----------
    setups, criteria : tuple of str
    weights : ndarray, shape (criteria,)
        Sum to 1.
    scores : ndarray, shape (set-ups, criteria)
        By how many scales the median is better than that of the first set-up.
    totals : ndarray, shape (set-ups,)
    chance_of_best : ndarray, shape (set-ups,)
        Share of draws in which each set-up has the highest total; equal ones share a draw.
    weight_range : ndarray, shape (criteria, 2)
        Between which limits each weight may move (the others keep their proportions) before another one leads.
    """

    setups: tuple[str, ...]
    criteria: tuple[str, ...]
    weights: Array
    scores: Array
    totals: Array
    chance_of_best: Array
    weight_range: Array

    @property
    def best(self) -> tuple[str, ...]:
        """The set-ups with the highest total: several where they are equal."""
        return tuple(name for name, first in zip(self.setups, _shared_first(self.totals), strict=True) if first > 0)


def _shared_first(totals: Array) -> Array:
    """Share in the first place along the first axis: 1 for a sole leader, equal parts for equal ones."""
    leads = totals >= totals.max(axis=0) - EQUAL
    return np.asarray(leads / leads.sum(axis=0))


def decide(
    values: Mapping[str, Mapping[str, Array]],
    weights: Mapping[str, float],
    scales: Mapping[str, float],
    smaller: Sequence[str] = (),
) -> Decision:
    """Weigh criteria against each other by stated scales, so that no set-up changes how two others compare.

    Parameters
    ----------
    values : mapping of criterion to mapping of set-up to ndarray, shape (draws,)
    weights : mapping of criterion to float
        0 or more, not all 0.
    scales : mapping of criterion to float
        Difference of each criterion that counts one point before weighing, above 0, in the unit of its values.
    smaller : sequence of str, optional
        Criteria of which less is better.

    Raises
    ------
    InputError
        A criterion without values or scale, or weights or scales that cannot be used.
    """
    criteria = tuple(weights)
    for name in criteria:
        if name not in values:
            raise InputError(f"weights.{name}: there is no such criterion; known: {', '.join(values)}")
        if not 0 < scales.get(name, 0.0) < np.inf:
            raise InputError(f"scales.{name} = {scales.get(name)}: must be given, above 0")
    given = np.array(list(weights.values()), dtype=float)
    if not np.isfinite(given).all() or (given < 0).any() or given.sum() <= 0:
        raise InputError(f"weights = {dict(weights)}: each must be 0 or more, and one above 0")
    setups = tuple(values[criteria[0]])
    stacked = np.array([[values[c][s] for c in criteria] for s in setups])  # (set-ups, criteria, draws)
    stacked[:, [c in smaller for c in criteria]] *= -1
    scaled = stacked / np.array([scales[name] for name in criteria])[:, None]
    medians = np.median(scaled, axis=2)
    scores = medians - medians[0]
    share = given / given.sum()
    chance = _shared_first(np.einsum("scd,c->sd", scaled, share)).mean(axis=1)
    return Decision(setups, criteria, share, scores, scores @ share, chance, weight_ranges(scores, share))


def weight_ranges(scores: Array, weights: Array) -> Array:
    """Limits of each weight inside which the leader stays, the other weights keeping their proportions. Exact.

    Parameters
    ----------
    scores : ndarray, shape (set-ups, criteria)
    weights : ndarray, shape (criteria,)
        Sum to 1.

    Returns
    -------
    ndarray, shape (criteria, 2)
        Between 0 and 1.
    """
    best = int(np.argmax(scores @ weights))
    limits = np.tile([0.0, 1.0], (len(weights), 1))
    for k, weight in enumerate(weights):
        others = np.delete(np.arange(len(weights)), k)
        rest = weights[others] / (1 - weight) if weight < 1 else np.zeros(len(others))
        for rival in range(len(scores)):
            own = scores[best, k] - scores[rival, k]
            against = float((scores[best, others] - scores[rival, others]) @ rest)
            if rival == best or own == against:
                continue
            crossing = -against / (own - against)  # weight w at which w own + (1 - w) against = 0
            if 0 <= crossing <= weight:
                limits[k, 0] = max(limits[k, 0], crossing)
            elif weight < crossing <= 1:
                limits[k, 1] = min(limits[k, 1], crossing)
    return limits
