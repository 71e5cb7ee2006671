"""Emulated throws: what the instruments would show of every throw of a sheet, without simulating it again."""

from collections.abc import Iterator, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from jetsim.equipment.department import SetUp
from jetsim.equipment.model import NEEDED, Actual, SetUpModel, stream_fields
from jetsim.errors import InputError
from jetsim.experiment.design import hypercube_points
from jetsim.experiment.emulator import Emulator, Products, fit_emulator
from jetsim.simulation import leaving
from jetsim.stream import Stream, equivalent_fields
from jetsim.throws import expected, model
from jetsim.throws.expected import Throws
from jetsim.throws.question import FieldTest

Array = NDArray[np.float64]

FITTED, HELD_OUT = 256, 48
RUNS = FITTED + HELD_OUT  # of each throw
FLOWN = ("extreme_reach", "breakup_distance")  # what takes a flight; the rest is a formula
# Coordinates of an emulator, and what coarse drops in wide air need beyond cubic terms.
COORDINATES = ("diameter", "speed", "breakup", "drop", "air", "wind", "frame")
_DROP, _AIR = COORDINATES.index("drop"), COORDINATES.index("air")
FURTHER = (*((_DROP,) * (4 - k) + (_AIR,) * k for k in range(5)), (_DROP,) * 5, (*(_DROP,) * 4, _AIR))
CLEAR_BREAKUP = 210.0  # breakup length over diameter at which the exponent of the flight does nothing
WIDE = 1.3  # spread of the runs of the first fit over that of the priors
_FAR = 20.0  # largest logarithm of a distance in metres: far from its runs an emulator says anything
BLOWN_BACK = 0.05  # largest share of runs that an emulator leaves out
WIDEST_NEAR, _HALVINGS = 4.0, 8
INFLATED = 1.2  # spread of the runs of the second fit over that of the first approximation


@dataclass(frozen=True, eq=False)
class Emulated:
    """Emulators of each set-up's throws: logarithms of the distances of all its throws.

    Attributes
    ----------
    test : FieldTest
    thrown : Throws
    leaves : mapping of set-up to Leaving
    emulators : mapping of set-up to Emulator
    shared_errors : ndarray, shape (3, columns, throws)
        As `jetsim.throws.expected.shared_errors`, at the middle of the fit.
    flags : ndarray
        Validity of the flights behind the emulators.
    """

    test: FieldTest
    thrown: Throws
    leaves: Mapping[str, "Leaving"]
    emulators: Mapping[str, Emulator]
    shared_errors: Array
    flags: NDArray[np.int16]

    @property
    def error(self) -> float:
        """Largest held-out error of a distance of a throw, as a share of it."""
        return max(emulator.error for emulator in self.emulators.values())

    def common_errors(self, flown: str = FLOWN[0]) -> dict[str, float]:
        """Of each set-up, the error that a distance of all its throws shares, as a share of it."""
        at, counts = FLOWN.index(flown), {name: len(self.thrown.of(name)) for name in self.emulators}
        parts = {name: slice(at * count, (at + 1) * count) for name, count in counts.items()}
        return {name: emulator.common_error(parts[name]) for name, emulator in self.emulators.items()}

    def share(self, scatter: float, flown: str = FLOWN[0]) -> float:
        """Largest share of the common error in the standard error of the mean distance of a set-up.

        Parameters
        ----------
        scatter : float
            Of that distance from throw to throw, as a share of it.
        flown : str, optional
            Which distance: reach, or breakup where no reach was read.
        """
        counts = {name: len(self.thrown.of(name)) for name in self.emulators}
        return max(error * float(np.sqrt(counts[name])) / scatter for name, error in self.common_errors(flown).items())

    @property
    def runs(self) -> int:
        """Simulated flights behind the emulators."""
        return RUNS * len(self.thrown.setups)

    def expected(self, values: Mapping[str, Array]) -> dict[str, Array]:
        """As `jetsim.throws.expected.expected`, without simulating."""
        draws, count = len(values[model.GAUGE]), len(self.thrown.setups)
        found = {column: np.full((draws, count), np.nan) for column in expected.COMPARED}
        for at, shown in self.by_setup(values):
            for column, part in shown.items():
                found[column][:, at] = part
        return found

    def by_setup(self, values: Mapping[str, Array]) -> Iterator[tuple[NDArray[np.intp], dict[str, Array]]]:
        """Of each set-up the positions of its throws, and what is expected of these by column, (draws, throws)."""
        for setup in self.test.setups:
            if setup.name in self.emulators:
                at = self.thrown.of(setup.name)
                exact, day = self._exact(setup, at, values), self.thrown.day_factor(at, values)
                yield at, expected.instruments_show(exact, values, day)

    def _exact(self, setup: SetUp, at: NDArray[np.intp], values: Mapping[str, Array]) -> dict[str, Array]:
        """Results of a set-up's throws; draws lie side by side in memory: that is what takes the time."""
        left, inputs = self.leaves[setup.name], model.inputs_at(self.test, setup, values)
        real = left.model.actual({name: column[:, None] for name, column in inputs.items()})
        logs = self.emulators[setup.name](left.coordinates(real, inputs, values))
        distances = np.split(np.exp(np.clip(logs, -_FAR, _FAR)), len(FLOWN), axis=1)
        read = gauges(real, self.thrown.at_the_tip(real, at, values[model.GAUGE]))
        return read | dict(zip(FLOWN, distances, strict=True))


