"""The study file of a field test: set-ups, match, site, scatter, instruments and what is not known."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

from jetsim.errors import InputError
from jetsim.experiment.digests import digest
from jetsim.experiment.distributions import Distribution
from jetsim.experiment.studyfile import read_distribution
from jetsim.experiment.tables import Table, load_toml
from jetsim.jet.turbulence import valve_style
from jetsim.quantities import UnitSystem, did_you_mean, quantity

CONDITIONS = {
    "nozzle pressure": "nozzle_pressure",
    "pump pressure": "supply.pump_pressure",
    "flow": "flow_rate",
    "reaction": "reaction_force",
}
MEASURED = {"farthest drops": "extreme_reach", "breakup distance": "breakup_distance"}
SHARED = {
    "drop_scale": "flight_constants.drop_scale",
    "breakup_scale": "breakup_constants.scale",
    "breakup_exponent": "breakup_constants.turbulence_exponent",
    "clear_turbulence": "clear_turbulence_intensity",
    "air_spread": "flight_constants.spread",
    "quality_exponent": "flight_constants.quality_exponent",
    **{
        name: f"trial.{name}"
        for name in (
            "observed_onset",
            "style_spread",
            "gauge_error",
            "meter_error",
            "wind_error",
            "reach_scatter",
            "breakup_scatter",
        )
    },
}
FACTOR = "valve_turbulence_factor"
CRITERIA = {
    "reach": "extreme_reach",
    "flow": "flow_rate",
    "reaction": "reaction_force",
    "breakup": "breakup_distance",
}
ELEVATIONS = (0.0, 80.0)  # of a throw [deg], as in the sheet
_TABLES = ("match", "wanted", "site", "scatter", "instruments", "shutoffs", "nozzles", "lines", "setups", "shared")
_TOP = ("title", "scenario", "units", "seed", "weights", "scales", *_TABLES)
_SITE = {
    "elevation": "elevation",
    "nozzle_height": "nozzle_height",
    "throw_bearing": "",
    "mark_spacing": "supply.hose_length",
    "last_mark": "supply.hose_length",
    "largest_wind": "wind_along",
    "air_temperature": "air_temperature",
    "water_temperature": "water_temperature",
}
_SCATTER = {
    "nozzle_pressure": "nozzle_pressure",
    "elevation": "elevation",
    "wind_between_blocks": "wind_along",
    "wind_within_block": "wind_along",
}
_INSTRUMENTS = {
    "mark_reading": "extreme_reach",
    "breakup_reading": "extreme_reach",
    "nozzle_pressure": "nozzle_pressure",
    "pump_pressure": "supply.pump_pressure",
    "flow": "flow_rate",
    "reaction": "reaction_force",
    "wind": "wind_along",
}


@dataclass(frozen=True)
class Nozzle:
    """A nozzle: smooth bore of stated tip, or fog nozzle of stated rating; SI. `coherence` is None for a bore."""

    name: str
    label: str
    tip_diameter: float
    rated_flow: float
    rated_pressure: float
    discharge: Distribution
    coherence: Distribution | None

    @property
    def is_fog(self) -> bool:
        """Whether it is a fog nozzle on straight stream."""
        return self.coherence is not None


@dataclass(frozen=True)
class Shutoff:
    """A shutoff with the prior of its turbulence factor and what that rests on."""

    name: str
    label: str
    factor: Distribution
    basis: str


@dataclass(frozen=True)
class Line:
    """A hose line: length [m] and the prior of its hose coefficient."""

    name: str
    label: str
    length: float
    coefficient: Distribution


@dataclass(frozen=True)
class SetUp:
    """A nozzle behind a shutoff at the end of a line."""

    name: str
    label: str
    nozzle: Nozzle
    shutoff: Shutoff
    line: Line


@dataclass(frozen=True)
class Wanted:
    """What the test must find: the measured quantity, the difference [m], power and false alarm."""

    measured: str
    difference: float
    power: float
    false_alarm: float

    @property
    def quantity(self) -> str:
        """Name of the model's result."""
        return MEASURED[self.measured]


@dataclass(frozen=True)
class FieldTest:
    """A field test as its study file states it. SI; `site`, `scatter` and `instruments` by key of the file."""

    title: str
    scenario: str
    units: UnitSystem
    seed: int
    condition: str
    matched: float
    tolerance: float
    wanted: Wanted
    site: Mapping[str, float]
    scatter: Mapping[str, float]
    instruments: Mapping[str, float]
    setups: tuple[SetUp, ...]
    shared: Mapping[str, Distribution]
    weights: Mapping[str, float]
    scales: Mapping[str, float]

    @property
    def labels(self) -> dict[str, str]:
        """Name of each set-up to its label."""
        return {setup.name: setup.label for setup in self.setups}

    @property
    def definition(self) -> str:
        """Digest of all that gives the unknowns their meaning: equipment, priors, scatter, instruments and site.

        Words, the match, what is wanted, the weights and the seed may change without another meaning.
        """
        parts_of = [(s.name, *(replace(part, label="") for part in (s.nozzle, s.shutoff, s.line))) for s in self.setups]
        parts = [parts_of, *(sorted(m.items()) for m in (self.shared, self.site, self.scatter, self.instruments))]
        return digest([repr(part) for part in parts])


