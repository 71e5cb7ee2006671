"""What instruments should show of throws by formula alone, with what is believed: a middle and a spread, no flight."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jetsim.equipment.department import SetUp
from jetsim.equipment.model import Actual
from jetsim.throws import model
from jetsim.throws.columns import EVERY
from jetsim.throws.emulated import gauges
from jetsim.throws.question import FieldTest
from jetsim.units import STANDARD_GRAVITY

Array = NDArray[np.float64]
DRAWS = 128
# Column of the sheet to what the formulas give, and the instrument's error.
BY_FORMULA = {"flow": ("flow_rate", "flow"), "reaction": ("reaction_force", "reaction"),
              "pump_pressure": ("supply.needed_pump_pressure", "pump_pressure")}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Predictor:
    """Predictions for the set-ups of a test, from draws of what is believed."""

    test: FieldTest
    values: Mapping[str, Array]
    real: Mapping[str, Actual]

    @classmethod
    def of(cls, test: FieldTest) -> "Predictor":
        """Draw what is believed of every set-up."""
        values = model.drawn(test, DRAWS, test.seed)
        real = {setup.name: _actual(test, setup, values) for setup in test.setups}
        return cls(test, values, real)

    def tip(self, setup: str, nozzle: float, pump: float) -> Array:
        """Pressure at the tip in every draw [Pa], shape (draws, 1): by the nozzle's gauge, or else the pump's."""
        gauge = np.exp(self.values[model.GAUGE])[:, None]
        if not np.isnan(nozzle):
            return np.asarray(nozzle / gauge)
        if self.real[setup].line is None:
            return np.full(gauge.shape, np.nan)
        shown = np.minimum(pump / gauge, EVERY["pump_pressure"].high)
        return np.asarray(np.maximum(self.real[setup].nozzle_pressure(shown), 1.0))

    def shown(self, setup: str, nozzle: float, pump: float) -> dict[str, tuple[float, float]]:
        """Middle, SI, and standard deviation of its logarithm, of every instrument, by column of the sheet.

        Errors of the instruments and of the gauge that sets the throw are in the spread.
        """
        tip = self.tip(setup, nozzle, pump)
        exact = gauges(self.real[setup], tip)
        found = {}
        for column, (name, instrument) in BY_FORMULA.items():
            logs = np.log(np.maximum(exact[name], 1e-12))
            middle = float(np.exp(np.median(logs)))
            held = self.test.instruments["nozzle_pressure"] / float(np.median(tip))
            meter = 0.02 if column == "flow" else 0.0  # the flowmeter's own error, as believed
            own = self.test.instruments[instrument] / middle
            found[column] = (middle, float(np.sqrt(logs.var() + held**2 + meter**2 + own**2)))
        return found

    def drag_free(self, setup: str, nozzle: float, pump: float, elevation: float) -> tuple[float, float]:
        """Range without any drag [m] and its time of flight [s]: R = V cos(a) t, t = [V sin a + sqrt(V^2 sin^2 a + 2 g
        h)]/g. Exact.
        """  # fmt: skip
        tip = float(np.median(self.tip(setup, nozzle, pump)))
        speed, angle = np.sqrt(2 * tip / float(np.median(self.real[setup].density))), np.radians(elevation)
        height = float(self.test.asked.department.file.site.nozzle_height.middle)
        up = speed * np.sin(angle)
        time = (up + np.sqrt(up**2 + 2 * STANDARD_GRAVITY * height)) / STANDARD_GRAVITY
        return float(speed * np.cos(angle) * time), float(time)


def _actual(test: FieldTest, setup: SetUp, values: Mapping[str, Array]) -> Actual:
    inputs = model.inputs_at(test, setup, values)
    return test.models[setup.name].actual({name: column[:, None] for name, column in inputs.items()})


def offsets(
    predictor: Predictor, setups: Sequence[str], numbers: Mapping[str, Array], column: str
) -> tuple[Array, Array]:
    """Logarithm of readings over their middle predictions, and the predictions' spread, shape (throws,)."""
    pairs = [
        predictor.shown(setup, nozzle, pump)[column]
        for setup, nozzle, pump in zip(setups, numbers["nozzle_pressure"], numbers["pump_pressure"], strict=True)
    ]
    middle, spread = np.array(pairs).T
    return np.log(numbers[column] / middle), spread
