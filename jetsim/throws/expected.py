"""Throws of a sheet as streams: wind along and across, and what the model expects of each throw."""

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.equipment.department import SetUp
from jetsim.equipment.model import NEEDED, Actual
from jetsim.throws import model
from jetsim.throws.question import OUTPUTS, FieldTest, day_key

Array = NDArray[np.float64]

# Column of the sheet to the result of the model that it is compared with, and the instrument's error.
COMPARED = {
    "farthest_drops": ("extreme_reach", "mark_reading"),
    "breakup_distance": ("breakup_distance", "breakup_reading"),
    "flow": ("flow_rate", "flow"),
    "reaction": ("reaction_force", "reaction"),
    "pump_pressure": ("supply.pump_pressure", "pump_pressure"),
}
_CONDITIONS = ("nozzle_pressure", "elevation", "wind_along", "wind_across")  # as in `Throws`
SCATTERS = {"farthest_drops": "trial.reach_scatter", "breakup_distance": "trial.breakup_scatter"}


def wind_components(speed: ArrayLike, wind_from: ArrayLike, throw_bearing: ArrayLike) -> tuple[Array, Array]:
    """Wind along the throw (tail wind positive) and across it (towards the thrower's left positive). Exact.

    Parameters
    ----------
    speed : array_like
        [m/s]
    wind_from : array_like
        Compass direction from which the wind comes [deg].
    throw_bearing : array_like
        Compass direction in which the stream is thrown [deg].

    Returns
    -------
    along, across : ndarray
        [m/s]

    Examples
    --------
    >>> along, across = wind_components(3.0, 90.0, 270.0)
    >>> round(float(along), 6), abs(round(float(across), 6))
    (3.0, 0.0)
    """
    angle = np.radians(np.asarray(wind_from, dtype=float) + 180 - np.asarray(throw_bearing, dtype=float))
    strength = np.asarray(speed, dtype=float)
    return np.asarray(strength * np.cos(angle)), np.asarray(-strength * np.sin(angle))


@dataclass(frozen=True, eq=False)
class Throws:
    """Conditions of throws, arrays of shape (throws,), SI; pressures as the gauge reads them.

    Attributes
    ----------
    setups : list of str
    nozzle_pressure, elevation, wind_along, wind_across : ndarray
    pump_pressure : ndarray or None
        Of throws that the pump's gauge alone tells of: it sets them through the line. NaN for the others; all throws
        of a set-up are alike in this.
    errors : mapping of condition to ndarray
        Standard deviation of its reading, where that is not the one that the test states.
    days : tuple of str
        On which each was thrown, where the test has an unknown for each of several days.
    """

    setups: list[str]
    nozzle_pressure: Array
    elevation: Array
    wind_along: Array
    wind_across: Array
    pump_pressure: Array | None = None
    errors: Mapping[str, Array] = field(default_factory=dict)
    days: tuple[str, ...] = ()

    def of(self, setup: str) -> NDArray[np.intp]:
        """Positions of a set-up's throws."""
        return np.flatnonzero(np.array(self.setups) == setup)

    def in_still_air(self) -> "Throws":
        """The same throws without wind."""
        calm = np.zeros(len(self.setups))
        return replace(self, wind_along=calm, wind_across=calm)

    def pumped(self, at: NDArray[np.intp]) -> Array | None:
        """Pump pressures that set a set-up's throws, by the gauge; None where the nozzle's own were read."""
        if self.pump_pressure is None or not at.size or np.isnan(self.pump_pressure[at]).any():
            return None
        return self.pump_pressure[at]

    def at_the_tip(self, real: Actual, at: NDArray[np.intp], gauge: Array) -> Array:
        """Pressure at the tip of a set-up's throws [Pa], shape (draws, throws).

        Parameters
        ----------
        real : Actual
            The set-up in each draw, arrays of shape (draws, 1).
        at : ndarray of int
            Positions of its throws.
        gauge : ndarray, shape (draws,)
            Error of the gauge, as a logarithm.
        """
        pumped, error = self.pumped(at), np.exp(gauge)
        if pumped is None:
            return np.asarray((self.nozzle_pressure[at][:, None] / error).T)  # draws side by side in memory
        return real.nozzle_pressure((pumped[:, None] / error).T)

    def day_factor(self, at: NDArray[np.intp], values: Mapping[str, Array]) -> Array | float:
        """What the day of each throw does to its reach, shape (draws, throws); 1 for a test of one day."""
        if not self.days:
            return 1.0
        effects = [values.get(day_key(self.days[n]), np.zeros(1)) for n in at]
        return np.exp(np.stack([np.broadcast_to(effect, len(values[model.GAUGE])) for effect in effects], axis=1))