def read_field_test(path: Path) -> FieldTest:
    """Read the study file of a field test.

    Raises
    ------
    InputError
        The file cannot be read, or a value cannot be used; the message names its place in the file.
    """
    content = load_toml(path)
    try:
        return _field_test(Table("", content))
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def _field_test(top: Table) -> FieldTest:
    top.only(_TOP)
    match = top.table("match")
    match.only(("condition", "value", "tolerance"))
    condition = match.option("condition", tuple(CONDITIONS))
    return FieldTest(
        top.text("title"),
        top.text("scenario", ""),
        cast(UnitSystem, top.option("units", ("us", "si"), "us")),
        top.integer("seed", 0, 2**63 - 1),
        condition,
        _positive(match, "value", CONDITIONS[condition]),
        _share(match, "tolerance", 0.5),
        _wanted(top.table("wanted")),
        _site(top.table("site")),
        _spreads(top.table("scatter"), _SCATTER),
        _spreads(top.table("instruments"), _INSTRUMENTS),
        _setups(top),
        _shared(top.table("shared")),
        weights := _weights(top.table("weights")),
        _scales(top.table("scales"), weights),
    )


def _positive(table: Table, key: str, name: str) -> float:
    """A measure above zero and inside the range of quantity `name`."""
    measure = table.measure(key, quantity(name).dimension)
    if measure.si <= 0:
        raise table.refuse(key, "must be above 0")
    if quantity(name).role != "output":
        measure.check(name)
    return measure.si


def _share(table: Table, key: str, high: float) -> float:
    value = table.number(key)
    if not 0 < value < high:
        raise table.refuse(key, f"allowed is above 0 to below {high:g}")
    return value


def _wanted(table: Table) -> Wanted:
    table.only(("measured", "difference", "power", "false_alarm"))
    measured = table.option("measured", tuple(MEASURED))
    wanted = Wanted(
        measured,
        _positive(table, "difference", "extreme_reach"),
        _share(table, "power", 1),
        _share(table, "false_alarm", 0.5),
    )
    if wanted.power <= wanted.false_alarm:
        raise table.refuse("power", "must be above false_alarm")
    return wanted


def _site(table: Table) -> dict[str, float]:
    table.only(_SITE)
    found = {key: _site_value(table, key, name) for key, name in _SITE.items()}
    for key in ("mark_spacing", "last_mark", "largest_wind"):
        if found[key] <= 0:
            raise table.refuse(key, "must be above 0")
    if not ELEVATIONS[0] <= found["elevation"] <= ELEVATIONS[1]:
        raise table.refuse("elevation", f"allowed is {ELEVATIONS[0]:g} to {ELEVATIONS[1]:g} deg")
    if found["last_mark"] < 2 * found["mark_spacing"]:
        raise table.refuse("last_mark", "must hold at least two marks")
    if found["last_mark"] > 60 * found["mark_spacing"]:
        raise table.refuse("last_mark", "is more than 60 marks away: check mark_spacing")
    return found


def _site_value(table: Table, key: str, name: str) -> float:
    if name:
        return table.measure(key, quantity(name).dimension).check(name)
    bearing = table.measure(key, "angle").si
    if not 0 <= bearing <= 360:
        raise table.refuse(key, "allowed is 0 to 360 deg")
    return bearing


def _spreads(table: Table, names: Mapping[str, str]) -> dict[str, float]:
    table.only(names)
    found = {key: table.measure(key, quantity(name).dimension).interval for key, name in names.items()}
    for key, value in found.items():
        if value <= 0:
            raise table.refuse(key, "must be above 0")
    return found


def _setups(top: Table) -> tuple[SetUp, ...]:
    nozzles = {_name(table): _nozzle(table) for table in top.tables("nozzles")}
    shutoffs = {_name(table): _shutoff(table) for table in top.tables("shutoffs")}
    lines = {_name(table): _line(table) for table in top.tables("lines")}
    setups = tuple(_setup(table, nozzles, shutoffs, lines) for table in top.tables("setups"))
    if not 2 <= len(setups) <= 8:
        raise InputError(f"setups: {len(setups)} given: allowed is 2 to 8")
    for kind, entries in (("nozzle", nozzles), ("shutoff", shutoffs), ("line", lines)):
        unused = entries.keys() - {getattr(setup, kind).name for setup in setups}
        if unused:
            raise InputError(f"{kind}s.{min(unused)}: no set-up uses it")
        _labels_differ(f"{kind}s", list(entries.values()))
    _labels_differ("setups", setups)
    return setups


