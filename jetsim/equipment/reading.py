"""Files that people write, read into models: every mistake of a file at once, a line each.

Shapes are checked by pydantic, numbers with units and distributions by the readers of `jetsim.experiment`, so a
department, a question and a researcher's space speak one language.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

import numpy as np
from pydantic import (
    BaseModel,
    ConfigDict,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    StringConstraints,
    ValidationError,
)
from pydantic_core import CoreSchema, ErrorDetails, core_schema

from jetsim.errors import InputError, InputFileError, shown
from jetsim.experiment.distributions import Distribution
from jetsim.experiment.parameters import BASES, ROLES
from jetsim.experiment.studyfile import check_input, flat_names, read_distribution
from jetsim.experiment.tables import Table, read_field, read_measure
from jetsim.quantities import QUANTITIES, Quantity, did_you_mean, quantity

# Stands for the place of a value until the reader of the whole file knows it.
HERE = "«here»"
_PEDIGREE = ("role", "basis", "source")

Name = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9_]*$")]
Text = Annotated[str, StringConstraints(min_length=1, strip_whitespace=True)]
M = TypeVar("M", bound="Part")


class Part(BaseModel):
    """One table of a file: no unknown keys, no silent conversions, nothing changed afterwards."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


@dataclass(frozen=True)
class Stated:
    """A value as somebody states it: a number that holds, or a distribution.

    Attributes
    ----------
    middle : float or str
        The number, or the median of the distribution, SI.
    distribution : Distribution or None
        None: the number is taken as it is.
    unit : str
        Label of the unit in which it was stated.
    role, basis, source : str
        What it rests on; empty where the statement does not say.
    """

    middle: Any
    distribution: Distribution | None = None
    unit: str = "1"
    role: str = ""
    basis: str = ""
    source: str = ""


def read_stated(place: str, raw: Any, name: str) -> Stated:
    """Read a number with its unit, or a table with a distribution, of quantity `name`.

    Raises
    ------
    InputError
        Names `place`, the value, and what is allowed.
    """
    if not isinstance(raw, Mapping):
        return Stated(read_field(place, raw, name), unit=_unit(place, raw, name))
    table = Table(place, raw)
    pedigree = {key: table.option(key, ("", *known), "") for key, known in (("role", ROLES), ("basis", BASES))}
    own = Table(place, {key: value for key, value in raw.items() if key not in _PEDIGREE})
    distribution, unit = read_distribution(own, name)
    middle = np.asarray(distribution.ppf(np.array([0.5]))).item()
    return Stated(middle, distribution, unit, **pedigree, source=table.text("source", ""))


def _unit(place: str, raw: Any, name: str) -> str:
    dimension = quantity(name).dimension
    return "1" if dimension == "name" else read_measure(place, raw, dimension).unit


