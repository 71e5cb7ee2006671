"""Set-ups as streams: what is not known of them, the pressure of the match, and what a throw would measure."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim import media
from jetsim.errors import InputError
from jetsim.experiment.distributions import Distribution, Normal
from jetsim.hydraulics import nozzle as hydraulics
from jetsim.hydraulics.nozzle_kinds import FLOW_RATIO, ConstantFlow
from jetsim.jet.drag import FlightConstants
from jetsim.quantities import quantity
from jetsim.simulation import StreamModel
from jetsim.stream import equivalent_fields
from jetsim.trials import fieldfile
from jetsim.trials.fieldfile import FieldTest, Nozzle, SetUp

Array = NDArray[np.float64]
Values = Mapping[str, Any]

FACTOR, CD, COHERENCE = "valve_turbulence_factor", "discharge_coefficient", "equivalent_diameter_ratio"
HOSE, DEVIATION = "hose_coefficient", "deviation"
_TRIES = 100
_FLIGHT = FlightConstants()
# ln of the drop ratio for one of ln(spread): the fit of the flight ties them by 0.95, with standard deviations of 0.33
# and 0.20 (resampled tips). What the tie leaves, 0.10, acts as the drop scale does and belongs to its prior.
DROP_PER_SPREAD = 0.95 * 0.33 / 0.20
OUTPUTS = ("extreme_reach", "breakup_distance", "flow_rate", "reaction_force")


def member(name: str, owner: str) -> str:
    """Name of an unknown that belongs to one nozzle, shutoff, line or set-up."""
    return f"{name}[{owner}]"


def unknowns(test: FieldTest) -> dict[str, Distribution]:
    """Everything that is not known, by name, with its prior.

    A shutoff's turbulence factor is shared by its set-ups; each set-up departs from it by its own standard normal
    `deviation` times the shared `style_spread` (partial pooling: the data say how alike set-ups are).
    """
    found: dict[str, Distribution] = {}
    for setup in test.setups:
        nozzle = setup.nozzle
        found[member(FACTOR, setup.shutoff.name)] = setup.shutoff.factor
        found[member(DEVIATION, setup.name)] = Normal(0.0, 1.0)
        found[member(CD, nozzle.name)] = nozzle.discharge
        if nozzle.coherence is not None:
            found[member(COHERENCE, nozzle.name)] = nozzle.coherence
        found[member(HOSE, setup.line.name)] = setup.line.coefficient
    return dict(sorted(found.items())) | dict(test.shared)


def medians(test: FieldTest) -> dict[str, Array]:
    """The prior's median of every unknown, arrays of shape (1,)."""
    return {name: np.asarray(prior.ppf(np.array([0.5]))) for name, prior in unknowns(test).items()}


def drawn(test: FieldTest, count: int, rng: np.random.Generator) -> dict[str, Array]:
    """Independent draws from the priors, arrays of shape (count,); impossible ones are drawn again."""
    priors = unknowns(test)
    values = {name: np.asarray(prior.ppf(rng.random(count))) for name, prior in priors.items()}
    for _ in range(_TRIES):
        again = np.flatnonzero(~possible(test, values))
        if not again.size:
            return values
        for name, prior in priors.items():
            values[name][again] = prior.ppf(rng.random(again.size))
    raise InputError("the priors together hardly ever give a stream that can be simulated: narrow them")


def possible(test: FieldTest, values: Values) -> NDArray[np.bool_]:
    """Whether every set-up's stream is one that can be simulated, shape (n,).

    Each unknown may be inside its range and their product outside of it: a shutoff's factor times the departure of a
    set-up, say.
    """
    inside = np.ones(len(values["gauge_error"]), dtype=bool)
    for setup in test.setups:
        for name, column in unknown_inputs(setup, values).items():
            inside &= quantity(name).contains(column)
    return inside


def stream_inputs(test: FieldTest, setup: SetUp, values: Values) -> dict[str, Array]:
    """Fields of the stream that the unknowns set.

    Parameters
    ----------
    test : FieldTest
    setup : SetUp
    values : mapping of name to ndarray, shape (n,)
        The unknowns.

    Returns
    -------
    dict of field to ndarray, shape (n,)
    """
    found = unknown_inputs(setup, values)
    return found | _opening(setup.nozzle, found[CD])


def _opening(nozzle: Nozzle, discharge: Array) -> dict[str, Array]:
    """Diameter and discharge coefficient of the opening.

    The rating of a fog nozzle holds at the prior's median coefficient; what differs from it is flow over the rated
    flow, which leaves the speed alone (`jetsim.hydraulics.nozzle_kinds`).
    """
    if not nozzle.is_fog:
        return {"tip_diameter": np.full(discharge.shape, nozzle.tip_diameter), CD: discharge}
    ratio = discharge / float(np.asarray(nozzle.discharge.ppf(0.5)))
    rated = ConstantFlow(nozzle.rated_flow, nozzle.rated_pressure)
    same = equivalent_fields(rated, nozzle.rated_pressure, {FLOW_RATIO: ratio})
    return {name: np.broadcast_to(same[name], discharge.shape) for name in ("tip_diameter", CD)}


