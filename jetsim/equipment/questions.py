"""Question files: what is asked of a department's set-ups, what the crew may vary, and how many runs.

Each room states its own question as a subclass of `Question`; what all questions share is here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, ClassVar, Generic, Literal, TypeVar

from pydantic import Field, field_validator

from jetsim.equipment.beliefs import BELIEFS
from jetsim.equipment.department import Department, SetUp, load_department
from jetsim.equipment.learnt import Learnt, read_learnt
from jetsim.equipment.model import Drive, SetUpModel
from jetsim.equipment.reading import HERE, Name, Part, Stated, Statements, Text, read_model
from jetsim.equipment.spaces import UPSTREAM, Choices, Inputs, inputs_of, joint_draws, model_of, space_of
from jetsim.errors import InputError, InputFileError
from jetsim.experiment.parameters import Parameter
from jetsim.experiment.space import QUICK_REPLICATES, QUICK_SAMPLES, ParameterSpace, check_power
from jetsim.experiment.studyfile import read_outputs
from jetsim.experiment.tables import Table
from jetsim.quantities import UnitSystem, did_you_mean, quantity
from jetsim.toml import load_toml

Stating = Annotated[Mapping[str, Stated], Statements()]
Q = TypeVar("Q", bound="Question")
S = TypeVar("S")


class Question(Part):
    """What all question files share.

    Attributes
    ----------
    asks : str
        Name of the study that the question is for, as its file states it under ``study``.
    """

    asks: ClassVar[str] = ""
    study: Name
    title: Text
    scenario: Text | None = None
    department: Text = "department.toml"
    setups: Annotated[list[Name], Field(min_length=1)] | None = None
    units: Literal["us", "si"] | None = None
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 0
    base_samples: int = 512
    replicates: Annotated[int, Field(ge=2, le=1024)] = 16
    outputs: list[str] = []
    drive: Literal["nozzle", "pump"] = "nozzle"
    vary: Stating = {}
    fixed: Stating = {}
    beliefs: Stating = {}

    @field_validator("base_samples")
    @classmethod
    def _power(cls, value: int) -> int:
        check_power(HERE, value)
        return value

    @field_validator("outputs")
    @classmethod
    def _results(cls, value: list[str]) -> list[str]:
        return list(read_outputs(Table("", {"outputs": value})))

    @field_validator("beliefs")
    @classmethod
    def _believed(cls, value: Mapping[str, Stated]) -> Mapping[str, Stated]:
        known = (*BELIEFS, UPSTREAM)
        lines = [
            f"{HERE}.{name}: is nothing that the package believes; state it in the department, or under [vary] or "
            f"[fixed]{did_you_mean(name, known)}"
            for name in value
            if name not in known
        ]
        if lines:
            raise InputFileError(lines)
        return value

    @field_validator("fixed")
    @classmethod
    def _certain(cls, value: Mapping[str, Stated]) -> Mapping[str, Stated]:
        for name, stated in value.items():
            if stated.distribution is not None:
                raise InputError(f"{HERE}.{name}: is a distribution: state it under [vary]")
        return value

    @field_validator("vary")
    @classmethod
    def _uncertain(cls, value: Mapping[str, Stated]) -> Mapping[str, Stated]:
        for name, stated in value.items():
            if stated.distribution is None:
                raise InputError(f"{HERE}.{name}: does not vary: state it under [fixed]")
        return value

    def quick(self: Q) -> Q:
        """The same question with few runs."""
        few = {
            "base_samples": min(self.base_samples, QUICK_SAMPLES),
            "replicates": min(self.replicates, QUICK_REPLICATES),
        }
        return self.model_copy(update=few)

    def choices(self) -> Choices:
        """What the question adds to each set-up."""
        vary = tuple(_varied(name, stated) for name, stated in self.vary.items())
        fixed = {name: stated.middle for name, stated in self.fixed.items()}
        drive: Drive = self.drive
        return Choices(vary, fixed, self.beliefs, tuple(self.outputs), drive)


def _varied(name: str, stated: Stated) -> Parameter:
    assert stated.distribution is not None
    role = stated.role or ("structural" if quantity(name).dimension == "name" else "controllable")
    source = stated.source or "as the question states"
    return Parameter(name, stated.distribution, role, stated.basis or "assumption", source, stated.unit)


@dataclass(frozen=True, eq=False)
class Asked(Generic[Q]):
    """A question with the department that it is asked of.

    Attributes
    ----------
    question : Question
    department : Department
    setups : tuple of SetUp
        Those that are asked about.
    learnt : Learnt or None
        What a calibration found.
    path : Path
        Of the question file.
    """

    question: Q
    department: Department
    setups: tuple[SetUp, ...]
    learnt: Learnt | None
    path: Path

    def quick(self) -> "Asked[Q]":
        """The same with the quick question."""
        return replace(self, question=self.question.quick())

    @property
    def units(self) -> UnitSystem:
        """How results are shown: as the question says, else as the department does."""
        return self.question.units or self.department.units

    @property
    def scenario(self) -> str:
        """What is invented or real, in the file's words."""
        return self.question.scenario or self.department.file.scenario or ""

    def inputs(self, setup: SetUp, choices: Choices | None = None) -> Inputs:
        """What is uncertain of a set-up; errors name the question's file."""
        try:
            return inputs_of(setup, choices or self.question.choices(), self.learnt)
        except InputError as error:
            raise InputError(f"{self.path}: {error}") from None

    def space(self, setup: SetUp) -> ParameterSpace:
        """The space of a set-up's uncertain inputs."""
        question = self.question
        return space_of(self.inputs(setup), question.choices(), title=question.title, units=self.units,
                        seed=question.seed, base_samples=question.base_samples,
                        replicates=question.replicates)  # fmt: skip

    def model(self, setup: SetUp) -> SetUpModel:
        """The model of a set-up."""
        choices = self.question.choices()
        return model_of(setup, self.inputs(setup), choices)

    def drawn(self, outputs: tuple[str, ...], read: tuple[str, ...] = ()) -> list[tuple[SetUpModel, dict[str, Any]]]:
        """Each set-up's model at its medians, with joint draws of all that `outputs` and `read` depend on.

        Raises
        ------
        InputError
            A target outside the pump's reach; the best achievable is named.
        """
        choices = replace(self.question.choices(), outputs=(*outputs, *read))
        inputs = [self.inputs(setup, choices) for setup in self.setups]
        models = [SetUpModel(setup, one.medians, outputs) for setup, one in zip(self.setups, inputs, strict=True)]
        for model in models:
            model.check_reachable(str(self.department.path))
        draws = joint_draws(inputs, self.question.base_samples, self.question.seed, self.learnt)
        return list(zip(models, draws, strict=True))

    @property
    def files(self) -> list[Path]:
        """What was read besides the question file."""
        folder = self.department.path
        assert folder is not None
        entry = self.department.file.learnt
        return [folder, *([folder.parent / entry.posterior] if entry else [])]


