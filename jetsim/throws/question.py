"""What a field test and a comparison ask: the match, the difference that is wanted, the ground, and the weights."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, ValidationInfo, field_validator, model_validator

from jetsim.equipment.beliefs import BELIEFS, READINGS
from jetsim.equipment.department import Department, SetUp
from jetsim.equipment.learnt import Learnt
from jetsim.equipment.model import NEEDED, SetUpModel
from jetsim.equipment.questions import Asked, Question
from jetsim.equipment.reading import HERE, Of, Part
from jetsim.equipment.setups_table import STILL, setups_table
from jetsim.equipment.spaces import FACTOR, UPSTREAM, Choices, Inputs, inputs_of, model_of
from jetsim.errors import InputError, shown
from jetsim.experiment.distributions import Normal
from jetsim.experiment.parameters import Parameter
from jetsim.experiment.tables import read_field, read_measure
from jetsim.quantities import UnitSystem, quantity
from jetsim.report.tables import Table
from jetsim.throws.columns import Mapped
from jetsim.throws.columns_entry import ColumnsEntry

OWN = "own target"
CONDITIONS = {
    "nozzle pressure": "nozzle_pressure",
    "pump pressure": "supply.pump_pressure",
    "flow": "supply.rated_flow",
    "reaction": "supply.handling_limit",
}
MEASURED = {"farthest drops": "extreme_reach", "breakup distance": "breakup_distance"}
CRITERIA = {
    "reach": "extreme_reach",
    "effective_reach": "effective_reach_at_best",
    "flow": "flow_rate",
    "reaction": "reaction_force",
    "breakup": "breakup_distance",
}
OUTPUTS = ("extreme_reach", "breakup_distance", "flow_rate", "reaction_force", NEEDED)
BEST = CRITERIA["effective_reach"]
FEWEST_SETUPS, MOST_SETUPS, MOST_MARKS = 2, 8, 60
ELEVATIONS = (0.0, 80.0)  # of a throw [deg], as in the sheet
DEPARTURE, SPREAD, DAY = "trial.departure", "trial.style_spread", "trial.day_effect"
_SET_BY_THE_MATCH = ("vary", "drive", "outputs", "replicates")
Share = Annotated[float, Field(gt=0, lt=1)]
T = TypeVar("T", bound="MatchQuestion")


class MatchEntry(Part):
    """What is held equal, and by how much a throw's gauge may miss it."""

    condition: Literal["own target", "nozzle pressure", "pump pressure", "flow", "reaction"]
    value: Any = None
    tolerance: Annotated[float, Field(gt=0, lt=0.5)] = 0.1

    @field_validator("value")
    @classmethod
    def _read(cls, value: Any, info: ValidationInfo) -> float | None:
        condition = info.data.get("condition")
        if value is not None and condition == OWN:
            raise InputError(f"{HERE} = {shown(value)}: each set-up has its own target: leave value out")
        if value is None or condition not in CONDITIONS:
            return None
        found = float(read_field(HERE, value, CONDITIONS[condition]))
        if found <= 0:
            raise InputError(f"{HERE} = {shown(value)}: must be above 0")
        return found

    @model_validator(mode="after")
    def _stated(self) -> "MatchEntry":
        if self.value is None and self.condition != OWN:
            raise InputError(f"condition = {shown(self.condition)}: value is missing")
        return self


class ScatterEntry(Part):
    """Standard deviations from throw to throw; `wind_reading` of the wind at the stream about the wind read."""

    nozzle_pressure: Annotated[float, Of("nozzle_pressure", spread=True)]
    elevation: Annotated[float, Of("elevation", spread=True)]
    wind_between_blocks: Annotated[float, Of("wind_along", spread=True)]
    wind_within_block: Annotated[float, Of("wind_along", spread=True)]
    wind_reading: Annotated[float, Of("wind_along", spread=True)]


class WantedEntry(Part):
    """What the test must find."""

    measured: Literal["farthest drops", "breakup distance"]
    difference: Annotated[float, Of("extreme_reach", spread=True)]
    power: Share
    false_alarm: Annotated[float, Field(gt=0, lt=0.5)]

    @model_validator(mode="after")
    def _above(self) -> "WantedEntry":
        if self.power <= self.false_alarm:
            raise InputError(f"power = {self.power:g}: must be above false_alarm")
        return self

    @property
    def quantity(self) -> str:
        """Name of the model's result."""
        return MEASURED[self.measured]


