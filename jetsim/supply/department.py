"""A department's nozzles, hose, lines, pump and crew, read from the tables of a study file."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from jetsim import published
from jetsim.errors import InputError
from jetsim.experiment.parameters import BASES
from jetsim.experiment.tables import Table, read_measure
from jetsim.hydraulics.automatic import STANDARD_DRIFT, ConstantPressure
from jetsim.hydraulics.believed import Deviation
from jetsim.hydraulics.crew import FORMULAS, HandlingLimits
from jetsim.hydraulics.hoseline import (
    HANDBOOK_APPLIANCE,
    HANDBOOK_MASTER_STREAM_DEVICE,
    HazenWilliamsSection,
    Hose,
    HoseLine,
    HoseSection,
    LocalLoss,
    StepLoss,
)
from jetsim.hydraulics.nozzle_kinds import (
    FOG_DIAMETER_RATIO,
    FOG_VELOCITY_COEFFICIENT,
    ConstantFlow,
    Nozzle,
    SelectableFlow,
    SmoothBore,
)
from jetsim.hydraulics.required_pressure import RequiredPressure, Supply, required_pump_pressure
from jetsim.quantities import did_you_mean, quantity

_PLAIN_NAME = re.compile(r"[a-z0-9][a-z0-9_]*")
# A breakup length belongs to the nozzle that it was measured on.
BREAKUP_LENGTH = "breakup_length"
TABLES = ("nozzles", "hoses", "lines", "pump", "crew", "mistakes")
_RULES = {"handbook appliance": HANDBOOK_APPLIANCE, "handbook master stream device": HANDBOOK_MASTER_STREAM_DEVICE}


@dataclass(frozen=True, eq=False)
class NozzleEntry:
    """A nozzle of the department, and what it is to be pumped for.

    Attributes
    ----------
    name, label : str
    nozzle : Nozzle
    target : mapping
        ``{"nozzle_pressure": Pa}`` or ``{"flow": m3/s}``.
    breakup_length : float or None
        Measured along the stream of this nozzle [m]; estimated where there is none.
    """

    name: str
    label: str
    nozzle: Nozzle
    target: Mapping[str, float]
    breakup_length: float | None = None

    def required(self, line: HoseLine, nozzle: Nozzle | None = None, supply: Supply | None = None) -> RequiredPressure:
        """Pump pressure for the target behind a line; `nozzle` may be the same one worn."""
        return required_pump_pressure(line, nozzle or self.nozzle, **self.target, supply=supply)


@dataclass(frozen=True, eq=False)
class LineEntry:
    """A line of the department."""

    name: str
    label: str
    line: HoseLine


@dataclass(frozen=True)
class Crew:
    """How many firefighters hold the line, and the stated limits."""

    firefighters: int
    limits: HandlingLimits

    @property
    def limit(self) -> float:
        """Stated limit for this crew [N]."""
        return self.limits.limit(self.firefighters)


@dataclass(frozen=True, eq=False)
class Department:
    """Everything between the water and the crew.

    Attributes
    ----------
    nozzles : tuple of NozzleEntry
    lines : tuple of LineEntry
    pump : Supply
    crew : Crew
    mistakes : mapping of str to Deviation
        Words to what is not as believed.
    hose_sources : mapping of str to str
        Label of each hose to basis and source of its coefficient.
    """

    nozzles: tuple[NozzleEntry, ...]
    lines: tuple[LineEntry, ...]
    pump: Supply
    crew: Crew
    mistakes: Mapping[str, Deviation]
    hose_sources: Mapping[str, str]


def read_department(content: Mapping[str, Any]) -> Department:
    """Read a department from the further tables of a study file.

    Parameters
    ----------
    content : mapping
        Raw tables ``nozzles``, ``hoses``, ``lines``, ``pump``, ``crew`` and, if wanted, ``mistakes``.

    Returns
    -------
    Department

    Raises
    ------
    InputError
        One line: the dotted name of the place, the value, and what is allowed.
    """
    top = Table("", content)
    hoses = {table.path.partition(".")[2]: _hose_maker(table) for table in _named_tables(top, "hoses")}
    sources = {_label(t): f"{t.option('basis', BASES)}: {t.text('source')}" for t in _named_tables(top, "hoses")}
    return Department(
        tuple(_nozzle(table) for table in _named_tables(top, "nozzles")),
        tuple(_line(table, hoses) for table in _named_tables(top, "lines")),
        _pump(top.table("pump") if "pump" in top else _missing("pump")),
        _crew(top.table("crew") if "crew" in top else _missing("crew")),
        dict(_mistake(table) for table in top.tables("mistakes")),
        sources,
    )


def _missing(name: str) -> Table:
    raise InputError(f"{name} is missing: the study needs a table [{name}]")


def _named_tables(top: Table, name: str) -> list[Table]:
    tables = top.tables(name)
    if not tables:
        raise InputError(f"{name} is missing: the study needs one table [{name}.NAME] or more")
    for table in tables:
        if not _PLAIN_NAME.fullmatch(table.path.partition(".")[2]):
            raise InputError(
                f"{table.path}: a name holds lower-case letters, digits and underscores; use label for more"
            )
    return tables


def _label(table: Table) -> str:
    return table.text("label", table.path.rpartition(".")[2].replace("_", " "))


def measure(table: Table, key: str, name: str, default: float | None = None) -> float:
    """A value of quantity `name` with its unit, SI; `default` where the key is missing."""
    if default is not None and key not in table:
        return default
    return table.measure(key, quantity(name).dimension).check(name)


def _optional(table: Table, key: str, name: str) -> float | None:
    return measure(table, key, name) if key in table else None


def _placed(table: Table, build: Callable[[], Any]) -> Any:
    """Build, naming the table in an error about values that do not fit together."""
    try:
        return build()
    except InputError as error:
        text = str(error)
        raise InputError(text if text.startswith(table.path) else f"{table.path}: {text}") from None


# --------------------------------------------------------------------------------------------------------
# Nozzles

_TARGETS = ("target_pressure", "target_flow")
_COMMON = ("label", "kind", "maximum_pressure", BREAKUP_LENGTH, *_TARGETS)
_FOG = ("velocity_coefficient", "equivalent_diameter_ratio")


def _nozzle(table: Table) -> NozzleEntry:
    kind = table.option("kind", tuple(_KINDS))
    keys, build = _KINDS[kind]
    table.only((*_COMMON, *keys))
    nozzle: Nozzle = _placed(table, lambda: build(table))
    measured = _optional(table, BREAKUP_LENGTH, BREAKUP_LENGTH)
    return NozzleEntry(table.path.partition(".")[2], _label(table), nozzle, _target(table), measured)


def _target(table: Table) -> dict[str, float]:
    given = [key for key in _TARGETS if key in table]
    if len(given) != 1:
        raise InputError(f"{table.path}: give either target_pressure or target_flow")
    if given == ["target_flow"]:
        return {"flow": measure(table, "target_flow", "supply.rated_flow")}
    return {"nozzle_pressure": measure(table, "target_pressure", "nozzle_pressure")}


def _smooth_bore(table: Table) -> SmoothBore:
    return SmoothBore(
        measure(table, "tip_diameter", "tip_diameter"),
        measure(table, "discharge_coefficient", "discharge_coefficient", 0.975),
        _optional(table, "velocity_coefficient", "velocity_coefficient"),
        _maximum(table),
    )


def _maximum(table: Table) -> float | None:
    return _optional(table, "maximum_pressure", "supply.maximum_pressure")


def _fog_members(table: Table) -> dict[str, float | None]:
    return {
        "velocity_coefficient": measure(table, _FOG[0], _FOG[0], FOG_VELOCITY_COEFFICIENT),
        "equivalent_diameter_ratio": measure(table, _FOG[1], _FOG[1], FOG_DIAMETER_RATIO),
        "maximum_pressure": _maximum(table),
    }


def _constant_flow(table: Table) -> ConstantFlow:
    flow, pressure = (measure(table, key, f"supply.{key}") for key in ("rated_flow", "rated_pressure"))
    return ConstantFlow(flow, pressure, **_fog_members(table))  # type: ignore[arg-type] # only the maximum may be None


def _selectable_flow(table: Table) -> SelectableFlow:
    raws = table.sequence("settings")
    place = table.place("settings")
    flows = tuple(read_measure(f"{place}[{i}]", raw, "flow").check("supply.rated_flow") for i, raw in enumerate(raws))
    pressure = measure(table, "rated_pressure", "supply.rated_pressure")
    ring = SelectableFlow(flows, pressure, 0, **_fog_members(table))  # type: ignore[arg-type] # as above
    return ring.select(measure(table, "setting", "supply.rated_flow"))


def _constant_pressure(table: Table) -> ConstantPressure:
    return ConstantPressure(
        measure(table, "rated_pressure", "supply.rated_pressure"),
        measure(table, "lowest_flow", "supply.rated_flow"),
        measure(table, "highest_flow", "supply.rated_flow"),
        measure(table, "drift", "supply.pressure_drift", STANDARD_DRIFT),
        **_fog_members(table),  # type: ignore[arg-type] # as above
    )


_KINDS: dict[str, tuple[tuple[str, ...], Callable[[Table], Nozzle]]] = {
    "smooth bore": (("tip_diameter", "discharge_coefficient", "velocity_coefficient"), _smooth_bore),
    "constant flow": (("rated_flow", "rated_pressure", *_FOG), _constant_flow),
    "selectable flow": (("settings", "setting", "rated_pressure", *_FOG), _selectable_flow),
    "constant pressure": (("rated_pressure", "lowest_flow", "highest_flow", "drift", *_FOG), _constant_pressure),
}

# --------------------------------------------------------------------------------------------------------
# Hose and lines

_HOSE = ("label", "diameter", "coefficient_scatter", "maximum_pressure", "basis", "source")
_LAWS: dict[str, tuple[type[HoseSection] | type[HazenWilliamsSection], str]] = {
    "coefficient": (HoseSection, "hose_coefficient"),
    "hazen_williams_coefficient": (HazenWilliamsSection, "hazen_williams_coefficient"),
}
HoseMaker = Callable[[float, int, int], Hose]


def _hose_maker(table: Table) -> HoseMaker:
    """Read a hose; gives a function that cuts a section of it: length [m], lines, nozzles fed."""
    table.only((*_HOSE, *_LAWS))
    given = [key for key in _LAWS if key in table]
    if len(given) != 1:
        raise InputError(f"{table.path}: give either {' or '.join(_LAWS)}")
    kind, name = _LAWS[given[0]]
    diameter = measure(table, "diameter", "supply.hose_diameter")
    coefficient = measure(table, given[0], f"supply.{name}")
    scatter = measure(table, "coefficient_scatter", "supply.coefficient_scatter", 0.0)
    maximum = _maximum(table)

    def cut(length: float, lines: int, nozzles_fed: int) -> Hose:
        return kind(diameter, length, coefficient, scatter, lines, nozzles_fed, maximum)

    return cut


def _line(table: Table, hoses: Mapping[str, HoseMaker]) -> LineEntry:
    table.only(("label", "sections", "losses", "rise"))
    sections = [_section(part, hoses) for part in _parts(table, "sections")]
    losses = [_loss(part) for part in _parts(table, "losses")] if "losses" in table else []
    line: HoseLine = _placed(table, lambda: HoseLine(sections, losses, measure(table, "rise", "supply.rise", 0.0)))
    return LineEntry(table.path.partition(".")[2], _label(table), line)


def _parts(table: Table, key: str) -> list[Table]:
    parts = []
    for index, raw in enumerate(table.sequence(key)):
        place = f"{table.place(key)}[{index}]"
        if not isinstance(raw, Mapping):
            raise InputError(f"{place} = {raw!r}: must be a table, as in {{ hose = ..., length = ... }}")
        parts.append(Table(place, raw))
    return parts


def _counts(table: Table) -> tuple[int, int]:
    return table.integer("lines", 1, 4, 1), table.integer("nozzles_fed", 1, 4, 1)


def _section(table: Table, hoses: Mapping[str, HoseMaker]) -> Hose:
    table.only(("hose", "length", "lines", "nozzles_fed"))
    name = table.text("hose")
    if name not in hoses:
        raise table.refuse("hose", f"there is no table [hoses.{name}]{did_you_mean(name, hoses)}")
    return hoses[name](measure(table, "length", "supply.hose_length"), *_counts(table))


def _loss(table: Table) -> LocalLoss | StepLoss:
    if "rule" in table:
        table.only(("rule",))
        return _RULES[table.option("rule", tuple(_RULES))]
    table.only(("loss_coefficient", "diameter", "count", "lines", "nozzles_fed"))
    coefficient = measure(table, "loss_coefficient", "supply.loss_coefficient")
    diameter = measure(table, "diameter", "supply.hose_diameter")
    return LocalLoss(coefficient, diameter, table.integer("count", 0, 100, 1), *_counts(table))


# --------------------------------------------------------------------------------------------------------
# Pump, crew and mistakes


def _pump(table: Table) -> Supply:
    table.only(("maximum_pressure", "maximum_flow"))
    flow = _optional(table, "maximum_flow", "supply.pump_flow")
    return Supply(measure(table, "maximum_pressure", "supply.pump_pressure"), flow)


def _crew(table: Table) -> Crew:
    table.only(("firefighters", "limits"))
    limits = _own_limits(table.table("limits")) if isinstance(table.get("limits"), Mapping) else _known_limits(table)
    firefighters = table.integer("firefighters", 1, 20)
    if firefighters not in limits.forces:
        raise table.refuse("firefighters", f"{limits.name} states limits for {', '.join(map(str, limits.numbers))}")
    return Crew(firefighters, limits)


def _known_limits(table: Table) -> HandlingLimits:
    name = table.option("limits", tuple(published.HANDLING_LIMITS))
    known = published.HANDLING_LIMITS[name]
    return HandlingLimits(name, known.forces, str(known.source))


def _own_limits(table: Table) -> HandlingLimits:
    counts = [key for key in table.content if key not in ("source", "formula")]
    for key in counts:
        if not key.isdecimal():
            raise InputError(f"{table.place(key)}: must be a number of firefighters, as in \"2\" = '75 lbf'")
    forces = {int(key): measure(table, key, "supply.handling_limit") for key in counts}
    formula = table.option("formula", tuple(FORMULAS), "handbook")
    return HandlingLimits("the department", forces, table.text("source"), formula)


def _mistake(table: Table) -> tuple[str, Deviation]:
    names = [item.name for item in fields(Deviation)]
    table.only(("label", *names))
    given = {name: measure(table, name, f"supply.{name}") for name in names if name in table}
    if not given:
        raise InputError(f"{table.path}: is empty: name one of {', '.join(names)}")
    return _label(table), _placed(table, lambda: Deviation(**given))
