"""Comparison on common draws: odds, ties, decisions and how far weights may move."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from jetsim.errors import InputError
from jetsim.experiment.comparison import (
    chances,
    decide,
    odds,
    order_with_ties,
    shares_of_variance,
    weight_ranges,
)

RNG = np.random.default_rng(4)
SHARED = RNG.normal(0.0, 10.0, 40_000)
OWN = RNG.normal(0.0, 1.0, (2, 40_000))
PAIR = {"a": SHARED + OWN[0] + 1.0, "b": SHARED + OWN[1]}


def test_odds_are_those_of_the_normal_difference():
    """What is shared cancels: P(a > b) = Phi(1 / sqrt 2)."""
    found = odds(PAIR, "a", "b")
    assert found.chance == pytest.approx(stats.norm.cdf(1 / np.sqrt(2)), abs=0.01)
    assert found.median == pytest.approx(1.0, abs=0.03)
    assert found.low == pytest.approx(1.0 - 1.645 * np.sqrt(2), abs=0.05)
    assert found.tie


def test_without_common_draws_the_difference_drowns():
    apart = {"a": PAIR["a"], "b": RNG.permutation(PAIR["b"])}
    assert odds(apart, "a", "b").chance == pytest.approx(0.5, abs=0.05)


def test_equal_setups_are_even():
    assert odds({"a": np.ones(5), "b": np.ones(5)}, "a", "b").chance == 0.5


def test_turning_a_pair_round_turns_everything():
    there, back = odds(PAIR, "a", "b"), odds(PAIR, "b", "a")
    assert back.chance == pytest.approx(1 - there.chance)
    assert (back.ordered.first, there.ordered.first) == ("a", "a")
    ends = [(o.low, o.median, o.high) for o in (back.ordered, there)]
    assert ends[0] == pytest.approx(ends[1])


def test_chances_are_complementary():
    matrix = chances(PAIR)
    assert np.isnan(np.diag(matrix)).all()
    assert matrix[0, 1] + matrix[1, 0] == pytest.approx(1.0)


def test_ties_share_a_group():
    values = {"far": SHARED + 20, "near": SHARED - 20, **PAIR}
    assert order_with_ties(values) == [["far"], ["a", "b"], ["near"]]


def test_shares_of_variance_of_independent_causes():
    causes = {"large": 3 * OWN[0], "small": OWN[1], "none": SHARED, "fixed": np.ones(40_000)}
    found = shares_of_variance(3 * OWN[0] + OWN[1], causes)
    assert list(found)[:2] == ["large", "small"]
    assert found["large"] == pytest.approx(0.9, abs=0.02)
    assert found["small"] == pytest.approx(0.1, abs=0.02)
    assert found["fixed"] == 0.0


def test_different_numbers_of_draws_are_refused():
    with pytest.raises(InputError, match="common draws are needed"):
        odds({"a": np.ones(3), "b": np.ones(4)}, "a", "b")


# Decisions


def three() -> dict[str, dict[str, np.ndarray]]:
    def noise() -> np.ndarray:
        return RNG.normal(0.0, 0.01, 500)

    reach = {"a": 40 + noise(), "b": 35 + noise(), "c": 30 + noise()}
    force = {"a": 300 + noise(), "b": 220 + noise(), "c": 200 + noise()}
    return {"reach": reach, "reaction": force}


SCALES = {"reach": 10.0, "reaction": 100.0, "flow": 0.01}


def test_scores_count_scales_and_less_reaction_is_better():
    made = decide(three(), {"reach": 2.0, "reaction": 2.0}, SCALES, ("reaction",))
    assert made.scores[:, 0] == pytest.approx([0.0, -0.5, -1.0], abs=0.01)
    assert made.scores[:, 1] == pytest.approx([0.0, 0.8, 1.0], abs=0.01)
    assert made.best == ("b",)
    assert made.chance_of_best == pytest.approx([0, 1, 0])


def test_weight_range_is_where_the_choice_changes():
    """By hand: b leads a while 0.5 w + 0.8 (1 - w) > w, and leads c while that exceeds 1 - w."""
    made = decide(three(), {"reach": 1.0, "reaction": 1.0}, SCALES, ("reaction",))
    assert made.weight_range[0] == pytest.approx([0.2 / 0.7, 0.8 / 1.3], abs=0.01)


@settings(max_examples=80, deadline=None)
@given(st.integers(2, 5), st.integers(2, 4), st.integers(0, 10_000))
def test_the_leader_changes_only_outside_its_range(setups, criteria, seed):
    rng = np.random.default_rng(seed)
    scores, weights = rng.random((setups, criteria)), rng.random(criteria) + 0.01
    weights /= weights.sum()
    best = int(np.argmax(scores @ weights))
    for k, (low, high) in enumerate(weight_ranges(scores, weights)):
        for weight in np.linspace(0.001, 0.999, 37):
            moved = weights * (1 - weight) / (1 - weights[k])
            moved[k] = weight
            if low + 1e-6 < weight < high - 1e-6:
                assert int(np.argmax(scores @ moved)) == best
            elif weight < low - 1e-6 or weight > high + 1e-6:
                assert int(np.argmax(scores @ moved)) != best


def test_what_all_share_has_no_weight():
    values = three() | {"flow": {name: np.full(500, 0.01) for name in "abc"}}
    made = decide(values, {"reach": 1.0, "flow": 1.0}, SCALES)
    assert made.scores[:, 1] == pytest.approx([0, 0, 0])


@pytest.mark.parametrize(
    ("weights", "words"),
    [({"reech": 1.0}, "no such criterion"), ({"reach": -1.0}, "0 or more"), ({"reach": 0.0}, "one above 0")],
)
def test_bad_weights_are_refused(weights, words):
    with pytest.raises(InputError, match=words):
        decide(three(), weights, SCALES)


@pytest.mark.parametrize("scale", [None, 0.0, -1.0, float("nan"), float("inf")])
def test_bad_scales_are_refused(scale):
    with pytest.raises(InputError, match=r"scales\.reach = .*: must be given, above 0"):
        decide(three(), {"reach": 1.0}, {} if scale is None else {"reach": scale})


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_a_setup_that_is_worst_in_everything_changes_nothing(seed):
    rng = np.random.default_rng(seed)
    values = {c: {s: rng.normal(0, 1, 200) for s in "abc"} for c in ("reach", "reaction")}
    worst = {"reach": np.full(200, -9.0), "reaction": np.full(200, 9.0)}
    more = {c: {**values[c], "d": worst[c]} for c in values}
    scales = {"reach": 1.0, "reaction": 2.0}
    before, after = (decide(v, {"reach": 1.0, "reaction": 1.0}, scales, ("reaction",)) for v in (values, more))
    assert after.best == before.best
    assert after.chance_of_best == pytest.approx([*before.chance_of_best, 0.0])
    assert after.totals[:3] == pytest.approx(before.totals)
    assert after.weight_range == pytest.approx(before.weight_range)


def test_three_equal_setups_share_first_place():
    same = RNG.normal(30.0, 1.0, 500)
    made = decide({"reach": dict.fromkeys("abc", same)}, {"reach": 1.0}, SCALES)
    assert made.chance_of_best == pytest.approx([1 / 3, 1 / 3, 1 / 3])
    assert made.best == ("a", "b", "c")


def test_a_small_difference_does_not_outweigh_a_large_one():
    """0.1 m of reach against 90 N of reaction, at 10 m for 100 N."""
    values = {"reach": {"a": np.full(9, 40.1), "b": np.full(9, 40.0)},
              "reaction": {"a": np.full(9, 290.0), "b": np.full(9, 200.0)}}  # fmt: skip
    assert decide(values, {"reach": 3.0, "reaction": 1.0}, SCALES, ("reaction",)).best == ("b",)
