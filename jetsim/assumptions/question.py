"""What a study of assumptions asks: laws to compare, what is meant by reach, limits, and readings that may be taken."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
import xarray as xr
from pydantic import Field, field_validator, model_validator

from jetsim.acting import unread_inputs
from jetsim.equipment import questions
from jetsim.equipment.department import SetUp
from jetsim.equipment.model import SetUpModel
from jetsim.equipment.questions import Asked, Question, Stating, load_question, scenario_of, whole_space
from jetsim.equipment.reading import HERE, Name, Part, Text, read_model
from jetsim.errors import InputError
from jetsim.experiment.design import plain_design
from jetsim.experiment.distributions import Choice
from jetsim.experiment.space import ParameterSpace, check_power
from jetsim.experiment.tables import Table, read_measure
from jetsim.quantities import did_you_mean, quantity
from jetsim.simulation import StreamModel

VALVE = "valve_model"
_QUICK, _QUICK_JOINT = (16, 8), 32
_DOUBLINGS, _PROBES = 2, 64
Laws = Mapping[str, str]

# ---------------------------------------------------------------------------------------------------------
# Files


class SizesEntry(Part):
    """First size of the study of each combination of laws but the reference."""

    base_samples: int = 64
    replicates: Annotated[int, Field(ge=2, le=1024)] = 16

    @field_validator("base_samples")
    @classmethod
    def _power(cls, value: int) -> int:
        check_power(HERE, value)
        return value


class ReachEntry(Part):
    """Outputs that may be meant by reach; the first leads."""

    outputs: Annotated[list[str], Field(min_length=1)]


class LimitEntry(Part):
    """One limit of an output, below or above."""

    output: Text
    below: Any = None
    above: Any = None

    @model_validator(mode="after")
    def _one_side(self) -> "LimitEntry":
        if (self.below is None) == (self.above is None):
            raise InputError("give one limit, below or above")
        assert np.isfinite(self.value)
        return self

    @property
    def side(self) -> str:
        """Which side of the limit is asked about."""
        return "below" if self.above is None else "above"

    @property
    def value(self) -> float:
        """The limit, SI."""
        return read_measure(self.side, getattr(self, self.side), quantity(self.output).dimension).si


class ReadingEntry(Part):
    """One reading: of a result, with the standard deviation of its error, under stated conditions."""

    of: Text
    error: Any
    where: Stating = Field(default_factory=dict)

    @model_validator(mode="after")
    def _error_of_result(self) -> "ReadingEntry":
        if self.spread <= 0:
            raise InputError(f"error = {self.error!r}: must be above 0")
        for name, stated in self.where.items():
            if stated.distribution is not None:
                raise InputError(f"where.{name}: must be one value, for a reading is taken in one condition")
        return self

    @property
    def spread(self) -> float:
        """Standard deviation of the error, SI."""
        return read_measure("error", self.error, quantity(self.of).dimension).interval


class MeasurementEntry(Part):
    """Readings that are taken together."""

    label: Text
    readings: Annotated[list[ReadingEntry], Field(min_length=1)]


class Tables(Part):
    """What a study of assumptions states beside its inputs."""

    reach: ReachEntry
    combinations: SizesEntry = SizesEntry()
    contrast: dict[str, list[str]] = Field(default_factory=dict)
    limits: dict[Name, LimitEntry] = Field(default_factory=dict)
    measurements: dict[Name, MeasurementEntry] = Field(default_factory=dict)


class AssumptionsQuestion(Tables, Question):
    """How much do assumptions about the shutoff decide what moves the stream of a set-up?"""

    asks: ClassVar[str] = "valve_assumptions"
    undefined: Literal["refuse", "rank reaching"] = "refuse"


# ---------------------------------------------------------------------------------------------------------
# What is asked of one stream


@dataclass(frozen=True)
class Limit:
    """A limit of an output, SI: its name in the study file, and the side that is asked about."""

    name: str
    output: str
    side: str
    value: float


@dataclass(frozen=True)
class Reading:
    """A reading of a result: standard deviation of its error, and where it is taken, SI or text."""

    of: str
    error: float
    where: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Measurement:
    """Readings that are taken together in the field."""

    name: str
    label: str
    readings: tuple[Reading, ...]


@dataclass(frozen=True, eq=False)
class Plan:
    """A study of assumptions about one stream.

    Attributes
    ----------
    space : ParameterSpace
        Of the joint design: choices of law are parameters like any other.
    model : SetUpModel or StreamModel
    base_samples, replicates : int
        Of each combination but the reference, which has as many as the joint design.
    reaches : tuple of str
        Outputs that may be meant by reach.
    contrasts : mapping of str to tuple of str
        Laws of each assumption that are tried although they are not expected to hold.
    measurements : tuple of Measurement
    limits : tuple of Limit
    doublings : int
        How often the samples of a combination may be doubled until its convergence gate passes.
    one_by_one : bool
        Try only combinations that differ from the reference in one assumption, as in a quick look.
    setup : SetUp or None
        None for a whole space.
    suffix : str
        Behind the names of figures and tables, where a study asks about several streams.
    """

    space: ParameterSpace
    model: SetUpModel | StreamModel
    base_samples: int
    replicates: int
    reaches: tuple[str, ...]
    contrasts: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    measurements: tuple[Measurement, ...] = ()
    limits: tuple[Limit, ...] = ()
    doublings: int = _DOUBLINGS
    one_by_one: bool = False
    setup: SetUp | None = None
    suffix: str = ""

    @property
    def label(self) -> str:
        """Of the set-up; empty for a whole space."""
        return self.setup.label if self.setup else ""

    @property
    def choices(self) -> dict[str, tuple[str, ...]]:
        """The laws of each assumption; the first is the reference."""
        structural = [p for p in self.space.parameters if p.role == "structural"]
        choices = {p.name: p.distribution for p in structural if isinstance(p.distribution, Choice)}
        return {name: tuple(str(value) for value in choice.values) for name, choice in choices.items()}

    @property
    def combinations(self) -> list[dict[str, str]]:
        """Every combination of laws; the first is the reference."""
        choices = self.choices
        every = [dict(zip(choices, laws, strict=True)) for laws in product(*choices.values())]
        return [laws for laws in every if len(self.changed(laws)) < 2] if self.one_by_one else every

    @property
    def reference(self) -> dict[str, str]:
        """The first law of each assumption."""
        return {name: laws[0] for name, laws in self.choices.items()}

    @property
    def inputs(self) -> tuple[str, ...]:
        """Inputs other than the choices of law."""
        return tuple(name for name in self.space.names if name not in self.choices)

    @property
    def headline(self) -> tuple[str, ...]:
        """Outputs of which the first paragraph speaks."""
        others = [name for name in ("breakup_distance", "flow_rate") if name in self.space.outputs]
        return tuple(dict.fromkeys((*self.reaches, *others)))

    def changed(self, laws: Laws) -> list[str]:
        """Assumptions in which a combination differs from the reference."""
        return [name for name, law in laws.items() if law != self.reference[name]]

    def space_of(self, laws: Laws) -> ParameterSpace:
        """The space of one combination: its laws are fixed."""
        whole = not self.changed(laws)
        left = tuple(parameter for parameter in self.space.parameters if parameter.name not in laws)
        return replace(
            self.space,
            parameters=left,
            fixed={**self.space.fixed, **laws},
            base_samples=self.space.base_samples if whole else self.base_samples,
            replicates=self.space.replicates if whole else self.replicates,
        )

    @property
    def expected_space(self) -> ParameterSpace:
        """The joint space without the laws of contrast; an assumption that is left with one law is fixed."""
        left, fixed = [], dict(self.space.fixed)
        for parameter in self.space.parameters:
            if not self.contrasts.get(parameter.name):
                left.append(parameter)
                continue
            laws = [law for law in self.choices[parameter.name] if law not in self.contrasts[parameter.name]]
            if len(laws) == 1:
                fixed[parameter.name] = laws[0]
            else:
                left.append(replace(parameter, distribution=Choice(tuple(laws))))
        return replace(self.space, parameters=tuple(left), fixed=fixed)

    def model_of(self, space: ParameterSpace) -> SetUpModel | StreamModel:
        """The model of a space that was made of this plan's."""
        return replace(self.model, fixed={**self.model.fixed, **space.fixed})

    def quick(self) -> "Plan":
        """The same study with few runs."""
        samples, replicates = _QUICK
        few = self.space.quick()
        return replace(
            self,
            space=replace(few, base_samples=min(few.base_samples, _QUICK_JOINT)),
            base_samples=min(self.base_samples, samples),
            replicates=min(self.replicates, replicates),
            doublings=0,
            one_by_one=True,
        )