@dataclass(frozen=True, eq=False)
class Leaving:
    """A set-up's stream as it leaves the nozzle, by formulas alone.

    Attributes
    ----------
    model : SetUpModel
    pressure : float
        By the gauge, in the middle of those thrown [Pa].
    rest : mapping
        All fields of the stream that the unknowns do not set.
    pump : float or None
        By the pump's gauge, where that alone tells of the throws [Pa].
    """

    model: SetUpModel
    pressure: float
    rest: Mapping[str, object]
    pump: float | None = None

    @classmethod
    def of(cls, setup_model: SetUpModel, pressure: float, pump: float | None = None) -> "Leaving":
        """The stream of a set-up."""
        fixed = stream_fields(setup_model.setup, setup_model.fixed)
        nozzle = setup_model.actual({}).nozzle
        rest = Stream.from_values({**fixed, **equivalent_fields(nozzle, pressure)}).values()
        return cls(setup_model, pressure, rest, pump)

    def coordinates(self, real: Actual, inputs: Mapping[str, Array], values: Mapping[str, Array]) -> Array:
        """Coordinates of a set-up's emulator, shape (draws, k): what a throw sees of the unknowns, mostly logarithms.

        Nozzle, shutoff, clear waterway and breakup law act through diameter, speed and breakup length of the stream
        alone, and the exponent of the flight through a power of that length. Where a law of flight works otherwise,
        held-out runs show it.
        """
        gauge = np.exp(values[model.GAUGE])[:, None]
        pressure = self.pressure / gauge if self.pump is None else real.nozzle_pressure(self.pump / gauge)
        inputs = {name: column[:, None] for name, column in inputs.items()}
        own = {**self.rest, **stream_fields(self.model.setup, inputs), **equivalent_fields(real.nozzle, pressure)}
        left = leaving(own)
        diameter = np.asarray(own["tip_diameter"]) * np.asarray(own["equivalent_diameter_ratio"])
        breakup = left["breakup_length"] / diameter
        flight = {name: np.asarray(own[f"flight_constants.{name}"]) for name in _FLIGHT}
        quality = flight["quality_exponent"] * np.log(breakup / CLEAR_BREAKUP)
        drop = np.log(flight["drop_ratio"] * flight["drop_scale"]) + quality
        air = np.log(flight["spread"]) - quality
        wind = (values["trial.wind_error"][:, None], np.asarray(own["flight_constants.wind_frame"]))
        found = np.empty((len(pressure), len(COORDINATES)))
        logs = (np.log(diameter), np.log(left["exit_speed"]), np.log(breakup), drop, air, *wind)
        for k, column in enumerate(logs):
            found[:, k : k + 1] = column
        return found


def gauges(real: Actual, pressure: Array) -> dict[str, Array]:
    """Flow, reaction and pump pressure at nozzle pressures [Pa] of shape (draws, throws)."""
    found = {
        "flow_rate": real.flow(pressure),
        "reaction_force": real.nozzle.reaction(pressure),
        NEEDED: real.pump_pressure(pressure),
    }
    return {name: np.broadcast_to(value, pressure.shape) for name, value in found.items()}


_FLIGHT = ("drop_ratio", "drop_scale", "spread", "quality_exponent")