@dataclass(frozen=True)
class Of:
    """Marks a member as a value of a quantity: `Annotated[float, Of(...)]` a number with its unit, `Stated` either.

    Attributes
    ----------
    name : str
        Of the quantity, which gives dimension, unit and allowed range.
    spread : bool
        The value is a difference: a standard deviation, above 0.
    """

    name: str
    spread: bool = False

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        uncertain = source is Stated or Stated in get_args(source)
        read = self._difference if self.spread else self._stated if uncertain else self._number
        return core_schema.no_info_plain_validator_function(read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        uncertain = schema["function"]["function"] == self._stated
        return json_schema_of(quantity(self.name), uncertain)

    def _number(self, raw: Any) -> float:
        return float(read_field(HERE, raw, self.name))

    def _stated(self, raw: Any) -> Stated:
        return read_stated(HERE, raw, self.name)

    def _difference(self, raw: Any) -> float:
        value = read_measure(HERE, raw, quantity(self.name).dimension).interval
        if value <= 0:
            raise InputError(f"{HERE} = {shown(raw)}: must be above 0")
        return value


class Statements:
    """Marks a mapping of quantities, by dotted name, to what is stated of each: ``Annotated[Mapping, Statements()]``.

    Unquoted dotted names, which TOML reads as tables in tables, are put back together.
    """

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self._read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        inputs = {name: json_schema_of(q, True) for name, q in QUANTITIES.items() if q.role != "output"}
        return {"type": "object", "properties": inputs}

    def _read(self, raw: Any) -> dict[str, Stated]:
        if not isinstance(raw, Mapping):
            raise InputError(f"{HERE} = {shown(raw)}: must be a table, [{HERE}]")
        found, lines = {}, []
        for name, value in flat_names(Table(HERE, raw)).content.items():
            try:
                check_input(name, f"{HERE}.{name}")
                found[name] = read_stated(f"{HERE}.{name}", value, name)
            except InputError as error:
                lines.append(str(error))
        if lines:
            raise InputFileError(lines)
        return found


def json_schema_of(q: Quantity, uncertain: bool) -> dict[str, Any]:
    """What an editor shows of a value: its range in both systems, and how it may be written."""
    ranges = " or ".join(dict.fromkeys((q.allowed(q.us), q.allowed(q.metric))))
    words = f"{q.long_name}: {ranges}" if q.dimension != "name" else q.long_name
    plain: list[dict[str, Any]] = [{"type": "string"}]
    if q.dimension == "ratio":
        plain.append({"type": "number"})
    table = {"type": "object", "required": ["distribution"], "properties": {"distribution": {"type": "string"}}}
    return {"description": words, "anyOf": [*plain, *([table] if uncertain else [])]}


# --------------------------------------------------------------------------------------------------------
# Whole files


def read_model(content: Mapping[str, Any], kind: type[M], where: str) -> M:
    """Read the content of a file into a model; `where` leads every line of an error."""
    try:
        return kind.model_validate(dict(content))
    except ValidationError as error:
        lines = [line for detail in error.errors() for line in _lines(detail, kind)]
    raise InputFileError([f"{where}: {line}" for line in dict.fromkeys(lines)])


def _lines(detail: ErrorDetails, kind: type[BaseModel]) -> list[str]:
    """One mistake in words; a member that reads several values of its own may tell several."""
    spot = _spot(detail["loc"], kind)
    if detail["type"] != "value_error":
        return [_line(detail, spot)]
    error = detail["ctx"]["error"]
    texts = error.lines if isinstance(error, InputFileError) else [str(error)]
    place = f"{spot.place}: " if spot.place else ""
    return [text.replace(HERE, spot.place) if HERE in text else f"{place}{text}" for text in texts]


def _line(detail: ErrorDetails, spot: "_Spot") -> str:
    value = "" if detail["type"] == "missing" else f" = {shown(detail['input'])}"
    context = detail.get("ctx", {})
    if detail["type"] == "extra_forbidden":
        return f"unknown key {spot.place!r}{did_you_mean(spot.key, spot.known)}"
    if spot.is_key:
        return f"{spot.place}: a name holds lower-case letters, digits and underscores; use label for more"
    return f"{spot.place}{value}{_problem(detail, context, spot)}"


def _problem(detail: ErrorDetails, context: Mapping[str, Any], spot: "_Spot") -> str:
    simple = {
        "missing": " is missing",
        "string_type": ": must be a text in quotes",
        "string_too_short": ": must not be empty",
        "int_type": ": must be a whole number",
        "float_type": ": must be a number",
        "bool_type": ": must be true or false",
        "list_type": ": must be a list in square brackets",
        "dict_type": f": must be a table, [{spot.place}]",
        "model_type": f": must be a table, [{spot.place}]",
        "model_attributes_type": f": must be a table, [{spot.place}]",
        "union_tag_not_found": f": says no kind; must be one of {', '.join(spot.known)}",
        "union_tag_invalid": f": no such kind; must be one of {', '.join(spot.known)}",
    }
    kind = detail["type"]
    if kind == "missing" and spot.allowed:
        return f" is missing: state the {spot.allowed}"
    if kind in simple:
        return simple[kind]
    if kind == "literal_error":
        options = [option.strip("' ") for option in context["expected"].replace(" or ", ", ").split(",")]
        near = did_you_mean(str(detail["input"]), options)
        return f": must be one of {', '.join(options)}{near if near.startswith('; did') else ''}"
    if kind in ("too_short", "too_long"):
        bound = context.get("min_length", context.get("max_length"))
        return f": must hold {'at least' if kind == 'too_short' else 'at most'} {bound}"
    limits = {"greater_than_equal": "at least", "less_than_equal": "at most", "greater_than": "above",
              "less_than": "below"}  # fmt: skip
    if kind in limits:
        return f": allowed is {limits[kind]} {next(iter(context.values()))}"
    return f": {detail['msg'][:1].lower()}{detail['msg'][1:]}"


@dataclass
class _Spot:
    """Where in a file a mistake lies.

    Attributes
    ----------
    place : str
        Dotted, as the file writes it.
    key : str
        Last part.
    known : sequence of str
        Keys, or kinds, that would have been known there.
    is_key : bool
        The name itself is wrong.
    allowed : str
        What a missing value is, with its range.
    """

    place: str = ""
    key: str = ""
    known: Sequence[str] = field(default_factory=list)
    is_key: bool = False
    allowed: str = ""


def _spot(loc: tuple[int | str, ...], kind: Any) -> _Spot:
    """Follow a place through the shapes of a model; the kind of a union's member is no part of the place."""
    spot, here = _Spot(), kind
    for part in loc:
        here = _plain(here)
        tagged = _tagged(here)
        if tagged and part in tagged:
            here = tagged[str(part)]
            continue
        if part == "[key]":
            spot.is_key = True
            continue
        spot.place += f"[{part}]" if isinstance(part, int) else f".{part}" if spot.place else str(part)
        spot.key, spot.known = str(part), _keys(here)
        here, spot.allowed = _inside(here, part)
    tagged = _tagged(_plain(here))
    if tagged:
        spot.known = list(tagged)
    return spot


def _plain(shape: Any) -> Any:
    """A shape without its annotations and without None."""
    while True:
        if get_origin(shape) is Annotated and not _tagged(shape):
            shape = get_args(shape)[0]
        elif get_origin(shape) in (Union, UnionType) and type(None) in get_args(shape):
            left = [option for option in get_args(shape) if option is not type(None)]
            shape = left[0] if len(left) == 1 else Union[tuple(left)]  # noqa: UP007 # built at run time
        else:
            return shape


def _tagged(shape: Any) -> dict[str, type[BaseModel]]:
    """Kind to model of a union told apart by the key ``kind``."""
    options = get_args(get_args(shape)[0]) if get_origin(shape) is Annotated else get_args(shape)
    models = [o for o in options if isinstance(o, type) and issubclass(o, BaseModel) and "kind" in o.model_fields]
    return {get_args(model.model_fields["kind"].annotation)[0]: model for model in models}


def _keys(shape: Any) -> list[str]:
    return list(shape.model_fields) if isinstance(shape, type) and issubclass(shape, BaseModel) else []


def _inside(shape: Any, part: int | str) -> tuple[Any, str]:
    """The shape of a member, and what it may be in words where it is a quantity."""
    if isinstance(shape, type) and issubclass(shape, BaseModel):
        member = shape.model_fields.get(str(part))
        if member is None:
            return None, ""
        marks = [mark for mark in member.metadata if isinstance(mark, Of)]
        words = f"{quantity(marks[0].name).long_name}, {_both(quantity(marks[0].name))}" if marks else ""
        tagged = member.discriminator is not None
        return (Annotated[member.annotation, "tagged"] if tagged else member.annotation), words
    arguments = get_args(shape)
    return (arguments[-1] if arguments else None), ""


def _both(q: Quantity) -> str:
    return "a name in quotes" if q.dimension == "name" else f"allowed is {q.allowed(q.us)}"


def write_schema(kind: type[BaseModel], path: Path) -> None:
    """Write the JSON schema of a file's model, for editors that complete keys and show ranges."""
    path.write_text(json.dumps(kind.model_json_schema(), indent=1, sort_keys=True) + "\n", encoding="utf-8")
