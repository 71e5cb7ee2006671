"""Believed against delivered: the fixed-opening identity, each deviation alone, and what is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jetsim import units
from jetsim.errors import InputError
from jetsim.hydraulics.believed import Deviation, actual_line, actual_nozzle, compare_delivery, delivered
from jetsim.hydraulics.hoseline import HoseLine, HoseSection, LocalLoss
from jetsim.hydraulics.nozzle_kinds import ConstantFlow, SelectableFlow, SmoothBore
from jetsim.hydraulics.operating_point import operating_point
from jetsim.hydraulics.required_pressure import required_pump_pressure

GPM, PSI, INCH, FOOT, COEFFICIENT = (
    units.GALLON_PER_MINUTE,
    units.PSI,
    units.INCH,
    units.FOOT,
    units.HOSE_COEFFICIENT,
)
LINE = HoseLine([HoseSection(1.75 * INCH, 200 * FOOT, 15.5 * COEFFICIENT, coefficient_scatter=0.2)])
TIP = SmoothBore(0.9375 * INCH, 0.995)
RING = SelectableFlow((95 * GPM, 125 * GPM, 150 * GPM), 100 * PSI, 1)


@pytest.mark.parametrize("nozzle", [TIP, ConstantFlow(150 * GPM, 75 * PSI), RING])
@pytest.mark.parametrize("deviation", [Deviation(friction_ratio=2.4), Deviation(kink_loss_coefficient=30.0)])
def test_pressure_and_reaction_of_a_fixed_opening_go_as_the_flow_squared(nozzle, deviation):
    believed, actual = operating_point(150 * PSI, LINE, nozzle), delivered(150 * PSI, LINE, nozzle, deviation)
    share = float(actual.flow_rate / believed.flow_rate)
    assert share < 0.9
    assert float(actual.nozzle_pressure / believed.nozzle_pressure) == pytest.approx(share**2, rel=1e-12)
    assert float(actual.reaction_force / believed.reaction_force) == pytest.approx(share**2, rel=1e-12)


def test_a_quarter_less_flow_is_44_percent_less_pressure_and_reaction():
    """Kinks that take a quarter of the flow, found from the resistances of line and tip."""
    tip = float(TIP.pressure(1.0))
    hose = float(LINE.quadratic_resistance())
    kink = (tip + hose) * (1 / 0.75**2 - 1) / float(LocalLoss(1.0, 1.75 * INCH).resistance())
    change = compare_delivery(150 * PSI, LINE, TIP, {"kinks": Deviation(kink_loss_coefficient=kink)})
    assert change.change("flow_rate") == pytest.approx([-0.25], abs=1e-12)
    assert change.change("nozzle_pressure") == pytest.approx([-0.4375], abs=1e-12)
    assert change.change("reaction_force") == pytest.approx([-0.4375], abs=1e-12)


def test_nothing_deviates_by_default():
    assert float(delivered(9e5, LINE, TIP, Deviation()).flow_rate) == float(operating_point(9e5, LINE, TIP).flow_rate)


@given(st.floats(-0.3, 0.3))
def test_pump_error_shifts_the_pump_pressure(error):
    shifted = delivered(9e5, LINE, TIP, Deviation(pump_pressure_error=error * 1e6))
    assert float(shifted.pump_pressure) == pytest.approx(9e5 + error * 1e6)


def test_the_wrong_hose_coefficient_of_the_hand_worked_example():
    # Pumped at 115 psi for C = 9.5 while the hose has 15.5: the tip gets the flow of 115 psi at C = 15.5.
    line = HoseLine([HoseSection(1.75 * INCH, 200 * FOOT, 9.5 * COEFFICIENT)])
    pump = required_pump_pressure(line, TIP, nozzle_pressure=50 * PSI).pump_pressure
    actual = delivered(pump, line, TIP, Deviation(friction_ratio=15.5 / 9.5))
    assert float(actual.flow_rate) == pytest.approx(float(operating_point(pump, LINE, TIP).flow_rate), rel=1e-12)
    assert float(actual.flow_rate / GPM) == pytest.approx(158, abs=1)


def test_each_deviation_acts_in_its_own_direction():
    deviations = {
        "pump 10 psi low": Deviation(pump_pressure_error=-10 * PSI),
        "stiff hose": Deviation(hose_deviation=1.0),
        "kink": Deviation(kink_loss_coefficient=5.0),
        "one setting low": Deviation(setting_step=-1),
    }
    low = compare_delivery(150 * PSI, LINE, RING, deviations)
    assert low.labels == tuple(deviations)
    assert np.all(low.change("flow_rate") < 0)
    more = {"worn tip": Deviation(tip_wear=1.02), "one setting high": Deviation(setting_step=1)}
    assert np.all(compare_delivery(150 * PSI, LINE, RING, more).change("flow_rate") > 0)


def test_a_setting_too_low_raises_nozzle_pressure_while_flow_falls():
    """Less flow loses less in the hose: the gauge at the nozzle would look better, the water is less."""
    change = compare_delivery(150 * PSI, LINE, RING, {"one setting low": Deviation(setting_step=-1)})
    assert change.change("nozzle_pressure")[0] > 0
    assert change.change("flow_rate")[0] < -0.1


def test_deviations_may_be_arrays():
    deviation = Deviation(
        pump_pressure_error=np.array([-1e5, 0, 1e5]),
        kink_loss_coefficient=np.array([0.0, 1.0, 5.0]),
        tip_wear=np.array([1.0, 1.01, 0.99]),
        hose_deviation=np.array([-1.0, 0.0, 1.0]),
        setting_step=np.array([-1, 0, 1]),
    )
    batch = delivered(10e5, LINE, RING, deviation)
    for case in range(3):
        alone = Deviation(**{name: float(getattr(deviation, name)[case]) for name in (
            "pump_pressure_error", "kink_loss_coefficient", "tip_wear", "hose_deviation", "setting_step")})  # fmt: skip
        assert float(batch.flow_rate[case]) == pytest.approx(float(delivered(10e5, LINE, RING, alone).flow_rate))


def test_line_and_nozzle_are_left_as_they_were():
    before = float(LINE.friction_loss(0.01)), float(TIP.flow(3e5))
    actual_line(LINE, Deviation(friction_ratio=2.0)), actual_nozzle(TIP, Deviation(tip_wear=1.1))
    assert (float(LINE.friction_loss(0.01)), float(TIP.flow(3e5))) == before


@pytest.mark.parametrize(
    ("deviation", "words"),
    [
        ({"setting_step": -1}, "setting_step = -1: this nozzle has no settings"),
        ({"tip_wear": 0.0}, "tip_wear = 0: allowed is 0.5 to 2"),
        ({"kink_loss_coefficient": -1.0}, "kink_loss_coefficient = -1: allowed is 0 to 10000"),
        ({"friction_ratio": np.nan}, "friction_ratio = nan: allowed is 0 to 100"),
        ({"pump_pressure_error": -2e6}, "pump_pressure = -1e+06 Pa: allowed is 0"),
    ],
)
def test_wrong_deviations_are_refused(deviation, words):
    with pytest.raises(InputError) as caught:
        delivered(1e6, LINE, TIP, Deviation(**deviation))
    assert words in str(caught.value)
