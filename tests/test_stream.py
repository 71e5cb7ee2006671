"""Stream and simulate: names, units, shapes, defaults, and every way to give a wrong field."""

import pickle
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

import jetsim
from jetsim import media, simulation
from jetsim.errors import InputError
from jetsim.jet import laws
from jetsim.jet.trajectory import fly
from jetsim.quantities import QUANTITIES
from jetsim.simulation import StreamModel, simulate, start_of
from jetsim.stream import BreakupConstants, FlightConstants, Stream, TurbulenceConstants

BASE = {"tip_diameter": 0.0254, "nozzle_pressure": 345e3}


def test_scalars_give_results_without_dimension():
    result = simulate(Stream(**BASE))
    assert result.sizes == {}
    assert int(result.outcome) == 0


def test_handbook_example():
    # Common practice, no source: a 7/8-inch tip at 50 psi flows a nominal 160 gpm.
    stream = Stream(tip_diameter=0.022225, nozzle_pressure=344738.0, discharge_coefficient=0.995)
    assert float(simulate(stream).flow_rate) * 15850.32 == pytest.approx(161, abs=1)


def test_every_result_has_a_udunits_string_and_a_name():
    result = simulate(Stream(**BASE), path=True)
    for name, variable in result.data_vars.items():
        assert variable.attrs["long_name"]
        if name in ("outcome", "validity"):
            assert "flag_meanings" in variable.attrs
        else:
            assert variable.attrs["units"] == QUANTITIES[name].udunits


def test_arrays_make_cases_and_dataarrays_broadcast_by_name():
    result = simulate(Stream(**{**BASE, "elevation": [20.0, 30.0, 40.0]}))
    assert result.sizes == {"case": 3}
    tip = xr.DataArray([0.02, 0.03], dims="tip", coords={"tip": [20, 30]})
    pressure = xr.DataArray([3e5, 4e5, 5e5], dims="pressure")
    grid = simulate(Stream(tip_diameter=tip, nozzle_pressure=pressure))
    assert dict(grid.sizes) == {"tip": 2, "pressure": 3}
    assert list(grid.tip) == [20, 30]
    one = simulate(Stream(tip_diameter=0.03, nozzle_pressure=4e5))
    assert float(grid.extreme_reach[1, 1]) == pytest.approx(float(one.extreme_reach), rel=1e-12)


def test_results_hold_their_inputs():
    pressures = xr.DataArray([300e3, 345e3], dims="nozzle_pressure", coords={"nozzle_pressure": [300e3, 345e3]})
    result = simulate(Stream(tip_diameter=np.array([0.02, 0.0254]), nozzle_pressure=pressures, drag_model="vacuum"))
    assert dict(result.sizes) == {"case": 2, "nozzle_pressure": 2}
    assert result["tip_diameter"].dims == ("case",)
    assert result["tip_diameter"].attrs == {"units": "m", "long_name": QUANTITIES["tip_diameter"].long_name}
    assert float(result["elevation"]) == Stream(tip_diameter=0.02, nozzle_pressure=1e5).elevation
    assert str(result["drag_model"].values) == "vacuum"
    assert "flight_constants.drop_scale" in result.coords
    again = {
        str(n): str(v.values) if v.dtype.kind == "U" else v.reset_coords(drop=True) for n, v in result.coords.items()
    }
    xr.testing.assert_identical(simulate(Stream.from_values(again)), result)


def test_dataarray_order_of_dimensions_does_not_matter():
    grid = xr.DataArray(np.array([[20.0, 30.0], [35.0, 40.0], [45.0, 50.0]]), dims=("a", "b"))
    result = simulate(Stream(**BASE | {"elevation": grid.transpose("b", "a"), "nozzle_height": grid * 0.05}))
    one = simulate(Stream(**BASE | {"elevation": 35.0, "nozzle_height": 1.75}))
    assert float(result.extreme_reach.sel(a=1, b=0)) == pytest.approx(float(one.extreme_reach), rel=1e-12)


