"""What a card shows besides its set-up: hose lengths and floors of the pump chart, and the one mistake at a time."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field, field_validator, model_validator

from jetsim import units
from jetsim.equipment.questions import Question
from jetsim.equipment.reading import Of
from jetsim.errors import InputError

STOREY, SLIP, KINKS = float(units.to_si(10.0, "ft")), float(units.to_si(20.0, "psi")), 10.0
MOST_LENGTHS, MOST_FLOORS = 5, 5


class CardsQuestion(Question):
    """A question for ``setup_cards``.

    Attributes
    ----------
    lengths : list of float
        Of the line's last section, in the pump chart [m].
    floors : list of int
        Above (or below) the height at which the line is laid, in the pump chart.
    floor_height : float
        [m]
    pump_error : float
        How far the pump is set too low or too high, as a mistake [Pa].
    kink_loss_coefficient : float
        K of all kinks together, as a mistake.
    """

    asks: ClassVar[str] = "setup_cards"
    base_samples: int = 256
    drive: Literal["nozzle"] = "nozzle"
    lengths: Annotated[list[Annotated[float, Of("supply.hose_length")]], Field(min_length=1, max_length=MOST_LENGTHS)]
    floors: Annotated[list[Annotated[int, Field(ge=-10, le=100)]], Field(min_length=1, max_length=MOST_FLOORS)]
    floor_height: Annotated[float, Of("supply.rise")] = STOREY
    pump_error: Annotated[float, Of("supply.pump_pressure", spread=True)] = SLIP
    kink_loss_coefficient: Annotated[float, Of("supply.kink_loss_coefficient")] = KINKS

    @field_validator("lengths", "floors")
    @classmethod
    def _once(cls, value: list[float]) -> list[float]:
        if len(set(value)) < len(value):
            raise InputError("names a value twice")
        return sorted(value)

    @model_validator(mode="after")
    def _all_results(self) -> "CardsQuestion":
        if self.outputs:
            raise InputError("outputs: every card shows the same results; leave it out")
        return self