def without(space: ParameterSpace, names: Iterable[str]) -> ParameterSpace:
    """The space with some parameters at their medians; a cause that is left to a single input ties nothing."""
    gone = set(names)
    medians = {name: value for name, value in space.medians().items() if name in gone}
    left = [parameter for parameter in space.parameters if parameter.name not in gone]
    loaded = [latent for parameter in left for latent in parameter.loadings]
    single = {name for name in loaded if loaded.count(name) == 1}
    kept = tuple(replace(p, loadings={n: w for n, w in p.loadings.items() if n not in single}) for p in left)
    latents = tuple(latent for latent in space.latents if latent.name in {*loaded} - single)
    return replace(space, parameters=kept, latents=latents, fixed={**space.fixed, **medians})


# ---------------------------------------------------------------------------------------------------------
# Reading


Loaded = questions.Loaded[Plan, AssumptionsQuestion]


def load(
    path: Path, department: Path | None = None, setups: tuple[str, ...] | None = None, quick: bool = False
) -> Loaded:
    """Read a question, or a whole space, and refuse what cannot be studied.

    Raises
    ------
    InputError, InputFileError
        One line for each mistake.
    """
    content = whole_space(path, department, setups)
    if content is not None:
        loaded = _whole_space(content, path)
    else:
        loaded = _of_setups(load_question(path, AssumptionsQuestion, department, setups))
    return replace(loaded, streams=tuple(plan.quick() for plan in loaded.streams)) if quick else loaded


