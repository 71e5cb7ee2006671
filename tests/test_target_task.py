"""The task of a target study: what is read, and what is refused."""

import numpy as np
import pytest

from jetsim.errors import InputError
from jetsim.window.task import Place, flown_elevations, read_task
from tests.target_cases import content

FOOT, GPM = 0.3048, 6.30901964e-5
TASK = read_task(content())


def test_a_task_is_read_in_si():
    assert TASK.place == Place(pytest.approx(50 * FOOT), 2)
    assert TASK.window(TASK.place).sill == pytest.approx(13 * FOOT)
    assert TASK.flow == pytest.approx(100 * GPM, rel=1e-6)
    assert np.all(np.diff(TASK.pressures) > 0)
    assert TASK.storeys == (1, 2, 3)
    assert np.any(np.isclose(TASK.stand_offs, TASK.place.stand_off))
    assert np.any(np.isclose(TASK.quick().stand_offs, TASK.place.stand_off))
    assert TASK.elevations[[0, -1]] == pytest.approx([10, 70])
    assert TASK.flown[[0, -1]] == pytest.approx([10, 70])


def test_elevations_flown_are_closer_where_flights_change_fastest():
    steps = np.diff(flown_elevations(5.0, 75.0, 15))
    assert np.all(np.diff(steps) > 0)
    assert steps[0] == pytest.approx(2.0, abs=0.1)


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
