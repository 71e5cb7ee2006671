"""What the tables of a study file mean: fixed values, latents, and parameters with their distributions."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from jetsim.errors import InputError
from jetsim.experiment.distributions import (
    Choice,
    Distribution,
    LogNormal,
    LogUniform,
    Normal,
    Triangular,
    Uniform,
)
from jetsim.experiment.parameters import BASES, ROLES, Latent, Parameter
from jetsim.experiment.tables import Measure, Table, read_field, read_measure
from jetsim.quantities import QUANTITIES, check_range, did_you_mean, quantity

# Distributions that have names, by the input that they are of.
Named = Mapping[str, Mapping[str, Mapping[str, Any]]]

# Keys of each distribution: those it must have, those it may have.
_KEYS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "uniform": (("low", "high"), ()),
    "triangular": (("low", "mode", "high"), ()),
    "normal": (("mean", "sd"), ("low", "high")),
    "lognormal": (("median", "ln_sd"), ("low", "high")),
    "loguniform": (("low", "high"), ()),
    "choice": (("values",), ("weights",)),
    "named": (("name",), ()),
}
_PEDIGREE = ("role", "basis", "source", "loadings", "group")
_RELATIVE = ("ln_sd",)
_SPREADS = ("sd", "ln_sd")


def read_outputs(top: Table) -> tuple[str, ...]:
    """Names of the outputs, each a known result and named once."""
    outputs = top.sequence("outputs")
    results = [name for name, q in QUANTITIES.items() if q.role != "input"]
    for name in outputs:
        if not isinstance(name, str):
            raise top.refuse("outputs", f"{name!r} is not the name of a result")
        if name in QUANTITIES and name not in results:
            raise top.refuse("outputs", f"{name!r} is an input, not a result")
        if name not in results:
            raise top.refuse("outputs", f"{name!r} is no result{did_you_mean(name, results)}")
    if len(set(outputs)) < len(outputs):
        raise top.refuse("outputs", "holds a name twice")
    return tuple(outputs)


def read_fixed(top: Table) -> dict[str, float | str]:
    """Values of the inputs that do not vary, SI."""
    if "fixed" not in top:
        return {}
    table = flat_names(top.table("fixed"))
    for name in table.content:
        check_input(name, table.place(name))
    return {name: read_field(table.place(name), raw, name) for name, raw in table.content.items()}


def read_latents(top: Table) -> tuple[Latent, ...]:
    """The shared causes."""
    return tuple(_latent(table) for table in top.tables("latents"))


def read_parameters(top: Table, named: Named | None) -> tuple[Parameter, ...]:
    """The uncertain inputs."""
    outer = flat_names(top.table("parameters"))
    if not outer.content:
        raise InputError("parameters is empty: nothing varies")
    return tuple(_parameter(name, outer.table(name), named or {}) for name in outer.content)


def flat_names(table: Table) -> Table:
    """The table with unquoted dotted constants, which TOML reads as tables in tables, put back together."""
    owners = {name.partition(".")[0] for name in QUANTITIES if "." in name}
    content: dict[str, Any] = {}
    for key, value in table.content.items():
        nested = key in owners and isinstance(value, Mapping)
        members = {f"{key}.{member}": inner for member, inner in value.items()} if nested else {key: value}
        for name in members.keys() & content.keys():
            raise InputError(f"{table.path}.{name} is given twice")
        content |= members
    return Table(table.path, content)


def check_input(name: str, place: str) -> None:
    """Refuse a name that is no input, naming the nearest one."""
    inputs = [known for known, q in QUANTITIES.items() if q.role != "output"]
    if name in inputs:
        return
    if name in QUANTITIES:
        raise InputError(f"{place}: {name!r} is a result, not an input")
    raise InputError(f"{place}: unknown input {name!r}{did_you_mean(name, inputs)}")


def _latent(table: Table) -> Latent:
    table.only(("role", "basis", "source", "group", "long_name"))
    name = table.path.partition(".")[2]
    return Latent(
        name,
        table.option("role", ROLES),
        table.option("basis", BASES),
        table.text("source"),
        table.text("group") if "group" in table else None,
        table.text("long_name", name.replace("_", " ")),
    )


def _parameter(name: str, table: Table, named: Named) -> Parameter:
    check_input(name, table.path)
    kind = table.option("distribution", tuple(_KEYS))
    if kind == "named":
        table.only(("distribution", *_KEYS[kind][0], *_PEDIGREE))
    label = table.text("name") if kind == "named" else ""
    stated = _look_up(table, label, name, named) if label else table
    distribution, unit = read_distribution(stated, name, _PEDIGREE)
    loadings = table.table("loadings") if "loadings" in table else None
    pedigree = table if not label else Table(table.path, {**_pedigree_of(stated), **table.content})
    return Parameter(
        name,
        distribution,
        pedigree.option("role", ROLES),
        pedigree.option("basis", BASES),
        pedigree.text("source"),
        unit,
        {latent: loadings.number(latent) for latent in loadings.content} if loadings else {},
        table.text("group") if "group" in table else None,
        label,
    )


def _look_up(table: Table, label: str, name: str, named: Named) -> Table:
    if name not in named:
        known = f", but of {', '.join(named)}" if named else ""
        raise table.refuse("name", f"this study knows no named distributions of {name}{known}")
    if label not in named[name]:
        raise table.refuse("name", f"unknown{did_you_mean(label, named[name])}")
    return Table(f"{table.path}.name ({label})", named[name][label])


def _pedigree_of(stated: Table) -> dict[str, Any]:
    """Basis and source of a named distribution, which hold unless the study states its own."""
    return {key: stated.content[key] for key in ("basis", "source") if key in stated}


# --------------------------------------------------------------------------------------------------------
# Distributions


def read_distribution(table: Table, name: str, beside: Iterable[str] = ("basis", "source")) -> tuple[Distribution, str]:
    """Read the distribution of quantity `name` and the label of the unit in which it is stated.

    Parameters
    ----------
    table : Table
    name : str
    beside : iterable of str, optional
        Keys that may stand beside those of the distribution.

    Raises
    ------
    InputError
        A key is unknown, missing, of the wrong unit or dimension, out of order, or reaches beyond the allowed range of
        the quantity; the message speaks in the unit of the file.
    """
    kind = table.option("distribution", tuple(_KEYS))
    if kind == "named":
        raise table.refuse("distribution", "a named distribution cannot stand here; state it")
    table.only(("distribution", *_KEYS[kind][0], *_KEYS[kind][1], *beside))
    if kind == "choice":
        return _choice(table, name)
    if quantity(name).dimension == "name":
        raise table.refuse("distribution", f"{name} is a name: only a choice can vary it")
    given = _measures(table, kind, name)
    _check_order(given)
    distribution = _build(table, kind, {key: _si(key, measure) for key, measure in given.items()})
    unit = next(iter(given.values())).unit
    _check_reach(table, distribution, name, unit)
    return distribution, unit


def _measures(table: Table, kind: str, name: str) -> dict[str, Measure]:
    required, optional = _KEYS[kind]
    dimension = quantity(name).dimension
    keys = [*required, *(key for key in optional if key in table)]
    given = {key: table.measure(key, "ratio" if key in _RELATIVE else dimension) for key in keys}
    for key, measure in given.items():
        if key in _SPREADS:
            if measure.interval <= 0:
                raise table.refuse(key, "must be above 0")
        elif key != "mean":
            measure.check(name)
    return given


def _si(key: str, measure: Measure) -> float:
    return measure.interval if key in _SPREADS else measure.si


def _check_order(given: Mapping[str, Measure]) -> None:
    for first, second in (("low", "high"), ("low", "mode"), ("mode", "high")):
        if first not in given or second not in given:
            continue
        a, b = given[first], given[second]
        if a.si > b.si:
            raise InputError(f"{a.place} = {a.raw!r}: is above {second} = {b.raw!r}")
        if a.si == b.si and "mode" not in (first, second):
            raise InputError(f"{a.place} = {a.raw!r}: equals {second}, so nothing varies: move it to [fixed]")


def _build(table: Table, kind: str, si: Mapping[str, float]) -> Distribution:
    cuts = {f"{end}est": si[end] for end in ("low", "high") if end in si}
    try:
        if kind == "normal":
            return Normal(si["mean"], si["sd"], **cuts)
        if kind == "lognormal":
            return LogNormal(si["median"], si["ln_sd"], **cuts)
        if kind == "triangular":
            return Triangular(si["low"], si["mode"], si["high"])
        return (Uniform if kind == "uniform" else LogUniform)(si["low"], si["high"])
    except InputError as error:
        raise InputError(f"{table.path}: {error}") from None


def _check_reach(table: Table, distribution: Distribution, name: str, unit: str) -> None:
    """Refuse a distribution whose farthest drawn values leave the allowed range."""
    ends = np.asarray(distribution.ppf(np.array([0.0, 1.0])), dtype=float)
    try:
        for end in ends:
            check_range(name, end, unit, field="its farthest value")
    except InputError as error:
        raise InputError(f"{table.path}: {distribution.describe(unit)}: {error}; give low and high") from None


@dataclass(frozen=True)
class _Entry:
    value: float | str
    unit: str


def _choice(table: Table, name: str) -> tuple[Distribution, str]:
    raws = table.sequence("values")
    entries = [_entry(f"{table.place('values')}[{i}]", raw, name) for i, raw in enumerate(raws)]
    weights: tuple[float, ...] = ()
    if "weights" in table:
        raw_weights = table.sequence("weights")
        place = table.place("weights")
        weights = tuple(read_measure(f"{place}[{i}]", raw, "ratio").si for i, raw in enumerate(raw_weights))
    try:
        return Choice(tuple(entry.value for entry in entries), weights), entries[0].unit
    except InputError as error:
        raise InputError(f"{table.path}: {error}") from None


def _entry(place: str, raw: Any, name: str) -> _Entry:
    if quantity(name).dimension == "name":
        return _Entry(read_field(place, raw, name), "1")
    measure = read_measure(place, raw, quantity(name).dimension)
    return _Entry(measure.check(name), measure.unit)
