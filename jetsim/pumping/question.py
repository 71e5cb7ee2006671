"""What is asked from the pump: a chart, a sweep of pump pressures, an operating choice and mistakes."""

from dataclasses import fields
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field, field_validator, model_validator

from jetsim.equipment.department import SetUp, label_of
from jetsim.equipment.model import PUMP, PUMP_ERROR
from jetsim.equipment.questions import Asked, Question
from jetsim.equipment.reading import Name, Of, Part, Text
from jetsim.errors import InputError, InputFileError
from jetsim.hydraulics.believed import Deviation, check_steps

BEST = "effective_reach_at_best"
SHOWN = ("flow_rate", "reaction_force", "supply.crew_force", "extreme_reach", BEST, "breakup_distance")
NOTHING_WRONG = "as believed"
_MOST = 20  # lengths and storeys: more than anyone reads off a chart
_STEPS = "supply.setting_step"
# What nozzle and line set, so that a question cannot set it as well.
_SET = ("tip_diameter", "nozzle_pressure", "pressure_tap", "waterway_diameter", "velocity_coefficient", PUMP)


class ChartPart(Part):
    """Lengths of the line's last section, and storeys above where the line is laid."""

    lengths: Annotated[list[Annotated[float, Of("supply.hose_length")]], Field(min_length=1, max_length=_MOST)]
    storeys: Annotated[list[Annotated[int, Field(ge=-10, le=100)]], Field(min_length=1, max_length=_MOST)] = [0]
    storey_height: Annotated[float, Of("supply.rise")] = 3.0

    @field_validator("lengths", "storeys")
    @classmethod
    def _rising(cls, values: list[float]) -> list[float]:
        return sorted(set(values))


class SweepPart(Part):
    """Lowest and highest pump pressure of the curves."""

    low: Annotated[float, Of(PUMP)]
    high: Annotated[float, Of(PUMP)]

    @model_validator(mode="after")
    def _rising(self) -> "SweepPart":
        if not 0 < self.low < self.high:
            raise InputError("low must be above 0 and below high")
        return self


class ChoicePart(Part):
    """The flow that the fire is to get, and the wanted chance of it within the crew's stated limit."""

    target_flow: Annotated[float, Of("supply.rated_flow")]
    probability: Annotated[float, Field(gt=0, lt=1)]


class MistakePart(Part):
    """What is not as the pump operator believes; members as those of `jetsim.hydraulics.believed.Deviation`."""

    label: Text | None = None
    pump_pressure_error: Annotated[float | None, Of("supply.pump_pressure_error")] = None
    hose_deviation: Annotated[float | None, Of("supply.hose_deviation")] = None
    friction_ratio: Annotated[float | None, Of("supply.friction_ratio")] = None
    kink_loss_coefficient: Annotated[float | None, Of("supply.kink_loss_coefficient")] = None
    tip_wear: Annotated[float | None, Of("supply.tip_wear")] = None
    setting_step: Annotated[float | None, Of("supply.setting_step")] = None

    @property
    def deviation(self) -> Deviation:
        """The mistake as hydraulics knows it."""
        given = {item.name: getattr(self, item.name) for item in fields(Deviation)}
        return Deviation(**{name: value for name, value in given.items() if value is not None})

    @model_validator(mode="after")
    def _something(self) -> "MistakePart":
        names = [item.name for item in fields(Deviation)]
        if all(getattr(self, name) is None for name in names):
            raise InputError(f"is empty: state one of {', '.join(names)}")
        check_steps(self.deviation.setting_step)
        return self


class PumpQuestion(Question):
    """What must the pump give, and what force then acts on the crew?"""

    asks: ClassVar[str] = "pump_and_crew"
    drive: Literal["pump"] = "pump"
    outputs: list[str] = list(SHOWN)
    undefined: Literal["refuse", "rank reaching", "probability of reaching"] = "refuse"
    chart: ChartPart
    sweep: SweepPart
    choice: ChoicePart
    mistakes: dict[Name, MistakePart] = {}

    @property
    def wrong(self) -> dict[str, Deviation]:
        """Each mistake in words, and what then deviates."""
        return {label_of(name, mistake): mistake.deviation for name, mistake in self.mistakes.items()}

    @model_validator(mode="after")
    def _consistent(self) -> "PumpQuestion":
        lines = [*_label_mistakes(self), *_name_mistakes(self)]
        if lines:
            raise InputFileError(lines)
        return self


def _label_mistakes(question: PumpQuestion) -> list[str]:
    """Labels by which a table could not tell its rows apart."""
    found = []
    seen = {NOTHING_WRONG: ""}
    for name, mistake in question.mistakes.items():
        label = label_of(name, mistake)
        if label.casefold() in seen:
            other = seen[label.casefold()]
            whose = f"the label of mistakes.{other}" if other else "what the row with nothing wrong is called"
            found.append(f"mistakes.{name}.label = {label!r}: is also {whose}; give each its own")
        seen.setdefault(label.casefold(), name)
    return found


def _name_mistakes(question: PumpQuestion) -> list[str]:
    """Inputs that nozzle, line or study set, results that are shown and left out, and half settings."""
    found = [f"outputs lacks {name!r}, which this study shows" for name in SHOWN if name not in question.outputs]
    for table in ("vary", "fixed", "beliefs"):
        for name in getattr(question, table):
            if name == PUMP:
                found.append(f"{table}.{name}: the study finds it; vary {PUMP_ERROR} instead")
            elif name in _SET and table != "beliefs":
                found.append(f"{table}.{name}: is set by the nozzle and the line, so it cannot be given here")
            elif name.startswith("supply.") and table == "fixed":
                found.append(f"{table}.{name}: state it in the department, or under [vary]")
    if _STEPS in question.vary:
        distribution = question.vary[_STEPS].distribution
        assert distribution is not None
        try:
            check_steps(distribution.ppf(np.linspace(0.0, 1.0, 257)))
        except InputError as error:
            found.append(f"vary.{_STEPS}: {error}")
    return found


# --------------------------------------------------------------------------------------------------------
# What question and department together must hold


def check_together(asked: Asked[PumpQuestion]) -> None:
    """Refuse set-ups without a line, targets beyond the pump, and errors that leave a pump pressure below 0.

    Raises
    ------
    InputFileError
        One line for each.
    """
    lines = [*_sweep_mistakes(asked.question)]
    for setup in asked.setups:
        try:
            lines += _set_up_mistakes(asked, setup)
        except InputError as error:
            lines += [str(error).removeprefix(f"{asked.path}: ")]
    if lines:
        raise InputFileError([f"{asked.path}: {line}" for line in dict.fromkeys(lines)])


def _sweep_mistakes(question: PumpQuestion) -> list[str]:
    varied = question.vary.get(PUMP_ERROR)
    if varied is None or varied.distribution is None:
        return []
    below = question.sweep.low + float(np.asarray(varied.distribution.ppf(np.zeros(1)))[0]) < 0
    return [f"sweep.low: vary.{PUMP_ERROR} would bring the pump below 0 there; start the sweep higher"] * below


def _set_up_mistakes(asked: Asked[PumpQuestion], setup: SetUp) -> list[str]:
    believed = asked.model(setup).believed
    assert believed is not None, "a model that starts at the pump has a line"
    believed.demand_reachable(f"target of setups.{setup.name}")
    return [
        f"mistakes: {words!r} would bring the pump below 0 for setups.{setup.name}"
        for words, deviation in asked.question.wrong.items()
        if float(believed.pump_pressure) + float(np.asarray(deviation.pump_pressure_error)) < 0
    ]