def _name(table: Table) -> str:
    """The name of an entry, which also names columns and files."""
    name = table.path.partition(".")[2]
    if not (name.isascii() and name.replace("_", "").isalnum() and name == name.lower()):
        raise InputError(f"{table.path}: a name holds only small letters, digits and underscores; the rest into label")
    return name


def _labels_differ(kind: str, entries: Sequence[Any]) -> None:
    """Refuse two entries with one label: figures and tables could not tell them apart."""
    seen: dict[str, str] = {}
    for entry in entries:
        if entry.label in seen:
            raise InputError(f"{kind}.{entry.name}.label = {entry.label!r}: is also the label of "
                             f"{kind}.{seen[entry.label]}; give each its own")  # fmt: skip
        seen[entry.label] = entry.name


def _setup(
    table: Table, nozzles: Mapping[str, Nozzle], shutoffs: Mapping[str, Shutoff], lines: Mapping[str, Line]
) -> SetUp:
    table.only(("label", "nozzle", "shutoff", "line"))
    return SetUp(
        _name(table),
        table.text("label"),
        _look_up(table, "nozzle", nozzles),
        _look_up(table, "shutoff", shutoffs),
        _look_up(table, "line", lines),
    )


def _look_up(table: Table, key: str, known: Mapping[str, Any]) -> Any:
    name = table.text(key)
    if name not in known:
        raise table.refuse(key, f"there is no [{key}s.{name}]{did_you_mean(name, known)}")
    return known[name]


def _prior(table: Table, key: str, name: str) -> Distribution:
    return read_distribution(table.table(key), name)[0]


def _nozzle(table: Table) -> Nozzle:
    name = _name(table)
    fog = table.option("kind", ("smooth bore", "fog")) == "fog"
    own = ("rated_flow", "rated_pressure", "equivalent_diameter_ratio") if fog else ("tip_diameter",)
    table.only(("kind", "label", "discharge_coefficient", *own))
    discharge = _prior(table, "discharge_coefficient", "discharge_coefficient")
    if not fog:
        tip = _positive(table, "tip_diameter", "tip_diameter")
        label = table.text("label", f"smooth bore {table.content['tip_diameter']}")
        return Nozzle(name, label, tip, 0.0, 0.0, discharge, None)
    return Nozzle(
        name,
        table.text("label", f"fog {table.get('rated_flow')} at {table.get('rated_pressure')}"),
        0.0,
        _positive(table, "rated_flow", "supply.rated_flow"),
        _positive(table, "rated_pressure", "supply.rated_pressure"),
        discharge,
        _prior(table, "equivalent_diameter_ratio", "equivalent_diameter_ratio"),
    )


def _shutoff(table: Table) -> Shutoff:
    name = _name(table)
    table.only(("label", "style", "valve_turbulence_factor"))
    label = table.text("label", name.replace("_", " "))
    if ("style" in table) == ("valve_turbulence_factor" in table):
        raise InputError(f"{table.path}: give either style or valve_turbulence_factor")
    if "style" in table:
        try:
            style = valve_style(table.text("style"))
        except InputError as error:
            raise table.refuse("style", str(error)) from None
        factor = read_distribution(Table(table.path, style.factor), "valve_turbulence_factor")[0]
        return Shutoff(name, label, factor, style.basis)
    factor = _prior(table, "valve_turbulence_factor", "valve_turbulence_factor")
    return Shutoff(name, label, factor, "as the study file states")


def _line(table: Table) -> Line:
    table.only(("label", "hose_length", "hose_coefficient"))
    name = _name(table)
    length = _positive(table, "hose_length", "supply.hose_length")
    label = table.text("label", f"{name.replace('_', ' ')} line")
    return Line(name, label, length, _prior(table, "hose_coefficient", "supply.hose_coefficient"))


def _shared(table: Table) -> dict[str, Distribution]:
    table.only(SHARED)
    return {key: _prior(table, key, name) for key, name in SHARED.items()}


def _weights(table: Table) -> dict[str, float]:
    table.only(CRITERIA)
    found = {key: table.number(key) for key in table.content}
    for key, value in found.items():
        if not 0 <= value <= 1000:
            raise table.refuse(key, "allowed is 0 to 1000")
    if sum(found.values()) <= 0:
        raise InputError("weights: at least one must be above 0")
    return found


def _scales(table: Table, weights: Mapping[str, float]) -> dict[str, float]:
    """What difference of each weighed criterion counts one point, SI."""
    table.only(CRITERIA)
    found = {
        key: table.measure(key, quantity(CRITERIA[key]).dimension).interval for key in {**weights, **table.content}
    }
    for key, value in found.items():
        if value <= 0:
            raise table.refuse(key, "must be above 0")
    return found
