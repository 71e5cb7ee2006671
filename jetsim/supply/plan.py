"""What a study from the pump lays out: lengths and storeys of its chart, its sweep, and what it chooses by."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from jetsim.experiment.tables import Table, read_measure
from jetsim.supply.department import measure

TABLES = ("chart", "sweep", "choice")


@dataclass(frozen=True)
class Plan:
    """What the study lays out.

    Attributes
    ----------
    lengths : tuple of float
        Of the last section, for the chart [m].
    storeys : tuple of int
    storey_height : float
        [m]
    sweep : tuple of float
        Lowest and highest pump pressure of the curves [Pa].
    target_flow : float
        That the fire is to get [m3/s].
    probability : float
        Wanted of meeting target flow and stated crew limit together.
    """

    lengths: tuple[float, ...]
    storeys: tuple[int, ...]
    storey_height: float
    sweep: tuple[float, float]
    target_flow: float
    probability: float


def read_plan(content: Mapping[str, Any]) -> Plan:
    """Read the tables ``chart``, ``sweep`` and ``choice`` of a study file.

    Raises
    ------
    InputError
        One line: the dotted name of the place, the value, and what is allowed.
    """
    top = Table("", content)
    chart, sweep, choice = (top.table(name) for name in TABLES)
    chart.only(("lengths", "storeys", "storey_height"))
    sweep.only(("low", "high"))
    choice.only(("target_flow", "probability"))
    low, high = (measure(sweep, key, "supply.pump_pressure") for key in ("low", "high"))
    if not 0 < low < high:
        raise sweep.refuse("low", f"must be above 0 and below high = {sweep.content['high']!r}")
    probability = choice.number("probability")
    if not 0 < probability < 1:
        raise choice.refuse("probability", "allowed is above 0 to below 1")
    raws = enumerate(chart.sequence("lengths"))
    return Plan(
        tuple(
            sorted(read_measure(f"chart.lengths[{i}]", raw, "length").check("supply.hose_length") for i, raw in raws)
        ),
        _storeys(chart),
        measure(chart, "storey_height", "supply.rise"),
        (low, high),
        measure(choice, "target_flow", "supply.rated_flow"),
        probability,
    )


def _storeys(chart: Table) -> tuple[int, ...]:
    numbers = chart.sequence("storeys")
    for number in numbers:
        if isinstance(number, bool) or not isinstance(number, int) or not -10 <= number <= 100:
            raise chart.refuse("storeys", "must be whole numbers from -10 to 100")
    return tuple(sorted(set(numbers)))
