"""Throws of which not everything was read: what stands for it, how far that widens them, and what is said of it."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from jetsim.equipment.questions import load_question
from jetsim.report.document import Report, ReportCard
from jetsim.throws import expected, model
from jetsim.throws.columns import EVERY
from jetsim.throws.conditions import ELEVATION_BY_EYE, believed_at_nozzle, throws_of
from jetsim.throws.doubt_words import POINTER, hint_words, order_words, with_doubts
from jetsim.throws.gaps import gaps, unread
from jetsim.throws.hints import beyond_the_pump, offsets_of, order_of, wind_twist
from jetsim.throws.question import FieldTestQuestion, field_test, with_days
from jetsim.throws.reading import overlay
from jetsim.throws.sheet import ALONE, Sheet
from studies.field_test import COMMANDS

THROWS = 12


@pytest.fixture(scope="module", name="demo")
def the_demo():
    return field_test(load_question(COMMANDS["plan"].default_inputs, FieldTestQuestion, setups=["a", "c"]))


def sheet_of(demo, texts=None, **columns) -> Sheet:
    """Twelve throws of two set-ups in turn, everything read, but for the given columns."""
    setups = ["a", "c"] * (THROWS // 2)
    targets = model.target_pressures(demo)
    numbers = {name: np.full(THROWS, np.nan) for name, column in EVERY.items() if column.dimension != "text"}
    full = {"run_order": np.arange(1.0, THROWS + 1), "block": np.repeat(np.arange(6.0), 2), "elevation": 30.0,
            "nozzle_pressure": [targets[s] for s in setups], "wind_speed": 2.0, "wind_from": 90.0,
            "throw_bearing": 270.0, "farthest_drops": 38.0, ALONE: np.nan, **columns}  # fmt: skip
    numbers |= {name: np.broadcast_to(np.asarray(value, dtype=float), THROWS).copy() for name, value in full.items()}
    return Sheet(setups, numbers, np.zeros(THROWS, dtype=bool), [""] * THROWS, texts=texts or {})


def test_a_full_sheet_has_the_errors_that_the_test_states(demo):
    thrown = throws_of(demo, sheet_of(demo))
    assert thrown.errors == {}
    assert thrown.pump_pressure is None
    assert gaps(demo, sheet_of(demo), thrown) == []


def test_wind_without_a_direction_came_from_anywhere(demo):
    """Against directions drawn all round."""
    thrown = throws_of(demo, sheet_of(demo, wind_from=np.nan))
    drawn = 2.0 * np.cos(np.random.default_rng(1).uniform(0, 2 * np.pi, 100_000))
    assert not thrown.wind_along.any()
    assert thrown.errors["wind_along"] == pytest.approx(np.hypot(demo.scatter.wind_reading, drawn.std()), rel=0.01)


def test_wind_that_nobody_read_is_any_below_the_plans_largest(demo):
    thrown = throws_of(demo, sheet_of(demo, wind_from=np.nan, wind_speed=np.nan))
    rng = np.random.default_rng(1)
    drawn = rng.uniform(0, demo.question.largest_wind, 100_000) * np.cos(rng.uniform(0, 2 * np.pi, 100_000))
    assert thrown.errors["wind_along"] == pytest.approx(np.hypot(demo.scatter.wind_reading, drawn.std()), rel=0.01)


def test_calm_air_without_a_direction_is_known(demo):
    assert throws_of(demo, sheet_of(demo, wind_from=np.nan, wind_speed=0.0)).errors == {}


def test_an_elevation_that_nobody_read_is_the_sites_by_eye(demo):
    silent = np.where(np.arange(THROWS) < 3, np.nan, 30.0)
    errors = throws_of(demo, sheet_of(demo, elevation=silent)).errors["elevation"]
    assert errors[:3] == pytest.approx(np.hypot(demo.scatter.elevation, ELEVATION_BY_EYE))
    assert errors[3:] == pytest.approx(demo.scatter.elevation)


def pumped(demo, which) -> Sheet:
    """Pump pressures by the line for the targets; nozzle pressures of the marked throws are not read."""
    full = sheet_of(demo)
    middle = model.medians(demo)
    pumps = np.empty(THROWS)
    for setup in demo.setups:
        at = np.array(full.setups) == setup.name
        real = demo.models[setup.name].actual(model.inputs_at(demo, setup, middle))
        pumps[at] = real.pump_pressure(full.numbers["nozzle_pressure"][at])
    nozzle = np.where(which, np.nan, full.numbers["nozzle_pressure"])
    return sheet_of(demo, nozzle_pressure=nozzle, pump_pressure=np.where(which, np.nan, pumps),
                    **{ALONE: np.where(which, pumps, np.nan)})  # fmt: skip


def test_pump_and_line_give_the_nozzle_what_it_needs_and_hose_spreads_it(demo):
    sheet = pumped(demo, np.ones(THROWS, dtype=bool))
    thrown = throws_of(demo, sheet)
    full = sheet_of(demo).numbers["nozzle_pressure"]
    assert thrown.nozzle_pressure == pytest.approx(full, rel=1e-6)
    values = model.drawn(demo, 64, 1)
    shown = expected.expected(demo, thrown, values)["farthest_drops"]
    read = expected.expected(demo, throws_of(demo, sheet_of(demo)), values)["farthest_drops"]
    assert np.corrcoef(shown[:, 0], read[:, 0])[0, 1] < 0.999
    wide = np.array([np.log(one[:, 0]).std() for one in (shown, read)])
    assert wide[0] > wide[1]
    left = unread(demo, sheet, thrown)
    assert set(left.pressures) == {"a", "c"}
    assert left.pressures["a"][0] > demo.instruments["nozzle_pressure"]


def test_the_pumps_gauge_moves_what_it_sets(demo):
    """The effect of its error on pump pressure through the line, by a difference of its own."""
    sheet = pumped(demo, np.ones(THROWS, dtype=bool))
    thrown, middle = throws_of(demo, sheet), model.medians(demo)
    step = demo.instruments["pump_pressure"]
    effect = expected.shared_errors(demo, thrown, middle)[1, 0, 0]
    ends = [replace(thrown, pump_pressure=thrown.pump_pressure + side * step) for side in (-1, 1)]
    low, high = (expected.expected(demo, end, middle)["farthest_drops"][0, 0] for end in ends)
    assert effect == pytest.approx((high - low) / (high + low), rel=1e-9)
    assert effect > 0


def test_other_throws_of_a_set_up_tell_how_pump_and_nozzle_go_together(demo):
    """A line that takes a tenth more than believed: the throws without a nozzle reading learn it from the others."""
    sheet = pumped(demo, np.arange(THROWS) < 4)
    off = {name: sheet.numbers[name] * 1.05 for name in ("pump_pressure", ALONE)}
    moved = replace(sheet, numbers={**sheet.numbers, **off})
    thrown = throws_of(demo, moved)
    assert thrown.pump_pressure is None
    full = sheet_of(demo).numbers["nozzle_pressure"]
    assert thrown.nozzle_pressure == pytest.approx(full, rel=1e-3)
    assert believed_at_nozzle(demo, demo.setups[0], moved.numbers[ALONE][:1])[0] > 1.02 * full[0]
    assert thrown.errors["nozzle_pressure"][0] > thrown.errors["nozzle_pressure"][-1]


def test_what_a_gap_adds_is_the_spread_of_a_throw(demo):
    """Wind from anywhere: against throws drawn with that wind, without the reading's own error."""
    sheet = sheet_of(demo, wind_from=np.nan)
    thrown = throws_of(demo, sheet)
    (gap,) = gaps(demo, sheet, thrown)
    assert (gap.kind, gap.throws) == ("wind_along", THROWS)
    along = 2.0 * np.cos(np.linspace(0, 2 * np.pi, 61)[:-1])
    pressures, calm = np.repeat(thrown.nozzle_pressure[:2], 60), np.zeros(120)
    many = expected.Throws(["a"] * 60 + ["c"] * 60, pressures, np.full(120, 30.0), np.tile(along, 2), calm)
    drawn = expected.expected(demo, many, model.medians(demo))["farthest_drops"][0].reshape(2, 60).std(axis=1)
    assert gap.adds == pytest.approx(np.median(drawn), rel=0.15)


