"""How many throws a field test needs, in which order they are thrown, and what it can tell apart.

Set-ups are thrown in randomised complete blocks: every set-up once in each block, in a fresh order, so that wind
and fatigue that drift over the afternoon fall on all alike. Two set-ups are compared by the differences inside
blocks (paired t-test), whose power has a closed form by the noncentral t distribution.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import nctdtr, stdtr, stdtrit

from jetsim.errors import InputError

Array = NDArray[np.float64]
Rng = int | np.random.SeedSequence | np.random.Generator

FEWEST_THROWS, MOST_THROWS = 2, 200
SIMULATED_TESTS = 20_000


def power_closed_form(difference: float, spread: float, throws: int, false_alarm: float = 0.05) -> float:
    """Power of the two-sided paired t-test for normal differences. Solid (noncentral t distribution).

    Parameters
    ----------
    difference : float
        True mean difference, in any unit.
    spread : float
        Standard deviation of the differences inside blocks, in the same unit.
    throws : int
        Blocks, which is throws of each set-up; at least 2.
    false_alarm : float, optional
        Chance of seeing a difference where there is none.

    Returns
    -------
    float
        Chance that the test finds the difference.

    Examples
    --------
    >>> round(power_closed_form(8.0, 8.0, 10), 3)
    0.803
    """
    freedom = throws - 1
    limit = stdtrit(freedom, 1 - false_alarm / 2)
    shift = abs(difference) / spread * np.sqrt(throws)
    wrong_side = np.nan_to_num(nctdtr(freedom, shift, -limit))  # not a number where it is far below 1e-16
    return float(1 - nctdtr(freedom, shift, limit) + wrong_side)


def power_simulated(
    differences: Array,
    difference: float,
    throws: int,
    rng: Rng,
    false_alarm: float = 0.05,
    tests: int = SIMULATED_TESTS,
) -> float:
    """Power of the same test by drawing whole tests from simulated differences.

    Parameters
    ----------
    differences : ndarray, shape (n,)
        Differences inside blocks between two set-ups; their mean is taken out.
    difference : float
        True mean difference put in its place.
    throws : int
    rng : int, SeedSequence or Generator
    false_alarm : float, optional
    tests : int, optional
        Simulated tests.

    Returns
    -------
    float
    """
    generator = np.random.default_rng(rng)
    drawn = generator.choice(differences - differences.mean() + difference, (tests, throws))
    score = drawn.mean(axis=1) / (drawn.std(axis=1, ddof=1) / np.sqrt(throws))
    return float(np.mean(np.abs(score) > stdtrit(throws - 1, 1 - false_alarm / 2)))


@dataclass(frozen=True)
class Needed:
    """Throws of each set-up that a wanted power takes.

    Attributes
    ----------
    throws : int
    simulated, closed_form : float
        Power at that many throws.
    spread : float
        Standard deviation of the differences inside blocks.
    """

    throws: int
    simulated: float
    closed_form: float
    spread: float


def throws_needed(differences: Array, difference: float, power: float, rng: Rng, false_alarm: float = 0.05) -> Needed:
    """The fewest throws of each set-up with which the simulated power reaches the wanted one.

    Parameters
    ----------
    differences : ndarray, shape (n,)
        As for `power_simulated`.
    difference : float
        Worth detecting.
    power : float
        Wanted, below 1.
    rng : int, SeedSequence or Generator
    false_alarm : float, optional

    Raises
    ------
    InputError
        More than 200 throws would be needed.
    """
    generator = np.random.default_rng(rng)
    spread = float(differences.std(ddof=1))
    counts = range(FEWEST_THROWS, MOST_THROWS + 1)
    start = next((n for n in counts if power_closed_form(difference, spread, n, false_alarm) >= power), None)
    if start is None:
        raise InputError(
            f"the wanted difference needs more than {MOST_THROWS} throws of each set-up: it is "
            f"{abs(difference) / spread:.2g} of the scatter between two throws; ask for a larger one"
        )
    for throws in range(max(FEWEST_THROWS, start - 1), MOST_THROWS + 1):
        found = power_simulated(differences, difference, throws, generator, false_alarm)
        if found >= power:
            break
    return Needed(throws, found, power_closed_form(difference, spread, throws, false_alarm), spread)


def smallest_difference(spread: float, throws: int, power: float, false_alarm: float = 0.05) -> float:
    """The smallest difference that so many throws find with the wanted power, by the closed form.

    Parameters
    ----------
    spread : float
        Standard deviation of the differences inside blocks.
    throws : int
    power, false_alarm : float

    Returns
    -------
    float
        In the unit of `spread`, to a thousandth of it.
    """
    low, high = 0.0, 1.0
    while power_closed_form(high * spread, spread, throws, false_alarm) < power:
        high *= 2
    while high - low > 1e-3:
        middle = (low + high) / 2
        reached = power_closed_form(middle * spread, spread, throws, false_alarm) >= power
        low, high = (low, middle) if reached else (middle, high)
    return high * spread


@dataclass(frozen=True)
class Throw:
    """One planned throw: its place in the order, its block and its set-up."""

    run_order: int
    block: int
    setup: str


def run_order(setups: Sequence[str], blocks: int, rng: Rng) -> list[Throw]:
    """Randomised complete blocks: every set-up once in each block, in a fresh random order.

    Parameters
    ----------
    setups : sequence of str
    blocks : int
    rng : int, SeedSequence or Generator
        The same seed gives the same order.

    Returns
    -------
    list of Throw
        Numbered from 1.
    """
    generator = np.random.default_rng(rng)
    orders = [generator.permutation(len(setups)) for _ in range(blocks)]
    pairs = [(block, setups[index]) for block, order in enumerate(orders, 1) for index in order]
    return [Throw(number, block, setup) for number, (block, setup) in enumerate(pairs, 1)]


@dataclass(frozen=True)
class PairedTest:
    """Two set-ups by their differences inside blocks.

    Attributes
    ----------
    first, second : str
    blocks : int
        Blocks in which both count.
    difference, low, high : float
        Mean of first minus second, and its confidence interval for this pair alone; NaN below two blocks.
    chance : float
        p of the paired t-test.
    adjusted : float
        The same by Holm over all pairs.
    """

    first: str
    second: str
    blocks: int
    difference: float
    low: float
    high: float
    chance: float
    adjusted: float

    def differs(self, false_alarm: float) -> bool:
        """Whether the set-ups differ, with the false alarm held over all pairs."""
        return self.adjusted <= false_alarm


def holm(chances: Array) -> Array:
    """Holm's adjustment of p values over all that are tested; NaN stays and does not count. Solid.

    Examples
    --------
    >>> holm(np.array([0.01, 0.04, 0.03])).tolist()
    [0.03, 0.06, 0.06]
    """
    given = np.flatnonzero(~np.isnan(chances))
    order = given[np.argsort(chances[given])]
    factors = np.arange(len(order), 0, -1)
    adjusted = np.full(len(chances), np.nan)
    adjusted[order] = np.minimum(np.maximum.accumulate(factors * chances[order]), 1.0)
    return adjusted


def paired_tests(setups: Sequence[str], blocks: Array, values: Array, false_alarm: float = 0.05) -> list[PairedTest]:
    """Test every pair of set-ups by the differences inside blocks, as the plan sells it.

    Parameters
    ----------
    setups : sequence of str
        Set-up of each throw.
    blocks, values : ndarray, shape (throws,)
        Block and reading of each throw; one without either does not count. Throws of a set-up that share a block are
        averaged; a block in which one of a pair is missing tells nothing of that pair.
    false_alarm : float, optional
        One minus the confidence of the intervals.
    """
    means: dict[str, dict[float, list[float]]] = {name: {} for name in dict.fromkeys(setups)}
    for name, block, value in zip(setups, blocks, values, strict=True):
        if not (np.isnan(block) or np.isnan(value)):
            means[name].setdefault(float(block), []).append(float(value))
    tests = [_paired(a, b, means[a], means[b], false_alarm) for a, b in combinations(sorted(means), 2)]
    adjusted = holm(np.array([test.chance for test in tests]))
    return [replace(test, adjusted=float(value)) for test, value in zip(tests, adjusted, strict=True)]


def _paired(
    first: str, second: str, a: Mapping[float, list[float]], b: Mapping[float, list[float]], false_alarm: float
) -> PairedTest:
    """One pair, not adjusted."""
    differences = np.array([np.mean(a[block]) - np.mean(b[block]) for block in sorted(a.keys() & b.keys())])
    count = len(differences)
    spread = float(differences.std(ddof=1)) if count > 1 else 0.0
    if spread == 0.0:  # too few blocks, or readings without scatter: no test
        return PairedTest(first, second, count, *[np.nan] * 5)
    middle, error = float(differences.mean()), spread / np.sqrt(count)
    half = float(stdtrit(count - 1, 1 - false_alarm / 2)) * error
    chance = float(2 * stdtr(count - 1, -abs(middle) / error))
    return PairedTest(first, second, count, middle, middle - half, middle + half, chance, np.nan)
