"""The constant-pressure nozzle: its law, its ends, and what is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jetsim import units
from jetsim.errors import InputError
from jetsim.hydraulics.automatic import STANDARD_DRIFT, ConstantPressure

GPM, PSI = units.GALLON_PER_MINUTE, units.PSI
RATED, LOW, HIGH = 100 * PSI, 70 * GPM, 200 * GPM


def test_pressure_stays_within_the_standard_s_band_over_the_rated_range():
    # ASTM F1546 (definition read): within 15 psi of the rated pressure over the rated flow range.
    kind = ConstantPressure(RATED, LOW, HIGH)
    pressure = kind.pressure(np.linspace(LOW, HIGH, 501))
    assert np.all(np.abs(pressure - RATED) <= STANDARD_DRIFT * (1 + 1e-12))
    assert float(np.ptp(pressure)) == pytest.approx(30 * PSI)
    assert float(kind.pressure((LOW + HIGH) / 2)) == pytest.approx(RATED)


@given(st.floats(1e3, 15 * PSI), st.sampled_from([LOW, HIGH]), st.floats(0, 1e10))
def test_law_is_continuous_at_both_ends(drift, end, resistance):
    kind = ConstantPressure(RATED, LOW, HIGH, drift)
    below, at, above = (float(kind.pressure(end * factor)) for factor in (1 - 1e-12, 1, 1 + 1e-12))
    assert below == pytest.approx(at, rel=1e-10)
    assert above == pytest.approx(at, rel=1e-10)
    available = at + resistance * end**2
    near = [float(kind.flow(available * factor, resistance=resistance)) for factor in (1 - 1e-12, 1, 1 + 1e-12)]
    assert near == pytest.approx([end] * 3, rel=1e-8)


@pytest.mark.parametrize(("end", "pressures"), [(LOW, (10, 40, 85)), (HIGH, (115, 150, 300))])
def test_fixed_opening_outside_the_rated_range(end, pressures):
    kind = ConstantPressure(RATED, LOW, HIGH)
    flow = kind.flow(np.array(pressures) * PSI)
    edge = kind.pressure(end)
    assert flow == pytest.approx(end * np.sqrt(np.array(pressures) * PSI / edge), rel=1e-12)
    area = kind.discharge_area(np.array(pressures) * PSI)
    assert np.ptp(area) == pytest.approx(0, abs=1e-12 * area.max())


def test_tight_regulation_makes_flow_follow_the_line_and_pressure_stand():
    """A small drift: the pressure hardly moves while the flow doubles."""
    kind = ConstantPressure(RATED, LOW, HIGH, 0.5 * PSI)
    resistance = 60 * PSI / (150 * GPM) ** 2
    flow = kind.flow(np.array([120, 160]) * PSI, resistance=resistance)
    assert flow == pytest.approx(np.sqrt(np.array([20, 60]) * PSI / resistance), rel=0.02)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"drift": 0.0}, "drift = 0 Pa: allowed is above 0 to 103421 Pa"),
        ({"drift": 20 * PSI}, "allowed is above 0 to 103421 Pa"),
        ({"rated_pressure": 10 * PSI}, "allowed is below rated_pressure"),
        ({"lowest_flow": 250 * GPM}, "lowest_flow = 250 gpm (946.4 L/min): allowed is below highest_flow, 200 gpm"),
        ({"highest_flow": -1.0}, "highest_flow = -1 m3/s: allowed is above 0 to 1 m3/s"),
    ],
)
def test_wrong_values_are_refused(fields, words):
    with pytest.raises(InputError) as caught:
        ConstantPressure(**{"rated_pressure": RATED, "lowest_flow": LOW, "highest_flow": HIGH} | fields)
    assert words in str(caught.value)