def test_a_days_effect_multiplies_the_reach_of_its_throws(demo):
    days = ["mon"] * 6 + ["tue"] * 6
    sheet = sheet_of(demo, texts={"day": days})
    pooled = with_days(demo, days)
    values = {**model.medians(pooled), "trial.day_effect[tue]": np.array([0.05])}
    plain = expected.expected(demo, throws_of(demo, sheet), model.medians(demo))
    moved = expected.expected(pooled, throws_of(pooled, sheet), values)
    ratio = (moved["farthest_drops"] / plain["farthest_drops"])[0]
    assert ratio == pytest.approx(np.repeat([1.0, np.exp(0.05)], 6))
    assert moved["breakup_distance"] == pytest.approx(plain["breakup_distance"])
    assert with_days(demo, ["mon"] * 12) is demo
    assert with_days(demo, [""] * 12) is demo


# Order and hints


def test_set_ups_in_turn_on_two_days_with_an_observer_each_are_warned_of(demo):
    order = [*range(0, THROWS, 2), *range(1, THROWS, 2)]
    numbers = {"run_order": np.argsort(order).astype(float) + 1, "block": np.nan}
    texts = {"day": ["mon", "tue"] * 6, "observer": ["north", "south"] * 6}
    lines = order_words(demo, order_of(sheet_of(demo, texts=texts, **numbers)))
    assert ["set-ups were thrown one after another" in lines[0].lower(), "No day joins" in lines[1],
            "No observer joins" in lines[2]] == [True] * 3  # fmt: skip


