"""The question of a target: what is read, what is searched, and what is refused."""

import numpy as np
import pytest

from jetsim import units
from jetsim.errors import InputError
from jetsim.window.question import Place, WindowQuestion, flown_elevations, pressures_within, round_marks
from tests.window_cases import question

FOOT, PSI = float(units.to_si(1, "ft")), units.PSI
TASK = question().task()


def test_a_task_is_read_in_si():
    assert TASK.place == Place(pytest.approx(50 * FOOT), 2)
    assert TASK.window(TASK.place).sill == pytest.approx(13 * FOOT)
    assert TASK.flow == pytest.approx(float(units.to_si(100, "gpm")))
    assert TASK.storeys == (1, 2, 3)
    quick = question().task(quick=True)
    assert quick.elevations.size < TASK.elevations.size
    for task in (TASK, quick):
        assert np.any(np.isclose(task.stand_offs, task.place.stand_off))
        assert task.elevations[[0, -1]] == pytest.approx([10, 70])
        assert task.flown[[0, -1]] == pytest.approx([10, 70])
    assert question().quick().base_samples == 4


def test_elevations_flown_are_closer_where_flights_change_fastest():
    steps = np.diff(flown_elevations(5.0, 75.0, 15))
    assert np.all(np.diff(steps) > 0)
    assert steps[0] == pytest.approx(2.0, abs=0.1)


def test_pressures_stand_about_the_target_where_the_nozzle_holds_them():
    steps = [10 * PSI, -10 * PSI, 0.0]
    assert pressures_within(50 * PSI, steps, (0.0, np.inf)) == pytest.approx(np.array([40, 50, 60]) * PSI)
    assert pressures_within(102 * PSI, steps, (90 * PSI, 110 * PSI)) == pytest.approx(np.array([92, 102]) * PSI)
    assert pressures_within(50 * PSI, [-60 * PSI], (0.0, np.inf)) == pytest.approx([50 * PSI])


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"target__stand_off": 50}, "target.stand_off"),
        ({"target__stand_off": "50 gpm"}, "target.stand_off"),
        ({"target__stand_off": "2000 ft"}, r"target.stand_off: is 2000 ft \(609.6 m\): allowed is .* to 984.3 ft"),
        ({"target__height": "0 ft"}, "target.height: is 0 ft"),
        ({"target__sill": "-1 ft"}, "target.sill: is -1 ft"),
        ({"target__storey": 0}, "target.storey"),
        ({"target__probability": 1.5}, "target.probability"),
        ({"target__flow": "-5 gpm"}, "target.flow"),
        ({"target__windows": 3}, "unknown key 'target.windows'"),
        ({"search__pressures_about_target": []}, "search.pressures_about_target"),
        ({"search__pressures_about_target": ["5 psi", "10 ft"]}, r"search.pressures_about_target\[1\]"),
        ({"search__elevations": ["10 deg"]}, "search.elevations"),
        ({"search__elevations": ["70 deg", "10 deg"]}, "search.elevations: must be two different ends"),
        ({"map__storeys": [1, True]}, r"map.storeys\[1\]"),
        ({"map__stand_offs": ["-5 ft", "40 ft"]}, r"map.stand_offs\[0\]"),
        ({"map__stand_offs": ["40 ft", "40 ft"]}, "map.stand_offs: must be two different ends"),
        ({"outputs": ["effective_reach"]}, "outputs = .*leave outputs out"),
        ({"drive": "pump"}, "drive = 'pump': this study searches"),
        ({"replicates": 8}, "replicates = 8: .*leave replicates out"),
        ({"fixed": {"reach_criterion": "breakup"}}, "fixed.reach_criterion: acts on nothing"),
        ({"fixed": {"elevation": "30 deg"}}, "fixed.elevation: this study searches it"),
        ({"fixed": {"nozzle_pressure": "50 psi"}}, "fixed.nozzle_pressure: this study searches it"),
        ({"fixed": {"target_height": "5 ft"}}, "fixed.target_height: is that of the window"),
        ({"vary": {"breakup_model": {"distribution": "choice", "values": ["two_regime", "turbulent"]}}},
         "vary.breakup_model"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_names_its_place(changes, message):
    with pytest.raises(InputError, match=message) as refused:
        question(**changes)
    assert "\n" not in str(refused.value)
    assert str(refused.value).startswith("street.toml: ")


def test_all_that_would_be_ignored_is_told_at_once():
    with pytest.raises(InputError) as refused:
        question(outputs=["flow_rate"], replicates=4, fixed={"elevation": "30 deg"})
    assert len(refused.value.lines) == 3


def test_the_shape_has_a_schema():
    shape = WindowQuestion.model_json_schema()
    assert {"target", "search", "map", "setups"} <= shape["properties"].keys()


def test_stand_offs_of_the_map_are_round_in_the_chosen_system():
    for system, unit in (("us", 0.3048), ("si", 0.5)):
        marks = round_marks(20 * 0.3048, 90 * 0.3048, system)
        assert marks.size == 15
        np.testing.assert_allclose(marks / unit, np.round(marks / unit), atol=1e-9)
        np.testing.assert_allclose(marks[[0, -1]], [6.096, 27.432], atol=unit / 2)
