"""Discharge and reaction: constants from first principles, handbook rows, the velocity of approach."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jetsim import media, published, units
from jetsim.errors import InputError
from jetsim.hydraulics import nozzle

WATER = float(media.water_density(units.to_si(60, "degF")))


def gpm_constant(temperature, unit="degC"):
    """Flow in gpm of a 1-inch opening at 1 psi with Cd = 1."""
    density = media.water_density(units.to_si(temperature, unit))
    return float(units.from_si(nozzle.flow_rate(units.PSI, units.INCH, 1.0, density), "gpm"))


def test_discharge_constant_from_first_principles():
    # Worked from the definitions of inch, gallon and pound-force with water densities of 60 degF, 4 and 20 degC:
    # the printed 29.83 and 29.84 differ only in water density.
    assert gpm_constant(60, "degF") == pytest.approx(29.839, abs=5e-4)
    assert gpm_constant(4) == pytest.approx(29.825, abs=5e-4)
    assert gpm_constant(20) == pytest.approx(29.851, abs=5e-4)


def test_metric_discharge_constant():
    # Q[L/min] = 0.6670 Cd d[mm]^2 sqrt(P[bar]) at 20 degC, first principles.
    flow = nozzle.flow_rate(1e5, 1e-3, 1.0, media.water_density(20.0))
    assert float(units.from_si(flow, "L/min")) == pytest.approx(0.6670, abs=5e-5)


@pytest.mark.parametrize("row", published.HANDBOOK_TIPS)
def test_handbook_tip_table(row):
    # Handbooks, from memory: whole gallons from 29.7 d^2 sqrt(P), which hides Cd = 0.995.
    flow = nozzle.flow_rate(row.pressure, row.tip_diameter, published.HANDBOOK_DISCHARGE_COEFFICIENT, WATER)
    assert units.from_si(flow, "gpm") == pytest.approx(units.from_si(row.flow_rate, "gpm"), rel=0.003, abs=0.6)


def test_handbook_forms_and_their_hidden_coefficients():
    # Handbooks, from memory: 29.7 d^2 sqrt(P); 1.57 d^2 P; 0.0505 Q sqrt(P).
    tip, pressure = 0.9375 * units.INCH, 50 * units.PSI
    discharge = published.handbook_flow(tip, pressure) / nozzle.flow_rate(pressure, tip, 1.0, WATER)
    assert discharge == pytest.approx(published.HANDBOOK_DISCHARGE_COEFFICIENT, abs=5e-4)
    full = nozzle.reaction_force(pressure, tip, 1.0, 1.0)
    assert published.handbook_reaction(tip, pressure) == pytest.approx(full, rel=6e-4)
    flow = nozzle.flow_rate(pressure, tip, 0.97, WATER)
    hidden = published.handbook_fog_reaction(flow, pressure) / (WATER * flow * nozzle.exit_speed(pressure, 1.0, WATER))
    assert hidden == pytest.approx(published.HANDBOOK_VELOCITY_COEFFICIENT, abs=5e-4)


def test_reaction_constants_from_first_principles():
    # Reaction = 1.5708 Cd Cv d^2 P [lbf, in, psi], exactly pi / 2; and 0.05264 Cv Q sqrt(P) [lbf, gpm, psi].
    unit_reaction = nozzle.reaction_force(units.PSI, units.INCH, 1.0, 1.0)
    assert float(units.from_si(unit_reaction, "lbf")) == pytest.approx(np.pi / 2, rel=1e-12)
    force = WATER * units.GALLON_PER_MINUTE * nozzle.exit_speed(units.PSI, 1.0, WATER)
    assert float(units.from_si(force, "lbf")) == pytest.approx(0.05264, abs=5e-6)


pressures, diameters = st.floats(1e3, 5e6), st.floats(5e-3, 0.1)
coefficients = st.floats(0.5, 1.0)


@given(pressures, diameters, coefficients, st.floats(0.9, 1.0), st.floats(900, 1000))
def test_reaction_is_mass_flow_times_speed(pressure, tip, velocity, contraction, density):
    discharge = velocity * contraction
    flow = nozzle.flow_rate(pressure, tip, discharge, density)
    speed = nozzle.exit_speed(pressure, velocity, density)
    force = nozzle.reaction_force(pressure, tip, discharge, velocity)
    assert float(force) == pytest.approx(float(density * flow * speed), rel=1e-12)


@given(pressures, diameters, st.floats(0.05, 0.95), coefficients, st.floats(900, 1000))
def test_approach_velocity_balances_energy_in_the_waterway(base, tip, beta, discharge, density):
    """Static pressure plus the dynamic pressure of the flow that results is the total pressure."""
    waterway = tip / beta
    total = nozzle.total_pressure(base, discharge, tip, waterway)
    flow = nozzle.flow_rate(total, tip, discharge, density)
    dynamic = density / 2 * (flow / (np.pi / 4 * waterway**2)) ** 2
    assert float(total) == pytest.approx(float(base + dynamic), rel=1e-12)


def test_approach_velocity_adds_three_percent_of_flow_at_half_the_diameter():
    # Textbook orifice meter: velocity-of-approach factor 1/sqrt(1 - beta^4) = 1.033 at beta = 0.5.
    total = nozzle.total_pressure(1.0, 1.0, 0.02, 0.04)
    assert float(np.sqrt(total)) == pytest.approx(1.0328, abs=5e-5)


def test_a_very_wide_waterway_changes_nothing():
    assert nozzle.total_pressure(3e5, 0.98, 0.02, 20.0) == pytest.approx(3e5, rel=1e-11)


def test_discharge_above_velocity_is_refused():
    with pytest.raises(InputError, match=r"discharge_coefficient = 0\.99: allowed is above 0 to velocity_coefficient"):
        nozzle.check_coefficients([0.9, 0.99], 0.98)


@pytest.mark.parametrize("waterway", [0.02, 0.019])
def test_tip_not_narrower_than_its_waterway_is_refused(waterway):
    with pytest.raises(InputError, match=r"waterway_diameter = .* m: allowed is above tip_diameter, 0\.02 m"):
        nozzle.total_pressure(3e5, 0.98, 0.02, waterway)
