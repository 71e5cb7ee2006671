"""Streams from the pump: Stream.from_line, and the model of a study that starts at the pump."""

import pickle

import numpy as np
import pytest
import xarray as xr

from jetsim import Stream, simulate, units
from jetsim.errors import InputError
from jetsim.hydraulics.automatic import ConstantPressure
from jetsim.hydraulics.believed import Deviation, delivered
from jetsim.hydraulics.hoseline import HoseLine, HoseSection
from jetsim.hydraulics.nozzle_kinds import ConstantFlow, SelectableFlow, SmoothBore
from jetsim.hydraulics.operating_point import operating_point
from jetsim.media import water_density
from jetsim.supply.model import LineModel, applies

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
FIXED = {"elevation": 30.0}


def sample(**columns):
    names = {name.replace("supply_", "supply."): values for name, values in columns.items()}
    return xr.Dataset({name: ("sample", np.asarray(values)) for name, values in names.items()})


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


def test_model_agrees_with_hydraulics_and_flight_case_by_case():
    columns = {
        "supply_pump_pressure_error": [-5e4, 0.0, 5e4],
        "supply_hose_deviation": [-1.0, 0.0, 1.0],
        "supply_kink_loss_coefficient": [0.0, 3.0, 0.0],
        "supply_tip_wear": [1.0, 1.01, 0.99],
        "supply_setting_step": [-1, 0, 0],
        "supply_reaction_excess": [0.0, 0.25, 0.5],
        "wind_along": [0.0, 1.0, -1.0],
    }
    result = LineModel(LINE, RING, 150 * PSI, FIXED)(sample(**columns))
    density = water_density(Stream.water_temperature)
    for case in range(3):
        names = ("pump_pressure_error", "hose_deviation", "kink_loss_coefficient", "tip_wear", "setting_step")
        deviation = Deviation(**{name: columns[f"supply_{name}"][case] for name in names})
        point = delivered(150 * PSI, LINE, RING, deviation, density)
        assert float(result["flow_rate"][case]) == pytest.approx(float(point.flow_rate), rel=1e-12)
        assert float(result["supply.delivered_pressure"][case]) == pytest.approx(float(point.nozzle_pressure))
        force = float(point.reaction_force) * (1 + columns["supply_reaction_excess"][case])
        assert float(result["supply.crew_force"][case]) == pytest.approx(force, rel=1e-12)
    flown = simulate(Stream.from_line(150 * PSI, LINE.with_kinks(3.0), RING.worn(1.01), elevation=30.0, wind_along=1.0))
    assert float(result["extreme_reach"][1]) == pytest.approx(float(flown.extreme_reach), rel=1e-12)


def test_sampled_coefficient_and_ratio_act_on_the_nozzle():
    result = LineModel(LINE, TIP, 150 * PSI, FIXED)(sample(discharge_coefficient=[0.95, 0.99]))
    assert result.flow_rate[1] > result.flow_rate[0]
    result = LineModel(LINE, RING, 150 * PSI, FIXED)(sample(equivalent_diameter_ratio=[0.4, 0.9]))
    assert result.flow_rate[1] == result.flow_rate[0]
    assert result.extreme_reach[1] > result.extreme_reach[0]


def test_runs_without_water_are_an_outcome():
    model = LineModel(LINE, TIP, 0.0, FIXED)
    result = model(sample(**{"supply.pump_pressure": [1e4, 5e5, 2e4]}))
    assert list(result.outcome.values) == [1, 0, 1]
    assert list(result.flow_rate.values > 0) == [False, True, False]
    assert np.isnan(result.extreme_reach.values[[0, 2]]).all()
    assert result.outcome.dtype == np.int8
    dry = model(sample(**{"supply.pump_pressure": [0.0, 1e4]}))
    assert list(dry.outcome.values) == [1, 1]
    assert list(dry["supply.crew_force"].values) == [0.0, 0.0]


def test_model_is_picklable_and_returns_what_is_asked():
    model = pickle.loads(pickle.dumps(LineModel(LINE, TIP, 9e5, FIXED, ("extreme_reach", "supply.crew_force"))))
    result = model(sample(supply_hose_deviation=[0.0, 1.0]))
    assert set(result.data_vars) == {"extreme_reach", "supply.crew_force", "outcome", "validity"}
    assert dict(result.sizes) == {"sample": 2}


def test_what_acts_on_which_nozzle():
    assert [applies("supply.setting_step", n) for n in NOZZLES] == [False, False, True, False]
    assert [applies("discharge_coefficient", n) for n in NOZZLES] == [True, False, False, False]
    assert [applies("equivalent_diameter_ratio", n) for n in NOZZLES] == [False, True, True, True]
    assert all(applies("wind_along", n) for n in NOZZLES)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"tip_diameter": [0.02]}, "tip_diameter is set by the nozzle and the line"),
        ({"supply_setting_step": [1]}, "supply.setting_step does not act on this nozzle"),
        ({"supply_hose_length": [10.0]}, "supply.hose_length belongs to a hose, a line or a nozzle"),
        ({"supply_tip_wear": [9.0]}, "tip_wear = 9: allowed is 0.5 to 2"),
        ({"elevatoin": [1.0]}, "unknown field 'elevatoin'"),
    ],
)
def test_wrong_columns_are_refused(columns, words):
    with pytest.raises(InputError) as caught:
        LineModel(LINE, TIP, 9e5, FIXED)(sample(**columns))
    assert words in str(caught.value)
