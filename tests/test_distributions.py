"""Distributions of inputs: exact moments and quantiles, and finite values at every probability."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from jetsim.errors import InputError
from jetsim.experiment.distributions import (
    EDGE,
    Choice,
    LogNormal,
    LogUniform,
    Normal,
    Triangular,
    Uniform,
    ranks,
)

# Each distribution beside the same one of scipy.stats (an independent reference).
PAIRS = [
    (Uniform(3.0, 5.0), stats.uniform(3, 2)),
    (LogUniform(0.1, 50.0), stats.loguniform(0.1, 50)),
    (Triangular(1.0, 2.0, 5.0), stats.triang(0.25, 1, 4)),
    (Triangular(1.0, 1.0, 5.0), stats.triang(0, 1, 4)),
    (Triangular(1.0, 5.0, 5.0), stats.triang(1, 1, 4)),
    (Normal(2.0, 3.0), stats.norm(2, 3)),
    (Normal(0.98, 0.01, highest=1.0), stats.truncnorm(-np.inf, 2, 0.98, 0.01)),
    (Normal(0.0, 1.0, 4.0, 9.0), stats.truncnorm(4, 9)),
    (Normal(0.0, 1.0, -9.0, -4.0), stats.truncnorm(-9, -4)),
    (LogNormal(0.07, 0.25), stats.lognorm(0.25, scale=0.07)),
]
IDS = [f"{d.kind}-{i}" for i, (d, _) in enumerate(PAIRS)]
U = (np.arange(200) + 0.5) / 200


@pytest.mark.parametrize(("ours", "reference"), PAIRS, ids=IDS)
def test_quantiles_and_mean_equal_scipy(ours, reference):
    np.testing.assert_allclose(ours.ppf(U), reference.ppf(U), rtol=1e-9)
    assert ours.mean == pytest.approx(float(reference.mean()), rel=1e-9)
    assert (ours.low, ours.high) == pytest.approx(reference.support())


def test_cut_lognormal_mean_equals_quadrature_and_quantiles_the_definition():
    d, s = LogNormal(0.07, 0.25, 0.05, 0.12), stats.lognorm(0.25, scale=0.07)
    share = s.cdf(0.12) - s.cdf(0.05)
    np.testing.assert_allclose(d.ppf(U), s.ppf(s.cdf(0.05) + U * share), rtol=1e-9)
    assert d.mean == pytest.approx(s.expect(lambda x: x, lb=0.05, ub=0.12) / share, rel=1e-8)


@pytest.mark.parametrize("ours", [d for d, _ in PAIRS], ids=IDS)
@given(u=st.floats(0, 1))
def test_every_probability_gives_a_finite_value_inside_the_support(ours, u):
    value = float(ours.ppf(u))
    assert math.isfinite(value)
    assert ours.low <= value <= ours.high


@given(u=st.lists(st.floats(0, 1), min_size=2, max_size=20))
def test_values_never_fall_as_probability_rises(u):
    for ours, _ in PAIRS:
        assert np.all(np.diff(ours.ppf(np.sort(u))) >= 0)


def test_an_unbounded_normal_is_drawn_to_six_standard_deviations_and_no_farther():
    ends = Normal(0.0, 1.0).ppf([0.0, 1.0])
    np.testing.assert_allclose(ends, stats.norm.ppf([EDGE, 1 - EDGE]), rtol=1e-12)
    assert 6.1 < ends[1] < 6.3


def test_choice_of_numbers_and_of_texts():
    numbers = Choice((1.0, 2.0, 4.0), (1.0, 1.0, 2.0))
    np.testing.assert_array_equal(numbers.ppf([0, 0.24, 0.26, 0.49, 0.51, 1]), [1, 1, 2, 2, 4, 4])
    assert (numbers.mean, numbers.low, numbers.high) == (2.75, 1.0, 4.0)
    texts = Choice(("two_stage", "dragless"))
    assert texts.ppf(np.array([0.1, 0.9])).tolist() == ["two_stage", "dragless"]
    assert math.isnan(texts.mean)
    assert math.isnan(texts.low)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Uniform(2, 1), "low (2) is not below high (1)"),
        (lambda: Uniform(1, 1), "nothing varies"),
        (lambda: LogUniform(0, 1), "not above 0"),
        (lambda: Triangular(0, 3, 2), "mode (3) is not between low and high"),
        (lambda: Normal(0, 0), "sd (0) is not above 0"),
        (lambda: Normal(0, 1, 30, 40), "holds almost nothing"),
        (lambda: LogNormal(-1, 1), "median (-1) is not above 0"),
        (lambda: LogNormal(1, 0), "ln_sd (0) is not above 0"),
        (lambda: LogNormal(1, 0.1, -1), "low (-1) is below 0"),
        (lambda: LogNormal(1, 0.1, 50, 60), "holds almost nothing"),
        (lambda: Choice((1.0,)), "nothing varies"),
        (lambda: Choice((1.0, 1.0)), "twice"),
        (lambda: Choice((1.0, "a")), "mixes texts and numbers"),
        (lambda: Choice((1.0, 2.0), (1.0,)), "one entry for each"),
        (lambda: Choice((1.0, 2.0), (1.0, 0.0)), "above 0"),
    ],
)
def test_refused(make, message):
    with pytest.raises(InputError) as caught:
        make()
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("distribution", "unit", "words"),
    [
        (Uniform(310264.07793, 379211.65), "psi", "uniform 45 to 55 psi"),
        (LogUniform(0.1, 10), "1", "loguniform 0.1 to 10"),
        (Triangular(0.0, 15.0, 20.0), "degF", "triangular 32 to 68 degF, most likely 59"),
        (Normal(15.0, 5.0), "degF", "normal 59 ± 9 degF"),
        (Normal(0.98, 0.01, highest=1.0), "1", "normal 0.98 ± 0.01, cut above 1"),
        (LogNormal(0.07, 0.25), "1", "lognormal around 0.07, ln sd 0.25"),
        (LogNormal(0.07, 0.25, 0.05, 0.1), "1", "lognormal around 0.07, ln sd 0.25, cut below 0.05 and above 0.1"),
        (Choice((0.0254, 0.0508)), "in", "one of 1, 2 in"),
        (Choice(("a", "b"), (1.0, 3.0)), "1", "one of a, b (weights 1, 3)"),
    ],
)
def test_in_words(distribution, unit, words):
    assert distribution.describe(unit) == words


@given(st.lists(st.integers(0, 9), min_size=1, max_size=40))
def test_ranks_share_their_mean_where_values_are_equal(values):
    np.testing.assert_array_equal(ranks(values), stats.rankdata(values))
