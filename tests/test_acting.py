"""Inputs that act on nothing are found whatever the laws, and the reason names the law that passes them by."""

import numpy as np
import pytest
import xarray as xr

from jetsim import acting
from jetsim.acting import unread_inputs
from jetsim.jet.turbulence import VALVE_MODELS
from jetsim.simulation import StreamModel

FIXED = {"tip_diameter": 0.024, "reach_criterion": "breakup"}
OUTPUTS = ("extreme_reach", "breakup_distance", "flow_rate")
VARIED = {
    "nozzle_pressure": (3e5, 4e5),
    "valve_turbulence_factor": (1.0, 3.0),
    "valve_upstream_factor": (1.0, 3.0),
    "valve_loss_coefficient": (0.05, 2.0),
    "valve_distance": (3.0, 12.0),
    "clear_turbulence_intensity": (0.05, 0.10),
    "turbulence_constants.tip_share": (0.0, 0.85),
    "turbulence_constants.eddy_size": (0.05, 0.3),
    "breakup_constants.scale": (0.8, 1.2),
    "breakup_constants.turbulence_exponent": (0.2, 0.6),
    "flight_constants.drop_scale": (0.5, 1.5),
    "flight_constants.breakup_exponent": (0.5, 1.5),
    "flight_constants.drop_spread": (0.6, 0.9),
}
NEVER = {"flight_constants.breakup_exponent", "flight_constants.drop_spread"}  # two-stage law; effective reach alone
VALVE = {name for name in VARIED if name.startswith(("valve_", "turbulence_constants."))}


def unread(fixed=None, outputs=OUTPUTS, **columns):
    rng = np.random.default_rng(3)
    drawn = {name: ("sample", rng.uniform(*ends, 64)) for name, ends in VARIED.items()}
    samples = xr.Dataset({**drawn, **{name: ("sample", column) for name, column in columns.items()}})
    fixed = {**FIXED, **(fixed or {})}
    return unread_inputs(StreamModel(fixed, outputs), samples, fixed)


@pytest.mark.parametrize(
    ("model", "read"),
    [
        ("factor", {"valve_turbulence_factor"}),
        ("upstream factor", {"valve_upstream_factor", "turbulence_constants.tip_share"}),
        ("clear", set()),
        ("loss", {"valve_loss_coefficient", "turbulence_constants.tip_share"}),
        ("decaying loss", VALVE - {"valve_turbulence_factor", "valve_upstream_factor"}),
    ],
)
def test_each_model_of_the_valve_reads_its_own(model, read):
    found = unread({"valve_model": model})
    assert set(found) == NEVER | (VALVE - read)
    for name in VALVE - read:
        assert f"valve_model = {model!r} reads" in found[name]


def test_every_model_of_the_valve_has_its_words():
    assert acting._VALVE_READS.keys() == VALVE_MODELS.keys()


def test_a_choice_of_laws_reads_what_any_of_them_reads():
    models = np.array(["factor", "upstream factor"] * 32)
    assert set(unread(valve_model=models)) == NEVER | {
        "valve_loss_coefficient", "valve_distance", "turbulence_constants.eddy_size"
    }  # fmt: skip


def test_a_measured_breakup_length_leaves_nothing_to_the_correlation():
    found = unread({"breakup_length": 5.0})
    fed = VALVE | {name for name in VARIED if name.startswith(("clear_", "breakup_constants."))}
    assert set(found) == NEVER | fed
    assert all("a measured breakup_length replaces" in found[name] for name in fed)
    partly = unread(breakup_length=np.where(np.arange(64) % 2, 5.0, np.nan))
    assert "breakup_constants.scale" not in partly


def test_constants_of_another_law_are_named_with_the_law():
    found = unread({"drag_model": "air_stream"})
    assert found["flight_constants.breakup_exponent"].endswith("under drag_model = 'air_stream'")
    assert "flight_constants.breakup_exponent" not in unread({"drag_model": "two_stage"})


def test_an_input_that_moves_one_of_the_outputs_is_read():
    assert "flight_constants.drop_scale" in unread(outputs=("flow_rate",))
    assert "flight_constants.drop_scale" not in unread(outputs=("flow_rate", "extreme_reach"))


def test_an_input_that_a_rule_ties_to_another_is_read():
    velocity = np.linspace(0.93, 0.99, 64)
    found = unread(discharge_coefficient=velocity, velocity_coefficient=velocity)
    assert not {"discharge_coefficient", "velocity_coefficient"} & set(found)