def test_a_repeated_order_and_a_missing_one_are_warned_of(demo):
    sheet = sheet_of(demo)
    (line,) = order_words(demo, order_of(sheet))
    assert "in the same order" in line
    assert any("gives no order" in line for line in order_words(demo, order_of(replace(sheet, ordered=False))))


def test_wind_taken_off_the_wrong_way_is_seen():
    rng = np.random.default_rng(1)
    wind = rng.normal(0, 3, 40)
    reach = 38 + rng.normal(0, 1, 40) + wind
    assert wind_twist(["a"] * 40, reach, wind) is None
    found = wind_twist(["a"] * 40, reach, -wind)
    assert found.still == pytest.approx(np.std(reach + wind, ddof=1))
    assert found.turned < found.measured < found.still
    assert wind_twist(["a"] * 40, np.full(40, np.nan), wind) is None


def test_gauges_off_what_is_believed_are_told_with_both_shares(demo):
    sheet = sheet_of(demo, flow=0.0)
    predicted = {s.name: demo.models[s.name].actual(model.inputs_at(demo, s, model.medians(demo))) for s in demo.setups}
    flows = np.array([float(np.squeeze(predicted[s].flow(p)))
                      for s, p in zip(sheet.setups, sheet.numbers["nozzle_pressure"], strict=True)])  # fmt: skip
    right = sheet_of(demo, flow=flows)
    assert offsets_of(demo, right) == []
    (found,) = offsets_of(demo, sheet_of(demo, flow=np.where(np.array(sheet.setups) == "a", 1.15, 1.0) * flows))
    assert (found.setup, found.column) == ("a", "flow")
    assert found.share == pytest.approx(0.15, abs=0.01)
    assert 0 < found.believed < 0.15
    still = SimpleNamespace(measured=right.numbers["farthest_drops"], wind_effect=np.zeros(THROWS))
    reading = SimpleNamespace(sheet=sheet_of(demo, flow=0.08), thrown=right, overlays={"farthest_drops": still})
    assert set(beyond_the_pump(demo, reading.sheet)) == {"a", "c"}
    assert any("its pump gives 1,000 gpm at the most" in line for line in hint_words(demo, reading, "us"))


def test_a_report_points_before_its_findings_at_what_was_not_read(demo):
    """And says below them what stands for it; a full sheet changes nothing."""
    card = ReportCard("?", "none", 0, 1, 0, "none", "none")
    for changes, pointed in (({}, False), ({"wind_from": np.nan, "elevation": np.nan}, True)):
        sheet = replace(sheet_of(demo, flow=0.012, texts={}, **changes), notices=("a notice",))
        found = overlay(demo, sheet, model.drawn(demo, 16, 1), np.random.default_rng(1))
        report = with_doubts(Report("t", ["lead"], [], card), demo, found, "us")
        assert (POINTER in report.notices) == pointed
        assert any("Elevation was not read of 12 throws" in line for line in report.further) == pointed
        assert any("Wind direction was not read" in line for line in report.further) == pointed
        assert report.further[-1] == "Of the sheet: a notice."