def columns_of(test: FieldTest, setup: SetUp, throws: Throws, values: Mapping[str, Array]) -> dict[str, Array]:
    """Inputs of every draw of the unknowns (outer) at every throw of a set-up (inner), flat."""
    at = throws.of(setup.name)
    draws, own = len(values[model.GAUGE]), model.inputs_at(test, setup, values)
    inputs = {name: np.repeat(column, len(at)) for name, column in own.items()}
    real = test.models[setup.name].actual({name: column[:, None] for name, column in own.items()})
    wind = np.repeat(np.exp(values["trial.wind_error"]), len(at))
    each = {name: np.tile(getattr(throws, name)[at], draws) for name in _CONDITIONS}
    return {
        **inputs,
        "elevation": each["elevation"],
        "nozzle_pressure": throws.at_the_tip(real, at, values[model.GAUGE]).ravel(),
        "wind_along": each["wind_along"] * wind,
        "wind_across": each["wind_across"] * wind,
    }


def expected(
    test: FieldTest,
    throws: Throws,
    values: Mapping[str, Array],
    flags: list[NDArray[np.int16]] | None = None,
    executor: Executor | None = None,
) -> dict[str, Array]:
    """What the instruments would show of each throw without scatter.

    Parameters
    ----------
    test : FieldTest
    throws : Throws
    values : mapping of key to ndarray, shape (draws,)
        The unknowns.
    flags : list, optional
        Takes the validity of every flight.
    executor : concurrent.futures.Executor, optional
        Each set-up's flights are a piece of work for it.

    Returns
    -------
    dict of column to ndarray, shape (draws, throws)
        SI, by column of the sheet; systematic errors of gauge, meter and eye included.
    """
    draws = len(values[model.GAUGE])
    found = {column: np.full((draws, len(throws.setups)), np.nan) for column in COMPARED}
    thrown = [setup for setup in test.setups if throws.of(setup.name).size]
    asked = [(setup, columns_of(test, setup, throws, values)) for setup in thrown]
    for setup, results in zip(thrown, model.all_simulated(test, asked, executor), strict=True):
        at = throws.of(setup.name)
        exact = {name: results[name].values.reshape(draws, len(at)) for name in OUTPUTS}
        if flags is not None:
            flags.append(results["validity"].values)
        for column, shown in instruments_show(exact, values, throws.day_factor(at, values)).items():
            found[column][:, at] = shown
    return found


def instruments_show(
    exact: Mapping[str, Array], values: Mapping[str, Array], day: Array | float = 1.0
) -> dict[str, Array]:
    """Readings without scatter from exact results, shape (draws, throws); `day` is what the day does to reach."""

    def each(name: str) -> Array:
        return np.asarray(values[name])[:, None]

    return {
        "farthest_drops": day * exact["extreme_reach"],
        "breakup_distance": each("trial.observed_onset") * exact["breakup_distance"],
        "flow": exact["flow_rate"] * np.exp(each("trial.meter_error")),
        "reaction": exact["reaction_force"],
        "pump_pressure": exact[NEEDED],
    }