@dataclass(frozen=True, eq=False)
class Loaded(Generic[S, Q]):
    """All streams that a study asks about: of a department's set-ups, or the one that a whole space describes.

    Attributes
    ----------
    streams : tuple
        One for each set-up, in the room's own words.
    title, scenario : str
    units : {"us", "si"}
    asked : Asked or None
        None for a whole space.
    """

    streams: tuple[S, ...]
    title: str
    scenario: str
    units: UnitSystem
    asked: Asked[Q] | None = None

    @classmethod
    def of_setups(cls, streams: Sequence[S], asked: Asked[Q]) -> "Loaded[S, Q]":
        """One stream for each set-up of a question."""
        return cls(tuple(streams), asked.question.title, asked.scenario, asked.units, asked)

    @classmethod
    def of_space(cls, stream: S, space: ParameterSpace) -> "Loaded[S, Q]":
        """The one stream of a space whose extra keys were checked by `scenario_of`."""
        return cls((stream,), space.title, scenario_of(space), space.units)


def scenario_of(space: ParameterSpace) -> str:
    """What a whole space says of itself under ``scenario``."""
    scenario = space.extra.get("scenario", "")
    if not isinstance(scenario, str):
        raise InputError(f"scenario = {scenario!r}: must be a text in quotes")
    return scenario


def whole_space(path: Path, department: Path | None, setups: Sequence[str] | None) -> dict[str, Any] | None:
    """The content of a file that states a whole space by hand; None where it is a question.

    Raises
    ------
    InputError
        A department or set-ups were chosen for a whole space.
    """
    content = load_toml(path)
    if "parameters" not in content or "study" in content:
        return None
    if department is not None or setups is not None:
        raise InputError(f"{path}: states a whole space, so --department and --setups say nothing of it")
    return content


def load_question(
    path: Path, kind: type[Q], department: Path | None = None, setups: Sequence[str] | None = None
) -> Asked[Q]:
    """Read a question file and the department that it is asked of.

    Parameters
    ----------
    path : Path
        Of the question file.
    kind : type
        The room's question.
    department : Path, optional
        Goes before what the file names.
    setups : sequence of str, optional
        Go before those that the file names.

    Raises
    ------
    InputError, InputFileError
        One line for each mistake; a question for another study, or a department in the place of a question, is named
        as that.
    """
    content = load_toml(path)
    check_asks(content, kind.asks, path)
    question = read_model(content, kind, str(path))
    owner = load_department(department or path.parent / question.department)
    try:
        chosen = owner.chosen(setups if setups is not None else question.setups)
    except InputError as error:
        raise InputError(f"{'--setups' if setups is not None else path}: {error}") from None
    return Asked(question, owner, chosen, read_learnt(owner), path)


def check_asks(content: Mapping[str, Any], asks: str, path: Path) -> None:
    """Refuse a file that is no question, or one for another study."""
    if "study" not in content and "nozzles" in content and "setups" in content:
        raise InputError(
            f"{path}: is a department, not a question: give it as --department, and a question as --inputs"
        )
    if "study" not in content:
        raise InputError(f"{path}: study is missing: state study = {asks!r}, or give the question of another study")
    if content["study"] != asks:
        raise InputError(f"{path}: is a question for {content['study']}, not for {asks}")
