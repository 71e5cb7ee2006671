"""Reaching a target: reading the task, throwing at windows, solutions and margins."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from jetsim.errors import InputError
from jetsim.experiment.space import ParameterSpace
from jetsim.target import Place, chance, delivered, farthest, read_task, solutions, thrown_spray

FOOT, GPM = 0.3048, 6.30901964e-5


def content(**changes):
    tables = {
        "target": {
            "stand_off": "50 ft", "storey": 2, "sill": "3 ft", "height": "4 ft", "width": "3 ft",
            "storey_height": "10 ft", "flow": "100 gpm", "probability": 0.8,
        },
        "search": {"nozzle_pressures": ["60 psi", "40 psi"], "elevations": ["10 deg", "70 deg"]},
        "map": {"stand_offs": ["30 ft", "90 ft"], "storeys": [1, 3]},
    }  # fmt: skip
    for place, value in changes.items():
        table, key = place.split("__")
        tables[table][key] = value
    return tables


def space(**fixed):
    parameter = {"distribution": "normal", "mean": "0 mph", "sd": "3 mph", "role": "environment",
                 "basis": "assumption", "source": "light wind"}  # fmt: skip
    return ParameterSpace.from_mapping(
        {
            "title": "t", "units": "us", "seed": 1, "base_samples": 4, "outputs": ["effective_reach"],
            "fixed": {"tip_diameter": "1 in", **fixed}, "parameters": {"wind_along": parameter},
        }
    )  # fmt: skip


SAMPLES = xr.Dataset({"wind_along": ("sample", [-2.0, 0.0, 2.0])})
TASK = read_task(content())


def test_a_task_is_read_in_si():
    assert TASK.place == Place(pytest.approx(50 * FOOT), 2)
    assert TASK.window(TASK.place).sill == pytest.approx(13 * FOOT)
    assert TASK.flow == pytest.approx(100 * GPM, rel=1e-6)
    assert np.all(np.diff(TASK.pressures) > 0)
    assert TASK.storeys == (1, 2, 3)
    assert np.any(np.isclose(TASK.stand_offs, TASK.place.stand_off))
    assert np.any(np.isclose(TASK.quick().stand_offs, TASK.place.stand_off))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"target__stand_off": 50}, "target.stand_off"),
        ({"target__stand_off": "50 gpm"}, "target.stand_off"),
        ({"target__height": "0 ft"}, "target.height"),
        ({"target__storey": 0}, "target.storey"),
        ({"target__probability": 1.5}, "target.probability"),
        ({"target__flow": "-5 gpm"}, "target.flow"),
        ({"target__windows": 3}, "target.windows"),
        ({"search__nozzle_pressures": ["50 psi", "-1 psi"]}, r"search.nozzle_pressures\[1\]"),
        ({"search__elevations": ["10 deg"]}, "search.elevations"),
        ({"map__storeys": [1, True]}, "map.storeys"),
        ({"map__stand_offs": ["-5 ft", "40 ft"]}, "map.stand_offs"),
    ],
)
def test_a_task_that_cannot_be_read_names_its_place(changes, message):
    with pytest.raises(InputError, match=message) as refused:
        read_task(content(**changes))
    assert "\n" not in str(refused.value)


def test_windows_stacked_over_the_whole_wall_get_what_crosses_it():
    task = replace(TASK, sill=0.0, height=TASK.storey_height, width=200.0, elevations=np.array([15.0, 30.0]))
    places = [Place(15.0, storey) for storey in range(1, 8)]
    flows = delivered(space(), SAMPLES, task, {"nozzle_pressure": 345e3}, places)
    _, flow = thrown_spray(
        {"tip_diameter": 0.0254, "nozzle_pressure": 345e3, "wind_along": xr.DataArray([-2.0, 0.0, 2.0], dims="sample")},
        task.elevations,
    )
    assert flows.shape == (7, 3, 2)
    assert np.all(flows.sum(axis=0) <= flow.reshape(3, 2) * (1 + 1e-9))
    assert np.all(flows.sum(axis=0) > 0.9 * flow.reshape(3, 2))


def test_order_of_places_and_blocks_do_not_matter():
    task = replace(TASK, elevations=np.array([20.0, 30.0]))
    places = [Place(18.0, 2), Place(10.0, 1), Place(18.0, 1)]
    many = xr.Dataset({"wind_along": ("sample", np.linspace(-2, 2, 10))})
    flows = delivered(space(), many, task, {"nozzle_pressure": 345e3}, places)
    back = delivered(space(), many.isel(sample=[9]), task, {"nozzle_pressure": 345e3}, places[::-1])
    assert back[::-1, 0] == pytest.approx(flows[:, 9], rel=1e-6, abs=1e-12)


def test_more_pressure_and_a_nearer_wall_never_deliver_less_at_the_best_elevation():
    task = replace(TASK, elevations=np.linspace(10, 45, 15))
    places = [Place(12.0, 2), Place(16.0, 2), Place(20.0, 2)]
    low, high = (delivered(space(), SAMPLES, task, {"nozzle_pressure": p}, places).max(axis=-1) for p in (25e4, 45e4))
    assert np.all(np.diff(low, axis=0) < 0)
    assert np.all(high > low)


def test_two_solutions_are_told_apart():
    elevations = np.linspace(10, 70, 31)
    task = replace(TASK, elevations=elevations)
    shape = np.exp(-(((elevations - 20) / 4) ** 2)) + 0.5 * np.exp(-(((elevations - 60) / 4) ** 2))
    found = solutions(2 * task.flow * np.stack([shape, 1.1 * shape, 0.9 * shape]), task)
    assert [round(s.elevation) for s in found] == [20, 60]
    assert found[0].probability == 1.0
    assert found[1].probability == pytest.approx(2 / 3)


def test_one_peak_is_one_solution_and_nothing_is_none():
    task = replace(TASK, elevations=np.linspace(10, 70, 31))
    one = np.exp(-(((task.elevations - 30) / 10) ** 2))[None]
    assert len(solutions(task.flow * one, task)) == 1
    assert solutions(0 * one, task) == []


def test_chance_counts_draws_with_a_good_elevation():
    flows = TASK.flow * np.array([[0.5, 1.2], [0.9, 0.8], [1.0, 0.0], [0.1, 0.2]])
    assert chance(flows, TASK) == 0.5


def test_the_limit_lies_between_stand_offs():
    where = np.array([10.0, 20.0, 30.0])
    assert farthest(where, np.array([1.0, 0.9, 0.4]), 0.8) == pytest.approx(22.0)
    assert farthest(where, np.array([1.0, 0.9, 0.85]), 0.8) == 30.0
    assert np.isnan(farthest(where, np.array([0.5, 0.4, 0.3]), 0.8))
