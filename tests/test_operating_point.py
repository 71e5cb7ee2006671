"""Operating points: hand-worked examples, balance, a slow reference, stepped losses, limits."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from jetsim import units
from jetsim.errors import InputError
from jetsim.hydraulics.automatic import ConstantPressure
from jetsim.hydraulics.hoseline import HazenWilliamsSection, HoseLine, HoseSection, LocalLoss, StepLoss
from jetsim.hydraulics.nozzle_kinds import ConstantFlow, SelectableFlow, SmoothBore
from jetsim.hydraulics.operating_point import operating_point

GPM, PSI, INCH, FOOT, COEFFICIENT = (
    units.GALLON_PER_MINUTE,
    units.PSI,
    units.INCH,
    units.FOOT,
    units.HOSE_COEFFICIENT,
)
TIP = SmoothBore(0.9375 * INCH, 0.995)
NOZZLES = {
    "smooth bore": TIP,
    "constant flow": ConstantFlow(150 * GPM, 50 * PSI),
    "selectable flow": SelectableFlow((95 * GPM, 125 * GPM), 100 * PSI, 1),
    "constant pressure": ConstantPressure(100 * PSI, 70 * GPM, 200 * GPM),
}
LEADER = HoseSection(2.5 * INCH, 150 * FOOT, 2 * COEFFICIENT, lines=2)
ATTACK = HoseSection(1.75 * INCH, 200 * FOOT, 15.5 * COEFFICIENT)
PIPE = HazenWilliamsSection(4 * INCH, 300 * FOOT, 140, nozzles_fed=2)
LINES = {
    "attack": HoseLine([ATTACK], rise=9.0),
    "leader and attack": HoseLine([LEADER, ATTACK], [LocalLoss(2.0, 2.5 * INCH)], rise=-4.0),
    "Hazen-Williams": HoseLine([PIPE, ATTACK], [LocalLoss(0.5, 1.5 * INCH)], rise=12.0),
}
lines, nozzles = st.sampled_from(list(LINES.values())), st.sampled_from(list(NOZZLES.values()))
pump_pressures = st.floats(2.5e5, 2.5e6)


@pytest.mark.parametrize(("coefficient", "gpm"), [(9.5, 189), (15.5, 162)])
def test_hand_worked_example(coefficient, gpm):
    # 15/16-inch tip (Cd 0.995) behind 200 ft of 1 3/4-inch hose at a pump pressure of 120 psi; worked by hand.
    line = HoseLine([HoseSection(1.75 * INCH, 200 * FOOT, coefficient * COEFFICIENT)])
    assert float(operating_point(120 * PSI, line, TIP).flow_rate / GPM) == pytest.approx(gpm, abs=0.5)


@settings(deadline=None)
@given(lines, nozzles, pump_pressures)
def test_pressures_balance(line, nozzle, pump):
    point = operating_point(pump, line, nozzle)
    spent = point.nozzle_pressure + point.friction_loss + point.local_loss + point.elevation_pressure
    assert float(spent) == pytest.approx(pump, rel=1e-10)
    assert float(point.nozzle_pressure) == pytest.approx(float(nozzle.pressure(point.flow_rate)), rel=1e-12)


@settings(deadline=None)
@given(lines, nozzles, pump_pressures)
def test_agrees_with_a_slow_reference(line, nozzle, pump):
    """Scalar root of the same balance by Brent's method, written out part by part."""

    def surplus(flow):
        lost = sum(float(part.loss(flow)) for part in (*line.sections, *line.losses))
        return float(nozzle.pressure(flow)) + lost + float(line.elevation_pressure()) - pump

    reference = brentq(surplus, 0.0, 1.0, xtol=1e-18, rtol=1e-14)
    assert float(operating_point(pump, line, nozzle).flow_rate) == pytest.approx(reference, rel=1e-11)


@settings(deadline=None)
@given(lines, nozzles, pump_pressures, st.floats(1.001, 2.0))
def test_more_pump_pressure_gives_more_of_everything(line, nozzle, pump, factor):
    low, high = (operating_point(p, line, nozzle) for p in (pump, pump * factor))
    for name in ("flow_rate", "nozzle_pressure", "exit_speed", "reaction_force", "friction_loss"):
        assert getattr(high, name) > getattr(low, name)


