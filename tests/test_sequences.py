"""Sobol' points: those of scipy, whose module of sequences is not loaded for them."""

import numpy as np
import pytest
from scipy.stats import qmc

from jetsim.experiment import design
from jetsim.experiment.distributions import EDGE
from jetsim.experiment.sequences import DIMENSIONS


def by_scipy(count, dimension, rng):
    return qmc.Sobol(dimension, scramble=True, bits=30, rng=rng).random(count) + EDGE


@pytest.mark.parametrize(("count", "dimension"), [(1, 1), (2, 3), (256, 40), (16, DIMENSIONS)])
def test_points_and_the_generator_after_them_are_those_of_scipy(count, dimension, monkeypatch):
    monkeypatch.setattr(design, "_sequences", None)
    own, theirs = (np.random.default_rng(dimension) for _ in range(2))
    for _ in range(2):  # replicates may share a generator
        assert np.array_equal(design.sobol_points(count, dimension, own), by_scipy(count, dimension, theirs))


def test_beyond_the_table_scipy_draws():
    own, theirs = (np.random.default_rng(5) for _ in range(2))
    assert np.array_equal(design.sobol_points(8, DIMENSIONS + 1, own), by_scipy(8, DIMENSIONS + 1, theirs))
