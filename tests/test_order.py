"""Orders of runs: whether they were random, and what no group joins."""

import numpy as np
import pytest

from jetsim.experiment.order import always_in_one_order, runs_score, separate


@pytest.mark.parametrize("labels", ["aaaaabbbbb", "aaaabbbbccccdd", "abcdefabcdefabcdef"])
def test_runs_of_random_orders_have_the_mean_and_spread_of_the_formula(labels):
    rng = np.random.default_rng(1)
    drawn = [runs_score("".join(rng.permutation(list(labels)))) for _ in range(3000)]
    assert np.mean(drawn) == pytest.approx(0, abs=0.08)
    assert np.std(drawn) == pytest.approx(1, abs=0.05)


def test_throwing_one_set_up_after_another_is_no_random_order():
    assert runs_score("aaaaaaaabbbbbbbb") < -3.1
    assert runs_score("abbabaabbabaabab") > -3.1
    assert np.isnan(runs_score("aaaa"))


def test_blocks_that_repeat_an_order_are_seen():
    assert always_in_one_order("abcabcabc", "111222333")
    assert not always_in_one_order("abcabc", "111222")
    assert not always_in_one_order("abcacbabc", "111222333")


def test_what_one_group_joins_hangs_together():
    assert len(separate("abcab", ["n", "n", "s", "s", "s"])) == 1
    assert separate("abc", ["", "", ""]) == []
    assert separate("aabc", ["n", "s", "s", "w"]) == [(["a", "b"], ["n", "s"]), (["c"], ["w"])]