def test_members_of_constants_may_be_arrays():
    stream = Stream(**BASE, breakup_constants=BreakupConstants(scale=np.array([0.8, 1.0, 1.2])))
    reach = simulate(stream).extreme_reach.values
    assert np.all(np.diff(reach) > 0)


def test_velocity_coefficient_defaults_to_discharge_coefficient():
    result = simulate(Stream(**BASE, discharge_coefficient=0.9))
    other = simulate(Stream(**BASE, discharge_coefficient=0.9, velocity_coefficient=0.98))
    assert float(result.flow_rate) == float(other.flow_rate)
    assert float(other.exit_speed) > float(result.exit_speed)


def test_base_tap_adds_the_velocity_of_approach():
    base = simulate(Stream(**BASE, pressure_tap="base", waterway_diameter=0.0508, discharge_coefficient=0.98))
    tip = simulate(Stream(**BASE, discharge_coefficient=0.98))
    assert float(base.flow_rate / tip.flow_rate) == pytest.approx(1 / np.sqrt(1 - 0.98**2 / 16), rel=1e-12)


def test_measured_breakup_length_replaces_correlation_and_factor():
    stream = Stream(**BASE, breakup_length=[4.0, np.nan], valve_turbulence_factor=[9.0, 1.0])
    result = simulate(stream)
    assert float(result.breakup_length[0]) == 4.0
    assert float(result.breakup_length[1]) == float(simulate(Stream(**BASE)).breakup_length)


def test_more_turbulence_shortens_breakup_and_reach():
    result = simulate(Stream(**BASE, valve_turbulence_factor=[1.0, 1.5, 2.2]))
    assert np.all(np.diff(result.breakup_length.values) < 0)
    assert np.all(np.diff(result.extreme_reach.values) < 0)
    assert np.ptp(result.flow_rate.values) == 0.0


def test_a_factor_before_the_tip_reaches_the_exit_through_the_tip_s_share():
    given = {"valve_model": "upstream factor", "valve_upstream_factor": 2.0, "valve_turbulence_factor": 9.0}
    stream = Stream(**BASE, **given, turbulence_constants=TurbulenceConstants(tip_share=np.array([0.0, 0.3, 1.0])))
    found = simulate(stream).exit_turbulence_intensity.values
    assert found == pytest.approx(0.07 * np.sqrt([4.0, 0.3 + 0.7 * 4.0, 1.0]), rel=1e-12)
    loss = simulate(Stream(**BASE, valve_model="decaying loss", valve_loss_coefficient=1.0, valve_distance=[3.0, 12.0]))
    assert np.all(np.diff(loss.exit_turbulence_intensity.values) < 0)


def test_textbook_trends():
    # Common practice, no source: reach grows with pressure and tip; best elevation is 30 to 40 degrees in air.
    reach = simulate(Stream(tip_diameter=0.0254, nozzle_pressure=np.linspace(2e5, 7e5, 6))).extreme_reach
    assert np.all(np.diff(reach.values) > 0)
    reach = simulate(Stream(tip_diameter=np.linspace(0.015, 0.03, 6), nozzle_pressure=4e5)).extreme_reach
    assert np.all(np.diff(reach.values) > 0)
    elevation = np.linspace(15, 60, 91)
    reach = simulate(Stream(**BASE, elevation=elevation)).extreme_reach.values
    assert 30 <= elevation[reach.argmax()] <= 40


def test_low_throw_of_a_common_tip_lies_in_the_range_of_practice():
    # Common practice, no source: a 7/8-inch tip at 50 psi thrown at 5 to 10 degrees reaches 46 to 82 ft along
    # the ground over the spread of shutoffs.
    elevation = xr.DataArray([5.0, 7.5, 10.0], dims="elevation")
    factor = xr.DataArray([1.0, 1.3, 1.7, 2.2, 3.0], dims="factor")
    stream = Stream(
        tip_diameter=0.022225,
        nozzle_pressure=344738.0,
        elevation=elevation,
        valve_turbulence_factor=factor,
    )
    feet = simulate(stream).extreme_reach.values / 0.3048
    assert feet.min() > 46
    assert feet.max() < 86