def _whole_space(content: Mapping[str, Any], path: Path) -> Loaded:
    own = tuple(Tables.model_fields)
    space = ParameterSpace.from_mapping(content, extra=("scenario", *own), where=str(path))
    tables = read_model({key: content[key] for key in own if key in content}, Tables, str(path))
    try:
        scenario_of(space)
        plan = plan_of(space, StreamModel(space.fixed, space.outputs), tables)
        for name, reason in _idle(plan).items():
            raise InputError(f"parameters.{name}: acts on nothing: {reason}")
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
    return Loaded.of_space(plan, space)


def _of_setups(asked: Asked[AssumptionsQuestion]) -> Loaded:
    question = asked.question
    try:
        plans = [_plan_of_setup(asked, setup) for setup in asked.setups]
        read = {name for plan in plans for name in (*plan.space.names, *plan.space.fixed)}
        for name in question.beliefs:
            if name not in read:
                raise InputError(f"beliefs.{name}: acts on nothing here{did_you_mean(name, sorted(read))}")
        idle = [_idle(plan) for plan in plans]
        places = {name: table for table in ("vary", "beliefs") for name in getattr(question, table)}
        for name, table in places.items():
            if all(name in found for found in idle):
                raise InputError(f"{table}.{name}: acts on nothing here: {idle[0][name]}")
    except InputError as error:
        raise InputError(str(error) if str(error).startswith(str(asked.path)) else f"{asked.path}: {error}") from None
    acting = [replace(plan, space=without(plan.space, found)) for plan, found in zip(plans, idle, strict=True)]
    return Loaded.of_setups(acting, asked)


def _plan_of_setup(asked: Asked[AssumptionsQuestion], setup: SetUp) -> Plan:
    if setup.shutoff is None:
        raise InputError(f"setups.{setup.name}: has no shutoff, so nothing is assumed of one")
    space = replace(asked.space(setup), undefined=asked.question.undefined)
    plan = plan_of(space, asked.model(setup), asked.question, setup)
    return replace(plan, suffix=f"_{setup.name}" if len(asked.setups) > 1 else "")


def _idle(plan: Plan) -> dict[str, str]:
    """Inputs that move none of the outputs asked for, with the reason."""
    return unread_inputs(plan.model, plain_design(plan.space, _PROBES).samples, plan.model.fixed)