def unknown_inputs(setup: SetUp, values: Values) -> dict[str, Array]:
    """The unknowns as fields of the stream; of a fog nozzle the discharge coefficient only stands for its flow."""
    deviation = values["style_spread"] * values[member(DEVIATION, setup.name)]
    discharge = np.asarray(values[member(CD, setup.nozzle.name)])
    coherence = values[member(COHERENCE, setup.nozzle.name)] if setup.nozzle.is_fog else np.ones(discharge.shape)
    spread = np.asarray(values["air_spread"])
    return {
        CD: discharge,
        FACTOR: values[member(FACTOR, setup.shutoff.name)] * np.exp(deviation),
        COHERENCE: coherence,
        **{
            field: np.asarray(values[name])
            for name, field in fieldfile.SHARED.items()
            if not field.startswith("trial.")
        },
        "flight_constants.drop_ratio": np.asarray(_FLIGHT.drop_ratio)
        * (spread / np.asarray(_FLIGHT.spread)) ** DROP_PER_SPREAD,
    }


def matched_pressure(test: FieldTest, setup: SetUp, values: Values) -> Array:
    """Nozzle pressure [Pa], shape (n,), at which a set-up meets the declared match.

    Parameters as for `stream_inputs`. Solid (fixed openings, quadratic friction), given the hose coefficient.
    """
    inputs = stream_inputs(test, setup, values)
    tip, discharge = inputs["tip_diameter"], inputs[CD]
    density = media.water_density(test.site["water_temperature"])
    if test.condition == "nozzle pressure":
        return np.full(discharge.shape, test.matched)
    if test.condition == "reaction":
        return np.asarray(test.matched / hydraulics.reaction_force(np.ones(tip.shape), tip, discharge, discharge))
    flow_at_one = hydraulics.flow_rate(np.ones(tip.shape), tip, discharge, density)
    if test.condition == "flow":
        return np.asarray((test.matched / flow_at_one) ** 2)
    resistance = values[member(HOSE, setup.line.name)] * setup.line.length
    return np.asarray(test.matched / (1 + resistance * flow_at_one**2))


def target_pressures(test: FieldTest) -> dict[str, float]:
    """Nozzle pressure [Pa] to set for each set-up, by the priors' medians."""
    middle = medians(test)
    return {setup.name: float(matched_pressure(test, setup, middle)[0]) for setup in test.setups}


def stream_model(test: FieldTest) -> StreamModel:
    """The model of a stream with what does not vary over the site."""
    fixed = {key: test.site[key] for key in ("nozzle_height", "air_temperature", "water_temperature")}
    return StreamModel(fixed, OUTPUTS)


def simulated(test: FieldTest, columns: Mapping[str, Array]) -> xr.Dataset:
    """Simulate cases given by columns of stream fields."""
    return stream_model(test)(xr.Dataset({name: ("sample", column) for name, column in columns.items()}))


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
    return rng.normal(0.0, test.scatter["wind_between_blocks"], (2, blocks))


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
    scatter, limit, count = test.scatter, test.site["largest_wind"], len(pressure)
    wind = wind_of_block + rng.normal(0.0, scatter["wind_within_block"], (2, count))
    wind *= np.minimum(1.0, limit / np.maximum(np.hypot(*wind), limit / 100))
    held = np.hypot(scatter["nozzle_pressure"], test.instruments["nozzle_pressure"])
    set_to = pressure + rng.normal(0.0, held, count)
    elevation = test.site["elevation"] + rng.normal(0.0, scatter["elevation"], count)
    return {
        "wind_along": wind[0],
        "wind_across": wind[1],
        "elevation": np.clip(elevation, -90.0, 90.0),
        "nozzle_pressure": np.maximum(set_to, 1.0),
    }


def simulate_blocks(test: FieldTest, blocks: int, rng: np.random.Generator) -> Afternoons:
    """Simulate blocks as they would be thrown: one throw of each set-up in the wind of the block."""
    wind = block_wind(test, blocks, rng)
    measured, expected, flags = {}, {}, []
    middle, targets = medians(test), target_pressures(test)
    for setup in test.setups:
        inputs = {name: np.repeat(value, blocks) for name, value in stream_inputs(test, setup, middle).items()}
        thrown = one_throw(test, np.full(blocks, targets[setup.name]), wind, rng)
        flown = simulated(test, {**inputs, **thrown})
        measured[setup.name] = _read_off(test, flown[test.wanted.quantity].values, rng)
        flags.append(flown["validity"].values)
        expected[setup.name] = _still(test, setup, targets[setup.name])
    return Afternoons(measured, expected, np.concatenate(flags))


def _read_off(test: FieldTest, exact: Array, rng: np.random.Generator) -> Array:
    """What the marks show: the factor of the eye, the stream's own scatter, and the reading error."""
    reach = test.wanted.quantity == "extreme_reach"
    own = float(np.asarray(test.shared["reach_scatter" if reach else "breakup_scatter"].ppf(0.5)))
    onset = 1.0 if reach else float(np.asarray(test.shared["observed_onset"].ppf(0.5)))
    error = test.instruments["mark_reading" if reach else "breakup_reading"]
    return np.asarray(onset * exact * (1 + rng.normal(0.0, own, exact.shape)) + rng.normal(0.0, error, exact.shape))


def _still(test: FieldTest, setup: SetUp, pressure: float) -> float:
    inputs = stream_inputs(test, setup, medians(test))
    columns = {**inputs, "nozzle_pressure": np.array([pressure]), "elevation": np.array([test.site["elevation"]])}
    onset = 1.0 if test.wanted.quantity == "extreme_reach" else float(medians(test)["observed_onset"][0])
    return onset * float(simulated(test, columns)[test.wanted.quantity].values[0])
