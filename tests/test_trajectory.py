"""The flown path: exact limits, laws of motion, and a slow reference integrator."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from jetsim.jet import trajectory
from jetsim.jet.core import Launch, fall_time
from jetsim.jet.drag import FlightConstants, Jet
from jetsim.jet.laws.air_stream import _BROKEN, AirStream, SprayClasses
from jetsim.jet.laws.two_stage import TwoStage
from jetsim.jet.laws.vacuum import Vacuum
from jetsim.jet.runge_kutta import EIGHTH, FOURTH
from jetsim.jet.trajectory import ROUGH, fly, trace
from tests import reference_flight

G = 9.80665


def jet_of(diameter, speed, breakup, along=0.0, across=0.0, air=1.225, elevation=30.0):
    fixed = (999.1, air, 1.8e-5, 0.0735, elevation)
    arrays = np.broadcast_arrays(*np.atleast_1d(diameter, speed, breakup, *fixed, along, across))
    return Jet(*(np.array(a, dtype=float) for a in arrays))


def launch_of(speed, elevation, height=1.0, target=0.0):
    arrays = np.broadcast_arrays(*np.atleast_1d(speed, elevation, height, target))
    return Launch(*(np.array(a, dtype=float) for a in arrays))


def random_cases(count, seed):
    """Fire streams of all sorts: jet, launch, breakup length."""
    rng = np.random.default_rng(seed)
    diameter = rng.uniform(0.010, 0.040, count)
    speed = 0.98 * np.sqrt(2 * rng.uniform(1.5e5, 10e5, count) / 999.1)
    breakup = rng.uniform(140, 260, count) * diameter
    wind = rng.uniform(-10, 10, (2, count))
    launch = launch_of(speed, rng.uniform(5, 85, count), rng.uniform(0, 2, count), rng.uniform(-5, 10, count))
    return jet_of(diameter, speed, breakup, *wind, elevation=launch.elevation), launch, breakup


# -- exact limits


@pytest.mark.parametrize("elevation", [0.0, 5.0, 30.0, 45.0, 80.0, 90.0])
@pytest.mark.parametrize("target", [-3.0, 0.0, 0.9])
def test_vacuum_is_the_parabola(elevation, target):
    speed, height = 25.0, 1.0
    jet, launch = jet_of(0.02, speed, 4.0), launch_of(speed, elevation, height, target)
    flight = fly(Vacuum(jet, FlightConstants()), launch, jet.breakup_length)
    a = np.deg2rad(elevation)
    up, along = speed * np.sin(a), speed * np.cos(a)
    time = (up + np.sqrt(up**2 + 2 * G * (height - target))) / G
    assert flight.extreme_reach[0] == pytest.approx(along * time, rel=1e-12, abs=1e-12)
    assert flight.flight_time[0] == pytest.approx(time, rel=1e-12)
    assert flight.apex_height[0] == pytest.approx(height + up**2 / (2 * G), rel=1e-12)
    assert flight.apex_distance[0] == pytest.approx(along * up / G, rel=1e-9, abs=1e-12)


def test_breakup_point_lies_at_its_path_length():
    jet, launch = jet_of(0.02, 25.0, 12.0), launch_of(25.0, 50.0)
    flight = fly(Vacuum(jet, FlightConstants()), launch, jet.breakup_length)
    a = np.deg2rad(50.0)
    time = flight.breakup_distance[0] / (25 * np.cos(a))
    fine = np.linspace(0, time, 20001)
    speed = np.hypot(25 * np.cos(a), 25 * np.sin(a) - G * fine)
    assert np.trapezoid(speed, fine) == pytest.approx(12.0, rel=1e-8)


def test_quadratic_drag_straight_up_has_the_closed_form():
    # height = ln(1 + beta V^2 / g) / (2 beta), from the breakup point on.
    jet, launch = jet_of(0.02, 30.0, 4.0), launch_of(30.0, 90.0, 0.0)
    law = TwoStage(jet, FlightConstants())
    beta = law._rows[0, 0]
    at_breakup = 30.0**2 - 2 * G * 4.0
    expected = 4.0 + np.log1p(beta * at_breakup / G) / (2 * beta)
    flight = fly(law, launch, jet.breakup_length)
    assert flight.apex_height[0] == pytest.approx(expected, rel=1e-6)


def test_scaling_of_lengths_with_the_square_of_speed():
    # Without drag every length scales with V^2 / g.
    launches = [launch_of(v, 35.0, 1.0 * (v / 20) ** 2) for v in (20.0, 40.0)]
    reach = [
        fly(Vacuum(jet_of(0.02, v, 2.0), FlightConstants()), la, np.array([2.0])).extreme_reach[0]
        for v, la in zip((20.0, 40.0), launches, strict=True)
    ]
    assert reach[1] == pytest.approx(4 * reach[0], rel=1e-12)


def test_drag_scaling_is_dimensionally_right():
    # Double every length, sqrt(2) the speed: drag per path halves, so reach doubles exactly.
    constants = FlightConstants(speed_exponent=0.0)
    small = (jet_of(0.02, 20.0, 4.0), launch_of(20.0, 35.0, 1.0))
    large = (jet_of(0.04, 20.0 * np.sqrt(2), 8.0), launch_of(20.0 * np.sqrt(2), 35.0, 2.0))
    reach = [fly(TwoStage(j, constants), la, j.breakup_length).extreme_reach[0] for j, la in (small, large)]
    assert reach[1] == pytest.approx(2 * reach[0], rel=1e-9)


def test_a_stream_in_air_that_moves_along_with_it_feels_only_the_rest():
    # Galilean frame: a level launch in a tail wind as fast as the stream falls like one launched at rest.
    core = np.array([1e-9])
    moving_jet, still_jet = jet_of(0.02, 20.0, 4.0, along=20.0), jet_of(0.02, 20.0, 4.0)
    moving = fly(TwoStage(moving_jet, FlightConstants()), launch_of(20.0, 0.0, 2.0), core)
    falling = fly(TwoStage(still_jet, FlightConstants()), launch_of(1e-6, 0.0, 2.0), core)
    assert moving.flight_time[0] == pytest.approx(falling.flight_time[0], rel=1e-5)
    assert moving.extreme_reach[0] == pytest.approx(20.0 * moving.flight_time[0], rel=1e-9)


# -- outcomes


def test_target_above_the_apex_is_never_reached():
    jet, launch = jet_of(0.02, 25.0, 4.0), launch_of(25.0, 30.0, 1.0, 50.0)
    flight = fly(TwoStage(jet, FlightConstants()), launch, jet.breakup_length)
    assert np.isnan(flight.extreme_reach[0])
    assert np.isnan(flight.flight_time[0])
    assert 5.0 < flight.apex_height[0] < 10.0


def test_water_can_land_before_it_breaks_up():
    jet, launch = jet_of(0.02, 25.0, 4.0), launch_of(25.0, -45.0, 1.0)
    flight = fly(TwoStage(jet, FlightConstants()), launch, jet.breakup_length)
    assert flight.landed_before_breakup[0]
    assert flight.extreme_reach[0] == pytest.approx(0.985, abs=0.005)
    assert flight.apex_height[0] == 1.0


def test_level_throw_at_target_height_lands_at_once():
    jet, launch = jet_of(0.02, 25.0, 4.0), launch_of(25.0, 0.0, 1.0, 1.0)
    assert fly(TwoStage(jet, FlightConstants()), launch, jet.breakup_length).extreme_reach[0] == 0.0


def test_deep_target_is_reached_at_terminal_fall():
    jet, launch = jet_of(0.02, 25.0, 4.0), launch_of(25.0, 30.0, 1.0, -200.0)
    flight = fly(TwoStage(jet, FlightConstants()), launch, jet.breakup_length)
    assert flight.flight_time[0] > fall_time(np.array([12.5]), np.array([201.0]))[0]


@pytest.mark.parametrize("above", [0.0, 1e-9, 1.0])
def test_fall_time_from_rest(above):
    time = fall_time(np.array([0.0]), np.array([above]))[0]
    assert time == pytest.approx(np.sqrt(2 * above / G), rel=1e-12)


# -- laws of motion


@settings(max_examples=5, deadline=None)
@given(st.integers(0, 10**6))
def test_energy_is_never_gained_in_still_air(seed):
    jet, launch, breakup = random_cases(20, seed)
    jet = jet._replace(wind_along=np.zeros(20), wind_across=np.zeros(20))
    points = trace(TwoStage(jet, FlightConstants()), launch, breakup, 60)
    time, (x, _, z) = points.time, points.position
    # Mean energy between stations, by the chord's speed, bounds the local energy within the step's error.
    speed = np.hypot(np.diff(x, axis=0), np.diff(z, axis=0)) / np.diff(time, axis=0)
    energy = 0.5 * speed**2 + G * (z[1:] + z[:-1]) / 2
    flown = ~np.isnan(energy).any(axis=0)
    assert np.all(np.diff(energy[:, flown], axis=0) <= 1e-6 * energy[:1, flown])


@settings(max_examples=5, deadline=None)
@given(st.integers(0, 10**6))
def test_reach_grows_with_speed_and_breakup_length(seed):
    jet, launch, breakup = random_cases(50, seed)
    jet = jet._replace(wind_along=np.zeros(50), wind_across=np.zeros(50))
    launch = launch._replace(target_height=np.zeros(50))
    constants = FlightConstants(speed_exponent=0.0)
    base = fly(TwoStage(jet, constants), launch, breakup)
    longer = fly(TwoStage(jet._replace(breakup_length=1.1 * breakup), constants), launch, 1.1 * breakup)
    faster = fly(
        TwoStage(jet._replace(exit_speed=1.1 * jet.exit_speed), constants),
        launch._replace(speed=1.1 * launch.speed),
        breakup,
    )
    whole = base.landed_before_breakup  # no later breakup carries these any farther
    assert np.all(longer.extreme_reach[~whole] > base.extreme_reach[~whole])
    assert np.all(longer.extreme_reach[whole] == base.extreme_reach[whole])
    assert np.all(faster.extreme_reach > base.extreme_reach)


def test_wind_signs_and_mirror_symmetry():
    names = ("along", "across")
    runs = {}
    for along, across in ((0, 0), (5, 0), (-5, 0), (0, 5), (0, -5)):
        jet = jet_of(0.02, 25.0, 4.0, **dict(zip(names, (along, across), strict=True)))
        flight = fly(TwoStage(jet, FlightConstants()), launch_of(25.0, 30.0), jet.breakup_length)
        runs[along, across] = (flight.extreme_reach[0], flight.lateral_drift[0])
    assert runs[5, 0][0] > runs[0, 0][0] > runs[-5, 0][0]
    assert runs[0, 0][1] == 0.0
    assert runs[0, 5][1] > 0.5
    assert runs[0, 5][1] == pytest.approx(-runs[0, -5][1], rel=1e-12)
    assert runs[0, 5][0] == pytest.approx(runs[0, -5][0], rel=1e-12)


# -- a case is the same alone and in any batch


def test_alone_equals_batch():
    jet, launch, breakup = random_cases(5000, 3)
    together = fly(TwoStage(jet, FlightConstants()), launch, breakup)
    for case in (0, 17, 1234, 4999):
        one = slice(case, case + 1)
        law = TwoStage(Jet(*(a[one] for a in jet)), FlightConstants())
        alone = fly(law, Launch(*(a[one] for a in launch)), breakup[one])
        for name in ("extreme_reach", "lateral_drift", "flight_time", "apex_height", "apex_distance"):
            assert getattr(alone, name)[0] == pytest.approx(getattr(together, name)[case], rel=1e-12, nan_ok=True)


@pytest.mark.parametrize("block", [168, 2400])  # bytes of the state: 7 cases and 100
def test_blocks_and_landed_neighbours_change_nothing(block, monkeypatch):
    jet, launch, breakup = random_cases(60, 4)
    breakup[::7] = 300.0  # these land before they break up
    jet = jet._replace(breakup_length=breakup)
    whole = fly(AirStream(jet, FlightConstants()), launch, breakup)
    monkeypatch.setattr(trajectory, "BLOCK", block)
    law = AirStream(jet, FlightConstants())
    parts = fly(law, launch, breakup)
    assert np.any(whole.landed_before_breakup)
    assert not np.all(whole.landed_before_breakup)
    for name in ("extreme_reach", "lateral_drift", "flight_time", "apex_height", "apex_distance"):
        np.testing.assert_allclose(getattr(parts, name), getattr(whole, name), rtol=1e-12, atol=1e-12)
    # What the law knows of breakup holds for all its cases, in whatever pieces they flew.
    assert np.all(law._rows[_BROKEN] > 0)


def test_no_drift_where_the_target_is_never_reached():
    jet, launch = jet_of(0.02, 25.0, 4.0, across=3.0), launch_of(25.0, 30.0, 1.0, 50.0)
    assert np.isnan(fly(AirStream(jet, FlightConstants()), launch, jet.breakup_length).lateral_drift[0])


@pytest.mark.parametrize(("along", "elevation"), [(14.0, 60.0), (12.5, 60.0), (19.8, 45.0)])
def test_a_tail_wind_that_all_but_cancels_the_level_speed(along, elevation):
    jet, launch = jet_of(0.025, 28.0, 5.0, along=along, elevation=elevation), launch_of(28.0, elevation)
    constants = FlightConstants()
    reach = fly(AirStream(jet, constants), launch, jet.breakup_length).extreme_reach[0]
    spray = reference_flight.air_stream(jet, launch, constants, 0)
    given = (float(a[0]) for a in launch)
    expected = reference_flight.fly(reference_flight.Case(*given, 5.0, spray, 3))["extreme_reach"]
    assert reach == pytest.approx(expected, rel=2e-4)


def test_trace_ends_at_the_landing_point():
    jet, launch, breakup = random_cases(200, 5)
    law = TwoStage(jet, FlightConstants())
    flight, points = fly(law, launch, breakup), trace(law, launch, breakup, 33)
    landed = ~np.isnan(flight.extreme_reach)
    assert np.allclose(points.position[0, -1, landed], flight.extreme_reach[landed], rtol=1e-9)
    assert np.allclose(points.position[2, -1, landed], launch.target_height[landed], atol=1e-9)
    assert np.allclose(points.position[2, 0, landed], launch.nozzle_height[landed])
    assert not np.isnan(points.position[:, :, landed]).any()


# -- the slow reference


def worst_errors(law, launch, breakup, spray, extra=0):
    """Largest errors against the reference; targets within 1 % of the apex are left out."""
    flight = fly(law, launch, breakup)
    grazing = np.abs(flight.apex_height - launch.target_height) < 0.01 * flight.apex_height
    worst = {"extreme_reach": 0.0, "lateral_drift": 0.0, "apex_height": 0.0}
    for case in np.flatnonzero(~grazing):
        given = (float(a[case]) for a in launch)
        expected = reference_flight.fly(reference_flight.Case(*given, float(breakup[case]), spray(case), extra))
        assert np.isnan(expected["extreme_reach"]) == np.isnan(flight.extreme_reach[case])
        for name in worst:
            value = getattr(flight, name)[case]
            if not np.isnan(expected[name]):
                worst[name] = max(worst[name], abs(value - expected[name]) / max(abs(expected[name]), 1.0))
    return worst


def test_two_stage_reach_within_1e_6_of_the_reference():
    jet, launch, breakup = random_cases(60, 20)
    law = TwoStage(jet, FlightConstants())
    rows = law._rows[:3].copy()
    worst = worst_errors(law, launch, breakup, lambda case: reference_flight.quadratic(*rows[:, case]))
    assert worst["extreme_reach"] <= 1e-6
    assert worst["lateral_drift"] <= 1e-5
    assert worst["apex_height"] <= 1e-6


@pytest.mark.parametrize(("count", "seed"), [(4, 21), pytest.param(24, 22, marks=pytest.mark.slow)])
def test_air_stream_reach_within_1e_6_of_the_reference(count, seed):
    jet, launch, breakup = random_cases(count, seed)
    constants = FlightConstants()
    worst = worst_errors(
        AirStream(jet, constants),
        launch,
        breakup,
        lambda case: reference_flight.air_stream(jet, launch, constants, case),
        extra=3,
    )
    assert worst["extreme_reach"] <= 1e-6
    assert worst["lateral_drift"] <= 1e-5
    assert worst["apex_height"] <= 1e-6


def test_the_method_of_order_eight_has_the_published_coefficients():
    # Hairer, Norsett & Wanner (1993), as scipy's integrator holds them.
    assert np.array_equal(EIGHTH.nodes, [*integrate.DOP853.C, 1.0])
    assert np.array_equal(EIGHTH.earlier, integrate.DOP853.A[:12, :12])
    assert np.array_equal(EIGHTH.weights, integrate.DOP853.B)


def test_single_precision_changes_rough_flights_by_parts_in_a_million():
    jet, launch, breakup = random_cases(300, 8)
    law = SprayClasses(jet, FlightConstants(), 0.4)
    single, double = (fly(law, launch, breakup, effort=effort) for effort in (ROUGH, replace(ROUGH, single=False)))
    assert np.array_equal(np.isnan(single.extreme_reach), np.isnan(double.extreme_reach))
    errors = np.abs(single.extreme_reach - double.extreme_reach) / np.maximum(np.abs(double.extreme_reach), 1.0)
    assert 0 < np.nanmedian(errors) < 2e-6
    assert np.nanmax(errors) < 2e-4


def test_what_single_precision_cannot_hold_is_flown_in_double():
    jet, launch, breakup = random_cases(3, 9)
    huge = SprayClasses(jet, FlightConstants(drop_scale=np.array([1.0, 1e30, 1.0])), 0.4)
    single, double = (fly(huge, launch, breakup, effort=effort) for effort in (ROUGH, replace(ROUGH, single=False)))
    assert single.extreme_reach == pytest.approx(double.extreme_reach, rel=1e-4)


@pytest.mark.parametrize("method", [EIGHTH, FOURTH])
def test_a_method_holds_all_conditions_of_order_four(method):
    # One for each rooted tree of up to four nodes (Butcher, from memory).
    a, b, c = method.earlier, method.weights, method.nodes[:-1]
    assert a.sum(axis=1) == pytest.approx(c)
    found = [b.sum(), b @ c, b @ c**2, b @ a @ c, b @ c**3, b @ (c * (a @ c)), b @ a @ c**2, b @ a @ a @ c]
    assert found == pytest.approx([1, 1 / 2, 1 / 3, 1 / 6, 1 / 4, 1 / 8, 1 / 12, 1 / 24], abs=1e-12)


@pytest.mark.parametrize("method", [EIGHTH, FOURTH])
def test_the_slots_of_a_method_hold_the_stages_that_are_summed(method):
    held = {0: 0}
    for number, stage in enumerate(method.stages, start=1):
        row = method.weights if number == len(method.stages) else method.earlier[number]
        assert [held[stage.first + i] for i in range(stage.stages.size)] == list(stage.stages)
        assert sum(stage.weights) == pytest.approx(row.sum())
        held[stage.slot] = number
