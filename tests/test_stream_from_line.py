"""Streams from the pump: Stream.from_line."""

import numpy as np
import pytest
import xarray as xr

from jetsim import Stream, simulate, units
from jetsim.errors import InputError
from jetsim.hydraulics.automatic import ConstantPressure
from jetsim.hydraulics.hoseline import HoseLine, HoseSection
from jetsim.hydraulics.nozzle_kinds import ConstantFlow, SelectableFlow, SmoothBore
from jetsim.hydraulics.operating_point import operating_point
from jetsim.media import water_density

GPM, PSI, INCH, FOOT, COEFFICIENT = (
    units.GALLON_PER_MINUTE,
    units.PSI,
    units.INCH,
    units.FOOT,
    units.HOSE_COEFFICIENT,
)
LINE = HoseLine([HoseSection(1.75 * INCH, 200 * FOOT, 15.5 * COEFFICIENT, coefficient_scatter=0.2)], rise=3.0)
TIP = SmoothBore(0.9375 * INCH)
RING = SelectableFlow((95 * GPM, 125 * GPM, 150 * GPM), 75 * PSI, 2)
NOZZLES = [TIP, ConstantFlow(150 * GPM, 75 * PSI), RING, ConstantPressure(100 * PSI, 70 * GPM, 200 * GPM)]


@pytest.mark.parametrize("nozzle", NOZZLES)
def test_stream_from_a_line_carries_the_flow_of_the_operating_point(nozzle):
    density = water_density(Stream.water_temperature)
    point = operating_point(150 * PSI, LINE, nozzle, density)
    result = simulate(Stream.from_line(150 * PSI, LINE, nozzle, elevation=25.0))
    for name in ("flow_rate", "exit_speed", "reaction_force"):
        assert float(result[name]) == pytest.approx(float(getattr(point, name)), rel=1e-12)


def test_stream_from_a_line_takes_cases_and_fields():
    pump = np.array([100, 150, 200]) * PSI
    result = simulate(Stream.from_line(pump, LINE, TIP, wind_along=[-2.0, 0.0, 2.0]))
    assert dict(result.sizes) == {"case": 3}
    assert np.all(np.diff(result.extreme_reach.values) > 0)
    alone = simulate(Stream.from_line(pump[1], LINE, TIP))
    assert float(result.extreme_reach[1]) == pytest.approx(float(alone.extreme_reach), rel=1e-12)


def test_a_thinner_equivalent_stream_keeps_flow_and_reaction_but_not_reach():
    whole, thin = (
        simulate(Stream.from_line(150 * PSI, LINE, NOZZLES[1], equivalent_diameter_ratio=ratio)) for ratio in (1.0, 0.5)
    )
    assert float(thin.flow_rate) == float(whole.flow_rate)
    assert float(thin.reaction_force) == float(whole.reaction_force)
    assert float(thin.extreme_reach) < float(whole.extreme_reach)
    assert float(thin.breakup_length) == pytest.approx(0.5 * float(whole.breakup_length))


def test_a_ratio_of_one_is_a_smooth_bore():
    one = simulate(Stream(tip_diameter=0.02, nozzle_pressure=3e5))
    same = simulate(Stream(tip_diameter=0.02, nozzle_pressure=3e5, equivalent_diameter_ratio=1.0))
    assert one.identical(same)


def test_pump_that_does_not_lift_the_water_is_refused():
    with pytest.raises(InputError, match="pump_pressure = 10000 Pa: does not lift the water to the nozzle"):
        Stream.from_line([5e5, 1e4], LINE, TIP)


def test_labelled_water_temperature_is_refused_behind_a_line():
    with pytest.raises(InputError, match="water_temperature is a DataArray"):
        Stream.from_line(5e5, LINE, TIP, water_temperature=xr.DataArray([10.0, 20.0], dims="day"))
