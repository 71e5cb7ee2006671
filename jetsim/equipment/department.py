"""A department: what it owns, who throws, where, and the set-ups that it asks about."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from jetsim import published
from jetsim.equipment.lines import HoseEntry, LineEntry, PumpEntry
from jetsim.equipment.nozzles import AnyNozzle, Entry, NozzleEntry
from jetsim.equipment.reading import Name, Of, Part, Stated, Text, read_model
from jetsim.errors import InputError, InputFileError, shown
from jetsim.hydraulics.crew import HandlingLimits
from jetsim.hydraulics.hoseline import HoseLine
from jetsim.jet.turbulence import VALVE_STYLES
from jetsim.quantities import UnitSystem, did_you_mean
from jetsim.toml import load_toml

LEARNT = "learnt"
_QUOTES = "'\""


class ShutoffEntry(Entry):
    """A shutoff: by a named (assumed) style, or by its own turbulence factor."""

    style: Literal["full ball", "cut-away ball", "slide", "plunger"] | None = None
    valve_turbulence_factor: Annotated[Stated | None, Of("valve_turbulence_factor")] = None
    label: Text | None = None

    @model_validator(mode="after")
    def _one_statement(self) -> "ShutoffEntry":
        if (self.style is None) == (self.valve_turbulence_factor is None):
            raise InputError("give either style or valve_turbulence_factor")
        return self


assert tuple(VALVE_STYLES) == ("full ball", "cut-away ball", "slide", "plunger"), "as ShutoffEntry.style lists them"


class LimitsEntry(Part):
    """The department's own stated limits by number of firefighters."""

    forces: dict[Annotated[str, Field(pattern="^[0-9]+$")], Annotated[float, Of("supply.handling_limit")]]
    source: Text
    formula: Literal["handbook", "own reaction"] = "handbook"


class CrewEntry(Part):
    """How many firefighters hold the line, and who states their limits."""

    firefighters: Annotated[int, Field(ge=1, le=20)]
    limits: Text | LimitsEntry | None = None
    label: Text | None = None


class InstrumentsEntry(Part):
    """Standard deviations of one reading each."""

    mark_reading: Annotated[float | None, Of("extreme_reach", spread=True)] = None
    breakup_reading: Annotated[float | None, Of("extreme_reach", spread=True)] = None
    nozzle_pressure: Annotated[float | None, Of("nozzle_pressure", spread=True)] = None
    pump_pressure: Annotated[float | None, Of("supply.pump_pressure", spread=True)] = None
    flow: Annotated[float | None, Of("flow_rate", spread=True)] = None
    reaction: Annotated[float | None, Of("reaction_force", spread=True)] = None


class SiteEntry(Entry):
    """Where and in what weather streams are thrown."""

    elevation: Annotated[Stated, Of("elevation")] = Stated(30.0, unit="deg")
    nozzle_height: Annotated[Stated, Of("nozzle_height")] = Stated(1.2192, unit="ft")
    air_temperature: Annotated[Stated | None, Of("air_temperature")] = None
    water_temperature: Annotated[Stated | None, Of("water_temperature")] = None
    air_pressure: Annotated[Stated | None, Of("air_pressure")] = None
    wind_along: Annotated[Stated | None, Of("wind_along")] = None
    wind_across: Annotated[Stated | None, Of("wind_across")] = None


class SetUpEntry(Entry):
    """A nozzle behind a shutoff on a line, held by a crew, with its target and what was measured on it."""

    nozzle: Name
    label: Text | None = None
    shutoff: Name | None = None
    line: Name | None = None
    crew: Name | None = None
    target_pressure: Annotated[float | None, Of("nozzle_pressure")] = None
    target_flow: Annotated[float | None, Of("supply.rated_flow")] = None
    breakup_length: Annotated[Stated | None, Of("breakup_length")] = None
    discharge_coefficient: Annotated[Stated | None, Of("discharge_coefficient")] = None
    valve_turbulence_factor: Annotated[Stated | None, Of("valve_turbulence_factor")] = None


class LearntEntry(Part):
    """What a calibration found: a file of joint draws beside the department's, and what it belongs to."""

    posterior: Text
    hash: Text


