"""Words that ranking studies share: leaders, ties, shares of crew and weather, and what an input does."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from jetsim import findings, published
from jetsim.experiment.distributions import Choice, Normal, Uniform
from jetsim.experiment.gate import Gate
from jetsim.experiment.space import Latent, Parameter, ParameterSpace
from jetsim.hydraulics.crew import HandlingLimits
from jetsim.report.figures import ROLE_WORDS

NAMES = ["nozzle_pressure", "elevation", "wind_along", "tip_diameter", "discharge_coefficient"]
LABELS = {"nozzle_pressure": "nozzle pressure", "elevation": "elevation angle", "wind_along": "wind"}


def indices(*totals: float, half: float = 0.02, first: float = 0.9, reason: str = "") -> xr.Dataset:
    """Indices of flow with intervals of one half-width."""
    names = NAMES[: len(totals)]
    total = xr.DataArray([totals], coords={"output": ["flow_rate"], "parameter": names}, dims=("output", "parameter"))
    data = {"ST": total, "ST_low": total - half, "ST_high": total + half}
    data |= {name.replace("ST", "S1"): values * first for name, values in data.items()}
    return xr.Dataset(data).assign_coords(reason=("output", [reason]))


def ranking(found: xr.Dataset, *ties: tuple[int, int]) -> xr.Dataset:
    count = found.sizes["parameter"]
    tied = np.zeros((1, count, count), dtype=bool)
    for i, j in ties:
        tied[0, i, j] = tied[0, j, i] = True
    names = found["parameter"].values
    coords = {"output": found["output"].values, "parameter": names, "other_parameter": names}
    label = (("output", "parameter"), [[str(1 + i) for i in range(count)]])
    return xr.Dataset({"tied": (("output", "parameter", "other_parameter"), tied), "label": label}, coords)


def space(**more) -> ParameterSpace:
    parameters = (
        Parameter("nozzle_pressure", Uniform(3e5, 4e5), "controllable", "assumption", "invented", "psi"),
        Parameter(
            "discharge_coefficient",
            Normal(0.97, 0.01, 0.9, 1.0),
            "unknown",
            "measured",
            "invented",
            "1",
            {"rough": 0.6},
        ),
        Parameter("clear_turbulence_intensity", Uniform(0.05, 0.1), "unknown", "assumption", "invented"),
    )
    return ParameterSpace(parameters, (Latent("rough", "unknown", "measured", "invented"),), ("flow_rate",), **more)


def test_a_clear_leader_and_its_followers():
    found = indices(0.10, 0.62, 0.25, 0.02)
    sentence = findings.leaders_sentence(found, ranking(found), "flow_rate", LABELS)
    assert sentence == (
        "Flow is moved most by elevation angle (62 % of all that moves it or leaves it in doubt, 60 to 64); then wind "
        "(25 %, 23 to 27), nozzle pressure (10 %, 8 to 12)."
    )
    title = findings.leaders_title(found, ranking(found), "flow_rate", LABELS)
    assert title == "Flow is moved most by elevation angle"


def test_a_tie_is_called_a_tie():
    found = indices(0.45, 0.47, 0.10)
    ties = ranking(found, (0, 1))
    sentence = findings.leaders_sentence(found, ties, "flow_rate", LABELS)
    assert "by elevation angle (47 % of all that moves it or leaves it in doubt, 45 to 49) and nozzle" in sentence
    assert "pressure (45 %, 43 to 47), too close to call" in sentence
    assert sentence.endswith("; then wind (10 %, 8 to 12).")
    assert findings.leaders_title(found, ties, "flow_rate", LABELS).endswith(
        "elevation angle and nozzle pressure, a tie"
    )


def test_a_lead_says_one_share_and_calls_a_tie_a_tie():
    found = indices(0.45, 0.47, 0.10)
    alone = findings.leading_sentence(found, ranking(found), "flow_rate", LABELS)
    assert alone == (
        "Flow depends most on elevation angle: of all that moves it or leaves it in doubt, this is 47 % (45 to 49)."
    )
    tied = findings.leading_sentence(found, ranking(found, (0, 1)), "flow_rate", LABELS)
    assert "elevation angle and nozzle pressure, too close to call: " in tied
    assert tied.endswith("in doubt, elevation angle is 47 % (45 to 49).")
    sharp = findings.leading_sentence(indices(0.45, 0.472, half=0.002), ranking(found), "flow_rate", LABELS)
    assert "this is 47.2 % (47.0 to 47.4)." in sharp
    many = indices(0.3, 0.28, 0.26, 0.25, half=0.2)
    ties = ranking(many, (0, 1), (0, 2), (0, 3))
    assert findings.leading_sentence(many, ties, "flow_rate", LABELS).startswith("Flow: too few computed throws")


def test_a_notice_says_which_result_is_known_least():
    widths = {"extreme_reach": 0.03, "flow_rate": 0.112}
    assert findings.unsettled_notice(Gate(False, widths, {}, (), "")) == (
        "Too few throws were computed to settle the order of what matters, so do not quote it (least known is what "
        "moves flow: shares to within 11 points of a hundred)."
    )
    assert findings.unsettled_notice(Gate(False, {}, {}, (), "")).endswith("so do not quote it.")
    assert findings.unsettled_notice(Gate(True, widths, {}, (), "")) == ""


def test_many_ties_are_a_lack_of_runs():
    found = indices(0.3, 0.28, 0.26, 0.25, half=0.2)
    ties = ranking(found, (0, 1), (0, 2), (0, 3))
    sentence = findings.leaders_sentence(found, ties, "flow_rate", LABELS)
    assert sentence.startswith("Flow: too few computed throws to tell 4 inputs apart. The largest shares: nozzle ")
    assert findings.leaders_title(found, ties, "flow_rate", LABELS) == "Flow: too few computed throws to name a leader"


def test_no_index_says_why():
    found = indices(np.nan, np.nan, reason="undefined in every run")
    sentence = findings.leaders_sentence(found, ranking(found), "flow_rate", LABELS)
    assert sentence == "Flow: no ranking (undefined in every run)."
    assert findings.leaders_title(found, ranking(found), "flow_rate", LABELS) == "Flow: no ranking"


def roles(*totals: float) -> xr.Dataset:
    names = ["controllable", "environment", "unknown"][: len(totals)]
    return xr.Dataset({"ST": (("output", "parameter"), [list(totals)])}, {"output": ["flow_rate"], "parameter": names})


def test_roles_in_words():
    sentence = findings.roles_sentence(roles(0.125, 0.35, 0.554), "flow_rate")
    assert sentence.startswith(
        "Of all that moves flow or leaves it in doubt, 12 % falls to what the crew controls, 35 % to weather and site,"
    )
    assert f"55 % to {ROLE_WORDS['unknown']} (parts" in sentence
    assert findings.roles_sentence(roles(np.nan, np.nan), "flow_rate").endswith("cannot be said.")


def test_ignorance_names_what_is_assumed_and_unknown_only():
    sentence = findings.ignorance_sentence(space(), findings.labels_of(space()))
    assert "One input is assumed: exit turbulence of a clear waterway. " in sentence
    assert "nozzle pressure" not in sentence
    assert "discharge" not in sentence
    measured = ParameterSpace((Parameter("elevation", Uniform(20, 40), "unknown", "measured", "a protractor"),))
    assert findings.ignorance_sentence(measured, {}).startswith("Every input that is not known rests on")


def test_tied_inputs_are_labelled_by_their_own_part():
    labels = findings.labels_of(space())
    assert labels["discharge_coefficient"] == "discharge coefficient (own part)"
    assert labels["rough"] == "rough"
    assert labels["nozzle_pressure"] == "nozzle pressure"


def effect(column: str, values: np.ndarray, unit: np.ndarray, of: ParameterSpace | None = None):
    of = of or space()
    sample = xr.Dataset({name: ("sample", column) for name, column in of.transform(unit).items()})
    return findings.control_effect(of, column, values, sample, unit)


def test_effect_of_an_input_that_moves_the_output_in_a_line():
    unit = np.random.default_rng(0).random((12_000, 4))
    values = 3e5 + 1e5 * unit[:, 1] + 100 * unit[:, 2]
    shown = effect("nozzle_pressure", values, unit)
    np.testing.assert_allclose(shown.mean, np.array(shown.position) + 50, atol=200)
    assert np.all(np.array(shown.low) < shown.mean)
    assert np.all(np.array(shown.high) > shown.mean)
    assert (shown.parameter, shown.role) == ("nozzle_pressure", "controllable")


def test_effect_of_a_latent_runs_over_its_quantiles():
    unit = np.random.default_rng(0).random((6000, 4))
    shown = effect("rough", unit[:, 0].copy(), unit)
    assert shown.parameter == "rough, quantile"
    np.testing.assert_allclose(shown.position, shown.mean, atol=0.01)
    np.testing.assert_allclose(shown.position, (np.arange(findings.BINS) + 0.5) / findings.BINS, atol=0.03)


def test_effect_leaves_out_runs_without_a_value():
    unit = np.random.default_rng(0).random((2400, 4))
    values = np.where(unit[:, 1] > 0.75, np.nan, 7.0)
    shown = effect("nozzle_pressure", values, unit)
    assert shown.mean == [7.0] * findings.BINS
    assert max(shown.position) < 3e5 + 0.75e5
    assert effect("nozzle_pressure", np.where(unit[:, 1] > 1e-3, np.nan, 7.0), unit).mean[0] == 7.0


def test_effect_of_a_choice_of_texts_runs_over_its_quantiles():
    law = Parameter("drag_model", Choice(("vacuum", "two_stage")), "structural", "assumption", "invented")
    unit = np.random.default_rng(0).random((2400, 1))
    shown = effect("drag_model", (unit[:, 0] > 0.5).astype(float), unit, ParameterSpace((law,)))
    assert shown.mean[0] == 0
    assert shown.mean[-1] == 1


def test_shares_table_is_sorted_and_keeps_all_digits():
    found = indices(0.1, 0.62, 0.25)
    table = findings.shares_table("indices", "Shares", found, LABELS, ranking(found))
    columns = table.csv_columns()
    assert list(columns["input"]) == ["elevation angle", "wind", "nozzle pressure"]
    assert columns["ST"] == [0.62, 0.25, 0.1]
    assert columns["rank"] == ["2", "3", "1"]
    assert "tie" in table.caption
    bare = findings.shares_table("roles", "Roles", found, LABELS)
    assert "rank" not in bare.csv_columns()
    assert "tie" not in bare.caption


def test_inputs_and_fixed_values_in_words():
    study = space(fixed={"nozzle_height": 1.2192, "drag_model": "vacuum"})
    lines = findings.space_lines(study, "si")
    assert [line.name for line in lines] == [
        "rough", "nozzle pressure", "discharge coefficient", "exit turbulence of a clear waterway"
    ]  # fmt: skip
    assert "tied to rough by +0.6" in lines[2].distribution
    assert lines[1].distribution == "uniform 3 to 4 bar"
    words = findings.fixed_words(study, "us")
    assert "4.00 ft" in words.values()
    assert "vacuum" in words.values()
    assert "1.22 m" in findings.fixed_words(study, "si").values()


def test_negative_estimates_are_told_and_not_rounded_away():
    found = indices(0.5, 0.0)
    assert findings.negative_words(found) == "none"
    found["S1"][0, 1] = -2.345e-5
    assert findings.negative_words(found) == "1, lowest -0.000023"


def test_sums_and_validity_counts():
    assert findings.sums_of_first_order(indices(0.5, 0.3)) == {"flow": pytest.approx(0.72)}
    bits = list(findings.VALIDITY)
    runs = xr.Dataset({"validity": ("sample", [0, bits[0], bits[0] | bits[1], 0])})
    counts = findings.validity_counts(runs)
    assert [(count.count, count.total) for count in counts] == [(2, 4), (1, 4)]
    assert counts[0].words == findings.VALIDITY[bits[0]]
    assert findings.validity_counts(runs.isel(sample=[0, 3])) == []


def test_inputs_that_change_nothing_are_named():
    idle = ["elevation", "wind_along"]
    assert findings.idle_sentence(idle, LABELS).endswith("never read them: elevation angle, wind.")
    assert findings.idle_sentence([], LABELS) == ""


def test_ignorance_leaves_out_what_moves_nothing():
    labels = findings.technical_labels(space())
    quiet = findings.ignorance_sentence(space(), labels, ["clear_turbulence_intensity"])
    assert quiet == "Every input that is not known rests on a measurement or a published value."
    none = findings.ignorance_sentence(space(), labels, ["clear_turbulence_intensity", "discharge_coefficient"])
    assert none == "No input that is not known moves any output of this study."
    usual = Parameter("elevation", Uniform(20, 40), "unknown", "common practice", "habit")
    assert "common practice" in findings.ignorance_sentence(ParameterSpace((usual,)), {})


def test_inputs_are_counted_by_what_they_rest_on():
    every = {p.long_name: p for p in space().parameters}
    told = findings.standing_sentence(every)
    assert told.startswith("Measured: ")
    assert "As believed: the other " in told
    guess = Parameter("elevation", Uniform(20, 40), "unknown", "assumption", "half learnt from a test; before: a guess")
    told = "Half learnt: elevation. As believed: the other 0 inputs that nobody sets."
    assert findings.standing_sentence({"elevation": guess}) == told
    free = Parameter("elevation", Uniform(20, 40))
    assert findings.standing_sentence({"e": free}).startswith("None of the 1 inputs that nobody sets was measured")


def test_followers_that_are_tied_are_called_so():
    found = indices(0.6, 0.2, 0.2)
    assert "not all of which can be told apart" in findings.leaders_sentence(
        found, ranking(found, (1, 2)), "flow_rate", LABELS
    )
    assert "not tell all apart" not in findings.leaders_sentence(found, ranking(found), "flow_rate", LABELS)


def test_wholes_are_said_to_overlap_only_where_inputs_are_tied():
    assert "flow efficiency of the tip. Wholes" in findings.wholes_sentence(space(), findings.whole_labels(space()))
    free = ParameterSpace((Parameter("elevation", Uniform(20, 40)),))
    assert findings.wholes_sentence(free, findings.whole_labels(free)) == ""


def test_the_handbooks_formula_has_the_constants_of_the_units_it_stands_among():
    """The constants again, from the formula in SI: 2 A P, and flow times the root of pressure."""
    limits = HandlingLimits("ours", {2: 300.0}, "ours", formula="handbook")
    bar, litre, mm = 1e5, 1e-3 / 60, 1e-3
    bore = published.handbook_reaction(mm, bar)
    fog = published.handbook_fog_reaction(litre, bar)
    assert f"({bore:.3g} d^2 P for a smooth bore, {fog:.3g} Q sqrt(P) for fog; N, mm" in findings.formula_words(
        limits, "si"
    )
    assert "1.57 d^2 P for a smooth bore, 0.0505 Q sqrt(P) for fog; lbf" in findings.formula_words(limits, "us")
    assert findings.formula_words(replace(limits, formula="own reaction"), "si") == "the nozzle's own steady reaction"