def test_reaction_falls_with_flow_at_one_pressure():
    # Common practice, no source: at one nozzle pressure a third of the flow gives a third of the reaction.
    full, third = (simulate(Stream(tip_diameter=d, nozzle_pressure=345e3)) for d in (0.0254, 0.0254 / np.sqrt(3)))
    assert float(third.reaction_force / full.reaction_force) == pytest.approx(1 / 3)
    assert float(third.flow_rate / full.flow_rate) == pytest.approx(1 / 3)


def test_unreachable_target_is_an_outcome_not_a_guess():
    result = simulate(Stream(**BASE, target_height=[0.0, 60.0]))
    assert list(result.outcome.values) == [0, 1]
    assert np.isnan(result.extreme_reach.values[1])
    assert not np.isnan(result.apex_height.values[1])


def test_validity_flags():
    flags = simulate(Stream(**BASE, breakup_length=[5.0, 1.0], elevation=[30.0, 60.0])).validity
    words = flags.attrs["flag_meanings"].split()
    masks = dict(zip(words, flags.attrs["flag_masks"], strict=True))
    assert flags.values[0] == 0
    assert flags.values[1] & masks["breakup_length_over_diameter_outside_the_flight_fit"]
    assert flags.values[1] & masks["elevation_outside_the_flight_fit"]
    assert not flags.values[1] & masks["tip_diameter_outside_the_flight_fit"]


def test_results_do_not_depend_on_threads_or_chunks(monkeypatch):
    size = 1124
    whole = simulate(Stream(**BASE, elevation=np.linspace(5, 60, size)), workers=1)
    monkeypatch.setattr(simulation, "CHUNK", 512)
    monkeypatch.setattr(simulation, "LEAST_CHUNK", 256)
    elevation = np.linspace(5, 60, size)
    stream = Stream(**BASE, elevation=elevation)
    one, two = simulate(stream, workers=1), simulate(stream, workers=2)
    assert one.identical(two)
    xr.testing.assert_allclose(one, whole, rtol=1e-12)
    last = simulate(Stream(**BASE, elevation=elevation[-1]))
    assert float(one.extreme_reach[-1]) == pytest.approx(float(last.extreme_reach), rel=1e-12)


def test_mixed_laws_equal_each_law_alone():
    names = np.array(["two_stage", "vacuum", "two_stage"])
    mixed = simulate(Stream(**BASE, drag_model=names))
    for case, name in enumerate(names):
        alone = simulate(Stream(**BASE, drag_model=str(name)))
        assert float(mixed.extreme_reach[case]) == pytest.approx(float(alone.extreme_reach), rel=1e-12)


def test_path_runs_from_tip_to_target():
    result = simulate(Stream(**BASE, elevation=[20.0, 40.0]), path=True)
    assert result.path_height.dims == ("station", "case")
    assert np.all(result.path_height.values[0] == 1.0)
    assert result.path_along.values[-1] == pytest.approx(result.extreme_reach.values)


