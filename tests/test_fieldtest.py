"""Planning of a field test: power against closed forms, the random order, and what single throws can show."""

from collections import Counter

import numpy as np
import pytest
from scipy import stats

from jetsim.errors import InputError
from jetsim.experiment.fieldtest import (
    holm,
    paired_tests,
    power_closed_form,
    power_simulated,
    run_order,
    smallest_difference,
    throws_needed,
)

SPREAD = 7.0


def normal_differences(spread: float = SPREAD, seed: int = 1) -> np.ndarray:
    """Differences whose quantiles are those of a normal distribution."""
    return np.random.default_rng(seed).permutation(spread * stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000))


# Statistics with closed forms


@pytest.mark.parametrize("throws", [3, 6, 12, 25])
@pytest.mark.parametrize("difference", [0.0, 4.0, 8.0])
@pytest.mark.parametrize("false_alarm", [0.01, 0.05])
def test_simulated_power_is_that_of_the_noncentral_t(throws, difference, false_alarm):
    simulated = power_simulated(normal_differences(), difference, throws, 7, false_alarm)
    assert simulated == pytest.approx(power_closed_form(difference, SPREAD, throws, false_alarm), abs=0.03)


def test_without_a_difference_the_power_is_the_false_alarm():
    assert power_closed_form(0.0, SPREAD, 9, 0.07) == pytest.approx(0.07, abs=1e-9)


@pytest.mark.parametrize("shift", [10.0, 20.0, 36.0, 100.0])
def test_a_huge_difference_is_found(shift):
    assert power_closed_form(shift, 1.0, 12) == pytest.approx(1.0)


def test_many_throws_approach_the_normal_limit():
    """With many throws the t distribution becomes normal: power = Phi(shift - 1.96)."""
    shift = 2.0 / 10.0 * np.sqrt(200)
    assert power_closed_form(2.0, 10.0, 200) == pytest.approx(stats.norm.cdf(shift - 1.959964), abs=0.01)


def test_needed_throws_are_the_fewest():
    needed = throws_needed(normal_differences(), 6.0, 0.9, 3)
    assert needed.simulated >= 0.9
    assert power_closed_form(6.0, SPREAD, needed.throws - 2) < 0.9
    assert needed.closed_form == pytest.approx(needed.simulated, abs=0.03)
    assert needed.spread == pytest.approx(SPREAD, rel=1e-3)


def test_smallest_difference_inverts_the_power():
    found = smallest_difference(SPREAD, 12, 0.9)
    assert power_closed_form(found, SPREAD, 12) == pytest.approx(0.9, abs=1e-3)


def test_four_times_the_throws_find_half_the_difference_in_the_limit():
    ratio = smallest_difference(SPREAD, 40, 0.9) / smallest_difference(SPREAD, 160, 0.9)
    assert ratio == pytest.approx(2.0, rel=0.03)


# Common practice, no source: throws judged on single runs differ by 7 to 10 ft between shutoffs under one tip.


@pytest.mark.parametrize(("difference", "fewest", "most"), [(7.0, 10, 16), (8.5, 7, 12), (10.0, 5, 10)])
def test_a_difference_seen_between_single_throws_takes_several(difference, fewest, most):
    """Two throws differ by 7 ft (standard deviation) for no reason; one of each cannot settle 7 to 10 ft."""
    assert fewest <= throws_needed(normal_differences(), difference, 0.9, 0).throws <= most
    chance_alone = 2 * stats.norm.sf(difference / SPREAD)
    assert chance_alone > 0.15


# The order


def test_every_block_holds_every_setup_once():
    order = run_order(["a", "b", "c"], 8, 5)
    assert [throw.run_order for throw in order] == list(range(1, 25))
    for block in range(1, 9):
        assert sorted(t.setup for t in order if t.block == block) == ["a", "b", "c"]


def test_order_is_random_and_repeats_with_its_seed():
    names = ["a", "b", "c", "d"]
    assert run_order(names, 10, 0) == run_order(names, 10, 0)
    assert run_order(names, 10, 0) != run_order(names, 10, 1)
    first = Counter(t.setup for t in run_order(names, 2000, 2) if (t.run_order - 1) % 4 == 0)
    assert stats.chisquare([first[name] for name in names]).pvalue > 1e-4


def test_a_hopeless_difference_is_refused():
    with pytest.raises(InputError, match="more than 200 throws"):
        throws_needed(normal_differences(), 0.1, 0.9, 0)


# The test


def test_paired_test_is_that_of_scipy_with_missing_throws():
    rng = np.random.default_rng(3)
    afternoon = np.repeat(rng.normal(0, 20, 9), 2)
    values = afternoon + np.tile([4.0, 0.0], 9) + rng.normal(0, 2, 18)
    blocks = np.repeat(np.arange(9.0), 2)
    values[5], blocks[8] = np.nan, np.nan
    (found,) = paired_tests(["a", "b"] * 9, blocks, values)
    keep = [n for n in range(9) if n not in (2, 4)]
    a, b = values[0::2][keep], values[1::2][keep]
    exact = stats.ttest_rel(a, b)
    assert found.blocks == 7
    assert found.chance == found.adjusted == pytest.approx(exact.pvalue)
    ends = exact.confidence_interval(0.95)
    assert (found.difference, found.low, found.high) == pytest.approx((np.mean(a - b), ends.low, ends.high))


def test_one_block_is_no_test():
    (found,) = paired_tests(["a", "b"], np.ones(2), np.array([3.0, 9.0]))
    assert found.blocks == 1
    assert not found.differs(0.05)


def test_adjusted_false_alarms_stay_below_the_level():
    """Five equal set-ups: any false alarm at all in at most 5 % of afternoons (and about 29 % without adjusting)."""
    rng = np.random.default_rng(8)
    setups, blocks = list("abcde") * 6, np.repeat(np.arange(6.0), 5)
    drawn = [paired_tests(setups, blocks, rng.normal(0, 1, 30)) for _ in range(300)]
    alarms = np.array([[(p.adjusted <= 0.05, p.chance <= 0.05) for p in tests] for tests in drawn])
    alarms = alarms.any(axis=1).mean(axis=0)
    assert alarms[0] <= 0.09
    assert alarms[1] > 0.15


def test_holm_is_in_steps_and_leaves_what_was_not_tested():
    assert holm(np.array([0.01, np.nan, 0.04, 0.5])) == pytest.approx([0.03, np.nan, 0.08, 0.5], nan_ok=True)
