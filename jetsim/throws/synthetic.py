"""Synthetic tests: sheets made from stated true values with scatter, to see whether they are found again."""

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jetsim import units
from jetsim.errors import InputError
from jetsim.experiment.fieldtest import Throw
from jetsim.experiment.tables import read_field
from jetsim.quantities import QUANTITIES, did_you_mean
from jetsim.throws import expected, model
from jetsim.throws.columns import COLUMNS, SUFFIXES
from jetsim.throws.question import FieldTest
from jetsim.toml import load_toml

Array = NDArray[np.float64]
CONTINUOUS_SHARE = 0.8  # of the farthest drops; only recorded, no part of the model


def read_truth(path: Path, test: FieldTest) -> dict[str, float]:
    """True values of every unknown, from a TOML file.

    Raises
    ------
    InputError
        An unknown name, a missing one, or a value that is no number.
    """
    stated = load_toml(path)
    for name in stated:
        if name not in test.priors:
            raise InputError(f"{path}: unknown name {name!r}{did_you_mean(name, test.priors)}")
    for name in test.priors:
        if name not in stated:
            raise InputError(f"{path}: {name} is missing")
    return {name: _true(f"{path}: {name}", stated[name], name.partition("[")[0]) for name in test.priors}


def _true(place: str, raw: Any, name: str) -> float:
    """A departure is a standard normal score, which is no quantity of the model."""
    if name in QUANTITIES:
        return float(read_field(place, raw, name))
    if isinstance(raw, bool) or not isinstance(raw, (int, float)):
        raise InputError(f"{place} = {raw!r}: must be a number")
    return float(raw)


def synthetic_readings(
    test: FieldTest, truth: Mapping[str, float], order: Sequence[Throw], rng: np.random.Generator
) -> dict[str, list[Any]]:
    """Readings of a whole test, SI, by column of the sheet.

    Throws are made in the given order, each at its set-up's target by the gauge. The truth of each throw departs from
    what is read by the scatter and the errors that the study file states: the gauge is misread, the elevation is held
    only about, the wind at the stream is another than the wind read, and each reading has its own error.
    """
    setups = [throw.setup for throw in order]
    targets = model.target_pressures(test)
    count, scatter = len(setups), test.scatter
    block = np.array([throw.block for throw in order])
    blocks = int(block.max())
    wind = rng.normal(0, scatter.wind_between_blocks, (2, blocks))[:, block - 1]
    wind = wind + rng.normal(0, scatter.wind_within_block, (2, count))
    limit = 0.99 * test.question.largest_wind
    wind = wind * np.minimum(1.0, limit / np.maximum(np.hypot(*wind), limit / 100))
    held = np.array([targets[name] for name in setups]) + rng.normal(0, scatter.nozzle_pressure, count)
    angle = test.elevation + rng.normal(0, scatter.elevation, count)
    misread = rng.normal(0, test.instruments["nozzle_pressure"], count)
    met = wind + rng.normal(0, test.scatter.wind_reading, (2, count))
    actual = expected.Throws(setups, held + misread, angle, met[0], met[1])
    readings = _with_scatter(test, actual, truth, rng)
    bearing = test.ground.throw_bearing
    return {
        "run_order": [throw.run_order for throw in order],
        "block": [throw.block for throw in order],
        "setup": setups,
        "target_nozzle_pressure": [targets[name] for name in setups],
        "nozzle_pressure": list(held),
        "elevation": [test.elevation] * count,
        "throw_bearing": [bearing] * count,
        "wind_speed": list(np.hypot(*wind)),
        "wind_from": list((bearing + 180 - np.degrees(np.arctan2(wind[1], wind[0]))) % 360),
        "last_continuous_water": list(CONTINUOUS_SHARE * readings["farthest_drops"]),
        **{name: list(values) for name, values in readings.items()},
    }


def _with_scatter(
    test: FieldTest, actual: expected.Throws, truth: Mapping[str, float], rng: np.random.Generator
) -> dict[str, Array]:
    """Exact readings of the true values, with the stream's own scatter and the instruments' errors."""
    values = {name: np.array([value]) for name, value in truth.items()}
    readings = {}
    for column, shown in expected.expected(test, actual, values).items():
        own = truth[expected.SCATTERS[column]] if column in expected.SCATTERS else 0.0
        error = test.instruments[expected.COMPARED[column][1]]
        exact = shown[0] * (1 + rng.normal(0, own, shown.shape[1]))
        readings[column] = exact + rng.normal(0, error, shown.shape[1])
    return readings


def sheet_text(readings: Mapping[str, Sequence[Any]], system: str) -> str:
    """Readings as the CSV text of a filled sheet; lengths to the foot or decimetre, the rest to four digits."""
    headers = {name: column.header(system) for name, column in COLUMNS.items()}
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(headers.values())
    for row in range(len(readings["setup"])):
        cells = {name: _written(name, values[row], headers[name], system) for name, values in readings.items()}
        writer.writerow([cells.get(name, "") for name in headers])
    return buffer.getvalue()


def _written(name: str, value: float | str, header: str, system: str) -> str:
    if isinstance(value, (str, int)):
        return str(value)
    shown = float(units.from_si(value, SUFFIXES[header.rpartition("_")[2]]))
    if COLUMNS[name].dimension == "length":
        return f"{shown:.0f}" if system == "us" else f"{shown:.1f}"
    return f"{shown:.4g}"