def relative_variance(test: FieldTest, column: str, shown: Array, values: Mapping[str, Array]) -> Array:
    """Variance of a reading by itself, as a share of its square: the stream's own scatter and the instrument's error.

    Shape (draws, throws); errors that all readings of a throw share come on top (`shared_errors`).
    """
    reading = test.instruments[COMPARED[column][1]] / shown
    own = np.asarray(values[SCATTERS[column]])[:, None] if column in SCATTERS else 0.0
    return np.asarray(reading * reading + own * own)


def shared_errors(test: FieldTest, throws: Throws, values: Mapping[str, Array]) -> Array:
    """What one standard deviation of an error that all readings of a throw share does to them, as shares of them.

    Parameters
    ----------
    test : FieldTest
    throws : Throws
    values : mapping of name to ndarray, shape (1,)
        The unknowns. Central differences: effects are taken as linear over one standard deviation.

    Returns
    -------
    ndarray, shape (3, columns, throws)
        By elevation, by the reading of the nozzle pressure gauge, and by that of the wind along the throw; columns in
        the order of `COMPARED`. Wind across has no linear effect on distance in still air, and is left out.
    """
    steps: dict[str, float | Array] = {
        "elevation": test.scatter.elevation,
        "nozzle_pressure": test.instruments["nozzle_pressure"],
        "wind_along": test.scatter.wind_reading,
        **throws.errors,
    }
    ends = [_moved(test, throws, name, side * step) for name, step in steps.items() for side in (-1, 1)]
    shown = each_alone(test, ends, values)
    effects = []
    for k, (name, step) in enumerate(steps.items()):
        part = 2 * step / (getattr(ends[2 * k + 1], name) - getattr(ends[2 * k], name))  # at an end the slope counts
        sides = (shown[column][2 * k : 2 * k + 2] for column in COMPARED)
        effects.append([part * (high - low) / (high + low) for low, high in sides])
    return np.array(effects)


def each_alone(test: FieldTest, parts: Sequence[Throws], values: Mapping[str, Array]) -> dict[str, Array]:
    """As `expected`, of several sets of as many throws each and unknowns of shape (1,); shape (sets, throws)."""
    shown = expected(test, _one_after_another(parts), values)
    return {column: np.reshape(found[0], (len(parts), -1)) for column, found in shown.items()}


def _moved(test: FieldTest, throws: Throws, name: str, step: float | Array) -> Throws:
    """The throws with one condition moved, inside what can be simulated; a pump's gauge moves what it sets."""
    at = getattr(throws, name)
    low, high = {"elevation": (-90.0, 90.0), "nozzle_pressure": (at / 2, np.inf)}.get(name, (-60.0, 60.0))
    moved = replace(throws, **{name: np.clip(at + step, low, high)})
    if name != "nozzle_pressure" or throws.pump_pressure is None:
        return moved
    pump = throws.pump_pressure + np.sign(step) * test.instruments["pump_pressure"]
    return replace(moved, pump_pressure=np.maximum(pump, 0.0))


def _one_after_another(parts: Sequence[Throws]) -> Throws:
    """Several sets of throws as one."""
    pressure, elevation, along, across = (
        np.concatenate([getattr(part, name) for part in parts]) for name in _CONDITIONS
    )
    pumps = [part.pump_pressure for part in parts if part.pump_pressure is not None]
    setups = [setup for part in parts for setup in part.setups]
    pump = np.concatenate(pumps) if pumps else None
    days = tuple(day for part in parts for day in part.days)
    return Throws(setups, pressure, elevation, along, across, pump, days=days)


def scatter_of_throw(test: FieldTest, throws: Throws, shown: Mapping[str, Array], values: Mapping[str, Array],
                     columns: Iterable[str]) -> dict[str, Array]:  # fmt: skip
    """Of each column the standard deviation of a reading from throw to throw by all causes, as a share of it.

    Shape (draws, throws).
    """
    middle = {name: np.array([np.median(value)]) for name, value in values.items()}
    shared = dict(zip(COMPARED, (shared_errors(test, throws, middle) ** 2).sum(axis=0), strict=True))
    return {c: np.sqrt(relative_variance(test, c, shown[c], values) + shared[c]) for c in columns}
