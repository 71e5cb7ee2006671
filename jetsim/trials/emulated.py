"""Emulated throws: what the instruments would show of every throw of a sheet, without simulating it again."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr
from scipy.stats import qmc

from jetsim.experiment.calibration import Posterior
from jetsim.experiment.emulator import Emulator, fit_emulator
from jetsim.trials import model, throws
from jetsim.trials.fieldfile import FieldTest, SetUp
from jetsim.trials.throws import Throws

Array = NDArray[np.float64]

FITTED, HELD_OUT = 256, 64
RUNS = FITTED + HELD_OUT  # of each throw
WIDEST_SCORE = 2.5
WIDEST_NEAR, _HALVINGS = 4.0, 8
INFLATED = 1.5  # spread of the runs of the second fit over that of the first posterior


@dataclass(frozen=True, eq=False)
class Emulated:
    """Emulators of each set-up's throws: logarithms of all results of all its throws.

    Attributes
    ----------
    test : FieldTest
    thrown : Throws
    emulators : mapping of set-up to Emulator
    shared_errors : ndarray, shape (2, columns, throws)
        As `jetsim.trials.throws.shared_errors`, at the middle of the fit.
    """

    test: FieldTest
    thrown: Throws
    emulators: Mapping[str, Emulator]
    shared_errors: Array

    @property
    def error(self) -> float:
        """Largest held-out error of a result of a throw, as a share of it."""
        return max(emulator.error for emulator in self.emulators.values())

    @property
    def common_errors(self) -> dict[str, float]:
        """Of each set-up, the error that the reach of all its throws shares, as a share of reach."""
        return {
            name: emulator.common_error(slice(len(self.thrown.of(name)))) for name, emulator in self.emulators.items()
        }

    @property
    def runs(self) -> int:
        """Simulated flights behind the emulators."""
        return RUNS * len(self.thrown.setups)

    def expected(self, values: Mapping[str, Array]) -> dict[str, Array]:
        """As `jetsim.trials.throws.expected`, without simulating."""
        draws, count = len(values["gauge_error"]), len(self.thrown.setups)
        found = {column: np.full((draws, count), np.nan) for column in throws.COMPARED}
        for setup in self.test.setups:
            at = self.thrown.of(setup.name)
            if setup.name not in self.emulators:
                continue
            logs = self.emulators[setup.name](coordinates(setup, values))
            results = np.exp(logs).reshape(draws, len(model.OUTPUTS), len(at))
            exact = {name: results[:, k] for k, name in enumerate(model.OUTPUTS)}
            exact["nozzle_pressure"] = self.thrown.nozzle_pressure[at] / np.exp(values["gauge_error"])[:, None]
            for column, shown in throws.instruments_show(setup, exact, values).items():
                found[column][:, at] = shown
        return found


def coordinates(setup: SetUp, values: Mapping[str, Array]) -> Array:
    """Coordinates of a set-up's emulator, shape (draws, k): logarithms of what the unknowns set."""
    inputs = model.unknown_inputs(setup, values)
    if not setup.nozzle.is_fog:
        inputs.pop(model.COHERENCE)
    return np.column_stack([*(np.log(column) for column in inputs.values()), values["gauge_error"]])


def wide_scores(test: FieldTest, rng: np.random.Generator) -> Array:
    """Normal scores over the breadth of the priors, then draws of the priors to be held out; as in `near_scores`."""
    unknowns = len(model.unknowns(test))
    spread = WIDEST_SCORE * (2 * qmc.LatinHypercube(unknowns, rng=rng).random(FITTED) - 1)
    scores = np.concatenate([spread, rng.standard_normal((HELD_OUT, unknowns))])
    return _drawn_in(test, scores, np.zeros(unknowns))


def near_scores(test: FieldTest, posterior: Posterior, rng: np.random.Generator) -> Array:
    """Normal scores round a posterior, then draws of it to be held out; impossible ones are drawn in to its middle."""
    flat = posterior.flat
    middle = flat.mean(axis=0)
    root = np.linalg.cholesky(np.cov(flat.T) + 1e-9 * np.eye(flat.shape[1]))
    spread = middle + INFLATED * rng.standard_normal((FITTED, flat.shape[1])) @ root.T
    spread = _drawn_in(test, np.clip(spread, -WIDEST_NEAR, WIDEST_NEAR), middle)
    return np.concatenate([spread, rng.choice(flat, HELD_OUT)])


def _drawn_in(test: FieldTest, scores: Array, middle: Array) -> Array:
    """Scores of which impossible ones have been halved towards a middle."""
    for _ in range(_HALVINGS):
        outside = ~model.possible(test, values_of(test, scores))
        scores[outside] = (scores[outside] + middle) / 2
    return scores


def values_of(test: FieldTest, scores: Array) -> dict[str, Array]:
    """The unknowns at normal scores of shape (runs, unknowns)."""
    priors = model.unknowns(test).items()
    return {name: np.asarray(prior.ppf(ndtr(scores[:, k]))) for k, (name, prior) in enumerate(priors)}


def emulate(test: FieldTest, thrown: Throws, scores: Array) -> Emulated:
    """Fit the emulators to all runs but the last `HELD_OUT`, which measure their error.

    Parameters
    ----------
    test : FieldTest
    thrown : Throws
    scores : ndarray, shape (runs, unknowns)
        Normal scores of the unknowns: `wide_scores` or `near_scores`.
    """
    values = values_of(test, scores)
    emulators = {}
    for setup in test.setups:
        at = thrown.of(setup.name)
        if not at.size:
            continue
        results = model.simulated(test, throws.columns_of(test, setup, thrown, values))
        logs = [np.log(results[name].values.reshape(len(scores), len(at))) for name in model.OUTPUTS]
        emulators[setup.name] = fit_emulator(coordinates(setup, values), np.concatenate(logs, axis=1), HELD_OUT)
    middle = {name: np.array([np.median(value)]) for name, value in values.items()}
    return Emulated(test, thrown, emulators, throws.shared_errors(test, thrown, middle))
