"""Kinds of nozzle: flow laws and their inverses, reaction, equivalent stream, and what is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jetsim import published, units
from jetsim.errors import InputError
from jetsim.hydraulics import nozzle
from jetsim.hydraulics.automatic import ConstantPressure
from jetsim.hydraulics.nozzle_kinds import FLOW_RATIO, RATING_DENSITY, ConstantFlow, SelectableFlow, SmoothBore

GPM, PSI, INCH = units.GALLON_PER_MINUTE, units.PSI, units.INCH
SETTINGS = tuple(q * GPM for q in (30, 60, 95, 125))
KINDS = {
    "smooth bore": SmoothBore(0.9375 * INCH, 0.97, 0.98),
    "constant flow": ConstantFlow(150 * GPM, 50 * PSI),
    "selectable flow": SelectableFlow.at(95 * GPM, SETTINGS, 100 * PSI),
    "constant pressure": ConstantPressure(100 * PSI, 70 * GPM, 200 * GPM),
}
kinds = st.sampled_from(list(KINDS.values()))
pressures, densities = st.floats(1e3, 3e6), st.floats(950, 1000)


@given(kinds, pressures, densities)
def test_flow_and_pressure_are_each_other_s_inverse(kind, pressure, density):
    flow = kind.flow(pressure, density)
    assert float(kind.pressure(flow, density)) == pytest.approx(pressure, rel=1e-12)


@given(kinds, pressures, densities, st.floats(0, 1e11))
def test_flow_behind_a_resistance_balances(kind, available, density, resistance):
    flow = kind.flow(available, density, resistance)
    assert float(kind.pressure(flow, density) + resistance * flow**2) == pytest.approx(available, rel=1e-11)


@given(kinds, pressures, st.floats(1.001, 3.0))
def test_flow_rises_with_pressure(kind, pressure, factor):
    assert kind.flow(pressure * factor) > kind.flow(pressure)


@given(kinds, pressures, densities)
def test_reaction_is_mass_flow_times_speed(kind, pressure, density):
    force = density * kind.flow(pressure, density) * kind.exit_speed(pressure, density)
    assert float(kind.reaction(pressure)) == pytest.approx(float(force), rel=1e-12)


@given(kinds, pressures, densities)
def test_equivalent_stream_has_the_same_flow_speed_and_reaction(kind, pressure, density):
    same = kind.equivalent_stream(pressure)
    discharge, velocity = same.discharge_coefficient, same.velocity_coefficient
    nozzle.check_coefficients(discharge, velocity)
    flow = nozzle.flow_rate(same.nozzle_pressure, same.tip_diameter, discharge, density)
    force = nozzle.reaction_force(same.nozzle_pressure, same.tip_diameter, discharge, velocity)
    assert float(flow) == pytest.approx(float(kind.flow(pressure, density)), rel=1e-12)
    assert float(force) == pytest.approx(float(kind.reaction(pressure)), rel=1e-12)
    assert nozzle.exit_speed(pressure, velocity, density) == kind.exit_speed(pressure, density)


@given(st.sampled_from(["smooth bore", "constant flow", "selectable flow"]), st.floats(0.9, 1.1), pressures)
def test_wear_of_a_fixed_opening_goes_as_its_area(name, ratio, pressure):
    kind = KINDS[name]
    assert float(kind.worn(ratio).flow(pressure) / kind.flow(pressure)) == pytest.approx(ratio**2, rel=1e-12)


def test_wear_of_a_constant_pressure_nozzle_widens_its_range():
    kind = KINDS["constant pressure"]
    worn = kind.worn(1.1)
    assert float(worn.pressure(kind.highest_flow * 1.21)) == pytest.approx(float(kind.highest_pressure))


@given(st.sampled_from(["constant flow", "selectable flow", "constant pressure"]), st.floats(0.8, 1.2), pressures)
def test_flow_over_the_rating_scales_flow_and_reaction_and_leaves_the_speed(name, ratio, pressure):
    kind = KINDS[name]
    # A constant-pressure nozzle keeps its pressures: its flow range scales, its opening as well.
    scaled = kind.sampled({FLOW_RATIO: ratio})
    assert float(scaled.flow(pressure) / kind.flow(pressure)) == pytest.approx(ratio, rel=1e-9)
    assert float(scaled.reaction(pressure) / kind.reaction(pressure)) == pytest.approx(ratio, rel=1e-9)
    assert float(scaled.exit_speed(pressure)) == float(kind.exit_speed(pressure))


@given(st.sampled_from(["constant flow", "selectable flow", "constant pressure"]), st.floats(0.9, 1.0), pressures)
def test_velocity_coefficient_of_fog_scales_speed_and_reaction_and_leaves_the_flow(name, cv, pressure):
    kind, slower = KINDS[name], KINDS[name].sampled({"velocity_coefficient": cv})
    ratio = cv / float(kind.exit_coefficient)
    assert float(slower.exit_speed(pressure) / kind.exit_speed(pressure)) == pytest.approx(ratio, rel=1e-12)
    assert float(slower.reaction(pressure) / kind.reaction(pressure)) == pytest.approx(ratio, rel=1e-12)
    assert float(slower.flow(pressure)) == float(kind.flow(pressure))


def test_a_smooth_bore_is_sampled_by_its_coefficients():
    tip = SmoothBore(0.02)
    cut = tip.sampled({"discharge_coefficient": np.array([0.95, 0.96])})
    assert cut.exit_coefficient == pytest.approx([0.95, 0.96])
    ratio = cut.reaction(3e5) / tip.reaction(3e5)
    assert ratio == pytest.approx((np.array([0.95, 0.96]) / 0.975) ** 2)
    assert tip.sampled({}) is tip


@pytest.mark.parametrize(
    ("name", "member"),
    [
        ("constant flow", "discharge_coefficient"),
        ("smooth bore", "equivalent_diameter_ratio"),
        ("selectable flow", "tip_diameter"),
    ],
)
def test_a_member_that_does_not_act_on_a_nozzle_is_refused(name, member):
    with pytest.raises(InputError, match=f"{member}: does not act on this nozzle"):
        KINDS[name].sampled({member: 0.9})


def test_a_flow_far_from_the_rating_is_refused():
    with pytest.raises(InputError, match=r"flow_ratio = 3: allowed is 0\.5 to 2"):
        KINDS["constant flow"].sampled({FLOW_RATIO: 3.0})


def test_handbook_reaction_is_the_handbooks():
    # From memory: 1.57 d^2 P and 0.0505 Q sqrt(P).
    tip, fog = SmoothBore(0.875 * INCH, 0.96), KINDS["constant flow"].sampled({"velocity_coefficient": 0.9})
    own = float(published.handbook_reaction(0.875 * INCH, 50 * PSI))
    assert float(tip.handbook_reaction(50 * PSI)) == pytest.approx(own, rel=1e-3)
    assert float(tip.handbook_reaction(50 * PSI) / tip.reaction(50 * PSI)) == pytest.approx(1 / 0.96**2)
    flow = float(fog.flow(60 * PSI))
    assert float(fog.handbook_reaction(60 * PSI)) == pytest.approx(
        float(published.handbook_fog_reaction(flow, 60 * PSI)), rel=2e-3
    )


def test_only_a_fog_stream_flies_as_a_thinner_one():
    assert float(KINDS["smooth bore"].equivalent_stream(3e5).diameter_ratio) == 1.0
    for name in ("constant flow", "selectable flow", "constant pressure"):
        assert float(KINDS[name].equivalent_stream(3e5).diameter_ratio) == pytest.approx(0.6)


@pytest.mark.parametrize("name", list(KINDS))
def test_no_pressure_no_flow(name):
    kind = KINDS[name]
    assert float(kind.flow(0.0)) == 0.0
    assert float(kind.reaction(0.0)) == 0.0
    assert float(kind.pressure(0.0)) == 0.0
    assert float(kind.equivalent_stream(0.0).tip_diameter) > 0


def test_rated_flow_at_rated_pressure_and_square_root_away_from_it():
    kind = KINDS["constant flow"]
    assert float(kind.flow(50 * PSI) / GPM) == pytest.approx(150)
    assert float(kind.flow(25 * PSI) / GPM) == pytest.approx(150 / np.sqrt(2))


@pytest.mark.parametrize("rated", [30, 60, 95, 125])
def test_each_setting_passes_its_rated_flow(rated):
    kind = KINDS["selectable flow"].select(rated * GPM)
    assert float(kind.flow(100 * PSI) / GPM) == pytest.approx(rated)


def test_a_third_of_the_setting_is_a_third_of_flow_and_reaction_at_one_pressure():
    # Common practice, no source: at one nozzle pressure a third of the flow gives a third of the reaction.
    three = SelectableFlow((50 * GPM, 150 * GPM), 100 * PSI, np.array([0, 1]))
    flow, force = three.flow(100 * PSI), three.reaction(100 * PSI)
    assert float(flow[0] / flow[1]) == pytest.approx(1 / 3)
    assert float(force[0] / force[1]) == pytest.approx(1 / 3)


def test_ring_turns_by_whole_settings_and_stops_at_its_ends():
    kind = KINDS["selectable flow"].stepped(np.array([-9, -1, 0, 1, 9]))
    assert kind.flow(100 * PSI) / GPM == pytest.approx([30, 60, 95, 125, 125])


def test_fog_reaction_is_the_handbook_s():
    # Handbooks, from memory: 0.0505 Q sqrt(P).
    kind = KINDS["constant flow"]
    assert kind.reaction(50 * PSI) == pytest.approx(published.handbook_fog_reaction(150 * GPM, 50 * PSI), rel=6e-4)


def test_common_nozzle_pressures_give_the_flows_of_practice():
    # Common practice, no source: 1 3/4-inch lines flow 120 to 200 gpm; smooth-bore handlines work at 50 psi.
    tips = SmoothBore(np.array([0.875, 0.9375]) * INCH)
    flows = tips.flow(50 * PSI) / GPM
    assert np.all((flows > 120) & (flows < 200))


def test_members_broadcast_as_arrays():
    kind = SmoothBore(np.array([[0.02], [0.03]]), discharge_coefficient=np.array([0.95, 0.96, 0.97]))
    assert kind.flow(3e5).shape == (2, 3)
    assert kind.reaction(3e5).shape == (2, 3)
    assert float(kind.flow(3e5)[1, 2]) == float(SmoothBore(0.03, 0.97).flow(3e5))


def test_colder_water_changes_flow_by_the_root_of_density():
    kind = KINDS["constant pressure"]
    for pressure in (50 * PSI, 100 * PSI, 140 * PSI):
        ratio = float(kind.flow(pressure, 4 * RATING_DENSITY) / kind.flow(pressure, RATING_DENSITY))
        assert ratio == pytest.approx(0.5, rel=1e-12)


@pytest.mark.parametrize(
    ("build", "words"),
    [
        (lambda: SmoothBore(0.0), "tip_diameter = 0 m: allowed is above 0 to 0.2 m"),
        (lambda: SmoothBore(-0.02), "tip_diameter = -0.02 m: allowed is above 0 to 0.2 m"),
        (lambda: SmoothBore(25.4), "tip_diameter = 25.4 m: allowed is above 0 to 0.2 m"),
        (lambda: SmoothBore(0.02, np.nan), "discharge_coefficient = nan: allowed is above 0 to 1"),
        (lambda: SmoothBore(0.02, 0.98, 0.97), "discharge_coefficient = 0.98: allowed is above 0 to velocity_coeff"),
        (lambda: SmoothBore(0.02, maximum_pressure=0.0), "maximum_pressure = 0 Pa: allowed is above 0 Pa"),
        (lambda: ConstantFlow(0.0, 7e5), "rated_flow = 0 m3/s: allowed is above 0 to 1 m3/s"),
        (lambda: ConstantFlow(150.0, 7e5), "rated_flow = 150 m3/s: allowed is above 0 to 1 m3/s"),
        (lambda: ConstantFlow(0.01, -7e5), "rated_pressure = -700000 Pa: allowed is above 0 to 1e+07 Pa"),
        (lambda: ConstantFlow(0.01, 7e5, equivalent_diameter_ratio=1.2), "equivalent_diameter_ratio = 1.2: allowed"),
        (lambda: ConstantFlow(0.01, 7e5, velocity_coefficient=1.2), "velocity_coefficient = 1.2: allowed is above 0"),
        (lambda: SelectableFlow((0.01,), 7e5, 0), "must be two or more rated flows, rising"),
        (lambda: SelectableFlow((0.01, 0.005), 7e5, 0), "must be two or more rated flows, rising"),
        (lambda: SelectableFlow(SETTINGS, 7e5, 4), "selected = 4: must be a position from 0 to 3"),
        (lambda: SelectableFlow(SETTINGS, 7e5, 1.5), "selected = 1.5: must be a position from 0 to 3"),
        (
            lambda: SelectableFlow.at(150 * GPM, SETTINGS, 7e5),
            "setting = 150 gpm (567.8 L/min): this nozzle has the settings 30, 60, 95, 125 gpm",
        ),
        (lambda: SmoothBore(0.02).worn(3.0), "tip_wear = 3: allowed is 0.5 to 2"),
    ],
)
def test_wrong_values_are_refused_in_one_line(build, words):
    with pytest.raises(InputError) as caught:
        build()
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_what_is_taken_of_a_fog_nozzle_that_states_no_more_than_its_rating():
    fog = ConstantFlow(150 * units.GALLON_PER_MINUTE, 75 * units.PSI)
    # Reaction 0.0505 Q sqrt(P) in lbf, gpm, psi (handbooks, from memory).
    handbook = published.handbook_fog_reaction(150 * units.GALLON_PER_MINUTE, 75 * units.PSI)
    assert float(fog.reaction(75 * units.PSI)) == pytest.approx(float(handbook), rel=1e-3)
    # The stream flies in the middle of the range that is assumed, 0.3 to 0.9.
    assert float(fog.equivalent_stream(75 * units.PSI).diameter_ratio) == pytest.approx((0.3 + 0.9) / 2)
