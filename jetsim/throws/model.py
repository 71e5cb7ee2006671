"""Set-ups in a match: draws of what is not known of them, the pressure of the match, and blocks of throws."""

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim.equipment.department import SetUp
from jetsim.equipment.model import Actual, SetUpModel, run_each
from jetsim.equipment.spaces import FACTOR, UPSTREAM, joint_draws
from jetsim.errors import InputError
from jetsim.quantities import quantity
from jetsim.throws.question import DEPARTURE, OWN, SPREAD, FieldTest

Array = NDArray[np.float64]
Values = Mapping[str, Any]

GAUGE = "trial.gauge_error"  # always among the unknowns: its length is the number of draws
_TRIES, _HALVINGS = 100, 80
_PRESSURES = (1.0, 1e8)  # between which a match is sought [Pa]


def medians(test: FieldTest) -> dict[str, Array]:
    """The prior's median of every unknown, arrays of shape (1,)."""
    middle = np.array([0.5])
    return {key: np.asarray(prior.distribution.ppf(middle), dtype=float) for key, prior in test.priors.items()}


def drawn(test: FieldTest, count: int, seed: int) -> dict[str, Array]:
    """Joint draws of the unknowns, as learnt or believed, arrays of shape (count,); impossible ones are replaced.

    Parameters
    ----------
    test : FieldTest
    count : int
        A power of two.
    seed : int
    """
    every = (*test.inputs.values(), test.readings)
    values: dict[str, Array] = {}
    for one, columns in zip(every, joint_draws(every, count, seed, test.learnt), strict=True):
        values |= {one.key(name): np.asarray(column, dtype=float) for name, column in columns.items()}
    sound = possible(test, values)
    if sound.mean() < 1 / _TRIES:
        raise InputError("what is believed hardly ever gives a stream that can be simulated: narrow it")
    rows = np.arange(count)
    rows[~sound] = np.random.default_rng([seed, count]).choice(rows[sound], int((~sound).sum()))
    return {key: values[key][rows] for key in test.priors}


def possible(test: FieldTest, values: Values) -> NDArray[np.bool_]:
    """Whether every set-up's stream is one that can be simulated, shape (n,).

    Each unknown may be inside its range and their product outside of it: a shutoff's factor times the departure of a
    set-up, say.
    """
    inside = np.ones(len(values[GAUGE]), dtype=bool)
    for setup in test.setups:
        for name, column in inputs_at(test, setup, values).items():
            if name in (FACTOR, UPSTREAM):
                inside &= quantity(name).contains(column)
    return inside


def inputs_at(test: FieldTest, setup: SetUp, values: Values) -> dict[str, Array]:
    """What the unknowns say of a set-up, by quantity; its departure acts on its shutoff's factor.

    Parameters
    ----------
    test : FieldTest
    setup : SetUp
    values : mapping of key to ndarray, shape (n,)
    """
    own = test.inputs[setup.name]
    found = {p.name: np.asarray(values[own.key(p.name)]) for p in own.parameters if p.name != DEPARTURE}
    if DEPARTURE in own.owners:
        factor = np.exp(values[SPREAD] * values[own.key(DEPARTURE)])
        found |= {name: found[name] * factor for name in (FACTOR, UPSTREAM) if name in found}
    return found


def matched_pressure(test: FieldTest, setup: SetUp, values: Values) -> Array:
    """Nozzle pressure [Pa], shape (n,), at which a set-up meets the declared match.

    Parameters as for `inputs_at`. At its own target a set-up holds the nozzle pressure that gives the target as
    believed: nobody can set more.
    """
    model, count = test.models[setup.name], len(values[GAUGE])
    if test.condition == OWN:
        return np.full(count, model.target_pressure)
    if test.condition == "nozzle pressure":
        return np.full(count, test.matched)
    real = model.actual(inputs_at(test, setup, values))
    return np.array(np.broadcast_to(_at_match(test, setup, real), count))


def _at_match(test: FieldTest, setup: SetUp, real: Actual) -> Array:
    if test.condition == "flow":
        return real.nozzle.pressure(test.matched, real.density)
    if test.condition == "reaction":
        return reaction_pressure(real, test.matched)
    pressure = real.nozzle_pressure(test.matched)
    if np.any(pressure <= 0):
        raise InputError(f"setups.{setup.name}: the matched pump pressure does not lift the water to the nozzle")
    return pressure


def reaction_pressure(real: Actual, reaction: float) -> Array:
    """Nozzle pressure [Pa] at a reaction [N], whatever the kind: reaction rises with pressure. Bisection, exact."""
    shape = real.nozzle.reaction(_PRESSURES[0]).shape
    low, high = (np.full(shape, np.log(end)) for end in _PRESSURES)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        short = real.nozzle.reaction(np.exp(middle)) < reaction
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray(np.exp((low + high) / 2))


def target_pressures(test: FieldTest) -> dict[str, float]:
    """Nozzle pressure [Pa] to set for each set-up, by the medians of what is believed."""
    middle = medians(test)
    return {setup.name: float(matched_pressure(test, setup, middle)[0]) for setup in test.setups}


