"""What the study of a target finds: choices of pressure, limits, help, pump pressure, and shared draws."""

from dataclasses import replace

import numpy as np
import pytest

from jetsim import units
from jetsim.toml import load_toml
from jetsim.window import words
from jetsim.window.question import Place
from jetsim.window.runs import changed_sample, changes, find, loaded_from, places_of, throws
from tests.window_cases import DEMO, asked

PSI = units.PSI


def loading(*names, system="us", **changes_):
    question = asked(*names, **changes_)
    return loaded_from(question, question.question.task(quick=True), system)


@pytest.fixture(scope="module")
def loaded():
    whole = loading("a", "c")
    task = replace(whole.task, stand_offs=whole.task.stand_offs[::2], storeys=(1, 2))
    return replace(whole, task=replace(task, stand_offs=np.unique([*task.stand_offs, task.place.stand_off])))


@pytest.fixture(scope="module")
def found(loaded):
    return find(loaded, None)


def test_the_window_comes_first_then_the_same_from_closer(loaded):
    places = places_of(loaded.task, 3.0)
    assert places[:2] == [loaded.task.place, Place(pytest.approx(loaded.task.place.stand_off - 3.0), 2)]
    assert len(places) == 2 + loaded.task.stand_offs.size * len(loaded.task.storeys)


def test_the_lowest_pressure_that_serves_is_chosen(found):
    for outcome in found.outcomes:
        assert list(outcome.at_pressure) == pytest.approx([40 * PSI, 60 * PSI])
        chances = {pressure: outcome.chance_at(pressure) for pressure in outcome.at_pressure}
        enough = [pressure for pressure, chance in chances.items() if chance >= outcome.task.probability]
        surest = [pressure for pressure, chance in chances.items() if chance == max(chances.values())]
        assert outcome.pressure == (min(enough) if enough else max(surest))
        assert outcome.chance == chances[outcome.pressure] == outcome.met.mean()


def test_the_map_holds_the_window_itself(found):
    for outcome in found.outcomes:
        task = outcome.task
        column = int(np.flatnonzero(np.isclose(task.stand_offs, task.place.stand_off)).item())
        chart = outcome.chart()
        assert chart.shape == (2, task.stand_offs.size)
        assert chart[1, column] == outcome.chance
        assert np.all((chart >= 0) & (chart <= 1))
    assert found.first.aims[column] == found.first.solutions


def test_a_share_of_the_nozzles_flow_passes_the_window(found):
    for outcome in found.outcomes:
        assert np.all((outcome.delivered > 0) & (outcome.delivered <= 1))
        assert outcome.best_flow == pytest.approx(outcome.delivered * outcome.flown["flow_rate"].values)


def test_what_would_help_counts_one_change_at_a_time(loaded, found):
    assert found.helps["standing 10 ft closer"] >= found.first.chance
    assert set(changes(loaded.first, "us")) < set(found.helps)
    assert any(name.startswith("“C: fog, full ball” at ") for name in found.helps)


def test_every_flight_is_counted(loaded):
    assert throws(loaded) == 4 * loaded.task.flown.size * (2 + 2 + 1 + 3)


def test_changes_are_round_in_the_system_of_the_report():
    a = loading("a").first
    assert "a tip 1/8 in larger at the same pressure" in changes(a, "us")
    assert changes(a, "si")["a tip 3 mm larger at the same pressure"] == {"tip_diameter": pytest.approx(0.003)}
    assert not [name for name in changes(loading("c").first, "us") if name.startswith("a tip")]


def test_a_larger_tip_is_larger_than_its_own(loaded):
    drawn = changed_sample(loaded.first, loaded.samples()[0], {"tip_diameter": 0.003})
    assert drawn["tip_diameter"].values == pytest.approx(units.to_si(15 / 16, "in") + 0.003)


def test_what_set_ups_share_has_one_value_in_a_draw(loaded):
    first, second = loaded.samples()
    for name in ("wind_along", "valve_upstream_factor", "breakup_constants.scale", "supply.hose_deviation"):
        assert np.array_equal(first[name], second[name]), name
    assert "discharge_coefficient" not in second
    assert "equivalent_diameter_ratio" not in first


def test_the_pump_gives_the_nozzle_its_pressure_through_the_line(found):
    for outcome in found.outcomes:
        assert np.all(outcome.pump_pressure > outcome.pressure)
    told = words.pump_sentence(found.first, "us")
    assert "on the preconnect: within the pump's stated maximum of 250 psi" in told


def test_a_pump_that_cannot_give_it_is_told(found):
    first = found.first
    weak = first.candidate.setup.pump.model_copy(update={"maximum_pressure": 60 * PSI})
    setup = replace(first.candidate.setup, pump=weak)
    told = words.pump_sentence(replace(first, candidate=replace(first.candidate, setup=setup)), "us")
    assert told.endswith("above the pump's stated maximum of 60.0 psi.")
    alone = replace(setup, line=None)
    assert words.pump_sentence(replace(first, candidate=replace(first.candidate, setup=alone)), "us") == ""


def test_an_automatic_nozzle_tries_only_pressures_that_it_can_hold():
    loaded = loading("g", search__pressures_about_target=["-20 psi", "-10 psi", "0 psi", "10 psi"])
    low, high = loaded.first.setup.nozzle.holds
    assert np.all((loaded.first.pressures >= low) & (loaded.first.pressures <= high))
    assert loaded.first.left_out == 4 - loaded.first.pressures.size > 0
    assert "were not tried: “G: automatic fog, full ball” (2)" in words.notices(loaded, "us")[0]


def test_a_belief_stated_otherwise_is_told():
    loaded = loading("a", beliefs={"wind_along": "5 mph"})
    (told,) = words.notices(loaded, "us")
    assert told.startswith("This study states otherwise than the package: ")
    assert told.endswith("(5.00 mph).")
    assert not words.notices(loading("a"), "us")


def measured(tmp_path):
    text = DEMO.read_text(encoding="utf-8").replace("[setups.b]", 'breakup_length = "16 ft"\n\n[setups.b]')
    path = tmp_path / "department.toml"
    path.write_text(text, encoding="utf-8")
    assert load_toml(path)["setups"]["a"]["breakup_length"] == "16 ft"
    return path


def test_a_measured_breakup_length_stays_with_its_set_up(tmp_path):
    loaded = loading("a", "b", department=measured(tmp_path))
    assert words.breakup_lengths(loaded.candidates) == {
        "Breakup length": "measured on “A: 15/16-inch tip, full ball”; estimated for “B: 15/16-inch tip, slide”"
    }
    assert set(changes(loaded.first, "us")) == {"still air"}
    assert len(changes(loaded.candidates[1], "us")) == 3
    assert "breakup_constants.scale" not in loaded.samples()[0]
