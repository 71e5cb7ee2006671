"""What the study file asks for: the laws to compare, what is meant by reach, limits and measurements."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product

from jetsim.errors import InputError
from jetsim.experiment.distributions import Choice
from jetsim.experiment.space import LARGEST_SAMPLES, SMALLEST_SAMPLES, ParameterSpace, check_sizes
from jetsim.experiment.tables import Table
from jetsim.jet.laws import DRAG_LAWS
from jetsim.quantities import did_you_mean, quantity
from jetsim.report import display

TABLES = ("combinations", "reach", "contrast", "measurements", "limits")
VALVE = "valve_model"
_LAW_WORDS = {
    "factor": "given factor at the exit",
    "upstream factor": "given factor",
    "clear": "clear waterway",
    "loss": "loss, no decay",
    "decaying loss": "loss with decay",
    "two_regime": "two regimes",
    "surface": "surface breakup",
}
_LAW_NOUNS = {"valve_model": "valve closure", "breakup_model": "breakup law", "drag_model": "drag law"}
_QUICK = 32, 10, 4
_TRAJECTORIES, _DOUBLINGS = 24, 2
Laws = Mapping[str, str]


def law_words(law: str) -> str:
    """A law in words."""
    return DRAG_LAWS[law].words if law in DRAG_LAWS else _LAW_WORDS.get(law, law.replace("_", " "))


def law_noun(parameter: str) -> str:
    """What a choice of law is about."""
    return _LAW_NOUNS.get(parameter, display.short_label(parameter))


def laws_words(laws: Laws) -> str:
    """A combination of laws in words."""
    return ", ".join(law_words(law) for law in laws.values())


@dataclass(frozen=True)
class Limit:
    """A limit of an output, SI: its name in the study file, and the side that is asked about."""

    name: str
    output: str
    side: str
    value: float


@dataclass(frozen=True)
class Measurement:
    """A field measurement and the columns of the design that it would settle."""

    name: str
    label: str
    settles: tuple[str, ...]


@dataclass(frozen=True)
class Plan:
    """A study of assumptions.

    Attributes
    ----------
    space : ParameterSpace
        Of the joint design: choices of law are parameters like any other.
    base_samples, replicates : int
        Of each combination but the reference, which has as many as the joint design.
    doublings : int
        How often the samples of a combination may be doubled until its convergence gate passes.
    trajectories : int
        Of the screening of each combination.
    reaches : tuple of str
        Outputs that may be meant by reach.
    contrasts : mapping of str to tuple of str
        Laws of each assumption that are tried although they are not expected to hold.
    measurements : tuple of Measurement
    limits : tuple of Limit
    one_by_one : bool
        Try only combinations that differ from the reference in one assumption, as in a quick look.
    """

    space: ParameterSpace
    base_samples: int
    replicates: int
    doublings: int
    trajectories: int
    reaches: tuple[str, ...]
    contrasts: Mapping[str, tuple[str, ...]]
    measurements: tuple[Measurement, ...]
    limits: tuple[Limit, ...]
    one_by_one: bool = False

    @property
    def choices(self) -> dict[str, tuple[str, ...]]:
        """The laws of each assumption; the first is the reference."""
        found = {}
        for parameter in self.space.parameters:
            if parameter.role == "structural" and isinstance(parameter.distribution, Choice):
                found[parameter.name] = tuple(str(value) for value in parameter.distribution.values)
        return found

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
    def columns(self) -> tuple[str, ...]:
        """Columns of the design other than the choices of law."""
        return tuple(name for name in self.space.columns if name not in self.choices)

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

    def quick(self) -> "Plan":
        """The same study with few runs."""
        samples, replicates, trajectories = _QUICK
        return replace(
            self,
            space=self.space.quick(),
            base_samples=min(self.base_samples, samples),
            replicates=min(self.replicates, replicates),
            doublings=0,
            trajectories=min(self.trajectories, trajectories),
            one_by_one=True,
        )


def read_plan(space: ParameterSpace) -> Plan:
    """Read the study's own tables.

    Raises
    ------
    InputError
        Names the place, the value and what is allowed.
    """
    top = Table("", space.extra)
    _check_space(space)
    sizes = top.table("combinations") if "combinations" in top else Table("combinations", {})
    sizes.only(("base_samples", "replicates"))
    samples = sizes.integer("base_samples", SMALLEST_SAMPLES, LARGEST_SAMPLES, 64)
    replicates = sizes.integer("replicates", 2, 1024, 16)
    try:
        check_sizes(samples, replicates)
    except InputError as error:
        raise InputError(f"combinations.{error}") from None
    reaches = _reaches(top.table("reach"), space)
    plan = Plan(
        space,
        samples,
        replicates,
        _DOUBLINGS,
        _TRAJECTORIES,
        reaches,
        _contrasts(top.table("contrast"), space) if "contrast" in top else {},
        tuple(_measurement(table, space) for table in top.tables("measurements")),
        tuple(_limit(table, space) for table in top.tables("limits")),
    )
    _check_measurements(plan)
    return plan


def _check_space(space: ParameterSpace) -> None:
    for parameter in space.parameters:
        place = f"parameters.{parameter.name}"
        named = quantity(parameter.name).dimension == "name"
        if (parameter.role == "structural") != named:
            words = "must be 'structural' for a choice of law" if named else "'structural' is for a choice of law"
            raise InputError(f"{place}.role = {parameter.role!r}: {words}")
    if VALVE not in space.names:
        raise InputError(f"parameters.{VALVE} is missing: this study compares its choices")
    if len(space.columns) < 1 + sum(parameter.role == "structural" for parameter in space.parameters):
        raise InputError("parameters: nothing varies but the choice of law")
    if space.undefined == "probability of reaching":
        raise InputError(
            f"undefined = {space.undefined!r}: would put another output in the place of reach for some laws only; "
            "must be one of refuse, rank reaching"
        )


def _reaches(table: Table, space: ParameterSpace) -> tuple[str, ...]:
    table.only(("outputs",))
    names = table.sequence("outputs")
    for name in names:
        if not isinstance(name, str):
            raise table.refuse("outputs", f"{name!r} is not the name of a result")
        if name not in space.outputs:
            raise table.refuse(
                "outputs", f"{name!r} is not among the study's outputs{did_you_mean(name, space.outputs)}"
            )
    if len(set(names)) < len(names):
        raise table.refuse("outputs", "holds a name twice")
    return tuple(names)


def _contrasts(table: Table, space: ParameterSpace) -> dict[str, tuple[str, ...]]:
    choices = {p.name: p.distribution.values for p in space.parameters if isinstance(p.distribution, Choice)}
    structural = [p.name for p in space.parameters if p.role == "structural"]
    table.only(structural)
    found = {}
    for name in table.content:
        laws = table.sequence(name)
        for law in laws:
            if law not in choices[name]:
                words = ", ".join(str(value) for value in choices[name])
                raise table.refuse(name, f"{law!r} is not among the choices {words}")
        if len(set(laws)) == len(choices[name]):
            raise table.refuse(name, "holds every choice: at least one must be expected to hold")
        if choices[name][0] in laws:
            raise table.refuse(name, f"{choices[name][0]!r} is the reference, the first of its choices")
        found[name] = tuple(laws)
    return found


def _measurement(table: Table, space: ParameterSpace) -> Measurement:
    table.only(("label", "settles"))
    settled = table.sequence("settles")
    for name in settled:
        if not isinstance(name, str) or name not in space.columns:
            hint = did_you_mean(name, space.columns) if isinstance(name, str) else ""
            raise table.refuse("settles", f"{name!r} is not an uncertain input of this study{hint}")
    if len(set(settled)) < len(settled):
        raise table.refuse("settles", "holds a name twice")
    return Measurement(table.path.partition(".")[2], table.text("label"), tuple(settled))


def _check_measurements(plan: Plan) -> None:
    columns = set(plan.expected_space.columns)
    for measurement in plan.measurements:
        place = f"measurements.{measurement.name}"
        if not columns & set(measurement.settles):
            raise InputError(f"{place}.settles: settles nothing that varies without the laws of [contrast]")
        if columns <= set(measurement.settles):
            raise InputError(f"{place}.settles: settles every uncertain input: no measurement settles all of them")
        if measurement.name in columns:
            raise InputError(f"{place}: {measurement.name!r} is the name of an input: call the measurement otherwise")


def _limit(table: Table, space: ParameterSpace) -> Limit:
    table.only(("output", "below", "above"))
    output = table.option("output", space.outputs)
    sides: list[str] = [side for side in ("below", "above") if side in table]
    if len(sides) != 1:
        raise InputError(f"{table.path}: give one limit, below or above")
    value = table.measure(sides[0], quantity(output).dimension).si
    return Limit(table.path.partition(".")[2], output, sides[0], value)
