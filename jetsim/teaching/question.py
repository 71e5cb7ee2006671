"""What a teaching page lets a class move, and how far."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from jetsim import units
from jetsim.equipment.questions import Question
from jetsim.equipment.reading import Of
from jetsim.errors import InputError
from jetsim.quantities import quantity

STOREY, SLIP, KINKS = float(units.to_si(10.0, "ft")), float(units.to_si(20.0, "psi")), 10.0
QUICK = 16
LEAST = float(units.to_si(20.0, "psi"))
# Elevations and winds beyond which a weak stream comes back to the nozzle: no table of distances holds that.
ELEVATIONS, WINDS = (0.0, 60.0), (float(units.to_si(-15.0, "mph")), float(units.to_si(15.0, "mph")))

Ends = Annotated[list[Annotated[float, Of("elevation")]], Field(min_length=2, max_length=2)]


class TeachingQuestion(Question):
    """A question for ``teaching_page``.

    Attributes
    ----------
    elevation, wind_along, lengths, floors : list of two
        Ends of the controls [deg, m/s, m, storeys]; lengths are those of the line's last section, floors are counted
        from the height at which the line is laid.
    floor_height : float
        [m]
    least_nozzle_pressure : float
        Below which no stream is told [Pa].
    pump_error : float
        How far the pump is set too low or too high, as a mistake [Pa].
    kink_loss_coefficient : float
        K of all kinks together, as a mistake.
    """

    asks: ClassVar[str] = "teaching_page"
    base_samples: int = 64
    drive: Literal["nozzle"] = "nozzle"
    elevation: Ends
    wind_along: Annotated[list[Annotated[float, Of("wind_along")]], Field(min_length=2, max_length=2)]
    lengths: Annotated[list[Annotated[float, Of("supply.hose_length")]], Field(min_length=2, max_length=2)]
    floors: Annotated[list[Annotated[int, Field(ge=-10, le=100)]], Field(min_length=2, max_length=2)]
    floor_height: Annotated[float, Of("supply.rise")] = STOREY
    least_nozzle_pressure: Annotated[float, Of("nozzle_pressure")] = LEAST
    pump_error: Annotated[float, Of("supply.pump_pressure", spread=True)] = SLIP
    kink_loss_coefficient: Annotated[float, Of("supply.kink_loss_coefficient")] = KINKS

    def quick(self) -> "TeachingQuestion":
        """The same question with few draws: the nodes stay, so the page moves as the whole one does."""
        return self.model_copy(update={"base_samples": min(self.base_samples, QUICK)})

    @model_validator(mode="after")
    def _controls(self) -> "TeachingQuestion":
        for name in ("outputs", "vary", "fixed"):
            if getattr(self, name):
                raise InputError(f"{name}: the page shows all results, and its controls set what a crew sets; leave it "
                                 "out")  # fmt: skip
        for name in ("elevation", "wind_along", "lengths", "floors"):
            low, high = getattr(self, name)
            if low >= high:
                raise InputError(f"{name}: must be two ends that rise")
        for name, (least, most) in {"elevation": ELEVATIONS, "wind_along": WINDS}.items():
            low, high = getattr(self, name)
            if low < least - 1e-9 or high > most + 1e-9:
                unit = quantity(name).us
                ends = [f"{float(units.from_si(end, unit)):.4g}" for end in (least, most)]
                raise InputError(
                    f"{name}: allowed is {ends[0]} to {ends[1]} {unit}: beyond, weak streams come back to the nozzle"
                )
        if not self.wind_along[0] <= 0 <= self.wind_along[1] or not self.floors[0] <= 0 <= self.floors[1]:
            raise InputError("wind_along, floors: must hold still air and the floor as laid, 0")
        return self
