"""From a department and a set-up to a space and a model: who speaks for an input, and what a set-up then throws."""

import copy
import pickle
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from jetsim import units
from jetsim.equipment.beliefs import BELIEFS, LATENTS
from jetsim.equipment.department import load_department, read_department
from jetsim.equipment.learnt import Learnt
from jetsim.equipment.model import DELIVERED, FORCE, NEEDED
from jetsim.equipment.questions import Question
from jetsim.equipment.reading import Stated, read_model, read_stated
from jetsim.equipment.spaces import Choices, inputs_of, joint_draws, model_of, space_of
from jetsim.errors import InputError
from jetsim.experiment.distributions import Choice
from jetsim.experiment.parameters import Parameter
from jetsim.hydraulics.operating_point import operating_point
from jetsim.jet.turbulence import VALVE_STYLES
from jetsim.quantities import QUANTITIES
from jetsim.simulation import simulate
from jetsim.stream import Stream
from jetsim.toml import load_toml

DEMO = Path(__file__).parents[1] / "studies" / "inputs" / "department.toml"
SETUPS = {setup.name: setup for setup in load_department(DEMO).setups}
OUTPUTS = ("extreme_reach", "breakup_distance", "flow_rate", "reaction_force")


def once(model, **values):
    columns = {name.replace("__", "."): ("sample", np.atleast_1d(value)) for name, value in values.items()}
    return model(xr.Dataset(columns or {"wind_along": ("sample", np.zeros(1))}))


def changed(**setup):
    content = copy.deepcopy(load_toml(DEMO))
    content["setups"]["a"] |= setup
    return read_department(content).setups[0]


def test_every_belief_is_of_a_quantity_and_says_what_it_rests_on():
    for name, belief in BELIEFS.items():
        assert name == belief.name
        assert name in QUANTITIES
        ends = np.asarray(belief.distribution.ppf(np.array([0.0, 1.0])))
        assert QUANTITIES[name].contains(ends).all(), name
        assert belief.source
        assert belief.parameter().distribution is belief.distribution
        assert set(belief.loadings) <= set(LATENTS)


def test_a_smooth_bore_at_its_medians_is_the_stream_of_its_tip():
    setup = SETUPS["a"]
    inputs = inputs_of(setup, Choices(outputs=OUTPUTS))
    result = once(model_of(setup, inputs, Choices(outputs=(*OUTPUTS, DELIVERED))))
    middle = inputs.medians
    own = {n: v for n, v in middle.items() if not n.startswith(("supply.", "trial."))}
    plain = simulate(Stream.from_values({**own, "nozzle_pressure": 50 * units.PSI}))
    for name in OUTPUTS:
        assert float(result[name][0]) == pytest.approx(float(plain[name]), rel=1e-12)
    assert float(result[DELIVERED][0]) == pytest.approx(50 * units.PSI)


@pytest.mark.parametrize("name", list(SETUPS))
def test_pump_and_nozzle_agree_for_every_kind(name):
    setup = SETUPS[name]
    held = once(model_of(setup, inputs_of(setup)))
    choices = Choices(drive="pump")
    pumped = once(model_of(setup, inputs_of(setup, choices), choices))
    for output in (*OUTPUTS, DELIVERED, NEEDED, FORCE):
        assert float(pumped[output][0]) == pytest.approx(float(held[output][0]), rel=1e-9), output
    assert float(held["reaction_force"][0]) < float(held[FORCE][0]) < 1.5 * float(held["reaction_force"][0])


def test_a_pump_set_too_low_delivers_what_the_line_gives():
    setup, choices = SETUPS["g"], Choices(drive="pump")
    model = model_of(setup, inputs_of(setup, choices), choices)
    short = once(model, supply__pump_pressure_error=-20 * units.PSI)
    believed = float(model.believed.pump_pressure)
    point = operating_point(believed - 20 * units.PSI, setup.hose_line({}), model.nozzle({}), model.density)
    assert float(short["flow_rate"][0]) == pytest.approx(float(point.flow_rate), rel=1e-12)
    dry = once(model, supply__pump_pressure_error=-believed)
    assert float(dry["flow_rate"][0]) == 0
    assert int(dry["outcome"][0]) == 1


