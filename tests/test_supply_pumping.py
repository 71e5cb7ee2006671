"""Spreads, charts, sweeps, choices and mistakes of a department, against hydraulics done by hand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from jetsim import units
from jetsim.errors import InputError
from jetsim.experiment.ensemble import plain_design
from jetsim.experiment.space import ParameterSpace
from jetsim.hydraulics.believed import compare_delivery
from jetsim.hydraulics.crew import HandlingLimits
from jetsim.hydraulics.required_pressure import Supply
from jetsim.media import water_density
from jetsim.stream import Stream
from jetsim.supply import department as departments
from jetsim.supply import plan as plans
from jetsim.supply import pumping
from jetsim.supply.department import Crew

PSI, GPM, LBF = units.PSI, units.GALLON_PER_MINUTE, units.POUND_FORCE
FILE = Path(__file__).parents[1] / "studies" / "inputs" / "pump_and_crew.toml"
SPACE = ParameterSpace.from_toml(FILE, extra=("scenario", *departments.TABLES, *plans.TABLES))
DEPARTMENT = departments.read_department(SPACE.extra)
PLAN = plans.read_plan(SPACE.extra)
SAMPLES = plain_design(SPACE, 128).samples
PAIRS = pumping.pairs_of(DEPARTMENT)
BORE, RING, AUTO = PAIRS[:3]


def still(count=4):
    """A sample in which nothing deviates."""
    return xr.Dataset({"supply.hose_deviation": ("sample", np.zeros(count))})


def swept(pair):
    return pumping.sweep(pair, SPACE, DEPARTMENT, PLAN, SAMPLES)


def test_spread_is_the_median_and_the_middle_90_percent():
    found = pumping.spread(np.arange(101.0))
    assert [float(end) for end in (found.low, found.middle, found.high)] == pytest.approx([5, 50, 95])


def test_spread_leaves_out_what_is_undefined_and_gives_none_below_half():
    values = np.array([[1.0, 2.0, 3.0, np.nan], [1.0, np.nan, np.nan, np.nan]])
    assert pumping.spread(values).middle[0] == 2.0
    assert np.isnan(pumping.spread(values).middle[1])


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.words)
def test_nothing_deviating_needs_what_the_stated_coefficients_say(pair):
    assert pair.needed(still()) == pytest.approx(float(pair.nozzle.required(pair.line.line).pump_pressure))


@pytest.mark.parametrize("pair", PAIRS[:3], ids=lambda pair: pair.words)
def test_pumping_what_a_case_needs_gives_it_the_target(pair):
    """The spread of needed pressures, fed back case by case, puts every case on target."""
    needed = pair.needed(SAMPLES)
    lying = [n for n in SAMPLES.data_vars if n in pumping._LYING or n == "discharge_coefficient"]
    samples = SAMPLES[[n for n in lying if pumping.applies(n, pair.nozzle.nozzle)]]
    density = {"water_temperature": 15.5555555555}  # ratings and targets hold at 60 degF
    model = replace(pumping.model_of(pair, SPACE, 0.0), outputs=(), fixed={"elevation": 30.0, **density})
    result = model(samples.assign({"supply.pump_pressure": ("sample", needed)}))
    name = "flow_rate" if "flow" in pair.nozzle.target else "supply.delivered_pressure"
    (target,) = pair.nozzle.target.values()
    assert result[name].values == pytest.approx(target, rel=1e-9)


def test_chart_at_the_line_s_own_length_is_the_estimate():
    chart = pumping.chart(BORE, PLAN, SAMPLES)
    own = PLAN.lengths.index(pytest.approx(float(BORE.line.line.sections[-1].length)))
    estimate = pumping.estimate(BORE, DEPARTMENT, SAMPLES).pump_pressure
    assert chart.middle[own, PLAN.storeys.index(0)] == pytest.approx(float(estimate.middle))
    assert chart.high[own, PLAN.storeys.index(0)] == pytest.approx(float(estimate.high))


def test_chart_rises_with_length_and_by_the_elevation_of_a_storey():
    chart = pumping.chart(RING, PLAN, SAMPLES)
    assert chart.middle.shape == (len(PLAN.lengths), len(PLAN.storeys))
    assert np.all(np.diff(chart.middle, axis=0) > 0)
    # 10 ft of water, 0.4331 psi a foot (first principles).
    assert np.diff(chart.middle, axis=1) / PSI == pytest.approx(4.331, abs=1e-3)


def test_target_beyond_the_pump_is_refused_with_the_best():
    weak = replace(DEPARTMENT, pump=Supply(100 * PSI))
    with pytest.raises(InputError, match=r"target of nozzles\.smooth_bore on lines\.preconnect = .*best achievable"):
        pumping.estimate(BORE, weak, SAMPLES)


def test_sweep_runs_the_same_cases_at_each_pressure():
    sweep = swept(BORE)
    assert sweep.pump_pressure[[0, -1]] == pytest.approx(PLAN.sweep)
    assert sweep.runs["flow_rate"].shape == (pumping.SWEEP_POINTS, 128)
    assert np.all(np.diff(sweep.runs["flow_rate"], axis=0) > 0)
    acting = SAMPLES[[n for n in SAMPLES.data_vars if pumping.applies(n, BORE.nozzle.nozzle)]]
    alone = pumping.model_of(BORE, SPACE, float(sweep.pump_pressure[7]))(acting)
    assert sweep.runs["extreme_reach"][7] == pytest.approx(alone["extreme_reach"].values, rel=1e-12)


def test_sweep_keeps_out_what_is_above_a_stated_maximum():
    line = BORE.line.line
    weak = replace(line, sections=(replace(line.sections[0], maximum_pressure=120 * PSI),))
    pair = pumping.Pair(BORE.nozzle, replace(BORE.line, line=weak))
    sweep = pumping.sweep(pair, SPACE, DEPARTMENT, PLAN, SAMPLES)
    assert np.array_equal(sweep.allowed, sweep.pump_pressure <= 120 * PSI)
    low = replace(PLAN, sweep=(150 * PSI, 200 * PSI))
    over = pumping.sweep(pair, SPACE, DEPARTMENT, low, SAMPLES)
    with pytest.raises(InputError, match="above a stated maximum pressure over the whole sweep"):
        pumping.choose(over, DEPARTMENT, low)


def test_chances_count_the_runs():
    sweep = swept(BORE)
    found = pumping.chances(sweep, DEPARTMENT, PLAN)
    enough = sweep.runs["flow_rate"] >= 150 * GPM
    within = sweep.runs["supply.crew_force"] <= 95 * LBF
    for place in (0, 12, 32):
        assert found.flow[place] == np.mean(enough[place])
        assert found.limit[place] == np.mean(within[place])
        assert found.both[place] == np.mean([a and b for a, b in zip(enough[place], within[place], strict=True)])
    assert np.all(np.diff(found.flow) >= 0)
    assert np.all(np.diff(found.limit) <= 0)


def test_choice_is_the_most_reach_among_good_points_with_its_window():
    sweep = swept(BORE)
    choice = pumping.choose(sweep, DEPARTMENT, PLAN)
    good = np.flatnonzero(choice.chances.both >= PLAN.probability)
    reach = sweep.spread("extreme_reach").middle
    assert choice.met
    assert choice.place == good[reach[good].argmax()]
    assert choice.window == (sweep.pump_pressure[good[0]], sweep.pump_pressure[good[-1]])
    assert choice.reach == reach[choice.place]


def test_no_choice_and_no_window_is_above_a_stated_maximum():
    free = pumping.choose(swept(BORE), DEPARTMENT, PLAN)
    highest = free.pump_pressure - 10 * PSI
    line = replace(BORE.line.line, sections=(replace(BORE.line.line.sections[0], maximum_pressure=highest),))
    pair = pumping.Pair(BORE.nozzle, replace(BORE.line, line=line))
    choice = pumping.choose(pumping.sweep(pair, SPACE, DEPARTMENT, PLAN, SAMPLES), DEPARTMENT, PLAN)
    assert choice.met
    assert choice.pump_pressure <= highest
    assert choice.window[1] <= highest < free.window[1]


def test_where_nothing_is_good_the_best_chance_is_taken():
    choice = pumping.choose(swept(AUTO), DEPARTMENT, PLAN)
    assert not choice.met
    assert choice.window is None
    assert choice.chances.both[choice.place] == choice.chances.both.max()


def test_where_both_are_never_met_the_chances_are_nearest_each_other():
    tight = replace(DEPARTMENT, crew=Crew(1, HandlingLimits("own", {1: 10 * LBF}, "invented")))
    choice = pumping.choose(swept(AUTO), tight, PLAN)
    assert choice.chances.both.max() == 0
    gap = np.abs(choice.chances.flow - choice.chances.limit)
    assert gap[choice.place] == gap.min()


def test_the_best_choice_meets_the_wanted_chance_first():
    choices = [pumping.choose(swept(pair), DEPARTMENT, PLAN) for pair in (AUTO, BORE, RING)]
    assert pumping.best(choices).swept.pair is BORE


def test_mistakes_agree_with_hydraulics():
    mistakes = pumping.mistakes_of(RING, SPACE, DEPARTMENT)
    assert mistakes.labels[0] == pumping.NOTHING_WRONG
    assert len(mistakes.labels) == 1 + len(DEPARTMENT.mistakes)
    density = float(water_density(Stream.water_temperature))
    twin = compare_delivery(
        mistakes.pump_pressure, RING.line.line, RING.nozzle.nozzle, DEPARTMENT.mistakes, density=density
    )
    for name in ("flow_rate", "reaction_force"):
        assert mistakes.change(name)[1:] == pytest.approx(twin.change(name), rel=1e-9)


def test_setting_errors_are_left_out_for_nozzles_without_settings():
    labels = pumping.mistakes_of(BORE, SPACE, DEPARTMENT).labels
    assert not any("setting" in label for label in labels)
    assert len(labels) == len(DEPARTMENT.mistakes) - 1


def test_a_measured_breakup_length_flies_from_its_own_nozzle_only():
    measured = pumping.Pair(replace(BORE.nozzle, breakup_length=4.0), BORE.line)
    estimates = [pumping.estimate(pair, DEPARTMENT, SAMPLES) for pair in (measured, BORE, AUTO)]
    own, plain, fog = (pumping.delivered_at(e, SPACE, SAMPLES)["breakup_length"].values for e in estimates)
    assert np.all(own == 4.0)
    assert np.ptp(plain) > 0
    assert np.ptp(fog) > 0
    assert np.all(pumping.mistakes_of(measured, SPACE, DEPARTMENT).results["breakup_length"] == 4.0)


@pytest.mark.parametrize("pair", [BORE, RING, AUTO], ids=lambda pair: pair.words)
def test_the_shutoffs_turbulence_shortens_breakup_behind_a_line(pair):
    # Atomization: x_b goes as Tu^-0.26, and the fire streams of this study lie in that regime.
    estimate = pumping.estimate(pair, DEPARTMENT, SAMPLES)
    clear, valve = (
        pumping.delivered_at(estimate, replace(SPACE, fixed={**SPACE.fixed, **fixed}), SAMPLES)
        for fixed in ({}, {"valve_turbulence_factor": 2.0})
    )
    assert valve["breakup_length"].values / clear["breakup_length"].values == pytest.approx(2**-0.26)
    assert np.median(valve["extreme_reach"]) < np.median(clear["extreme_reach"])
    assert valve["reaction_force"].values == pytest.approx(clear["reaction_force"].values)


def test_space_of_a_pair_keeps_what_acts():
    assert "supply.setting_step" not in pumping.space_of(BORE, SPACE).names
    assert "discharge_coefficient" in pumping.space_of(BORE, SPACE).names
    assert "supply.setting_step" in pumping.space_of(RING, SPACE).names
    assert "discharge_coefficient" not in pumping.space_of(AUTO, SPACE).names
