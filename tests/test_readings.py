"""Expected fall of a variance given a reading: closed forms, noise that tells nothing, intervals that hold."""

import numpy as np
import pytest

from jetsim.errors import InputError
from jetsim.experiment.readings import expected_fall


def sample(count=4096, seed=1):
    rng = np.random.default_rng(seed)
    return rng.normal(size=(count, 3)), np.arange(count) * 16 // count


@pytest.mark.parametrize("error", [0.0, 0.5, 2.0])
def test_of_a_normal_reading_it_is_the_square_of_the_correlation(error):
    z, parts = sample()
    found = expected_fall((z[:, 0] + error * z[:, 2])[:, None], z[:, 0] + z[:, 1], parts)
    exact = 1 / (2 * (1 + error**2))
    assert found.share == pytest.approx(exact, abs=0.03)
    assert found.low < exact < found.high
    assert found.high - found.low < 0.12


def test_two_readings_tell_together_what_neither_tells_alone():
    z, parts = sample()
    y = z[:, 0] * z[:, 1]
    assert expected_fall(z[:, :1], y, parts).share == pytest.approx(0, abs=0.03)
    assert expected_fall(z[:, :2], y, parts).share > 0.9


def test_a_bent_answer_is_told_as_well_as_a_straight_one():
    z, parts = sample()
    assert expected_fall(z[:, :1], np.abs(z[:, 0]), parts).share == pytest.approx(1, abs=0.01)
    assert expected_fall(z[:, :1], z[:, 0] ** 2 + z[:, 1], parts).share == pytest.approx(2 / 3, abs=0.04)


def test_noise_takes_nothing_away_however_few_the_runs():
    falls = []
    for seed in range(30):
        z, parts = sample(256, seed)
        falls.append(expected_fall(z[:, :2], z[:, 2], parts).share)
    assert np.mean(falls) == pytest.approx(0, abs=0.015)
    assert min(falls) < 0


@pytest.mark.slow
def test_intervals_hold_nine_times_in_ten():
    inside = 0
    for seed in range(40):
        z, parts = sample(1024, seed)
        found = expected_fall((z[:, 0] + z[:, 2])[:, None], z[:, 0] + z[:, 1], parts)
        inside += found.low <= 0.25 <= found.high
    assert inside >= 35


def test_a_constant_output_has_none():
    z, parts = sample(256)
    assert np.isnan(expected_fall(z[:, :1], np.ones(256), parts).share)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda x, y, p: (x[:, 0], y, p), "must be"),
        (lambda x, y, p: (x, np.where(y > 2, np.nan, y), p), "must be finite"),
        (lambda x, y, p: (x, y, 0 * p), "in 1 parts"),
        (lambda x, y, p: (x[:50], y[:50], p[:50]), "50 runs in"),
    ],
)
def test_what_cannot_be_estimated_is_refused(change, message):
    z, parts = sample(256)
    with pytest.raises(InputError, match=message):
        expected_fall(*change(z[:, :1], z[:, 1], parts))
