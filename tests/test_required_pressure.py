"""Required pump pressure: hand-worked examples, the round trip, and targets beyond the supply."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jetsim import units
from jetsim.errors import InputError
from jetsim.hydraulics.hoseline import HoseLine, HoseSection
from jetsim.hydraulics.nozzle_kinds import SmoothBore
from jetsim.hydraulics.operating_point import operating_point
from jetsim.hydraulics.required_pressure import Supply, required_pump_pressure
from tests.test_operating_point import ATTACK, BIG_TIP, LINES, NOZZLES, STEPPED, TIP

GPM, PSI, INCH, FOOT, COEFFICIENT = (
    units.GALLON_PER_MINUTE,
    units.PSI,
    units.INCH,
    units.FOOT,
    units.HOSE_COEFFICIENT,
)
lines, nozzles = st.sampled_from(list(LINES.values())), st.sampled_from(list(NOZZLES.values()))


@pytest.mark.parametrize(("coefficient", "psi"), [(9.5, 115), (15.5, 156)])
def test_hand_worked_example(coefficient, psi):
    # 15/16-inch tip (Cd 0.995) at 50 psi behind 200 ft of 1 3/4-inch hose; worked by hand.
    line = HoseLine([HoseSection(1.75 * INCH, 200 * FOOT, coefficient * COEFFICIENT)])
    needed = required_pump_pressure(line, TIP, nozzle_pressure=50 * PSI)
    assert float(needed.pump_pressure / PSI) == pytest.approx(psi, abs=0.5)


def test_hand_worked_example_with_elevation():
    # The same with C = 15.5 and the nozzle 30 ft up: 30 x 0.4331 = 13 psi more.
    flat, raised = (HoseLine([ATTACK], rise=rise * FOOT) for rise in (0, 30))
    pressures = [required_pump_pressure(line, TIP, nozzle_pressure=50 * PSI).pump_pressure for line in (flat, raised)]
    assert float(pressures[1] - pressures[0]) / PSI == pytest.approx(12.99, abs=0.01)


@settings(deadline=None)
@given(lines, nozzles, st.floats(1e4, 1.5e6), st.floats(950, 1000))
def test_round_trip_by_nozzle_pressure(line, nozzle, pressure, density):
    needed = required_pump_pressure(line, nozzle, nozzle_pressure=pressure, density=density)
    if needed.pump_pressure < 0:  # the fall alone gives more
        assert not needed.reachable
        return
    point = operating_point(needed.pump_pressure, line, nozzle, density)
    assert float(point.nozzle_pressure) == pytest.approx(pressure, rel=1e-10)


@settings(deadline=None)
@given(lines, nozzles, st.floats(20 * GPM, 300 * GPM))
def test_round_trip_by_flow(line, nozzle, flow):
    needed = required_pump_pressure(line, nozzle, flow=flow)
    if needed.reachable:
        point = operating_point(needed.pump_pressure, line, nozzle)
        assert float(point.flow_rate) == pytest.approx(flow, rel=1e-10)
        assert float(point.reaction_force) == pytest.approx(float(needed.point.reaction_force), rel=1e-10)


@settings(deadline=None)
@given(lines, nozzles, st.floats(3e5, 3e6))
def test_round_trip_from_the_pump(line, nozzle, pump):
    point = operating_point(pump, line, nozzle)
    for target in ({"flow": point.flow_rate}, {"nozzle_pressure": point.nozzle_pressure}):
        assert float(required_pump_pressure(line, nozzle, **target).pump_pressure) == pytest.approx(pump, rel=1e-10)


def test_round_trip_fails_only_where_the_step_has_no_inverse():
    pump = np.linspace(20, 120, 5001) * PSI
    point = operating_point(pump, STEPPED, BIG_TIP)
    back = required_pump_pressure(STEPPED, BIG_TIP, flow=point.flow_rate).pump_pressure
    wrong = np.abs(back / pump - 1) > 1e-10
    assert np.all(point.no_inverse[wrong])
    assert np.all(wrong[point.no_inverse] | (point.local_loss[point.no_inverse] < 1e-3))


def test_target_beyond_the_supply_says_so_with_the_best_achievable():
    needed = required_pump_pressure(
        HoseLine([ATTACK]), TIP, flow=np.array([150, 200, 250]) * GPM, supply=Supply(150 * PSI)
    )
    assert list(needed.reachable) == [True, False, False]
    assert needed.nearest.flow_rate[0] == pytest.approx(150 * GPM)
    assert needed.nearest.pump_pressure[1:] == pytest.approx(150 * PSI)
    best = operating_point(150 * PSI, HoseLine([ATTACK]), TIP)
    assert needed.nearest.flow_rate[1:] == pytest.approx(float(best.flow_rate))
    with pytest.raises(InputError) as caught:
        needed.demand_reachable("targets.flow")
    words = str(caught.value)
    assert words.startswith("targets.flow = 200 gpm (757.1 L/min) at a nozzle pressure of")
    assert "beyond the supply; the best achievable is 181.2 gpm" in words
    assert "pumped at 150 psi (10.3 bar)" in words
    assert "\n" not in words


def test_supply_s_flow_counts_all_nozzles_of_the_line():
    leader = HoseSection(2.5 * INCH, 100 * FOOT, 2 * COEFFICIENT, nozzles_fed=2)
    supply = Supply(300 * PSI, maximum_flow=250 * GPM)
    needed = required_pump_pressure(HoseLine([leader, ATTACK]), TIP, flow=150 * GPM, supply=supply)
    assert not needed.reachable
    assert float(needed.nearest.flow_rate / GPM) == pytest.approx(125)
    within = required_pump_pressure(HoseLine([leader, ATTACK]), TIP, flow=120 * GPM, supply=supply)
    assert within.reachable
    within.demand_reachable()


def test_a_fall_that_gives_more_than_the_target():
    needed = required_pump_pressure(HoseLine([ATTACK], rise=-100.0), SmoothBore(0.0238), nozzle_pressure=1e5)
    assert needed.pump_pressure < 0
    assert not needed.reachable
    assert float(needed.nearest.pump_pressure) == 0.0
    assert needed.nearest.nozzle_pressure > 1e5


@pytest.mark.parametrize(
    ("target", "words"),
    [
        ({}, "give one target"),
        ({"flow": 0.01, "nozzle_pressure": 3e5}, "give one target"),
        ({"flow": -0.01}, "flow = -0.01 m3/s: allowed is above 0 to 1 m3/s"),
        ({"flow": 150.0}, "flow = 150 m3/s: allowed is above 0 to 1 m3/s"),
        ({"nozzle_pressure": 0.0}, "nozzle_pressure = 0 Pa: allowed is above 0"),
        ({"nozzle_pressure": [3e5, np.nan]}, "nozzle_pressure = nan Pa (case 1)"),
    ],
)
def test_wrong_targets_are_refused(target, words):
    with pytest.raises(InputError) as caught:
        required_pump_pressure(LINES["attack"], TIP, **target)
    assert words in str(caught.value)


@pytest.mark.parametrize(("limits", "words"), [((-1.0,), "maximum_pressure = -1"), ((1e6, 0.0), "maximum_flow = 0")])
def test_wrong_supply_is_refused(limits, words):
    with pytest.raises(InputError, match=words):
        Supply(*limits)
