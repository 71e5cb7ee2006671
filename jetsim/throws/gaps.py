"""What nobody read of a sheet's throws, and how far apart that lets throws be: each gap in metres of reach."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from jetsim.throws import expected, model
from jetsim.throws.conditions import site_spread
from jetsim.throws.expected import Throws
from jetsim.throws.question import FieldTest
from jetsim.throws.sheet import ALONE, Sheet

Array = NDArray[np.float64]
_ERRORS = ("elevation", "nozzle_pressure", "wind_along")  # as `expected.shared_errors` orders them
_FLOW_DRAWS = 256


@dataclass(frozen=True)
class Gap:
    """Something that was not read of some throws.

    Attributes
    ----------
    kind : str
        ``elevation``, ``wind`` or ``nozzle_pressure``.
    throws : int
        Of how many.
    adds : float
        Standard deviation that it adds to the distance of one of these throws [m], in the middle: farthest drops, or
        breakup where the sheet holds no others.
    spread : float
        Standard deviation of what stands for it, in the unit of the condition, SI.
    """

    kind: str
    throws: int
    adds: float
    spread: float


@dataclass(frozen=True)
class Unread:
    """Pressure at the nozzle that is told from the pump, by set-up; and what a missing flowmeter leaves open.

    Attributes
    ----------
    pressures : mapping of set-up to (float, float)
        Standard deviation of the nozzle pressure of one of its throws [Pa], and what that is of reach [m].
    flows : mapping of set-up to float
        Of set-ups without any reading of flow: standard deviation of ln flow, as believed.
    """

    pressures: Mapping[str, tuple[float, float]]
    flows: Mapping[str, float]


def gaps(test: FieldTest, sheet: Sheet, thrown: Throws) -> list[Gap]:
    """What the sheet's silence adds to the scatter of a throw, over what the test's instruments leave open.

    Parameters
    ----------
    test : FieldTest
    sheet : Sheet
        The throws that count.
    thrown : Throws
        Their conditions.
    """
    if not thrown.errors:
        return []
    middle = model.medians(test)
    measured = "breakup_distance" if sheet.silent("farthest_drops").all() else "farthest_drops"
    reach = expected.expected(test, thrown, middle)[measured][0]
    column = list(expected.COMPARED).index(measured)
    wide, narrow = (expected.shared_errors(test, t, middle)[:, column] for t in (thrown, replace(thrown, errors={})))
    added = reach * np.sqrt(np.maximum(wide**2 - narrow**2, 0.0))
    stated = {"elevation": test.scatter.elevation, "nozzle_pressure": test.instruments["nozzle_pressure"],
              "wind_along": test.scatter.wind_reading}  # fmt: skip
    found = []
    for k, name in enumerate(_ERRORS):
        wider = thrown.errors[name] > stated[name] * (1 + 1e-9) if name in thrown.errors else np.zeros(len(reach), bool)
        if wider.any():
            spread = site_spread(test) if name == "elevation" else float(np.median(thrown.errors[name][wider]))
            found.append(Gap(name, int(wider.sum()), float(np.median(added[k][wider])), spread))
    return found


def unread(test: FieldTest, sheet: Sheet, thrown: Throws) -> Unread:
    """What is known of pressures and flows that no instrument read.

    Parameters as for `gaps`.
    """
    values = model.drawn(test, _FLOW_DRAWS, test.seed)
    pressures, flows = {}, {}
    for setup in test.setups:
        at = thrown.of(setup.name)
        if not at.size:
            continue
        inputs = model.inputs_at(test, setup, values)
        real = test.models[setup.name].actual({name: column[:, None] for name, column in inputs.items()})
        tip = thrown.at_the_tip(real, at, values[model.GAUGE])
        if thrown.pumped(at) is not None:
            pressures[setup.name] = _told_by_the_pump(test, thrown, at, tip)
        if sheet.silent("flow")[at].all():
            flows[setup.name] = float(np.log(np.maximum(real.flow(tip), 1e-9)).std(axis=0).mean())
    return Unread(pressures, flows)


def _told_by_the_pump(test: FieldTest, thrown: Throws, at: NDArray[np.intp], tip: Array) -> tuple[float, float]:
    """Spread of the pressure at the tip, and what it is of the reach of one throw."""
    pump = thrown.pumped(at)
    assert pump is not None
    spread = float(
        np.hypot(tip.std(axis=0).mean(), test.instruments["pump_pressure"] * np.median(tip) / np.median(pump))
    )
    middle, one = model.medians(test), thrown.setups[at[0]]
    pressure = np.median(tip) + spread * np.array([-0.5, 0.5])
    two = Throws([one] * 2, pressure, np.repeat(np.median(thrown.elevation[at]), 2), np.zeros(2), np.zeros(2))
    near, far = expected.expected(test, two, middle)["farthest_drops"][0]
    return spread, float(far - near)


def missing_numbers(sheet: Sheet) -> dict[str, int]:
    """How many throws lack a reading, by column, where some do."""
    by_pump = ~np.isnan(sheet.numbers.get(ALONE, np.full(len(sheet.setups), np.nan)))
    counts = {name: int(sheet.silent(name).sum()) for name in ("elevation", "wind_speed", "flow", "reaction", "block")}
    counts["wind_from"] = int((sheet.silent("wind_from") & (sheet.numbers["wind_speed"] > 0)).sum())
    counts["nozzle_pressure"] = int(by_pump.sum())
    return {name: count for name, count in counts.items() if count}