def test_without_a_line_no_pump_pressure_is_told():
    content = copy.deepcopy(load_toml(DEMO))
    del content["setups"]["a"]["line"]
    setup = read_department(content).setups[0]
    assert setup.line is None
    assert np.isnan(float(once(model_of(setup, inputs_of(setup)))[NEEDED][0]))
    with pytest.raises(InputError, match=r"setups.a: has no line, so no pump pressure"):
        model_of(setup, inputs_of(setup), Choices(drive="pump"))


def test_a_measured_breakup_length_replaces_what_acts_before_it():
    setup = changed(breakup_length={"distribution": "normal", "mean": "14 ft", "sd": "1 ft", "basis": "measured",
                                    "source": "tape"})  # fmt: skip
    inputs = inputs_of(setup)
    names = [parameter.name for parameter in inputs.parameters]
    assert "breakup_length" in names
    assert inputs.owners["breakup_length"] == "setups.a"
    assert not {"valve_upstream_factor", "clear_turbulence_intensity", "breakup_constants.scale"} & set(names)
    assert not any(p.loadings for p in inputs.parameters if p.name == "discharge_coefficient")
    with pytest.raises(InputError, match=r"acts on nothing, for the breakup length of setups\.a is measured"):
        inputs_of(setup, Choices(overrides={"breakup_constants.scale": Stated(1.0)}))


def test_inputs_that_act_on_no_asked_output_are_left_out():
    few = {p.name for p in inputs_of(SETUPS["a"], Choices(outputs=("extreme_reach",))).parameters}
    all_of_them = {p.name for p in inputs_of(SETUPS["a"]).parameters}
    assert {"flight_constants.drop_spread", "supply.reaction_excess"} <= all_of_them - few


def test_a_department_speaks_before_a_belief_and_a_question_before_that():
    setup = changed(discharge_coefficient=0.982)
    assert inputs_of(setup).fixed["discharge_coefficient"] == 0.982
    override = {"flight_constants.drop_scale": Stated(1.0), "wind_along": read_stated("w", {
        "distribution": "uniform", "low": "0 mph", "high": "3 mph", "source": "a calm day"}, "wind_along")}  # fmt: skip
    inputs = inputs_of(setup, Choices(overrides=override))
    assert inputs.fixed["flight_constants.drop_scale"] == 1.0
    (wind,) = [p for p in inputs.parameters if p.name == "wind_along"]
    assert (wind.source, wind.role, wind.distribution.high) == ("a calm day", "environment", units.to_si(3, "mph"))


def test_set_ups_share_what_they_share():
    inputs = [inputs_of(SETUPS[name]) for name in ("a", "b", "c")]
    a, b, c = joint_draws(inputs, 64, seed=3)
    np.testing.assert_array_equal(a["discharge_coefficient"], b["discharge_coefficient"])
    np.testing.assert_array_equal(a["wind_along"], c["wind_along"])
    np.testing.assert_array_equal(a["valve_upstream_factor"], c["valve_upstream_factor"])  # both a full ball
    assert not np.array_equal(a["valve_upstream_factor"], b["valve_upstream_factor"])


def test_the_draws_of_a_set_up_do_not_depend_on_those_beside_it():
    inputs = [inputs_of(SETUPS[name]) for name in ("a", "b", "c")]
    (alone,), (_, beside, _) = (
        joint_draws(inputs[:1], 64, seed=3),
        joint_draws([inputs[2], inputs[0], inputs[1]], 64, 3),
    )
    assert alone.keys() == beside.keys()
    for name, values in alone.items():
        np.testing.assert_array_equal(values, beside[name])
    (wind,) = [p for p in inputs[0].parameters if p.name == "wind_along"]
    cells = np.searchsorted(wind.distribution.ppf(np.arange(1, 64) / 64), alone["wind_along"])
    assert sorted(cells) == list(range(64))


