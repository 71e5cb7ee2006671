"""Calibration of a field test: emulated throws, their likelihood, and the posterior."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr
from scipy.stats import qmc

from jetsim.experiment.calibration import Learnt, LogLikelihood, Posterior, Sampling, calibrate, learnt
from jetsim.experiment.emulator import Emulator, fit_emulator
from jetsim.experiment.fieldsheet import Sheet
from jetsim.trials import model, throws
from jetsim.trials.fieldfile import FieldTest, SetUp
from jetsim.trials.throws import Throws

Array = NDArray[np.float64]

RUNS, HELD_OUT = 256, 64
WIDEST_SCORE = 2.5


@dataclass(frozen=True, eq=False)
class Emulated:
    """Emulators of each set-up's throws: logarithms of all results of all its throws."""

    test: FieldTest
    thrown: Throws
    emulators: Mapping[str, Emulator]

    @property
    def error(self) -> float:
        """Largest held-out error, as a share of the result."""
        return max(emulator.error for emulator in self.emulators.values())

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


def emulate(test: FieldTest, thrown: Throws, seed: int) -> Emulated:
    """Fit the emulators over the breadth of the priors; their error is measured on draws of the priors."""
    priors = model.unknowns(test)
    rng = np.random.default_rng(seed)
    wide = WIDEST_SCORE * (2 * qmc.LatinHypercube(len(priors), rng=rng).random(RUNS - HELD_OUT) - 1)
    scores = np.concatenate([wide, rng.standard_normal((HELD_OUT, len(priors)))])
    values = {name: np.asarray(prior.ppf(ndtr(scores[:, k]))) for k, (name, prior) in enumerate(priors.items())}
    emulators = {}
    for setup in test.setups:
        at = thrown.of(setup.name)
        if not at.size:
            continue
        results = model.simulated(test, throws.columns_of(test, setup, thrown, values))
        logs = [np.log(results[name].values.reshape(RUNS, len(at))) for name in model.OUTPUTS]
        emulators[setup.name] = fit_emulator(coordinates(setup, values), np.concatenate(logs, axis=1), HELD_OUT)
    return Emulated(test, thrown, emulators)


def likelihood(test: FieldTest, sheet: Sheet, emulated: Emulated) -> LogLikelihood:
    """Log-likelihood of the throws that count: readings are normal about what is expected.

    The standard deviation is the scatter of the stream, the instrument's error and the emulator's error together;
    readings that the sheet lacks take no part.
    """
    readings = {column: sheet.numbers[column] for column in throws.COMPARED}
    given = {column: np.flatnonzero(~np.isnan(values)) for column, values in readings.items()}

    def log_likelihood(values: dict[str, Array]) -> Array:
        shown = emulated.expected(values)
        total = np.zeros(len(values["gauge_error"]))
        for column, at in given.items():
            if at.size:
                total += _log_density(column, readings[column][at], shown[column][:, at], values)
        return total

    def _log_density(column: str, reading: Array, shown: Array, values: Mapping[str, Array]) -> Array:
        own = emulated.error if column == "farthest_drops" else 0.0  # the other results are smooth to 0.1 %
        scatter = np.hypot(throws.relative_scatter(test, column, shown, values), own) * shown
        return np.asarray((-0.5 * ((reading - shown) / scatter) ** 2 - np.log(scatter)).sum(axis=1))

    return log_likelihood


@dataclass(frozen=True, eq=False)
class Learning:
    """A calibrated test."""

    posterior: Posterior
    emulated: Emulated

    @property
    def learnt(self) -> list[Learnt]:
        """How far each unknown was narrowed."""
        return learnt(self.posterior)

    @property
    def values(self) -> dict[str, Array]:
        """Draws of the posterior by name."""
        return {str(name): self.posterior.values[name].values for name in self.posterior.values.data_vars}


def learn(test: FieldTest, sheet: Sheet, sampling: Sampling, seed: int | None = None) -> Learning:
    """Calibrate on the throws that count."""
    counted = sheet.accepted
    start = test.seed if seed is None else seed
    emulated = emulate(test, throws.throws_of(test, counted), start)
    posterior = calibrate(model.unknowns(test), likelihood(test, counted, emulated), start, sampling)
    return Learning(posterior, emulated)