def test_members_and_pump_pressures_broadcast():
    """A case alone is the same case in a batch, also where the root finder drops cases as they converge."""
    pump = np.linspace(3e5, 2e6, 7)[:, None]
    rise = np.array([0.0, 5.0, 20.0])
    tips = SmoothBore(np.array([0.02, 0.0238, 0.03]), 0.97)
    hose = HazenWilliamsSection(0.045, np.array([30.0, 60.0, 90.0]), 140)
    batch = operating_point(pump, HoseLine([hose], rise=rise), tips)
    assert batch.flow_rate.shape == (7, 3)
    for i, j in np.ndindex(7, 3):
        alone_hose = HazenWilliamsSection(0.045, 30.0 * (j + 1), 140)
        alone = operating_point(
            pump[i, 0], HoseLine([alone_hose], rise=rise[j]), SmoothBore(tips.tip_diameter[j], 0.97)
        )
        assert float(batch.flow_rate[i, j]) == pytest.approx(float(alone.flow_rate), rel=1e-12)


@pytest.mark.parametrize("name", list(LINES))
def test_water_that_is_not_lifted_does_not_flow(name):
    line = LINES[name]
    point = operating_point(np.array([0.0, 5e5]), HoseLine(line.sections, line.losses, rise=30.0), TIP)
    assert point.flow_rate[0] == 0.0
    assert point.reaction_force[0] == 0.0
    assert point.flow_rate[1] > 0.0


STEP = StepLoss(10 * PSI, 350 * GPM)
BIG_TIP = SmoothBore(1.5 * INCH)
STEPPED = HoseLine([HoseSection(2.5 * INCH, 100 * FOOT, 2 * COEFFICIENT, lines=2)], [STEP])
PLAIN = HoseLine(STEPPED.sections)


def test_stepped_loss_counts_above_its_threshold_only():
    low, high = (np.array([p]) * PSI for p in (25, 90))
    assert operating_point(low, STEPPED, BIG_TIP).flow_rate == operating_point(low, PLAIN, BIG_TIP).flow_rate
    with_step = operating_point(high, STEPPED, BIG_TIP)
    assert with_step.flow_rate == pytest.approx(operating_point(high - 10 * PSI, PLAIN, BIG_TIP).flow_rate, rel=1e-12)
    assert not with_step.no_inverse


def test_stepped_loss_says_where_it_has_no_inverse():
    """As many psi of pump pressure as the step is high give one flow, the threshold; the balance still closes."""
    edge = float(BIG_TIP.pressure(350 * GPM) + PLAIN.friction_loss(350 * GPM))
    pump = edge + np.linspace(-2, 12, 1401) * PSI
    point = operating_point(pump, STEPPED, BIG_TIP)
    assert float(np.ptp(pump[point.no_inverse]) / PSI) == pytest.approx(10, abs=0.03)
    assert point.flow_rate[point.no_inverse] == pytest.approx(350 * GPM)
    spent = point.nozzle_pressure + point.friction_loss + point.local_loss
    assert spent == pytest.approx(pump, rel=1e-12)
    assert np.all(np.diff(point.flow_rate) >= 0)


def test_two_stepped_losses_and_a_constant_one():
    line = HoseLine(PLAIN.sections, [StepLoss(5 * PSI, 500 * GPM), STEP, StepLoss(3 * PSI)])
    pump = np.linspace(5, 200, 4000) * PSI
    point = operating_point(pump, line, BIG_TIP)
    flow = point.flow_rate / GPM
    assert np.all(np.diff(flow) >= 0)
    for lowest, highest, taken in ((1, 349, 3), (351, 499, 13), (501, 9999, 18)):
        inside = (flow > lowest) & (flow < highest)
        assert inside.sum() > 50
        assert point.local_loss[inside] / PSI == pytest.approx(taken)
    nothing = operating_point(2 * PSI, line, BIG_TIP)
    assert float(nothing.flow_rate) == 0.0
    assert bool(nothing.no_inverse)


def test_stated_maximum_pressures_are_flagged():
    hose = HoseSection(1.75 * INCH, 200 * FOOT, 15.5 * COEFFICIENT, maximum_pressure=250 * PSI)
    nozzle = SmoothBore(0.9375 * INCH, maximum_pressure=80 * PSI)
    point = operating_point(np.array([150, 260, 600]) * PSI, HoseLine([hose]), nozzle)
    assert list(point.above_hose_maximum) == [False, True, True]
    assert list(point.above_nozzle_maximum) == [False, True, True]


def test_warmer_water_flows_a_little_faster():
    cold, warm = (operating_point(8e5, LINES["attack"], TIP, density) for density in (1000.0, 960.0))
    assert warm.flow_rate > cold.flow_rate


@pytest.mark.parametrize("pump", [-1.0, np.nan, 1e9])
def test_wrong_pump_pressure_is_refused(pump):
    with pytest.raises(InputError, match=r"pump_pressure = .* Pa.*: allowed is 0 to 1e\+07 Pa"):
        operating_point(np.array([5e5, pump]), LINES["attack"], TIP)
