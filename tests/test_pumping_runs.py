"""Spreads, charts, sweeps, choices and mistakes of pumped set-ups, against hydraulics done by hand."""

import copy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from jetsim import units
from jetsim.equipment.department import Crew, read_department
from jetsim.equipment.questions import Asked, load_question
from jetsim.equipment.spaces import joint_draws
from jetsim.errors import InputError
from jetsim.hydraulics.believed import Deviation, compare_delivery
from jetsim.hydraulics.crew import HandlingLimits
from jetsim.pumping import runs
from jetsim.pumping.question import NOTHING_WRONG, PumpQuestion, check_together
from jetsim.pumping.runs import Loaded
from jetsim.pumping.subject import LYING, Subject
from jetsim.toml import load_toml

PSI, GPM, LBF = units.PSI, units.GALLON_PER_MINUTE, units.POUND_FORCE
FILE = Path(__file__).parents[1] / "studies" / "inputs" / "pump_and_crew.toml"
ASKED = load_question(FILE, PumpQuestion)
QUESTION = ASKED.question.model_copy(update={"base_samples": 32})
LOADED = Loaded(replace(ASKED, question=QUESTION))
SUBJECTS, SAMPLES = LOADED.subjects, LOADED.drawn()
(BORE, RING, AUTO), (OF_BORE, OF_RING, OF_AUTO) = SUBJECTS, SAMPLES
ENDS = (QUESTION.sweep.low, QUESTION.sweep.high)
STILL = xr.Dataset({name: ("sample", np.full(4, still)) for name, still in
                    (("supply.hose_deviation", 0.0), ("supply.kink_loss_coefficient", 0.0))})  # fmt: skip


def asked_of(change, **question) -> Asked[PumpQuestion]:
    """The study's question, of a department that `change` alters."""
    content = copy.deepcopy(load_toml(FILE.with_name("department.toml")))
    change(content)
    department = read_department(content)
    return replace(
        ASKED,
        question=QUESTION.model_copy(update=question),
        department=department,
        setups=department.chosen(("a", "f", "g")),
    )


def with_crew(subject: Subject, limits) -> Subject:
    return replace(subject, setup=replace(subject.setup, crew=Crew("own", 1, limits)))


@pytest.fixture(scope="module")
def swept():
    """Sweeps of the smooth bore and the automatic nozzle."""
    return {s.setup.name: runs.sweep(s, ENDS, own) for s, own in ((BORE, OF_BORE), (AUTO, OF_AUTO))}


def test_spread_is_the_median_and_the_middle_90_percent():
    found = runs.spread(np.arange(101.0))
    assert [float(end) for end in (found.low, found.middle, found.high)] == pytest.approx([5, 50, 95])


def test_spread_leaves_out_what_is_undefined_and_gives_none_below_half():
    values = np.array([[1.0, 2.0, 3.0, np.nan], [1.0, np.nan, np.nan, np.nan]])
    assert runs.spread(values).middle[0] == 2.0
    assert np.isnan(runs.spread(values).middle[1])


@pytest.mark.parametrize("subject", SUBJECTS, ids=lambda subject: subject.setup.name)
def test_nothing_deviating_needs_what_the_stated_coefficients_say(subject):
    assert subject.needed(STILL) == pytest.approx(float(subject.believed.pump_pressure))


@pytest.mark.parametrize("place", range(3))
def test_pumping_what_a_case_needs_gives_it_the_target(place):
    """The spread of needed pressures, fed back case by case, puts every case on target."""
    subject, own = SUBJECTS[place], SAMPLES[place]
    lying = (*LYING, "discharge_coefficient", "supply.flow_ratio", "velocity_coefficient")
    samples = own[[name for name in own.data_vars if name in lying]]
    model = subject.pumped(0.0)
    still = {**model.fixed, "supply.pump_pressure_error": 0.0, "supply.setting_step": 0.0, "wind_along": 0.0}
    if subject is not RING:
        del still["supply.setting_step"]
    result = replace(model, fixed=still)(samples.assign({"supply.pump_pressure": ("sample", subject.needed(own))}))
    name = "flow_rate" if "flow" in subject.setup.target else "supply.delivered_pressure"
    (target,) = subject.setup.target.values()
    assert result[name].values == pytest.approx(target, rel=1e-9)


def test_chart_at_the_line_s_own_length_is_the_estimate():
    chart = runs.chart(BORE, QUESTION.chart, OF_BORE)
    own = QUESTION.chart.lengths.index(pytest.approx(float(BORE.line.sections[-1].length)))
    needed = runs.spread(BORE.needed(OF_BORE))
    assert chart.middle[own, QUESTION.chart.storeys.index(0)] == pytest.approx(float(needed.middle))
    assert chart.high[own, QUESTION.chart.storeys.index(0)] == pytest.approx(float(needed.high))