def test_learnt_draws_stay_correlated_and_say_what_they_are():
    rng = np.random.default_rng(5)
    first = rng.normal(size=2000)
    scale = np.exp(0.1 * (0.9 * first + np.sqrt(1 - 0.81) * rng.normal(size=2000)))
    draws = {"valve_upstream_factor[full_ball]": 1.5 + 0.1 * first, "breakup_constants.scale": scale,
             "flight_constants.drop_scale": np.exp(0.2 * rng.normal(size=2000))}  # fmt: skip
    standing = dict(zip(draws, ("measured", "half learnt", "not learnt"), strict=True))
    learnt = Learnt(draws, standing, "an invented field test")
    choices = Choices(outputs=OUTPUTS)
    inputs = inputs_of(SETUPS["a"], choices, learnt)
    space = space_of(inputs, choices)
    values = space.transform(rng.random((4000, len(space.columns))))
    pair = np.corrcoef(values["valve_upstream_factor"], np.log(values["breakup_constants.scale"]))[0, 1]
    assert pair == pytest.approx(0.9, abs=0.03)
    assert abs(np.corrcoef(values["valve_upstream_factor"], values["flight_constants.drop_scale"])[0, 1]) < 0.1
    basis = {p.name: p.basis for p in inputs.parameters}
    assert basis["valve_upstream_factor"] == "measured"
    assert basis["breakup_constants.scale"] != "measured"
    assert not any(p.loadings for p in inputs.parameters if p.name == "discharge_coefficient")
    joint = joint_draws([inputs], 64, 1, learnt)[0]
    rows = np.searchsorted(np.sort(draws["valve_upstream_factor[full_ball]"]), joint["valve_upstream_factor"])
    assert (np.sort(draws["valve_upstream_factor[full_ball]"])[rows] == joint["valve_upstream_factor"]).all()


def test_a_model_travels_to_other_processes():
    model = model_of(SETUPS["a"], inputs_of(SETUPS["a"]))
    copied = pickle.loads(pickle.dumps(model))
    assert float(once(copied)["extreme_reach"][0]) == float(once(model)["extreme_reach"][0])


def test_a_question_overrides_only_what_is_believed():
    beliefs = {"elevation": "40 deg", "wind_along": "0 mph", "valve_upstream_factor": 1.2, "nozzle_height": "3 ft"}
    with pytest.raises(InputError) as caught:
        read_model({"study": "any", "title": "t", "beliefs": beliefs}, Question, "q.toml")
    first, second = caught.value.lines
    assert first.startswith("q.toml: beliefs.elevation: is nothing that the package believes; state it in the")
    assert second.startswith("q.toml: beliefs.nozzle_height: is nothing that the package believes")


def test_what_a_nozzle_lacks_does_not_vary():
    steps = read_stated("s", {"distribution": "choice", "values": [-1, 0], "weights": [1, 9]}, "supply.setting_step")
    vary = (Parameter("supply.setting_step", steps.distribution, "controllable", "assumption", "x"),)
    having = [name for name, setup in SETUPS.items()
              if "supply.setting_step" in inputs_of(setup, Choices(vary)).medians]  # fmt: skip
    assert having == ["f"]


@pytest.mark.parametrize("name", ["a", "f", "g"])
def test_what_flies_elsewhere_is_the_stream_that_the_model_flies(name):
    setup = SETUPS[name]
    model = model_of(setup, inputs_of(setup), Choices(outputs=OUTPUTS))
    sample = xr.Dataset({"wind_along": ("sample", [-2.0, 3.0]), "nozzle_pressure": ("sample", [3e5, 5e5])})
    plain, found = simulate(Stream.from_values(model.streams(sample))), model(sample)
    for output in OUTPUTS:
        assert plain[output].values == pytest.approx(found[output].values, rel=1e-12)


def test_a_stream_without_pressure_is_a_trickle():
    model = model_of(SETUPS["a"], inputs_of(SETUPS["a"]))
    sample = xr.Dataset({"nozzle_pressure": ("sample", [3e5]), "supply.nozzle_pressure_error": ("sample", [-4e5])})
    assert model.streams(sample)["nozzle_pressure"] == pytest.approx(1.0)
    assert float(model(sample)["flow_rate"][0]) == 0.0


