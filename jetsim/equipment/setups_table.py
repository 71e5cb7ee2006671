"""The same numbers of each set-up in every study: everything at its median, at its target, in still air."""

from collections.abc import Mapping, Sequence

import numpy as np
import xarray as xr

from jetsim.equipment.department import Department, SetUp
from jetsim.equipment.learnt import Learnt
from jetsim.equipment.model import DELIVERED, NEEDED
from jetsim.equipment.spaces import inputs_of, model_of
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.tables import Column, Table

# Name in the table to result of the model.
QUANTITIES_TOLD = {
    "flow_rate": "flow_rate",
    "nozzle_pressure": DELIVERED,
    "pump_pressure": NEEDED,
    "reaction_force": "reaction_force",
    "breakup_distance": "breakup_distance",
    "effective_reach_at_best": "effective_reach_at_best",
    "extreme_reach": "extreme_reach",
}
STILL = {"wind_along": 0.0, "wind_across": 0.0}


def middle_of(setup: SetUp, learnt: Learnt | None) -> dict[str, float]:
    """Results of a set-up, by name of the table, SI; a pump pressure without a line is NaN.

    By the department's file, what it learnt and the table of beliefs: what a question overrides or varies does not
    count, so every study tells the same.
    """
    inputs = inputs_of(setup, learnt=learnt)
    model = model_of(setup, inputs)
    outputs = tuple(QUANTITIES_TOLD.values())
    still = type(model)(setup, {**model.fixed, **STILL}, outputs)
    result = still(xr.Dataset({"wind_along": ("sample", np.zeros(1))}))
    return {name: float(result[source].values[0]) for name, source in QUANTITIES_TOLD.items()}


def setups_table(department: Department, setups: Sequence[SetUp], learnt: Learnt | None) -> Table:
    """Flow, pressures, reaction and distances of each set-up at its target."""
    return told({setup.label: middle_of(setup, learnt) for setup in setups})


def told(middles: Mapping[str, Mapping[str, float]]) -> Table:
    """The table, from what `middle_of` gives for each label."""
    rows = [(label, name, value) for label, middle in middles.items() for name, value in middle.items()]
    labels, names, values = (list(column) for column in zip(*rows, strict=True))
    sources = [QUANTITIES_TOLD[str(name)] for name in names]
    columns = [Column("setup", labels, "", "set-up"), Column("quantity", names, "", "quantity")]
    systems: tuple[tuple[UnitSystem, str], ...] = (("us", "US"), ("si", "metric"))
    for system, head in systems:
        units = [display.unit_label(name, system) for name in sources]
        shown = [float(display.convert(n, v, system)) for n, v in zip(sources, values, strict=True)]
        columns += [Column(f"unit [{head}]", units, "", f"unit, {head}"), Column(f"value [{head}]", shown, "", head)]
    caption = (
        "Everything at its median, each set-up at its own target, at the site's elevation and in still air, by the "
        "department's file and the package's beliefs alone. Effective reach is that at the best elevation of at most "
        "10 deg; in still air it reads above handbook tables, which are for moderate wind. The same in every study."
    )
    return Table("setups", "The set-ups at their targets", tuple(columns), caption)