def test_chart_rises_with_length_and_by_the_elevation_of_a_storey():
    chart = runs.chart(RING, QUESTION.chart, OF_RING)
    assert chart.middle.shape == (len(QUESTION.chart.lengths), len(QUESTION.chart.storeys))
    assert np.all(np.diff(chart.middle, axis=0) > 0)
    # 10 ft of water, 0.4331 psi a foot (first principles).
    assert np.diff(chart.middle, axis=1) / PSI == pytest.approx(4.331, abs=1e-3)


def test_target_beyond_the_pump_is_refused_with_the_best():
    weak = asked_of(lambda content: content["pumps"]["engine"].update(maximum_pressure="100 psi"))
    with pytest.raises(InputError, match=r"target of setups\.a = .*best achievable") as caught:
        check_together(weak)
    assert len(caught.value.lines) == 3


def test_sweep_runs_the_same_cases_at_each_pressure(swept):
    sweep = swept["a"]
    assert sweep.pump_pressure[[0, -1]] == pytest.approx(ENDS)
    assert sweep.runs["flow_rate"].shape == (runs.SWEEP_POINTS, 128)
    assert np.all(np.diff(sweep.runs["flow_rate"], axis=0) > 0)
    alone = BORE.pumped(float(sweep.pump_pressure[7]))(OF_BORE)
    assert sweep.runs["extreme_reach"][7] == pytest.approx(alone["extreme_reach"].values, rel=1e-12)


def test_set_ups_share_their_draws():
    np.testing.assert_array_equal(OF_BORE["supply.hose_deviation"], OF_AUTO["supply.hose_deviation"])  # one line
    assert not np.array_equal(OF_BORE["supply.hose_deviation"], OF_RING["supply.hose_deviation"])
    for name in ("wind_along", "supply.kink_loss_coefficient", "valve_upstream_factor"):
        np.testing.assert_array_equal(OF_BORE[name], OF_RING[name])
    inputs = [subject.inputs for subject in SUBJECTS]
    assert set(joint_draws(inputs, 128, QUESTION.seed)[1]) == set(OF_RING.data_vars)


def of_weak_hose(highest: float):
    asked = asked_of(lambda content: content["hoses"]["attack"].update(maximum_pressure=f"{highest} psi"))
    return Loaded(asked).subjects[0]


def test_sweep_keeps_out_what_is_above_a_stated_maximum():
    few = OF_BORE.isel(sample=slice(4))
    sweep = runs.sweep(of_weak_hose(140), ENDS, few)
    assert np.array_equal(sweep.allowed, sweep.pump_pressure <= 140 * PSI)
    over = runs.sweep(of_weak_hose(140), (150 * PSI, 200 * PSI), few)
    with pytest.raises(InputError, match="above a stated maximum pressure over the whole sweep"):
        runs.choose(over, QUESTION.choice)


def test_chances_count_the_runs(swept):
    sweep = swept["a"]
    found = runs.choose(sweep, QUESTION.choice).chances
    enough = sweep.runs["flow_rate"] >= 150 * GPM
    within = sweep.runs["supply.crew_force"] <= 95 * LBF
    for place in (0, 12, 32):
        assert found.flow[place] == np.mean(enough[place])
        assert found.limit[place] == np.mean(within[place])
        assert found.both[place] == np.mean([a and b for a, b in zip(enough[place], within[place], strict=True)])
    assert np.all(np.diff(found.flow) >= 0)
    assert np.all(np.diff(found.limit) <= 0)


def test_choice_is_the_most_reach_among_good_points_with_its_window(swept):
    sweep = swept["a"]
    choice = runs.choose(sweep, QUESTION.choice)
    good = np.flatnonzero(choice.chances.both >= QUESTION.choice.probability)
    reach = sweep.spread("extreme_reach").middle
    assert choice.met
    assert choice.place == good[reach[good].argmax()]
    assert choice.window == (sweep.pump_pressure[good[0]], sweep.pump_pressure[good[-1]])
    assert choice.reach == reach[choice.place]


def test_no_choice_and_no_window_is_above_a_stated_maximum(swept):
    free = runs.choose(swept["a"], QUESTION.choice)
    highest = free.pump_pressure - 10 * PSI
    choice = runs.choose(replace(swept["a"], allowed=swept["a"].pump_pressure <= highest), QUESTION.choice)
    assert choice.met
    assert choice.pump_pressure <= highest
    assert choice.window[1] <= highest < free.window[1]


def test_where_nothing_is_good_the_best_chance_is_taken(swept):
    choice = runs.choose(swept["g"], QUESTION.choice)
    assert not choice.met
    assert choice.window is None
    assert choice.chances.both[choice.place] == choice.chances.both.max()