def test_an_automatic_nozzle_holds_the_pressures_of_its_rated_flows():
    low, high = SETUPS["g"].nozzle.holds
    assert (low, high) == pytest.approx((90 * units.PSI, 110 * units.PSI))
    assert SETUPS["f"].nozzle.holds == pytest.approx((0.0, 200 * units.PSI))
    assert SETUPS["a"].nozzle.holds == (0.0, np.inf)


CHAIN = {"valve_loss_coefficient", "valve_distance", "turbulence_constants.valve_efficiency",
         "turbulence_constants.decay_exponent", "turbulence_constants.eddy_size",
         "turbulence_constants.dissipation_constant"}  # fmt: skip
VALVES = ("upstream factor", "clear", "loss", "decaying loss")


def of_law(values, name="valve_model"):
    return Choices((Parameter(name, Choice(values), "structural"),), outputs=OUTPUTS)


def test_what_is_believed_of_a_law_acts_where_a_question_tries_that_law():
    def names(choices):
        return {parameter.name for parameter in inputs_of(SETUPS["a"], choices).parameters}

    plain = names(Choices(outputs=OUTPUTS))
    assert not plain & {*CHAIN, "flight_constants.breakup_exponent"}
    assert names(of_law(VALVES)) & CHAIN == CHAIN
    assert names(of_law(("clear", "loss"))) & CHAIN == {
        "valve_loss_coefficient",
        "turbulence_constants.valve_efficiency",
    }
    assert names(Choices(fixed={"valve_model": "loss"})) & CHAIN == names(of_law(("clear", "loss"))) & CHAIN
    assert "flight_constants.breakup_exponent" in names(of_law(("air_stream", "two_stage"), "drag_model"))


def test_the_loss_of_a_named_style_is_that_of_the_style():
    ball, slide = ({p.name: p for p in inputs_of(SETUPS[n], of_law(VALVES)).parameters} for n in ("a", "b"))
    for inputs, style in ((ball, "full ball"), (slide, "slide")):
        middle = float(inputs["valve_loss_coefficient"].distribution.ppf(np.array([0.5]))[0])
        assert middle == pytest.approx(VALVE_STYLES[style].loss_coefficient["median"])
        assert inputs["valve_loss_coefficient"].source.startswith(style)


def test_a_factor_known_at_the_exit_stands_in_a_choice_of_valve_model_for_one_before_the_tip():
    measured = changed(valve_turbulence_factor=1.3)
    (choice,) = [p for p in inputs_of(measured, of_law(VALVES)).parameters if p.name == "valve_model"]
    assert choice.distribution.values == ("factor", *VALVES[1:])
    names = {p.name for p in inputs_of(measured, of_law(VALVES)).parameters}
    assert "turbulence_constants.tip_share" in names  # the loss laws read it
    with pytest.raises(InputError, match="both factor and upstream factor"):
        inputs_of(measured, of_law(("factor", "upstream factor")))
    seen = changed(breakup_length="14 ft")
    with pytest.raises(InputError, match=r"valve_model: acts on nothing, for the breakup length of setups\.a is meas"):
        inputs_of(seen, of_law(VALVES))


def test_what_was_learnt_of_a_set_up_goes_before_what_was_learnt_of_its_shutoff():
    """Two set-ups behind one full ball, of which one was thrown; their draws share a row of what was learnt."""
    first = np.random.default_rng(2).normal(size=500)
    draws = {"valve_upstream_factor[full_ball]": 1.3 + 0.1 * first,
             "valve_upstream_factor[setups.c]": 1.6 + 0.1 * first}  # fmt: skip
    learnt = Learnt(draws, dict.fromkeys(draws, "measured"), "an invented field test")
    inputs = [inputs_of(SETUPS[name], learnt=learnt) for name in ("a", "c")]
    assert [one.key("valve_upstream_factor") for one in inputs] == list(draws)
    a, c = (one["valve_upstream_factor"] for one in joint_draws(inputs, 64, 1, learnt))
    np.testing.assert_allclose(c - a, 0.3)