class DepartmentFile(Part):
    """The department file as a whole."""

    name: Text
    units: Literal["us", "si"] = "us"
    scenario: Text | None = None
    pumps: dict[Name, PumpEntry] = {}
    hoses: dict[Name, HoseEntry] = {}
    lines: dict[Name, LineEntry] = {}
    nozzles: Annotated[dict[Name, AnyNozzle], Field(min_length=1)]
    shutoffs: dict[Name, ShutoffEntry] = {}
    crews: dict[Name, CrewEntry] = {}
    instruments: InstrumentsEntry = InstrumentsEntry()
    site: SiteEntry = SiteEntry()
    setups: Annotated[dict[Name, SetUpEntry], Field(min_length=1)]
    learnt: LearntEntry | None = None


# --------------------------------------------------------------------------------------------------------
# What the rest of the house works with


@dataclass(frozen=True)
class Crew:
    """How many firefighters hold the line, and the stated limits, if any."""

    label: str
    firefighters: int
    limits: HandlingLimits | None

    @property
    def limit(self) -> float | None:
        """Stated limit for this crew [N]; None where nobody states one."""
        return None if self.limits is None else self.limits.limit(self.firefighters)


@dataclass(frozen=True, eq=False)
class SetUp:
    """A nozzle behind a shutoff on a line, held by a crew.

    Attributes
    ----------
    name, label : str
    owners : mapping of str to str
        ``nozzle``, ``shutoff``, ``line``, ``crew`` to the name of the department's entry; only those that it has.
    nozzle : NozzleEntry
    shutoff : ShutoffEntry or None
    line : LineEntry or None
    hoses : mapping of str to HoseEntry
    pump : PumpEntry or None
    crew : Crew or None
    site : SiteEntry
    target : mapping
        ``{"nozzle_pressure": Pa}`` or ``{"flow": m3/s}``.
    measured : mapping of str to Stated
        Quantity to what was measured on this set-up.
    labels : mapping of str to str
        ``nozzle``, ``shutoff``, ``line`` in words.
    """

    name: str
    label: str
    owners: Mapping[str, str]
    nozzle: NozzleEntry
    shutoff: ShutoffEntry | None
    line: LineEntry | None
    hoses: Mapping[str, HoseEntry]
    pump: PumpEntry | None
    crew: Crew | None
    site: SiteEntry
    target: Mapping[str, float]
    measured: Mapping[str, Stated]
    labels: Mapping[str, str]

    def hose_line(self, values: Mapping[str, Any]) -> HoseLine | None:
        """The line with the given values of its unknowns; None where the set-up has no line."""
        return None if self.line is None else self.line.line(self.hoses, values)


@dataclass(frozen=True, eq=False)
class Department:
    """A department as its file states it.

    Attributes
    ----------
    file : DepartmentFile
    setups : tuple of SetUp
    digest : str
        SHA-256 of what the file says, but for what was learnt: a posterior belongs to one department.
    path : Path or None
        Of the file, which relative names start from.
    content : mapping
        Raw, as the file writes it.
    """

    file: DepartmentFile
    setups: tuple[SetUp, ...]
    digest: str
    path: Path | None = None
    content: Mapping[str, Any] = field(default_factory=dict)

    @property
    def crews(self) -> dict[str, Crew]:
        """Name to crew, as the file states them."""
        return {name: _crew(name, entry) for name, entry in self.file.crews.items()}

    @property
    def units(self) -> UnitSystem:
        """How results are shown."""
        return self.file.units

    def chosen(self, names: Sequence[str] | None) -> tuple[SetUp, ...]:
        """The set-ups of the given names in that order; all of them for None.

        Raises
        ------
        InputError
            A name that the department lacks, or one named twice.
        """
        if names is None:
            return self.setups
        known = {setup.name: setup for setup in self.setups}
        for number, name in enumerate(names):
            if name not in known:
                raise InputError(f"setups = {name!r}: there is no [setups.{name}]{did_you_mean(name, known)}")
            if name in names[:number]:
                raise InputError(f"setups = {name!r}: is named twice")
        return tuple(known[name] for name in names)


def load_department(path: Path) -> Department:
    """Read a department file.

    Raises
    ------
    InputError, InputFileError
        One line for each mistake: file, dotted place, value, and what is allowed.
    """
    return read_department(load_toml(path), str(path), path)


def read_department(content: Mapping[str, Any], where: str = "department", path: Path | None = None) -> Department:
    """Read the content of a department file; `where` leads every error."""
    if "study" in content:
        raise InputError(f"{where}: is a question for {content['study']}, not a department: it states [nozzles], "
                         "[setups] and what belongs to them")  # fmt: skip
    file = read_model(content, DepartmentFile, where)
    mistakes = [*_links(file), *_labels(file), *_crews(file), *_targets(file)]
    if mistakes:
        raise InputFileError([f"{where}: {line}" for line in mistakes])
    crews = {name: _crew(name, entry) for name, entry in file.crews.items()}
    try:
        setups = tuple(_setup(name, entry, file, crews) for name, entry in file.setups.items())
    except InputError as error:
        raise InputError(f"{where}: {error}") from None
    own = {key: value for key, value in content.items() if key != LEARNT}
    digest = hashlib.sha256(json.dumps(own, sort_keys=True, default=str).encode()).hexdigest()
    return Department(file, setups, digest, path, dict(content))