def test_where_both_are_never_met_the_chances_are_nearest_each_other(swept):
    tight = with_crew(AUTO, HandlingLimits("own", {1: 10 * LBF}, "invented"))
    choice = runs.choose(replace(swept["g"], subject=tight), QUESTION.choice)
    assert choice.chances.both.max() == 0
    gap = np.abs(choice.chances.flow - choice.chances.limit)
    assert gap[choice.place] == gap.min()


def test_without_a_stated_limit_there_is_no_choice_and_no_share(swept):
    for subject in (with_crew(AUTO, None), replace(AUTO, setup=replace(AUTO.setup, crew=None))):
        assert runs.choose(replace(swept["g"], subject=subject), QUESTION.choice) is None
        found = runs.estimate(subject, OF_AUTO.isel(sample=slice(4)))
        assert np.isnan(found.share_within)
        assert np.isnan(found.force)


def test_mistakes_agree_with_hydraulics():
    mistakes = runs.mistakes_of(RING, QUESTION.wrong)
    assert mistakes.labels == (NOTHING_WRONG, *QUESTION.wrong)
    pump = float(RING.believed.pump_pressure)
    twin = compare_delivery(pump, RING.line, RING.model.nozzle({}), QUESTION.wrong, density=float(RING.model.density))
    for name in ("flow_rate", "reaction_force"):
        assert mistakes.change(name)[1:] == pytest.approx(twin.change(name), rel=1e-9)
    assert float(mistakes.results["flow_rate"][0]) == pytest.approx(float(twin.believed.flow_rate), rel=1e-12)


def test_setting_errors_are_left_out_for_nozzles_without_settings():
    labels = runs.mistakes_of(BORE, QUESTION.wrong).labels
    assert not any("setting" in label for label in labels)
    assert len(labels) == len(QUESTION.wrong) - 1
    assert "supply.setting_step" in RING.inputs.medians
    assert "supply.setting_step" not in {*BORE.inputs.medians, *AUTO.inputs.medians}


def test_a_measured_breakup_length_flies_from_its_own_set_up_only():
    asked = asked_of(lambda content: content["setups"]["a"].update(breakup_length="14 ft"))
    loaded = Loaded(asked)
    own, _, other = (runs.estimate(s, d).delivered["breakup_distance"].values
                     for s, d in zip(loaded.subjects, loaded.drawn(), strict=True))  # fmt: skip
    assert np.ptp(own) < 0.01 * np.median(own)  # along the stream it is one length; weight bends the stream a little
    assert np.ptp(other) > 0.1 * np.median(other)
    mistakes = runs.mistakes_of(loaded.subjects[0], {"pump low": Deviation(pump_pressure_error=-20 * PSI)})
    assert np.all(mistakes.results["breakup_length"] == pytest.approx(14 * units.FOOT))


@pytest.mark.parametrize("place", range(3))
def test_the_shutoffs_turbulence_shortens_breakup_behind_a_line(place):
    # Atomization: x_b goes as Tu^-0.26, and the fire streams of this study lie in that regime.
    override = {"breakup_constants.turbulence_exponent": load_override(0.26)}

    def flown(factor):
        asked = asked_of(lambda content: content["shutoffs"].update(full_ball={"valve_turbulence_factor": factor}),
                         beliefs=override)  # fmt: skip
        subject = Loaded(asked).subjects[place]
        return replace(subject.model, fixed={**subject.model.fixed, "wind_along": 0.0}, outputs=())(STILL)

    clear, valve = flown(1.0), flown(2.0)
    assert valve["breakup_length"].values / clear["breakup_length"].values == pytest.approx(2**-0.26)
    assert float(valve["extreme_reach"][0]) < float(clear["extreme_reach"][0])
    assert valve["reaction_force"].values == pytest.approx(clear["reaction_force"].values)


def load_override(value: float):
    """A belief that a question states otherwise."""
    question = PumpQuestion.model_validate(
        {**load_toml(FILE), "beliefs": {"breakup_constants.turbulence_exponent": value}}
    )
    return question.beliefs["breakup_constants.turbulence_exponent"]


def test_the_space_of_a_ranking_holds_what_acts_on_flow_and_reach():
    names = [set(runs.ranked_space(subject, LOADED.asked).names) for subject in SUBJECTS]
    assert ["supply.setting_step" in own for own in names] == [False, True, False]
    assert ["discharge_coefficient" in own for own in names] == [True, False, False]
    assert all("valve_upstream_factor" in own for own in names)
    assert not any({"supply.reaction_excess", "flight_constants.drop_spread"} & own for own in names)
