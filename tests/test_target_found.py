"""What the target study finds: choices of pressure, limits, help, and the order of places."""

from dataclasses import replace

import numpy as np
import pytest

from jetsim.window.found import Loaded, changes, find, places_of, throws
from jetsim.window.streams import read_candidates
from jetsim.window.task import Place, read_task
from tests.target_cases import content, fog, study


@pytest.fixture(scope="module")
def loaded():
    task = read_task(content()).quick()
    task = replace(task, stand_offs=task.stand_offs[::2], storeys=(1, 2))
    task = replace(task, stand_offs=np.sort(np.unique([*task.stand_offs, task.place.stand_off])))
    return Loaded(read_candidates(study(**fog()), task, "street.toml"), task, 4)


@pytest.fixture(scope="module")
def found(loaded):
    return find(loaded, None)


def test_the_window_comes_first_then_the_same_from_closer(loaded):
    places = places_of(loaded.task)
    assert places[0] == loaded.task.place
    assert places[1] == Place(pytest.approx(loaded.task.place.stand_off - 3.048), 2)
    assert len(places) == 2 + loaded.task.stand_offs.size * len(loaded.task.storeys)


def test_the_lowest_pressure_that_serves_is_chosen(found):
    for outcome in found.outcomes:
        chances = {pressure: outcome.chance_at(pressure) for pressure in outcome.at_pressure}
        enough = [pressure for pressure, chance in chances.items() if chance >= outcome.task.probability]
        surest = [pressure for pressure, chance in chances.items() if chance == max(chances.values())]
        assert outcome.pressure == (min(enough) if enough else max(surest))
        assert outcome.chance == chances[outcome.pressure]


def test_the_map_holds_the_window_itself(found):
    for outcome in found.outcomes:
        task = outcome.task
        column = int(np.flatnonzero(np.isclose(task.stand_offs, task.place.stand_off)).item())
        chart = outcome.chart()
        assert chart.shape == (2, task.stand_offs.size)
        assert chart[1, column] == outcome.chance
        assert np.all((chart >= 0) & (chart <= 1))
        assert outcome.aims()[column] == outcome.solutions


def test_a_share_of_the_nozzles_flow_passes_the_window(found):
    for outcome in found.outcomes:
        assert np.all((outcome.delivered > 0) & (outcome.delivered <= 1))
        assert outcome.best_flow == pytest.approx(outcome.delivered * outcome.flown["flow_rate"].values)


def test_a_less_coherent_stream_delivers_less(found):
    assert found.second is not None
    assert np.median(found.second.delivered) < np.median(found.first.delivered)


def test_what_would_help_counts_one_change_at_a_time(loaded, found):
    assert found.helps["standing 10 ft (3 m) closer"] >= found.first.chance
    assert set(changes(loaded.first)) < set(found.helps)
    assert any(name.startswith("the fog nozzle at ") for name in found.helps)
    assert len(found.helps) == len(changes(loaded.first)) + 3


def test_every_flight_is_counted(loaded):
    assert throws(loaded) == 4 * loaded.task.flown.size * (2 + 2 + 3)
