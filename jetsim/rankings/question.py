"""What is asked of a ranking: a question to a department's set-ups, or a whole space that a researcher states."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, ClassVar, Literal

import numpy as np
import xarray as xr
from pydantic import Field, field_validator

from jetsim.acting import unread_inputs
from jetsim.equipment import questions
from jetsim.equipment.department import SetUp
from jetsim.equipment.model import SetUpModel
from jetsim.equipment.questions import Asked, Question, load_question, scenario_of, whole_space
from jetsim.errors import InputError
from jetsim.experiment.design import grid_design, plain_design
from jetsim.experiment.space import ParameterSpace
from jetsim.experiment.studyfile import flat_names
from jetsim.experiment.tables import Table, read_field
from jetsim.jet.turbulence import VALVE_STYLES
from jetsim.quantities import QUANTITIES, did_you_mean
from jetsim.simulation import StreamModel, simulate, sparing
from jetsim.stream import Stream

SWEEP_POINTS = 41
LOGARITHM = "logarithm_of"
INPUTS = [n for n, q in QUANTITIES.items() if q.role != "output" and q.dimension != "name"]
_PROBES = 64
# What a set-up's crew sees of every stream: an input that moves none of it acts on nothing.
_SEEN = ("extreme_reach", "lateral_drift", "breakup_distance", "flow_rate", "reaction_force",
         "supply.crew_force", "supply.needed_pump_pressure", "supply.delivered_pressure")  # fmt: skip
Axes = Mapping[str, np.ndarray]


class RankQuestion(Question):
    """What controls the streams of a department's set-ups?

    Attributes
    ----------
    undefined : str
        What to do where a throw never reaches the target, see `ParameterSpace`.
    logarithm_of : list of str
        Outputs of which the logarithm is ranked, because a few runs would carry most of their variance.
    sweep : mapping
        Two inputs of the contour figure, each with its two ends.
    """

    asks: ClassVar[str] = "rank_controls"
    undefined: Literal["refuse", "rank reaching", "probability of reaching"] = "refuse"
    logarithm_of: list[str] = Field(default_factory=list)
    sweep: dict[str, Any] = Field(default_factory=dict)

    @field_validator("sweep")
    @classmethod
    def _axes(cls, value: dict[str, Any]) -> dict[str, Any]:
        read_axes(value)
        return value


@dataclass(frozen=True, eq=False)
class Case:
    """One stream that is ranked: a set-up of a department, or what a whole space describes.

    Attributes
    ----------
    space : ParameterSpace
    model : SetUpModel or StreamModel
    axes : mapping of str to ndarray
        Of the contour figure, SI; empty without one.
    logarithms : tuple of str
    setup : SetUp or None
    """

    space: ParameterSpace
    model: SetUpModel | StreamModel
    axes: Axes = field(default_factory=dict)
    logarithms: tuple[str, ...] = ()
    setup: SetUp | None = None

    @property
    def name(self) -> str:
        """Of the set-up; empty for a whole space."""
        return self.setup.name if self.setup else ""

    @property
    def label(self) -> str:
        """Of the set-up, in words; empty for a whole space."""
        return self.setup.label if self.setup else ""

    def flown(self, samples: xr.Dataset) -> xr.Dataset:
        """Results with the flown paths, cases along the last dimension."""
        if isinstance(self.model, SetUpModel):
            return self.model.flown(samples)
        columns = {str(name): xr.DataArray(v.values, dims="sample") for name, v in samples.data_vars.items()}
        return simulate(Stream.from_values({**self.model.fixed, **sparing(self.space.outputs), **columns}), path=True)

    def watched(self, names: Iterable[str]) -> "Case":
        """The same stream with all that is seen of it as outputs, whatever is asked of it."""
        of_stream = tuple(name for name in _SEEN if not name.startswith("supply."))
        seen = _SEEN if isinstance(self.model, SetUpModel) else of_stream
        # To the ground: where no throw reaches a target, nothing would move its reach.
        fixed = {**self.space.medians(), **self.model.fixed, "target_height": 0.0}
        return replace(self, model=replace(self.model, fixed=fixed, outputs=tuple(dict.fromkeys((*names, *seen)))))


Loaded = questions.Loaded[Case, RankQuestion]


# ---------------------------------------------------------------------------------------------------------
# Reading


def load(
    path: Path, department: Path | None = None, setups: tuple[str, ...] | None = None, quick: bool = False
) -> Loaded:
    """Read a question, or a whole space, and refuse what cannot be ranked.

    Raises
    ------
    InputError, InputFileError
        One line for each mistake.
    """
    content = whole_space(path, department, setups)
    if content is not None:
        return _whole_space(content, path, quick)
    asked = load_question(path, RankQuestion, department, setups)
    return _of_setups(replace(asked, question=asked.question.quick()) if quick else asked)


def _whole_space(content: Mapping[str, Any], path: Path, quick: bool) -> Loaded:
    styles = {s.name: {**s.upstream_factor, "basis": s.basis, "source": s.source} for s in VALVE_STYLES.values()}
    named = {"valve_upstream_factor": styles}
    extra = ("scenario", "sweep", LOGARITHM)
    space = ParameterSpace.from_mapping(content, named=named, extra=extra, where=str(path))
    try:
        scenario_of(space)
        logarithms = space.extra.get(LOGARITHM, [])
        if not isinstance(logarithms, list):
            raise InputError(f"{LOGARITHM} = {logarithms!r}: must be a list in square brackets")
        model = StreamModel(space.fixed, space.outputs)
        case = Case(space, model, _axes_of(space.extra.get("sweep", {})), tuple(logarithms))
        check_case(case)
        for name, reason in idle_inputs(case, space.names).items():
            raise InputError(f"parameters.{name}: acts on nothing: {reason}")
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
    return Loaded.of_space(replace(case, space=space.quick()) if quick else case, space)


def _of_setups(asked: Asked[RankQuestion]) -> Loaded:
    question = asked.question
    try:
        cases = [_case(asked, setup) for setup in asked.setups]
        for case in cases:
            check_case(case)
        _check_overrides(asked, cases)
        idle = [idle_inputs(case, question.vary) for case in cases]
        for name in question.vary:
            if all(name in found for found in idle):
                raise InputError(f"vary.{name}: acts on nothing of {_named(asked)}: {idle[0][name]}")
    except InputError as error:
        raise InputError(f"{asked.path}: {error}") from None
    read = [_case(_without(asked, found), case.setup) for case, found in zip(cases, idle, strict=True) if case.setup]
    return Loaded.of_setups(read, asked)


def _named(asked: Asked[RankQuestion]) -> str:
    return " and ".join(f"setups.{setup.name}" for setup in asked.setups)


def _without(asked: Asked[RankQuestion], idle: Iterable[str]) -> Asked[RankQuestion]:
    """The question without what this set-up does not read, though another one does."""
    vary = {name: stated for name, stated in asked.question.vary.items() if name not in set(idle)}
    return replace(asked, question=asked.question.model_copy(update={"vary": vary}))


def _case(asked: Asked[RankQuestion], setup: SetUp) -> Case:
    question = asked.question
    space = replace(asked.space(setup), undefined=question.undefined)
    return Case(space, asked.model(setup), _axes_of(question.sweep), tuple(question.logarithm_of), setup)


def read_axes(table: Any) -> Axes:
    """The two axes of the contour figure, SI; empty without one."""
    if not isinstance(table, Mapping):
        raise InputError("must be a table of two inputs, each with its two ends")
    flat = flat_names(Table("", table)).content
    if flat and len(flat) != 2:
        raise InputError("must be a table of two inputs, each with its two ends")
    return {name: _axis(name, ends) for name, ends in flat.items()}


def _axis(name: str, ends: Any) -> np.ndarray:
    if not isinstance(ends, list) or len(ends) != 2:
        raise InputError(f'{name} = {ends!r}: must be two ends with a unit, such as ["30 psi", "80 psi"]')
    if name not in INPUTS:
        raise InputError(f"{name}: is no input with a number{did_you_mean(name, INPUTS)}")
    low, high = (float(read_field(name, end, name)) for end in ends)
    if not low < high:
        raise InputError(f"{name} = {ends!r}: the first end must lie below the second")
    return np.linspace(low, high, SWEEP_POINTS)


def _axes_of(table: Any) -> Axes:
    try:
        return read_axes(table)
    except InputError as error:
        raise InputError(f"sweep: {error}") from None


# ---------------------------------------------------------------------------------------------------------
# What no single key of a file shows


def check_case(case: Case) -> None:
    """Refuse a stream, a result or a sweep that cannot be."""
    space = case.space
    if case.setup is None:
        for name in ("tip_diameter", "nozzle_pressure"):
            if name not in (*space.fixed, *space.names):
                raise InputError(f"{name} is missing: state it in [fixed] or under [parameters.{name}]")
    middle = _middle(case)
    for name in space.outputs:
        if name in ("effective_reach", "delivered_fraction"):
            _check_spray(name, middle)
        if name not in middle:
            results = [str(n) for n in middle.data_vars if n in QUANTITIES]
            raise InputError(f"outputs: {name!r} is no result of a stream{did_you_mean(name, results)}")
    for name in case.logarithms:
        if name not in space.outputs:
            raise InputError(
                f"{LOGARITHM} = {name!r}: is not among the outputs{did_you_mean(str(name), space.outputs)}"
            )
    if case.axes:
        _check_corners(case)
        for name, reason in idle_inputs(case, case.axes).items():
            raise InputError(
                f"sweep: {name}: acts on nothing{f' of setups.{case.name}' if case.name else ''}: {reason}"
            )


def _middle(case: Case) -> xr.Dataset:
    """All results with every input at its median."""
    medians = {name: ("sample", np.array([value])) for name, value in case.space.medians().items()}
    spared = {**case.model.fixed, **sparing(case.space.outputs)}
    try:
        return replace(case.model, fixed=spared, outputs=())(xr.Dataset(medians)).isel(sample=0)
    except InputError as error:
        varied = str(error).partition(" ")[0] in case.space.names
        raise InputError(f"with every input at its median, {error}" if varied else str(error)) from None


def _check_spray(name: str, middle: xr.Dataset) -> None:
    """Refuse what is delivered where a stream does not say it."""
    if name not in middle:
        raise InputError(f"outputs: {name} needs delivery_distance: state it in [fixed], such as '60 ft'")
    if np.isnan(middle[name]) and not middle["outcome"]:
        raise InputError(f"outputs: {name} needs drag_model = 'air_stream' and an elevation of at most 80 deg")


def _check_corners(case: Case) -> None:
    """Refuse a sweep of which a corner is no stream."""
    corners = grid_design(case.space, **{name: axis[[0, -1]] for name, axis in case.axes.items()}).samples
    try:
        replace(case.model, outputs=("flow_rate",))(corners)
    except InputError as error:
        raise InputError(f"sweep: {error}") from None


def idle_inputs(case: Case, names: Iterable[str]) -> dict[str, str]:
    """Those of the given inputs of a stream that move nothing that is seen of it, each with the reason."""
    sample = plain_design(case.space, _PROBES).samples
    stated = list(names)
    swept = {name: ("sample", np.resize(case.axes[name], _PROBES)) for name in stated if name not in sample}
    probes = sample.assign(swept)[stated]
    if not stated:
        return {}
    fixed = {**case.model.fixed, **case.space.fixed}
    return unread_inputs(case.watched(case.space.outputs).model, probes, fixed)


def _check_overrides(asked: Asked[RankQuestion], cases: Iterable[Case]) -> None:
    """Refuse a belief that is stated otherwise though no set-up asked about reads it."""
    read = {name for case in cases for name in (*case.space.names, *case.space.fixed)}
    for name in asked.question.beliefs:
        if name not in read:
            raise InputError(f"beliefs.{name}: acts on nothing of {_named(asked)}{did_you_mean(name, sorted(read))}")