def _links(file: DepartmentFile) -> list[str]:
    """Names that lead nowhere."""
    found = []

    def look(place: str, name: str | None, table: str) -> None:
        known = getattr(file, table)
        if name is not None and name not in known:
            said, near = shown(name), did_you_mean(name, known) if known else ""
            found.append(f"{place} = {said}: there is no [{table}.{said.strip(_QUOTES)}]{near}")

    for name, line in file.lines.items():
        look(f"lines.{name}.pump", line.pump, "pumps")
        for number, part in enumerate(line.sections):
            look(f"lines.{name}.sections[{number}].hose", part.hose, "hoses")
    for name, setup in file.setups.items():
        for key in ("nozzle", "shutoff", "line", "crew"):
            look(f"setups.{name}.{key}", getattr(setup, key), f"{key}s")
    return found


def _labels(file: DepartmentFile) -> list[str]:
    """Two entries with one label: figures and tables could not tell them apart."""
    found = []
    for table in ("pumps", "hoses", "lines", "nozzles", "shutoffs", "crews", "setups"):
        seen: dict[str, str] = {}
        for name, entry in getattr(file, table).items():
            label = label_of(name, entry)
            if label in seen:
                found.append(f"{table}.{name}.label = {label!r}: is also the label of {table}.{seen[label]}; "
                             "give each its own")  # fmt: skip
            seen.setdefault(label, name)
    return found


def label_of(name: str, entry: Any) -> str:
    """What reports call an entry."""
    return str(entry.label or name.replace("_", " "))


def _crews(file: DepartmentFile) -> list[str]:
    found = []
    for name, entry in file.crews.items():
        try:
            crew = _crew(name, entry)
            if crew.limits is not None:
                crew.limits.limit(crew.firefighters)
        except InputError as error:
            found.append(f"crews.{name}: {error}")
    return found


def _crew(name: str, entry: CrewEntry) -> Crew:
    limits = None
    if isinstance(entry.limits, LimitsEntry):
        forces = {int(count): force for count, force in entry.limits.forces.items()}
        limits = HandlingLimits("the department", forces, entry.limits.source, entry.limits.formula)
    elif entry.limits is not None:
        known = published.HANDLING_LIMITS
        if entry.limits not in known:
            raise InputError(f"limits = {shown(entry.limits)}: unknown{did_you_mean(entry.limits, known)}; or state "
                             "your own as a table with forces and source")  # fmt: skip
        limits = HandlingLimits(entry.limits, known[entry.limits].forces, str(known[entry.limits].source))
    return Crew(label_of(name, entry), entry.firefighters, limits)


def _targets(file: DepartmentFile) -> list[str]:
    found = []
    for name, setup in file.setups.items():
        given = (setup.target_pressure is not None) + (setup.target_flow is not None)
        nozzle = file.nozzles.get(setup.nozzle)
        if given == 2 or (given == 0 and nozzle is not None and nozzle.rated is None):
            found.append(f"setups.{name}: give either target_pressure or target_flow")
    return found


def _setup(name: str, entry: SetUpEntry, file: DepartmentFile, crews: Mapping[str, Crew]) -> SetUp:
    nozzle = file.nozzles[entry.nozzle]
    line = file.lines[entry.line] if entry.line else None
    owners = {key: getattr(entry, key) for key in ("nozzle", "shutoff", "line", "crew") if getattr(entry, key)}
    measured = entry.stated()
    target: dict[str, float] = {"nozzle_pressure": entry.target_pressure or nozzle.rated or 0.0}
    if entry.target_flow is not None:
        target = {"flow": entry.target_flow}
    return SetUp(
        name,
        label_of(name, entry),
        owners,
        nozzle,
        file.shutoffs[entry.shutoff] if entry.shutoff else None,
        line,
        file.hoses,
        file.pumps[line.pump] if line is not None and line.pump else None,
        crews[entry.crew] if entry.crew else None,
        file.site,
        target,
        measured,
        {key: label_of(owner, getattr(file, f"{key}s")[owner]) for key, owner in owners.items()},
    )