def wide_scores(test: FieldTest, rng: np.random.Generator) -> Array:
    """Normal scores over the breadth of the priors, then draws of the priors to be held out; as in `near_scores`."""
    unknowns, root = len(test.priors), np.linalg.cholesky(test.ties)
    spread = WIDE * ndtri(hypercube_points(FITTED, unknowns, rng))
    scores = np.concatenate([spread, rng.standard_normal((HELD_OUT, unknowns))]) @ root.T
    return _drawn_in(test, scores, np.zeros(unknowns))


def near_scores(test: FieldTest, middle: Array, root: Array, rng: np.random.Generator) -> Array:
    """Normal scores round where a posterior is, then draws of that to be held out.

    Parameters
    ----------
    test : FieldTest
    middle, root : ndarray
        As `jetsim.experiment.calibration.scouted` gives them; impossible scores are drawn in to the middle.
    rng : Generator
    """
    widths = np.repeat([INFLATED, 1.0], [FITTED, HELD_OUT])[:, None]
    spread = middle + widths * rng.standard_normal((RUNS, len(middle))) @ root.T
    return _drawn_in(test, np.clip(spread, -WIDEST_NEAR, WIDEST_NEAR), middle)


def _drawn_in(test: FieldTest, scores: Array, middle: Array) -> Array:
    """Scores of which impossible ones have been halved towards a middle."""
    for _ in range(_HALVINGS):
        outside = ~model.possible(test, values_of(test, scores))
        scores[outside] = (scores[outside] + middle) / 2
    return scores


def values_of(test: FieldTest, scores: Array) -> dict[str, Array]:
    """The unknowns at normal scores of shape (runs, unknowns)."""
    priors = test.priors.items()
    return {key: np.asarray(prior.distribution.ppf(ndtr(scores[:, k]))) for k, (key, prior) in enumerate(priors)}


def emulate(
    test: FieldTest, thrown: Throws, scores: Array, further: Products = (), executor: Executor | None = None
) -> Emulated:
    """Fit the emulators to all runs but the last `HELD_OUT`, which measure their error.

    Parameters
    ----------
    test : FieldTest
    thrown : Throws
    scores : ndarray, shape (runs, unknowns)
        Normal scores of the unknowns: `wide_scores` or `near_scores`.
    further : sequence of tuple of int
        As for `jetsim.experiment.emulator.features`; `FURTHER` where the scores are near.
    executor : concurrent.futures.Executor, optional
        Each set-up's flights are a piece of work for it.
    """
    values = values_of(test, scores)
    setups = [setup for setup in test.setups if thrown.of(setup.name).size]
    asked = [(setup, expected.columns_of(test, setup, thrown, values)) for setup in setups]
    emulators, leaves, flags = {}, {}, []
    for setup, results in zip(setups, model.all_simulated(test, asked, executor), strict=True):
        emulators[setup.name], leaves[setup.name] = _emulator(test, setup, thrown, values, results, further)
        flags.append(results["validity"].values)
    middle = {name: np.array([np.median(value)]) for name, value in values.items()}
    shared = expected.shared_errors(test, thrown, middle)
    return Emulated(test, thrown, leaves, emulators, shared, np.concatenate(flags))


def _emulator(
    test: FieldTest, setup: SetUp, thrown: Throws, values: Mapping[str, Array], results: xr.Dataset, further: Products
) -> tuple[Emulator, Leaving]:
    """The emulator of a set-up's throws, and its stream."""
    at = thrown.of(setup.name)
    pumped = thrown.pumped(at)
    pump = None if pumped is None else float(np.median(pumped))
    left = Leaving.of(test.models[setup.name], float(np.median(thrown.nozzle_pressure[at])), pump)
    found = [results[name].values.reshape(-1, len(at)) for name in FLOWN]
    inputs = model.inputs_at(test, setup, values)
    real = left.model.actual({name: column[:, None] for name, column in inputs.items()})
    points = left.coordinates(real, inputs, values)
    return _fitted(points, np.concatenate(found, axis=1), further), left


def _fitted(points: Array, results: Array, further: Products) -> Emulator:
    """An emulator of logarithms. A few runs may be left out of it: mist that a head wind blows back has no logarithm.

    Such streams lie far from any that was thrown, so what the emulator says of them does not matter.
    """
    sound = np.asarray((results > 0).all(axis=1))
    if sound.mean() < 1 - BLOWN_BACK:
        raise InputError("too many streams that the priors allow are blown back or cannot be simulated: narrow them")
    return fit_emulator(points[sound], np.log(results[sound]), int(sound[-HELD_OUT:].sum()), further)
