"""The likelihood of throws against the normal law with its whole covariance written out."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from jetsim.throws import expected as throws
from jetsim.throws import model
from jetsim.throws.likelihood import Likelihood, log_density

RNG = np.random.default_rng(3)
DRAWS, COLUMNS, THROWS = 4, 5, 3
RESIDUALS = RNG.normal(0.0, 0.05, (COLUMNS, THROWS, DRAWS))
SCATTERS = RNG.uniform(0.01, 0.08, (COLUMNS, THROWS, DRAWS))
SHARED = RNG.normal(0.0, 0.03, (3, COLUMNS, THROWS))


def written_out(draw: int, given: np.ndarray, shared: np.ndarray = SHARED) -> float:
    """Sum over throws of the multivariate normal log-density, with its constant taken off."""
    total = 0.0
    for throw in range(THROWS):
        at = np.flatnonzero(given[:, throw])
        effects = shared[:, at, throw].T
        covariance = np.diag(SCATTERS[at, throw, draw] ** 2) + effects @ effects.T
        density = stats.multivariate_normal(np.zeros(at.size), covariance).logpdf(RESIDUALS[at, throw, draw])
        total += float(density) + 0.5 * at.size * np.log(2 * np.pi)
    return total


def test_it_is_the_normal_law_with_shared_errors():
    every = np.ones((COLUMNS, THROWS), dtype=bool)
    exact = [written_out(draw, every) for draw in range(DRAWS)]
    assert log_density(RESIDUALS, SCATTERS**-2, SHARED) == pytest.approx(exact, rel=1e-10)


def test_readings_that_are_missing_take_no_part():
    given = np.array([[True, True, False], [False, True, True], [True, True, True], [True, False, True],
                      [True, True, False]])  # fmt: skip
    found = log_density(np.where(given[..., None], RESIDUALS, 0.0), np.where(given[..., None], SCATTERS**-2, 0.0),
                        np.where(given, SHARED, 0))  # fmt: skip
    exact = [written_out(draw, given) for draw in range(DRAWS)]
    assert found == pytest.approx(exact, rel=1e-10)


def test_a_throw_without_any_reading_adds_nothing():
    nothing = np.zeros((COLUMNS, 1, 1))
    assert log_density(nothing, nothing, np.zeros((3, COLUMNS, 1))) == pytest.approx([0.0])


def test_without_shared_errors_readings_are_independent():
    exact = stats.norm.logpdf(RESIDUALS, 0.0, SCATTERS).sum(axis=(0, 1)) + COLUMNS * THROWS * 0.5 * np.log(2 * np.pi)
    assert log_density(RESIDUALS, SCATTERS**-2, np.zeros_like(SHARED)) == pytest.approx(exact, rel=1e-12)


def test_readings_are_normal_about_what_is_expected(monkeypatch):
    """Where unknowns change what is expected, the width of the normal law changes with it, and so its height."""
    shape = (2, THROWS)
    expected = {column: RNG.uniform(5.0, 50.0, shape) for column in throws.COMPARED}
    scatter = 0.07
    numbers = {column: values[0] * RNG.uniform(0.9, 1.1, THROWS) for column, values in expected.items()}
    setups = [np.arange(2), np.arange(2, THROWS)]
    emulated = SimpleNamespace(
        by_setup=lambda _: ((at, {c: values[:, at] for c, values in expected.items()}) for at in setups),
        shared_errors=np.zeros((2, len(expected), THROWS)),
    )
    monkeypatch.setattr(throws, "relative_variance", lambda _, __, shown, ___: np.full(shown.shape, scatter**2))
    monkeypatch.setattr(model, "possible", lambda *_: np.array([True, True]))
    found = Likelihood(None, SimpleNamespace(numbers=numbers), emulated)({})
    exact = sum(stats.norm.logpdf(numbers[c], expected[c], scatter * expected[c]).sum(axis=1) for c in expected)
    assert np.diff(found) == pytest.approx(np.diff(exact))
