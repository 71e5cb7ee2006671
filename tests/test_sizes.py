"""Drop classes: shares, the law's own drop, the lognormal, and cubics between sizes."""

import numpy as np
import pytest

from jetsim.jet.sizes import FARTHEST, cubic_weights, drop_classes, drop_ratio


def test_classes_hold_all_the_water_and_rise_in_size():
    classes = drop_classes(np.array([0.3, 0.75]))
    assert classes.share.sum() == pytest.approx(1.0, abs=1e-15)
    assert classes.ratio.shape == (48, 2)
    assert np.all(np.diff(classes.ratio, axis=0) > 0)


def test_the_flight_laws_drop_stands_at_its_share_of_the_mass():
    assert drop_ratio(FARTHEST, 0.75) == 1.0
    assert drop_classes(0.75, classes=1).ratio.item() == 1.0
    assert np.all(drop_classes(0.0).ratio == 1.0)


def test_where_the_laws_drop_stands_leaves_the_fitted_tenth_in_its_place():
    shares = np.array([0.90, 0.95, 0.99])
    assert drop_ratio(0.1, 0.62, shares) == pytest.approx(np.full(3, drop_ratio(0.1, 0.62)))
    assert drop_ratio(shares, 0.62, shares) == pytest.approx(1.0)
    assert np.all(np.diff(drop_ratio(0.5, 0.62, shares)) < 0)


def test_classes_reproduce_the_lognormal_median():
    ratio = drop_classes(0.6, classes=401).ratio[:, 0]
    # Median of a lognormal, and standard deviation of its logarithm.
    assert np.log(ratio[200]) == pytest.approx(-0.6 * 1.6448536, rel=1e-6)
    assert np.log(ratio).std() == pytest.approx(0.6, rel=0.01)


def test_cubics_between_known_points_are_exact_for_cubics():
    known, wanted = np.array([-2.0, -1.2, -0.3, 0.1, 0.9, 2.2]), np.linspace(-2.3, 2.5, 25)
    weights = cubic_weights(known, wanted)
    assert weights.sum(axis=1) == pytest.approx(1.0, abs=1e-12)
    assert weights @ (known**3 - 2 * known) == pytest.approx(wanted**3 - 2 * wanted, abs=1e-12)
    assert cubic_weights(known, known) == pytest.approx(np.eye(6), abs=1e-12)
    assert np.count_nonzero(weights, axis=1).max() <= 4