class GroundEntry(Part):
    """The drill ground: bearing of the throw and the marks."""

    throw_bearing: Any
    mark_spacing: Annotated[float, Of("extreme_reach")]
    last_mark: Annotated[float, Of("extreme_reach")]

    @field_validator("throw_bearing")
    @classmethod
    def _bearing(cls, value: Any) -> float:
        angle = read_measure(HERE, value, "angle").si
        if not 0 <= angle <= 360:
            raise InputError(f"{HERE} = {shown(value)}: allowed is 0 to 360 deg")
        return angle

    @model_validator(mode="after")
    def _marks(self) -> "GroundEntry":
        if self.mark_spacing <= 0:
            raise InputError("mark_spacing: must be above 0")
        if not 2 <= self.last_mark / self.mark_spacing <= MOST_MARKS:
            raise InputError(f"last_mark: is {self.last_mark / self.mark_spacing:.3g} marks away: allowed is 2 to "
                             f"{MOST_MARKS}; check mark_spacing")  # fmt: skip
        return self


class WeightsEntry(Part):
    """What matters to the department."""

    reach: Annotated[float, Field(ge=0, le=1000)] | None = None
    effective_reach: Annotated[float, Field(ge=0, le=1000)] | None = None
    flow: Annotated[float, Field(ge=0, le=1000)] | None = None
    reaction: Annotated[float, Field(ge=0, le=1000)] | None = None
    breakup: Annotated[float, Field(ge=0, le=1000)] | None = None


class ScalesEntry(Part):
    """What difference of each weighed criterion counts one point."""

    reach: Annotated[float | None, Of("extreme_reach", spread=True)] = None
    effective_reach: Annotated[float | None, Of("effective_reach_at_best", spread=True)] = None
    flow: Annotated[float | None, Of("flow_rate", spread=True)] = None
    reaction: Annotated[float | None, Of("reaction_force", spread=True)] = None
    breakup: Annotated[float | None, Of("breakup_distance", spread=True)] = None


class MatchQuestion(Question):
    """What a field test and a comparison have in common.

    Attributes
    ----------
    also : tuple of str
        Results besides `OUTPUTS`, of which no throw is read.
    """

    also: ClassVar[tuple[str, ...]] = ()
    base_samples: int = 2048
    match: MatchEntry
    scatter: ScatterEntry
    largest_wind: Annotated[float, Of("wind_along")]

    @model_validator(mode="after")
    def _no_crew(self) -> "MatchQuestion":
        given = [name for name in _SET_BY_THE_MATCH if name in self.model_fields_set]
        if given:
            raise InputError(f"{given[0]}: the match says what is set, and [scatter] what varies; leave it out")
        if self.largest_wind <= 0:
            raise InputError("largest_wind: must be above 0")
        return self

    def quick(self: T) -> T:
        """The same question with few draws."""
        return self.model_copy(update={"base_samples": min(self.base_samples, 512)})


class FieldTestQuestion(MatchQuestion):
    """The question file of a field test."""

    asks = "field_test"
    wanted: WantedEntry
    ground: GroundEntry
    columns: ColumnsEntry | None = None


class CompareQuestion(MatchQuestion):
    """The question file of a comparison."""

    asks = "compare_nozzles"
    also = (BEST,)
    weights: WeightsEntry
    scales: ScalesEntry

    @model_validator(mode="after")
    def _scaled(self) -> "CompareQuestion":
        weights, scales = given(self.weights), given(self.scales)
        if sum(weights.values()) <= 0:
            raise InputError("weights: at least one must be above 0")
        for name in weights.keys() - scales.keys():
            raise InputError(f"scales.{name} is missing: state the difference that counts one point")
        return self


def given(part: Part) -> dict[str, float]:
    """The members of a table that were stated."""
    return {name: value for name in type(part).model_fields if (value := getattr(part, name)) is not None}


# --------------------------------------------------------------------------------------------------------
# What the room works with


