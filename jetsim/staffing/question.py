"""What is asked of flow against staffing: which crews, which flow the fire is to get, and how sure."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from jetsim.equipment.department import Crew, Department
from jetsim.equipment.questions import Question
from jetsim.equipment.reading import Name, Of
from jetsim.errors import InputError
from jetsim.quantities import did_you_mean


class CrewQuestion(Question):
    """A question for ``fit_the_crew``.

    Attributes
    ----------
    crews : list of str or None
        Of the department; all that somebody states a limit for by default.
    matched_crew : str or None
        Whose limit the set-ups are matched under; the first of the crews by default.
    target_flow : float or None
        That the fire is to get [m3/s]; each set-up's own target by default.
    probability : float
        Wanted of being within the limit with the measured excess of force.
    """

    asks: ClassVar[str] = "fit_the_crew"
    base_samples: int = 256
    drive: Literal["nozzle"] = "nozzle"
    crews: Annotated[list[Name], Field(min_length=1)] | None = None
    matched_crew: Name | None = None
    target_flow: Annotated[float | None, Of("supply.rated_flow")] = None
    probability: Annotated[float, Field(gt=0, lt=1)] = 0.9

    @model_validator(mode="after")
    def _all_results(self) -> "CrewQuestion":
        if self.outputs:
            raise InputError("outputs: every answer shows the same results; leave it out")
        return self


def limited_crews(question: CrewQuestion, department: Department) -> dict[str, Crew]:
    """The crews that are asked about, fewest firefighters first; all have a stated limit.

    Raises
    ------
    InputError
        A crew that the department lacks, or that nobody states a limit for.
    """
    known = department.crews
    names = question.crews if question.crews is not None else [n for n, c in known.items() if c.limit is not None]
    for name in (*names, *([question.matched_crew] if question.matched_crew else [])):
        if name not in known:
            raise InputError(f"crews = {name!r}: there is no [crews.{name}]{did_you_mean(name, known)}")
        if known[name].limit is None:
            raise InputError(f"crews = {name!r}: [crews.{name}] states no limit, so nothing can be held against it; "
                             "state limits there")  # fmt: skip
    if not names:
        raise InputError("crews: no crew of the department has a stated limit; state limits under [crews]")
    if question.matched_crew and question.matched_crew not in names:
        raise InputError(f"matched_crew = {question.matched_crew!r}: is none of the crews asked about, {names}")
    return {name: known[name] for name in sorted(names, key=lambda name: known[name].firefighters)}