def simulated(test: FieldTest, setup: SetUp, columns: Mapping[str, Array], also: tuple[str, ...] = ()) -> xr.Dataset:
    """Simulate cases of a set-up, in still air at the site's elevation unless the columns say otherwise."""
    model, samples = _job(test, setup, columns, also)
    return model(samples)


def all_simulated(
    test: FieldTest,
    asked: Sequence[tuple[SetUp, Mapping[str, Array]]],
    executor: Executor | None = None,
    also: tuple[str, ...] = (),
) -> list[xr.Dataset]:
    """As `simulated`, of several set-ups; each is a piece of work for `executor`, if there is one."""
    return run_each([_job(test, setup, columns, also) for setup, columns in asked], executor)


def _job(
    test: FieldTest, setup: SetUp, columns: Mapping[str, Array], also: tuple[str, ...]
) -> tuple[SetUpModel, xr.Dataset]:
    model = test.models[setup.name]
    samples = xr.Dataset({name: ("sample", column) for name, column in columns.items()})
    return replace(model, outputs=(*model.outputs, *also)), samples


@dataclass(frozen=True)
class Afternoons:
    """Simulated blocks of throws, and what the model expects without scatter.

    Attributes
    ----------
    measured : mapping of set-up to ndarray, shape (blocks,)
        The measured quantity [m] with all scatter and reading errors.
    expected : mapping of set-up to float
        The same by the priors' medians in still air [m].
    flags : ndarray, shape (set-ups times blocks,)
        Validity of every flight.
    """

    measured: Mapping[str, Array]
    expected: Mapping[str, float]
    flags: NDArray[np.int16]


def block_wind(test: FieldTest, blocks: int, rng: np.random.Generator) -> Array:
    """Wind of blocks along and across the throw [m/s], shape (2, blocks)."""
    return rng.normal(0.0, test.scatter.wind_between_blocks, (2, blocks))


def one_throw(test: FieldTest, pressure: Array, wind_of_block: Array, rng: np.random.Generator) -> dict[str, Array]:
    """Conditions of one throw in each block, by field of the stream, with the stated scatter.

    Wind above the stated limit is waited out: it is drawn back to the limit.

    Parameters
    ----------
    test : FieldTest
    pressure : ndarray, shape (blocks,)
        Nozzle pressure to set [Pa]; it is held and read only about.
    wind_of_block : ndarray, shape (2, blocks)
        [m/s]
    rng : Generator
    """
    scatter, limit, count = test.scatter, test.question.largest_wind, len(pressure)
    wind = wind_of_block + rng.normal(0.0, scatter.wind_within_block, (2, count))
    wind *= np.minimum(1.0, limit / np.maximum(np.hypot(*wind), limit / 100))
    held = np.hypot(scatter.nozzle_pressure, test.instruments.get("nozzle_pressure", 0.0))
    set_to = pressure + rng.normal(0.0, held, count)
    elevation = test.elevation + rng.normal(0.0, scatter.elevation, count)
    return {
        "wind_along": wind[0],
        "wind_across": wind[1],
        "elevation": np.clip(elevation, -90.0, 90.0),
        "nozzle_pressure": np.maximum(set_to, 1.0),
    }


def simulate_blocks(
    test: FieldTest, blocks: int, rng: np.random.Generator, executor: Executor | None = None
) -> Afternoons:
    """Simulate blocks as they would be thrown: one throw of each set-up in the wind of the block."""
    wind = block_wind(test, blocks, rng)
    targets, own, error = target_pressures(test), *_reading_scatter(test)
    asked, scatters = [], []
    for setup in test.setups:
        asked.append((setup, one_throw(test, np.full(blocks, targets[setup.name]), wind, rng)))
        scatters.append((1 + rng.normal(0.0, own, blocks), rng.normal(0.0, error, blocks)))
    onset, measured, flags = _onset(test), {}, []
    for setup, (factor, added), flown in zip(test.setups, scatters, all_simulated(test, asked, executor), strict=True):
        measured[setup.name] = np.asarray(onset * flown[test.wanted.quantity].values * factor + added)
        flags.append(flown["validity"].values)
    still = {setup.name: _still(test, setup, targets[setup.name]) for setup in test.setups}
    return Afternoons(measured, still, np.concatenate(flags))


def _reading_scatter(test: FieldTest) -> tuple[float, float]:
    """Of what the marks show: the stream's own, as a share, and the reading error [m]; standard deviations."""
    reach = test.wanted.quantity == "extreme_reach"
    own = medians(test)["trial.reach_scatter" if reach else "trial.breakup_scatter"]
    return float(own[0]), test.instruments["mark_reading" if reach else "breakup_reading"]


def _onset(test: FieldTest) -> float:
    """The factor of the eye."""
    reach = test.wanted.quantity == "extreme_reach"
    return 1.0 if reach else float(medians(test)["trial.observed_onset"][0])


def _still(test: FieldTest, setup: SetUp, pressure: float) -> float:
    flown = simulated(test, setup, {"nozzle_pressure": np.array([pressure])})
    return _onset(test) * float(flown[test.wanted.quantity].values[0])