def along(coordinates):
    return xr.DataArray([1.0, 2.0], {"a": coordinates}, ("a",))


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"tip_diameter": "1 in"}, "tip_diameter = '1 in': must be a number or an array of numbers in m"),
        ({"nozzle_pressure": -1.0}, "nozzle_pressure = -1 Pa: allowed is above 0 to 1e+07 Pa"),
        ({"nozzle_pressure": float("nan")}, "nozzle_pressure = nan Pa"),
        ({"tip_diameter": 25.4}, "tip_diameter = 25.4 m: allowed is above 0 to 0.2 m"),
        ({"elevation": [10.0, 100.0]}, "elevation = 100 deg (case 1): allowed is -90 to 90 deg"),
        ({"discharge_coefficient": 1.1}, "discharge_coefficient = 1.1: allowed is above 0 to 1"),
        (
            {"discharge_coefficient": 0.99, "velocity_coefficient": 0.98},
            "discharge_coefficient = 0.99: allowed is above 0 to velocity_coefficient, 0.98",
        ),
        ({"pressure_tap": "base"}, "waterway_diameter is missing"),
        ({"pressure_tap": "base", "waterway_diameter": 0.02}, "allowed is above tip_diameter, 0.0254 m"),
        ({"pressure_tap": along([1, 2]).astype(str)}, "pressure_tap: must be one name for all cases"),
        ({"pressure_tap": "side"}, "pressure_tap = 'side': unknown; known: tip, base"),
        ({"drag_model": "two_stge"}, "drag_model = 'two_stge': unknown; did you mean 'two_stage'?"),
        ({"breakup_model": "x"}, "breakup_model = 'x': unknown"),
        ({"valve_model": "x"}, "valve_model = 'x': unknown"),
        ({"elevation": [1.0, 2.0], "nozzle_height": [1.0, 2.0, 3.0]}, "arrays along 'case' differ in length"),
        ({"elevation": []}, "elevation is an empty array"),
        ({"elevation": np.ma.array([30.0, 40.0], mask=[0, 1])}, "elevation is an array with masked values: leave"),
        (
            {"elevation": along([1, 2]), "nozzle_height": along([2, 1])},
            "elevation and nozzle_height have different coordinates along 'a'",
        ),
        ({"elevation": np.ones((2, 2))}, "elevation has 2 dimensions"),
        ({"elevation": None}, "elevation = None: must be a number"),
        ({"elevation": True}, "elevation = True: must be a number"),
        ({"breakup_length": -1.0}, "breakup_length = -1 m: allowed is above 0 to 500 m"),
        ({"water_temperature": 120.0}, "water_temperature = 120 degC: allowed is 0 to 99 degC"),
        ({"flight_constants": 3.0}, "flight_constants = 3.0: must be a FlightConstants"),
        (
            {"breakup_constants": BreakupConstants(scale=-1.0)},
            "breakup_constants.scale = -1: allowed is 0.05 to 20",
        ),
    ],
)
def test_wrong_fields_are_refused_in_one_line(fields, words):
    with pytest.raises(InputError) as caught:
        Stream(**BASE | fields)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_from_values_reads_dotted_constants_and_names_the_nearest():
    stream = Stream.from_values({**BASE, "breakup_constants.scale": 1.1, "flight_constants.sphere_drag": 0.5})
    assert stream.breakup_constants.scale == 1.1
    assert stream.flight_constants.sphere_drag == 0.5
    with pytest.raises(InputError, match=r"did you mean 'breakup_constants\.scale'"):
        Stream.from_values({**BASE, "breakup_constants.scal": 1.1})
    with pytest.raises(InputError, match="did you mean 'elevation'"):
        Stream.from_values({**BASE, "elevatoin": 1.1})
    with pytest.raises(InputError, match="nozzle_pressure is missing"):
        Stream.from_values({"tip_diameter": 0.02})


@pytest.mark.parametrize(
    ("owner", "kind"),
    [
        ("breakup_constants", BreakupConstants),
        ("flight_constants", FlightConstants),
        ("turbulence_constants", TurbulenceConstants),
    ],
)
def test_the_table_of_quantities_lists_every_constant(owner, kind):
    listed = {name for name in QUANTITIES if name.startswith(f"{owner}.")}
    assert listed == {f"{owner}.{member}" for member in kind.__dataclass_fields__ if member != "own"}


def test_the_table_of_quantities_lists_every_field():
    inputs = {q.name for q in QUANTITIES.values() if q.role != "output" and "." not in q.name}
    fields = {name for name in Stream.__dataclass_fields__ if not name.endswith("_constants")}
    assert inputs == fields - {"further_results"}


