"""Emulated throws: what the instruments would show of every throw of a sheet, without simulating it again."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from jetsim import media
from jetsim.errors import InputError
from jetsim.experiment.calibration import Posterior
from jetsim.experiment.emulator import Emulator, fit_emulator
from jetsim.hydraulics.nozzle import exit_speed
from jetsim.jet.breakup import BreakupConstants, breakup_length_over_diameter
from jetsim.trials import model, throws
from jetsim.trials.fieldfile import FieldTest, SetUp
from jetsim.trials.throws import Throws

Array = NDArray[np.float64]

FITTED, HELD_OUT = 512, 64
RUNS = FITTED + HELD_OUT  # of each throw
CLEAR_BREAKUP = 210.0  # breakup length over diameter at which the exponent of the flight does nothing
WIDE = 1.3  # spread of the runs of the first fit over that of the priors
BLOWN_BACK = 0.05  # largest share of runs that an emulator leaves out
WIDEST_NEAR, _HALVINGS = 4.0, 8
INFLATED = 1.25  # spread of the runs of the second fit over that of the first posterior


@dataclass(frozen=True, eq=False)
class Emulated:
    """Emulators of each set-up's throws: logarithms of all results of all its throws.

    Attributes
    ----------
    test : FieldTest
    thrown : Throws
    emulators : mapping of set-up to Emulator
    shared_errors : ndarray, shape (3, columns, throws)
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
            logs = self.emulators[setup.name](coordinates(self.test, setup, values, self.thrown))
            results = np.exp(logs).reshape(draws, len(model.OUTPUTS), len(at))
            exact = {name: results[:, k] for k, name in enumerate(model.OUTPUTS)}
            exact["nozzle_pressure"] = self.thrown.nozzle_pressure[at] / np.exp(values["gauge_error"])[:, None]
            for column, shown in throws.instruments_show(setup, exact, values).items():
                found[column][:, at] = shown
        return found


def coordinates(test: FieldTest, setup: SetUp, values: Mapping[str, Array], thrown: Throws) -> Array:
    """Coordinates of a set-up's emulator, shape (draws, k): what a throw sees of the unknowns, mostly logarithms.

    Shutoff, clear waterway and breakup law act through the breakup length alone, which is a formula, and the exponent
    of the flight through a power of that length. Where a law of flight works otherwise, held-out runs show it.
    """
    inputs = model.stream_inputs(test, setup, values)
    breakup = _breakup(test, setup, inputs, thrown)
    quality = values["quality_exponent"] * np.log(breakup / CLEAR_BREAKUP)
    drop = np.log(inputs["flight_constants.drop_ratio"] * values["drop_scale"]) + quality
    air = np.log(values["air_spread"]) - quality
    own = [np.log(inputs[model.COHERENCE])] if setup.nozzle.is_fog else []
    opening = np.log(inputs[model.CD] * inputs["tip_diameter"] ** 2)
    logs = [opening, np.log(breakup), drop, air, *own]
    return np.column_stack([*logs, values["gauge_error"], values["wind_error"]])


def _breakup(test: FieldTest, setup: SetUp, inputs: Mapping[str, Array], thrown: Throws) -> Array:
    """Breakup length over the stream's diameter at the middle of the pressures thrown, shape (draws,)."""
    water, air = test.site["water_temperature"], test.site["air_temperature"]
    density = media.water_density(water)
    pressure = float(np.median(thrown.nozzle_pressure[thrown.of(setup.name)]))
    speed = exit_speed(pressure, inputs[model.CD], density)
    diameter = inputs["tip_diameter"] * inputs[model.COHERENCE]
    members = {name.partition(".")[2]: v for name, v in inputs.items() if name.startswith("breakup_constants.")}
    return breakup_length_over_diameter(
        weber_number=density * speed**2 * diameter / media.water_surface_tension(water),
        turbulence_intensity=inputs[model.FACTOR] * inputs["clear_turbulence_intensity"],
        density_ratio=density / media.air_density(air),
        constants=BreakupConstants(**members),
    )


def wide_scores(test: FieldTest, rng: np.random.Generator) -> Array:
    """Normal scores over the breadth of the priors, then draws of the priors to be held out; as in `near_scores`."""
    unknowns = len(model.unknowns(test))
    spread = WIDE * ndtri(qmc.LatinHypercube(unknowns, rng=rng).random(FITTED))
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
        found = np.concatenate([results[name].values.reshape(len(scores), len(at)) for name in model.OUTPUTS], axis=1)
        emulators[setup.name] = _fitted(coordinates(test, setup, values, thrown), found)
    middle = {name: np.array([np.median(value)]) for name, value in values.items()}
    return Emulated(test, thrown, emulators, throws.shared_errors(test, thrown, middle))


def _fitted(points: Array, results: Array) -> Emulator:
    """An emulator of logarithms. A few runs may be left out of it: mist that a head wind blows back has no logarithm.

    Such streams lie far from any that was thrown, so what the emulator says of them does not matter.
    """
    sound = np.asarray((results > 0).all(axis=1))
    if sound.mean() < 1 - BLOWN_BACK:
        raise InputError("too many streams that the priors allow are blown back or cannot be simulated: narrow them")
    return fit_emulator(points[sound], np.log(results[sound]), int(sound[-HELD_OUT:].sum()))
