"""The polynomial stand-in: exact where it can be, honest about its error where it cannot."""

import numpy as np
import pytest

from jetsim.errors import InputError
from jetsim.experiment.emulator import features, fit_emulator


@pytest.fixture
def points():
    return np.random.default_rng(0).normal(3.0, 2.0, (120, 3))


def test_a_cubic_is_reproduced(points):
    def model(x):
        return np.column_stack([2 + x[:, 0] * x[:, 2] - x[:, 1] ** 3, x[:, 1] ** 2 - 4 * x[:, 0]])

    emulator = fit_emulator(points, model(points), 30)
    fresh = np.random.default_rng(1).normal(3.0, 2.0, (50, 3))
    assert emulator.error < 1e-9
    assert emulator(fresh) == pytest.approx(model(fresh), rel=1e-8)


def test_further_products_follow_what_cubic_terms_cannot(points):
    def model(x):
        return x[:, :1] ** 4 - x[:, :1] ** 2 * x[:, 1:2] ** 2

    further = ((0,) * 4, (0, 0, 1, 1))
    fresh = np.random.default_rng(1).normal(3.0, 2.0, (50, 3))
    assert fit_emulator(points, model(points), 30).error > 1
    emulator = fit_emulator(points, model(points), 30, further)
    assert emulator(fresh) == pytest.approx(model(fresh), rel=1e-7, abs=1e-6)
    assert features(points, further)[:, -1] == pytest.approx(points[:, 0] ** 2 * points[:, 1] ** 2)


def test_the_error_is_that_of_runs_never_seen(points):
    emulator = fit_emulator(points, np.sin(points[:, :1]), 40)
    held = emulator(points[80:]) - np.sin(points[80:, :1])
    assert emulator.error == pytest.approx(float(np.sqrt((held**2).mean())))
    assert emulator.error > 0.05


def test_an_error_that_all_responses_share_is_told_from_one_that_averages_out(points):
    shared = np.sin(3 * points[:, 0])
    own = 0.1 * np.random.default_rng(2).normal(size=(120, 50))
    alike = fit_emulator(points, np.tile(shared[:, None], 50), 40)
    assert alike.common_error(slice(50)) == pytest.approx(alike.error)
    apart = fit_emulator(points, own, 40)
    assert apart.common_error(slice(50)) < 0.4 * apart.error


def test_count_of_terms():
    assert features(np.ones((2, 4))).shape == (2, 1 + 4 + 10 + 20)


def test_bad_runs_are_refused(points):
    with pytest.raises(InputError, match="no finite result"):
        fit_emulator(points, np.full((120, 1), np.nan), 10)
    with pytest.raises(InputError, match="cannot fix"):
        fit_emulator(points, points, 115)