@dataclass(frozen=True, eq=False)
class FieldTest:
    """A match of several set-ups, with what is not known of them. SI throughout.

    Attributes
    ----------
    question : MatchQuestion
    asked : Asked
        The question with its department.
    setups : tuple of SetUp
    models : mapping of set-up to SetUpModel
        In still air unless a sample says otherwise.
    inputs : mapping of set-up to Inputs
        What is not known of each, its departure from its shutoff's style among it; conditions of a throw are left out.
    readings : Inputs
        What stands between the stream and its readings.
    learnt : Learnt or None
    """

    question: MatchQuestion
    asked: Asked[Any]
    setups: tuple[SetUp, ...]
    models: Mapping[str, SetUpModel]
    inputs: Mapping[str, Inputs]
    readings: Inputs
    learnt: Learnt | None

    @property
    def title(self) -> str:
        """Of the question."""
        return self.question.title

    @property
    def scenario(self) -> str:
        """What is invented or real."""
        return self.asked.scenario

    @property
    def units(self) -> UnitSystem:
        """How results are shown."""
        return self.asked.units

    @property
    def seed(self) -> int:
        """Of all draws."""
        return self.question.seed

    @property
    def condition(self) -> str:
        """What is held equal."""
        return self.question.match.condition

    @property
    def matched(self) -> float:
        """The value that is held equal, SI; NaN where each set-up has its own."""
        return float("nan") if self.question.match.value is None else float(self.question.match.value)

    @property
    def wanted(self) -> WantedEntry:
        """What a field test must find."""
        assert isinstance(self.question, FieldTestQuestion)
        return self.question.wanted

    @property
    def ground(self) -> GroundEntry:
        """Where a field test is thrown."""
        assert isinstance(self.question, FieldTestQuestion)
        return self.question.ground

    @property
    def mapped(self) -> Mapped | None:
        """Where the sheet keeps what; None: as our run sheet."""
        assert isinstance(self.question, FieldTestQuestion)
        return None if self.question.columns is None else self.question.columns.mapped()

    @property
    def scatter(self) -> ScatterEntry:
        """From throw to throw."""
        return self.question.scatter

    @cached_property
    def instruments(self) -> Mapping[str, float]:
        """Standard deviation of one reading by instrument; what the department lacks reads nothing."""
        return given(self.asked.department.file.instruments)

    @property
    def elevation(self) -> float:
        """At which is thrown [deg]."""
        return float(self.asked.department.file.site.elevation.middle)

    @cached_property
    def labels(self) -> dict[str, str]:
        """Name of each set-up to its label."""
        return {setup.name: setup.label for setup in self.setups}

    @cached_property
    def priors(self) -> dict[str, Parameter]:
        """Everything that is not known, by its key: what belongs to an owner first, then what all share."""
        found: dict[str, Parameter] = {}
        for one in (*self.inputs.values(), self.readings):
            for parameter in one.parameters:
                other = found.get(one.key(parameter.name), parameter)
                found[one.key(parameter.name)] = max(parameter, other, key=lambda p: len(p.loadings))
        return {key: found[key] for key in sorted(found, key=lambda key: ("[" not in key, key))}

    @cached_property
    def ties(self) -> NDArray[np.float64]:
        """Correlation of the normal scores of `priors`, shape (unknowns, unknowns)."""
        causes = sorted({name for prior in self.priors.values() for name in prior.loadings})
        loads = np.array([[p.loadings.get(name, 0.0) for name in causes] for p in self.priors.values()])
        shared = loads @ loads.T
        return np.asarray(shared - np.diag(np.diag(shared)) + np.eye(len(loads)))


def field_test(asked: Asked[T], learnt: Learnt | None = None) -> FieldTest:
    """The test that a question asks for.

    Parameters
    ----------
    asked : Asked
    learnt : Learnt, optional
        Joint draws to be used; beliefs alone where None.

    Raises
    ------
    InputError
        Too few or too many set-ups, an elevation that no throw has, or a match that a set-up cannot meet.
    """
    question, department = asked.question, asked.department
    try:
        _check(asked)
        choices = Choices(
            fixed=question.choices().fixed, overrides=question.beliefs, outputs=(*OUTPUTS, *question.also)
        )
        models, inputs = {}, {}
        for setup in asked.setups:
            every = inputs_of(setup, choices, learnt)
            models[setup.name] = _still_model(setup, every, choices, question.match.condition)
            inputs[setup.name] = _unknown(setup, every, department)
    except InputError as error:
        raise InputError(f"{asked.path}: {error}") from None
    departs = any(DEPARTURE in one.owners for one in inputs.values())
    readings = _readings(question, learnt, departs)
    return FieldTest(question, asked, asked.setups, models, inputs, readings, learnt)


def _check(asked: Asked[T]) -> None:
    count = len(asked.setups)
    fewest = 1 if isinstance(asked.question, FieldTestQuestion) else FEWEST_SETUPS  # one alone can be measured
    if not fewest <= count <= MOST_SETUPS:
        raise InputError(f"setups: {count} given: allowed is {fewest} to {MOST_SETUPS}")
    elevation = float(asked.department.file.site.elevation.middle)
    if not ELEVATIONS[0] <= elevation <= ELEVATIONS[1]:
        raise InputError(f"site.elevation = {elevation:g} deg: allowed for a throw is {ELEVATIONS[0]:g} to "
                         f"{ELEVATIONS[1]:g} deg")  # fmt: skip


