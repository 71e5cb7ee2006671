"""The model of a set-up, case by case against hydraulics and flight worked out apart."""

import pickle
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from jetsim.equipment.department import load_department
from jetsim.equipment.model import SetUpModel, stream_fields
from jetsim.equipment.spaces import Choices, inputs_of, model_of
from jetsim.errors import InputError
from jetsim.hydraulics.believed import Deviation, delivered
from jetsim.media import water_density
from jetsim.simulation import simulate
from jetsim.stream import Stream
from jetsim.units import PSI

DEMO = Path(__file__).parents[1] / "studies" / "inputs" / "department.toml"
SETUPS = {setup.name: setup for setup in load_department(DEMO).setups}
PUMPED = Choices(drive="pump")
DEVIATING = ("pump_pressure_error", "hose_deviation", "kink_loss_coefficient", "tip_wear", "setting_step")


def model(name: str, **fixed) -> SetUpModel:
    """A set-up's model without wind, with further values fixed."""
    setup = SETUPS[name]
    made = model_of(setup, inputs_of(setup, PUMPED), PUMPED)
    return SetUpModel(setup, {**made.fixed, "wind_along": 0.0, **fixed}, (), "pump")


def sample(**columns):
    names = {name.replace("supply_", "supply."): values for name, values in columns.items()}
    return xr.Dataset({name: ("sample", np.asarray(values)) for name, values in names.items()})


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
    ring = model("f", **{"supply.pump_pressure": 150 * PSI})
    result = ring(sample(**columns))
    line, nozzle = ring.setup.hose_line({}), ring.nozzle({})
    for case in range(3):
        deviation = Deviation(**{name: columns[f"supply_{name}"][case] for name in DEVIATING})
        point = delivered(150 * PSI, line, nozzle, deviation, water_density(ring.fixed["water_temperature"]))
        assert float(result["flow_rate"][case]) == pytest.approx(float(point.flow_rate), rel=1e-12)
        assert float(result["supply.delivered_pressure"][case]) == pytest.approx(float(point.nozzle_pressure))
        force = float(point.reaction_force) * (1 + columns["supply_reaction_excess"][case])
        assert float(result["supply.crew_force"][case]) == pytest.approx(force, rel=1e-12)
    wet = stream_fields(ring.setup, {**ring.fixed, "wind_along": 1.0})
    twin = Stream.from_line(150 * PSI, line.with_kinks(3.0), nozzle.worn(1.01), **_fields(wet))
    assert float(result["extreme_reach"][1]) == pytest.approx(float(simulate(twin).extreme_reach), rel=1e-9)


def _fields(values):
    """Values by dotted name as keywords of a stream."""
    plain = Stream.from_values({"tip_diameter": 0.02, "nozzle_pressure": 3e5, **values})
    return {name.partition(".")[0]: getattr(plain, name.partition(".")[0]) for name in values}


def test_sampled_coefficient_and_ratio_act_on_the_nozzle():
    result = model("a")(sample(discharge_coefficient=[0.95, 0.99]))
    assert result.flow_rate[1] > result.flow_rate[0]
    result = model("f")(sample(equivalent_diameter_ratio=[0.4, 0.9]))
    assert result.flow_rate[1] == result.flow_rate[0]
    assert result.extreme_reach[1] > result.extreme_reach[0]


def test_runs_without_water_are_an_outcome():
    result = model("a")(sample(**{"supply.pump_pressure": [0.0, 5e5, 0.0]}))
    assert list(result.outcome.values) == [1, 0, 1]
    assert list(result.flow_rate.values > 0) == [False, True, False]
    assert np.isnan(result.extreme_reach.values[[0, 2]]).all()
    assert result.outcome.dtype == np.int8
    dry = model("f")(sample(**{"supply.pump_pressure": [0.0, 1e4]}))  # 20 ft up: 60 kPa of water
    assert list(dry.outcome.values) == [1, 1]
    assert list(dry["supply.crew_force"].values) == [0.0, 0.0]


def test_model_returns_what_is_asked_and_names_further_results():
    made = model("a")
    asked = SetUpModel(
        made.setup, made.fixed, ("extreme_reach", "effective_reach_at_best", "supply.crew_force"), "pump"
    )
    result = pickle.loads(pickle.dumps(asked))(sample(supply_hose_deviation=[0.0, 1.0]))
    assert set(result.data_vars) == {*asked.outputs, "outcome", "validity"}
    assert dict(result.sizes) == {"sample": 2}
    assert 0 < float(result["effective_reach_at_best"][0]) < float(result["extreme_reach"][0])


def test_settings_vary_only_where_a_nozzle_has_them():
    steps = sample(supply_setting_step=[1.0])
    model("f")(steps)
    with pytest.raises(InputError, match="this nozzle has no settings"):
        model("g")(steps)
    assert [name for name, setup in SETUPS.items() if "supply.setting_step" not in setup.nozzle.without] == ["f"]
