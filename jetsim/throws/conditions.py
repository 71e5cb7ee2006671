"""Conditions of a sheet's throws, and how well they are known: what nobody read is taken from the site, the line or the
plan, and errs by as much as these leave open.
"""

import numpy as np
from numpy.typing import NDArray

from jetsim.equipment.department import SetUp
from jetsim.throws import model
from jetsim.throws.expected import Throws, wind_components
from jetsim.throws.question import DAY, FieldTest
from jetsim.throws.sheet import ALONE, Sheet

Array = NDArray[np.float64]

# A nozzle that is held at the site's elevation by eye, where the site does not say how well [deg]. Assumed.
ELEVATION_BY_EYE = 3.0


def throws_of(test: FieldTest, sheet: Sheet) -> Throws:
    """Conditions of a sheet's throws.

    Elevation and bearing are the site's where the sheet is silent. Wind without a direction may have come from
    anywhere, wind without a speed is any below the plan's largest. A pressure that was read at the pump alone sets the
    nozzle's through the line of the set-up; where other throws of the set-up tell how pump and nozzle go together, by
    that.
    """
    given = sheet.numbers
    elevation = _or_else(given["elevation"], test.elevation)
    along, across = _wind(test, sheet)
    pressure, pump, errors = _pressures(test, sheet)
    errors |= _elevation_error(test, sheet) | _wind_error(test, sheet)
    several = any(key.startswith(f"{DAY}[") for key in test.priors)
    days = tuple(sheet.texts["day"]) if several and "day" in sheet.texts else ()
    return Throws(sheet.setups, pressure, elevation, along, across, pump, errors, days)


def _or_else(values: Array, default: float) -> Array:
    return np.where(np.isnan(values), default, values)


# --------------------------------------------------------------------------------------------------------
# Elevation and wind


def _elevation_error(test: FieldTest, sheet: Sheet) -> dict[str, Array]:
    silent = sheet.silent("elevation")
    if not silent.any():
        return {}
    return {"elevation": np.where(silent, np.hypot(test.scatter.elevation, site_spread(test)), test.scatter.elevation)}


def site_spread(test: FieldTest) -> float:
    """Standard deviation of the elevation of a throw of which nobody read it [deg]."""
    stated = test.asked.department.file.site.elevation.distribution
    if stated is None:
        return ELEVATION_BY_EYE
    return float(np.diff(np.asarray(stated.ppf(np.array([0.1587, 0.8413])), dtype=float))[0] / 2)


def _wind(test: FieldTest, sheet: Sheet) -> tuple[Array, Array]:
    """Wind along and across; none in the mean where its direction is not known."""
    bearing = _or_else(sheet.numbers["throw_bearing"], test.ground.throw_bearing)
    speed = _or_else(sheet.numbers["wind_speed"], test.question.largest_wind / 2)
    whence = sheet.numbers["wind_from"]
    return wind_components(np.where(np.isnan(whence), 0.0, speed), _or_else(whence, 0.0), bearing)


def _wind_error(test: FieldTest, sheet: Sheet) -> dict[str, Array]:
    """Standard deviation of the wind along the throw, by its reading, its words and its direction."""
    whence, speed = sheet.silent("wind_from"), sheet.numbers["wind_speed"]
    spread = sheet.spreads.get("wind_speed", np.zeros(len(speed)))
    unread, limit = np.isnan(speed), test.question.largest_wind
    middle, open_still = np.where(unread, limit / 2, speed), np.where(unread, limit / np.sqrt(12), spread)
    from_anywhere = np.sqrt((middle**2 + open_still**2) / 2)  # mean square of a component, all directions alike
    error = np.where(whence, from_anywhere, open_still)
    if not error.any():
        return {}
    return {"wind_along": np.hypot(test.scatter.wind_reading, error)}


# --------------------------------------------------------------------------------------------------------
# Pressure


def _pressures(test: FieldTest, sheet: Sheet) -> tuple[Array, Array | None, dict[str, Array]]:
    """Nozzle pressures, the pump's where these set the throws, and the errors of those that were told from it."""
    alone = sheet.numbers.get(ALONE)
    pressure = sheet.numbers["nozzle_pressure"].copy()
    if alone is None or np.isnan(alone).all():
        return pressure, None, {}
    pump, told = np.full(len(pressure), np.nan), np.zeros(len(pressure), dtype=bool)
    for setup in test.setups:
        own = np.array(sheet.setups) == setup.name
        by_pump = own & ~np.isnan(alone)
        if not by_pump.any():
            continue
        beside = own & ~by_pump & ~np.isnan(sheet.numbers["pump_pressure"])
        pressure[by_pump] = believed_at_nozzle(test, setup, alone[by_pump])
        if beside.any():
            by_line = believed_at_nozzle(test, setup, sheet.numbers["pump_pressure"][beside])
            pressure[by_pump] *= np.exp(np.log(pressure[beside] / by_line).mean())
        if (own & ~by_pump).any():
            told |= by_pump
        else:
            pump[by_pump] = alone[by_pump]
    gauges = test.instruments
    error = np.where(told, np.hypot(gauges["nozzle_pressure"], gauges["pump_pressure"]), gauges["nozzle_pressure"])
    return pressure, None if np.isnan(pump).all() else pump, {"nozzle_pressure": error} if told.any() else {}


def believed_at_nozzle(test: FieldTest, setup: SetUp, pump: Array) -> Array:
    """Nozzle pressure that a pump pressure gives through the set-up's line, by the medians of what is believed [Pa]."""
    real = test.models[setup.name].actual(model.inputs_at(test, setup, model.medians(test)))
    return np.asarray(np.maximum(real.nozzle_pressure(pump), 1.0))