def check_pairs(test: FieldTest) -> None:
    """Refuse what compares set-ups where there is one."""
    if len(test.setups) < FEWEST_SETUPS:
        raise InputError(f"{test.asked.path}: setups: {len(test.setups)} given: a plan compares {FEWEST_SETUPS} to "
                         f"{MOST_SETUPS}; one alone needs no plan: read and calibrate take its sheet")  # fmt: skip


def check_instruments(test: FieldTest) -> None:
    """Refuse a field test whose instruments are not stated."""
    known = test.asked.department.file.instruments
    for name in type(known).model_fields:
        if name not in test.instruments:
            where = test.asked.department.path or Path("department")
            raise InputError(f"{where}: instruments.{name} is missing: a field test needs the standard deviation of "
                             "one reading")  # fmt: skip


def _still_model(setup: SetUp, every: Inputs, choices: Choices, condition: str) -> SetUpModel:
    if condition == "pump pressure" and setup.line is None:
        raise InputError(f"setups.{setup.name}: has no line, so no pump pressure can be matched; name one")
    model = model_of(setup, every, choices)
    return replace(model, fixed={**model.fixed, **STILL}, outputs=OUTPUTS)


def _unknown(setup: SetUp, every: Inputs, department: Department) -> Inputs:
    """What is not known of a set-up: the conditions of a throw and the site are not; a style leaves a departure."""
    known = {*department.file.site.stated(), *STILL, "elevation"}
    parameters = tuple(p for p in every.parameters if p.name not in known)
    shared = any(p.name in (FACTOR, UPSTREAM) and every.owners.get(p.name, "").startswith("shutoffs.")
                 and p.name not in every.own for p in parameters)  # fmt: skip
    if not shared:
        return replace(every, parameters=parameters)
    departure = Parameter(DEPARTURE, Normal(0.0, 1.0), source="of one set-up from others with its shutoff")
    owners = {**every.owners, DEPARTURE: f"setups.{setup.name}"}
    return replace(every, parameters=(*parameters, departure), owners=owners)


def _readings(question: MatchQuestion, learnt: Learnt | None, departs: bool) -> Inputs:
    """What stands between a stream and its readings, as the question, the throws or the table of beliefs say."""
    parameters = []
    for name in READINGS:
        stated = question.beliefs.get(name)
        if stated is not None and stated.distribution is None:
            raise InputError(f"beliefs.{name}: must be a distribution here")
        if name != DAY and (departs or name != SPREAD):
            parameters.append(_believed_reading(name, question))
    if learnt is not None:
        parameters = list(learnt.applied(parameters, (), str)[0])
    return Inputs(tuple(parameters), {}, {})


def _believed_reading(name: str, question: MatchQuestion) -> Parameter:
    stated = question.beliefs.get(name)
    return (BELIEFS[name] if stated is None else BELIEFS[name].stated_as(stated)).parameter()


def with_days(test: FieldTest, days: Iterable[str]) -> FieldTest:
    """The test with an unknown for each of several days on which it was thrown; as it is where there is one day.

    Parameters
    ----------
    test : FieldTest
    days : iterable of str
        Of the throws that count; empty where nobody says.
    """
    named = sorted({day for day in days if day})
    if len(named) < 2:
        return test
    effect = _believed_reading(DAY, test.question)
    effects = tuple(replace(effect, name=day_key(day)) for day in named)
    return replace(test, readings=replace(test.readings, parameters=(*test.readings.parameters, *effects)))


def day_key(day: str) -> str:
    """Key of a day's effect among the unknowns."""
    return f"{DAY}[{day}]"


def setups_of(test: FieldTest) -> Table:
    """The set-ups at their targets, as every study tells them."""
    return setups_table(test.asked.department, test.setups, test.asked.learnt)


def in_words(test: FieldTest) -> str:
    """The match as sentences call it: ``equal flow`` or ``each its own target``."""
    return "each set-up at its own target" if test.condition == OWN else f"equal {test.condition}"


def matched_quantity(test: FieldTest) -> str:
    """Quantity of the matched value."""
    return CONDITIONS[test.condition]


assert all(quantity(name) for name in (*CONDITIONS.values(), *CRITERIA.values()))