def plan_of(space: ParameterSpace, model: SetUpModel | StreamModel, tables: Tables, setup: SetUp | None = None) -> Plan:
    """What is asked of one stream.

    Raises
    ------
    InputError
        Names the place, the value and what is allowed.
    """
    _check_space(space)
    sizes = tables.combinations
    plan = Plan(
        space,
        model,
        sizes.base_samples,
        sizes.replicates,
        _known("reach.outputs", tables.reach.outputs, space.outputs),
        _contrasts(tables.contrast, space),
        tuple(_measurement(name, entry) for name, entry in tables.measurements.items()),
        tuple(_limit(name, entry, space) for name, entry in tables.limits.items()),
        setup=setup,
    )
    _check_readings(plan)
    return plan


def _check_space(space: ParameterSpace) -> None:
    for parameter in space.parameters:
        named = quantity(parameter.name).dimension == "name"
        if (parameter.role == "structural") != named:
            words = "must be 'structural' for a choice of law" if named else "'structural' is for a choice of law"
            raise InputError(f"{parameter.name}.role = {parameter.role!r}: {words}")
    if VALVE not in space.names:
        raise InputError(f"{VALVE} is missing: this study compares its choices, so let it vary")
    if len(space.columns) < 1 + sum(parameter.role == "structural" for parameter in space.parameters):
        raise InputError("nothing varies but the choice of law")
    if space.undefined == "probability of reaching":
        raise InputError(
            f"undefined = {space.undefined!r}: would put another output in the place of reach for some laws only; "
            "must be one of refuse, rank reaching"
        )


def _known(place: str, names: list[str], known: Iterable[str]) -> tuple[str, ...]:
    allowed = list(known)
    for name in names:
        if name not in allowed:
            raise InputError(f"{place} = {names!r}: {name!r} is not among the study's outputs"
                             f"{did_you_mean(name, allowed)}")  # fmt: skip
    if len(set(names)) < len(names):
        raise InputError(f"{place} = {names!r}: holds a name twice")
    return tuple(names)


def _contrasts(stated: Mapping[str, list[str]], space: ParameterSpace) -> dict[str, tuple[str, ...]]:
    choices = {p.name: p.distribution.values for p in space.parameters if isinstance(p.distribution, Choice)}
    Table("contrast", stated).only([name for name in choices if quantity(name).dimension == "name"])
    for name, laws in stated.items():
        place, options = f"contrast.{name} = {laws!r}", choices[name]
        for law in laws:
            if law not in options:
                raise InputError(f"{place}: {law!r} is not among the choices {', '.join(map(str, options))}")
        if len(set(laws)) == len(options):
            raise InputError(f"{place}: holds every choice: at least one must be expected to hold")
        if options[0] in laws:
            raise InputError(f"{place}: {options[0]!r} is the reference, the first of its choices")
    return {name: tuple(laws) for name, laws in stated.items()}


def _measurement(name: str, entry: MeasurementEntry) -> Measurement:
    readings = tuple(
        Reading(r.of, r.spread, {key: stated.middle for key, stated in r.where.items()}) for r in entry.readings
    )
    return Measurement(name, entry.label, readings)


def _limit(name: str, entry: LimitEntry, space: ParameterSpace) -> Limit:
    if entry.output not in space.outputs:
        raise InputError(
            f"limits.{name}.output = {entry.output!r}: must be one of {', '.join(space.outputs)}"
            f"{did_you_mean(entry.output, space.outputs)}"
        )
    return Limit(name, entry.output, entry.side, entry.value)


def _check_readings(plan: Plan) -> None:
    """Refuse a stream that cannot be, and readings of what is no result."""
    middle = {name: ("sample", np.array([value])) for name, value in plan.space.medians().items()}
    results = replace(plan.model, outputs=())(xr.Dataset(middle))
    known = [str(name) for name in results.data_vars if name not in ("outcome", "validity")]
    for measurement in plan.measurements:
        for number, reading in enumerate(measurement.readings):
            place = f"measurements.{measurement.name}.readings[{number}].of"
            if reading.of not in known:
                raise InputError(f"{place} = {reading.of!r}: is no result of a stream{did_you_mean(reading.of, known)}")
