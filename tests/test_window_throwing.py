"""Throwing at windows: flows, blocks, solutions and margins."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from jetsim.window import throwing
from jetsim.window.question import Place
from jetsim.window.throwing import best, chance, delivered, farthest, solutions, spray_at, thrown_spray
from tests.window_cases import question

STREAM = {"tip_diameter": 0.0254, "nozzle_pressure": 345e3, "wind_along": np.array([-2.0, 0.0, 2.0])}
MANY = {**STREAM, "wind_along": np.linspace(-2, 2, 10)}
TASK = question().task()


def angles(low, high):
    """Elevations to try and to fly: four, for cubics need so many."""
    return {name: np.linspace(low, high, 4) for name in ("elevations", "flown")}


def test_windows_stacked_over_the_whole_wall_get_what_crosses_it():
    task = replace(TASK, sill=0.0, height=TASK.storey_height, width=200.0, **angles(15.0, 30.0))
    places = [Place(15.0, storey) for storey in range(1, 8)]
    (flows,) = delivered([STREAM], task, places)
    _, flow = thrown_spray(STREAM, task)
    assert flows.shape == (7, 3, 4)
    assert np.all(flows.sum(axis=0) <= flow.reshape(3, 4) * (1 + 1e-9))
    assert np.all(flows.sum(axis=0) > 0.9 * flow.reshape(3, 4))


def test_order_of_places_and_blocks_do_not_matter():
    task = replace(TASK, **angles(20.0, 30.0))
    places = [Place(18.0, 2), Place(10.0, 1), Place(18.0, 1)]
    (flows,) = delivered([MANY], task, places)
    (back,) = delivered([{**MANY, "wind_along": MANY["wind_along"][9:]}], task, places[::-1])
    assert back[::-1, 0] == pytest.approx(flows[:, 9], rel=1e-6, abs=1e-12)


def test_more_pressure_and_a_nearer_wall_never_deliver_less_at_the_best_elevation():
    places = [Place(12.0, 2), Place(16.0, 2), Place(20.0, 2)]
    streams = [{**STREAM, "nozzle_pressure": pressure} for pressure in (25e4, 45e4)]
    low, high = (best(flows, TASK.elevations)[1] for flows in delivered(streams, TASK, places))
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


def test_blocks_and_threads_do_not_matter(monkeypatch):
    task = replace(TASK, **angles(20.0, 30.0))
    streams = [MANY, {**MANY, "nozzle_pressure": 4e5}]
    places = [Place(18.0, 2), Place(14.0, 1)]
    whole = delivered(streams, task, places)
    monkeypatch.setattr(throwing, "BLOCK", 4)
    with ThreadPoolExecutor(2) as pool:
        parts = delivered(streams, task, places, pool)
    assert np.array(parts) == pytest.approx(np.array(whole), rel=1e-6, abs=1e-12)
    assert not np.allclose(whole[0], whole[1])


def test_where_little_may_pass_the_verdict_is_the_same():
    places = [Place(14.0, 1), Place(16.0, 2), Place(20.0, 3), Place(25.0, 1)]
    (whole,) = delivered([STREAM], TASK, places)
    (few,) = delivered([STREAM], TASK, places, whole=1)
    assert np.array_equal(few[0], whole[0])
    known = few == whole
    assert not known.all()
    assert np.all(few[~known] >= whole[~known])
    assert np.all(few[~known] <= TASK.flow / 2)
    assert np.array_equal(chance(few, TASK), chance(whole, TASK))


def test_elevations_in_between_are_as_good_as_flown():
    # Every elevation to try is flown here, against 15 in the task.
    every = replace(TASK, flown=TASK.elevations)
    places = [Place(14.0, 1), Place(16.0, 2), Place(20.0, 3)]
    (few,), (all_,) = (delivered([STREAM], task, places) for task in (TASK, every))
    assert best(few, TASK.elevations)[1] == pytest.approx(best(all_, TASK.elevations)[1], rel=0.01)


def test_the_best_elevation_lies_between_those_tried():
    grid = np.linspace(10.0, 40.0, 61)
    top, width = np.array([17.37, 25.0, 31.11]), np.array([1.2, 2.0, 4.0])
    flows = 0.01 * np.exp(-(((grid - top[:, None]) / width[:, None]) ** 2) / 2)
    elevation, flow = best(flows, grid)
    assert elevation == pytest.approx(top, abs=0.02)
    assert flow == pytest.approx(0.01, rel=1e-3)
    coarse = np.abs(flows.max(axis=1) - 0.01)
    assert np.all(np.abs(flow - 0.01) <= coarse + 1e-15)


@pytest.mark.parametrize(
    "flows", [[3.0, 2.0, 1.0, 0.0], [0.0, 1.0, 2.0, 3.0], [0.0, 0.0, 0.0, 0.0], [1.0, 2.0, 2.0, 2.0]]
)
def test_the_best_of_ends_and_plateaus_is_one_tried(flows):
    grid = np.linspace(10.0, 40.0, 4)
    elevation, flow = best(np.array([flows]), grid)
    assert 10.0 <= elevation[0] <= 40.0
    assert max(flows) <= flow[0] <= max(flows) * 1.1


def test_figures_of_one_throw_have_many_classes():
    spray = spray_at(STREAM, 30.0)
    assert spray.position.shape[2:] == (throwing.MANY, 3)
    assert np.isfinite(spray.position).all()