def test_model_is_picklable_and_keeps_the_sample_dimension():
    model = pickle.loads(pickle.dumps(StreamModel({"tip_diameter": 0.0254, "elevation": 30.0}, ("extreme_reach",))))
    samples = xr.Dataset({"nozzle_pressure": ("sample", [3e5, 4e5]), "breakup_constants.scale": ("sample", [1.0, 1.1])})
    result = model(samples)
    assert set(result.data_vars) == {"extreme_reach", "outcome", "validity"}
    assert dict(result.sizes) == {"sample": 2}


def test_package_root_offers_the_public_names_and_no_more():
    assert {"Stream", "simulate", "ParameterSpace", "sobol_design", "evaluate", "sobol_indices", "rank"} <= set(
        dir(jetsim)
    )
    assert dir(jetsim) == sorted([*jetsim.__all__, "__version__"])
    assert all(callable(getattr(jetsim, name)) for name in jetsim.__all__)
    assert jetsim.__version__


def test_a_fog_stream_breaks_up_by_its_own_diameter():
    result = simulate(Stream(**BASE, equivalent_diameter_ratio=[1.0, 0.5], breakup_model="atomization"))
    speed = 0.975 * np.sqrt(2 * 345e3 / media.water_density(15.0))
    weber = media.water_density(15.0) * speed**2 * np.array([0.0254, 0.0127]) / media.water_surface_tension(15.0)
    assert result.weber_number.values == pytest.approx(weber)
    # Atomization: x_b over the diameter of the stream does not depend on the Weber number.
    assert float(result.breakup_length[1] / result.breakup_length[0]) == pytest.approx(0.5)


def test_water_and_air_have_their_own_temperatures():
    weather = {"water_temperature": 5.0, "air_temperature": 40.0, "air_pressure": 85e3}
    stream = Stream(**BASE, **weather, breakup_model="atomization")
    jet = start_of(stream).jet
    assert float(jet.water_density[0]) == pytest.approx(media.water_density(5.0))
    assert float(jet.surface_tension[0]) == pytest.approx(media.water_surface_tension(5.0))
    assert float(jet.air_density[0]) == pytest.approx(media.air_density(40.0, 85e3))
    assert float(jet.air_viscosity[0]) == pytest.approx(media.air_viscosity(40.0))
    # x_b goes as the density ratio to the power 0.335.
    ratios = [media.water_density(w) / media.air_density(a, p) for w, a, p in ((5.0, 40.0, 85e3), (15.0, 15.0, 101325))]
    lengths = [float(simulate(s).breakup_length) for s in (stream, Stream(**BASE, breakup_model="atomization"))]
    assert lengths[0] / lengths[1] == pytest.approx(float(ratios[0] / ratios[1]) ** 0.335, rel=1e-9)


def test_a_wind_above_any_that_is_known_of_is_flagged():
    winds = {"wind_along": [0.0, -4.9, 3.0, 0.0], "wind_across": [0.0, 0.0, 4.1, -5.1]}
    result = simulate(Stream(**BASE, **winds))
    assert [bool(v & 128) for v in result.validity.values] == [False, False, True, True]
    # A law without spray or data says nothing of wind.
    assert not np.any(simulate(Stream(**BASE, **winds, drag_model="vacuum")).validity.values & 128)


def test_a_flight_that_is_lost_says_so_and_leaves_the_others(monkeypatch):
    def lose(law, launch, length):
        flight = fly(law, launch, length)
        flight.lose(np.array([1]))
        return flight

    monkeypatch.setitem(laws._LAWS, "two_stage", replace(laws.DRAG_LAWS["two_stage"], closed_form=lose))
    result = simulate(Stream(**BASE, elevation=[20.0, 30.0, 40.0], drag_model="two_stage"))
    assert list(result.outcome.values) == [0, 2, 0]
    assert list(np.isnan(result.extreme_reach.values)) == [False, True, False]
