"""The study of assumptions: what it opens with, that its numbers agree with each other, and what it refuses."""

import csv
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from jetsim.assumptions import plan as plans
from jetsim.assumptions import plots, words
from jetsim.assumptions.found import (
    REST,
    Combination,
    Found,
    Mapped,
    MixedModel,
    idle_inputs,
    split,
    study_combination,
    widened,
)
from jetsim.assumptions.moves import largest_swap, leader_survives, pairs, shifts
from jetsim.assumptions.plan import Plan, read_plan
from jetsim.errors import InputError
from jetsim.experiment.ensemble import evaluate, plain_design
from jetsim.experiment.gate import Gate
from jetsim.experiment.ranking import rank
from jetsim.experiment.screening import morris_design, morris_effects
from jetsim.experiment.space import ParameterSpace
from jetsim.simulation import StreamModel
from jetsim.study import run
from studies.valve_assumptions import STUDY

FILE = STUDY.default_inputs
CHAIN = {
    "turbulence_constants.valve_efficiency",
    "turbulence_constants.decay_exponent",
    "turbulence_constants.eddy_size",
    "turbulence_constants.dissipation_constant",
    "valve_loss_coefficient",
    "valve_distance",
}


def space_of(text: str | None = None, tmp: Path | None = None) -> ParameterSpace:
    path = FILE
    if text is not None and tmp is not None:
        path = tmp / "own.toml"
        path.write_text(text, encoding="utf-8")
    return ParameterSpace.from_toml(path, extra=("scenario", *plans.TABLES))


@pytest.fixture(scope="module")
def plan() -> Plan:
    return read_plan(space_of())


@pytest.fixture(scope="module")
def small(plan) -> Plan:
    """Few samples, every combination."""
    return replace(plan, space=replace(plan.space, base_samples=8, replicates=4), base_samples=8, replicates=4)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Results of a quick run with even fewer samples."""
    tmp = tmp_path_factory.mktemp("study")
    text = FILE.read_text(encoding="utf-8").replace("base_samples = 256", "base_samples = 32")
    (tmp / "valve_assumptions.toml").write_text(text.replace("base_samples = 128", "base_samples = 16"))
    out = tmp / "out"
    arguments = ["--quick", "--inputs", str(tmp / "valve_assumptions.toml"), "--output", str(out), "--workers", "1"]
    assert run(STUDY, arguments) == 0
    return out


def page_of(folder: Path) -> str:
    return (folder / "report.html").read_text(encoding="utf-8")


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


# ---------------------------------------------------------------------------------------------------------
# The report


def test_first_finding_names_the_leaders_with_intervals_and_the_verdict(folder):
    first = re.findall(r"<li>(.*?)</li>", page_of(folder), re.DOTALL)[0]
    for output in ("breakup distance along the ground", "extreme reach", "flow"):
        assert re.search(rf"{output} is led by [^;.]+ \(\d+ %, -?\d+ to \d+\)", first), output
    assert "survive every valve assumption" in first or "survives every valve assumption" in first
    assert "flow is led by nozzle pressure" in first


def test_report_says_what_the_shares_of_unmeasured_constants_mean(folder):
    text = re.sub(r"<[^>]*>", " ", page_of(folder)).replace("&#39;", "'")
    assert "indices of eta, L, n, A and m describe our ignorance, not the valve" in text
    assert "Invented department" in text
    assert not re.search(r"\bsafe(ly|ty)?\b", re.sub(r"<style>.*?</style>", " ", text, flags=re.DOTALL).lower())


def test_card_lists_alternatives_and_every_input_with_its_basis(folder, plan):
    page = page_of(folder)
    assert "given factor, two regimes, two stage drag" in page
    for parameter in plan.space.parameters:
        assert parameter.source.split("'")[0] in page.replace("&amp;", "&"), parameter.name


def test_figures_and_tables_are_written(folder):
    names = {path.stem for path in (folder / "figures").glob("*.png")}
    assert {"rank_flow_extreme_reach", "totals_extreme_reach", "structure_physics_weather", "joint_indices"} <= names
    tables = {path.stem for path in (folder / "tables").glob("*.csv")}
    assert tables >= {"all_indices", "combinations", "shifts", "measurements", "conditions", "screening",
                      "moment_independent", "roles", "assumptions"}  # fmt: skip


def test_valve_inputs_have_no_share_of_flow_and_none_on_a_clear_waterway(folder):
    table = rows(folder / "tables" / "all_indices.csv")
    assert {row["valve_model"] for row in table} == {"upstream factor", "clear", "loss", "decaying loss"}
    for row in table:
        if row["input"] in CHAIN and (
            row["output"] == "flow_rate" or row["valve_model"] in ("clear", "upstream factor")
        ):
            assert float(row["ST"]) == 0
    acting = [row for row in table if row["valve_model"] == "decaying loss" and row["output"] == "breakup_distance"]
    assert float(next(r["ST"] for r in acting if r["input"] == "valve_loss_coefficient")) > 0.01


# ---------------------------------------------------------------------------------------------------------
# The plan


def test_every_combination_is_tried_and_the_reference_is_the_first(plan):
    assert len(plan.combinations) == 4 * 3 * 2
    assert len({tuple(laws.values()) for laws in plan.combinations}) == 24
    assert plan.combinations[0] == plan.reference
    assert plan.reference == {
        "valve_model": "upstream factor",
        "breakup_model": "two_regime",
        "drag_model": "air_stream",
    }
    assert len(plan.quick().combinations) == 1 + 3 + 2 + 1


def test_joint_space_without_laws_of_contrast(plan):
    own = plan.expected_space
    assert own.parameter("breakup_model").distribution.values == ("two_regime", "atomization")
    one = replace(plan, contrasts={"drag_model": ("two_stage",)}).expected_space
    assert one.fixed["drag_model"] == "air_stream"
    assert "drag_model" not in one.names


def test_a_measurement_and_the_rest_cover_every_column_once(plan):
    for measurement in plan.measurements:
        groups = split(plan.expected_space, measurement)
        assert sorted([*groups[measurement.name], *groups[REST]]) == sorted(plan.expected_space.columns)


# ---------------------------------------------------------------------------------------------------------
# The runs


def test_sorting_by_law_changes_no_result(plan):
    space = plan.space
    design = plain_design(space, 256)
    model = StreamModel(space.fixed, space.outputs)
    plain = evaluate(design, model, progress=False)
    mixed = evaluate(design, MixedModel(model, tuple(plan.choices)), progress=False)
    for name in space.outputs:
        np.testing.assert_allclose(mixed[name], plain[name], rtol=1e-12)


def test_mixed_runs_are_those_of_each_combination_on_its_own(plan):
    design = plain_design(plan.space, 64)
    mixed = evaluate(design, StreamModel(plan.space.fixed, plan.space.outputs), progress=False)
    row = 17
    laws = {name: str(design.samples[name].values[row]) for name in plan.choices}
    alone = StreamModel({**plan.space.fixed, **laws}, plan.space.outputs)
    single = alone(design.samples.drop_vars(list(laws)).isel(sample=[row]))
    np.testing.assert_allclose(single["extreme_reach"].values[0], mixed["extreme_reach"].values[row], rtol=1e-9)


def test_samples_of_a_combination_are_doubled_until_its_gate_passes_or_the_doublings_end(small):
    laws = small.combinations[1]
    once, twice = (study_combination(replace(small, doublings=most), laws) for most in (1, 2))
    assert not once.gate.passed  # eight base samples settle nothing
    assert twice.ranked_runs == 2 * once.ranked_runs
    large = replace(small, base_samples=256, replicates=16)
    settled, first = study_combination(large, laws), study_combination(replace(large, doublings=0), laws)
    assert settled.gate.passed
    assert settled.ranked_runs == first.ranked_runs * (1 if first.gate.passed else 2)


@pytest.mark.parametrize(
    ("valve", "expected"),
    [
        ("clear", CHAIN),
        ("upstream factor", CHAIN),
        ("loss", CHAIN - {"valve_loss_coefficient", "turbulence_constants.valve_efficiency"}),
        ("decaying loss", set()),
    ],
)
def test_screening_finds_the_inputs_that_a_closure_never_reads(small, valve, expected):
    space = small.space_of({"valve_model": valve, "breakup_model": "atomization", "drag_model": "two_stage"})
    screened = evaluate(morris_design(space, 4), StreamModel(space.fixed, space.outputs), progress=False)
    idle = set(idle_inputs(morris_effects(screened), space))
    assert idle & CHAIN == expected
    assert "valve_upstream_factor" not in idle  # tied to the discharge coefficient


def test_a_clear_valve_leaves_nothing_to_its_factor_and_its_tip(small):
    laws = {"valve_model": "clear", "breakup_model": "atomization", "drag_model": "two_stage"}
    clear = study_combination(small, laws)
    assert tuple(clear.indices["parameter"].values) == small.columns
    assert clear.total("breakup_distance", "valve_upstream_factor") == pytest.approx(0, abs=1e-12)
    assert clear.total("breakup_distance", "turbulence_constants.tip_share") == 0
    given = study_combination(small, {**laws, "valve_model": "upstream factor"})
    assert given.total("breakup_distance", "valve_upstream_factor") > 0.02
    assert given.total("breakup_distance", "turbulence_constants.tip_share") > 0.001


def test_two_combinations_with_the_same_inputs_share_their_samples(small):
    small = replace(small, doublings=0)  # or one of the two might need more
    laws = {"valve_model": "upstream factor", "breakup_model": "atomization", "drag_model": "two_stage"}
    one, other = (study_combination(small, {**laws, "breakup_model": law}) for law in ("atomization", "two_regime"))
    for output in ("flow_rate", "reaction_force"):
        xr.testing.assert_identical(one.indices["ST"].sel(output=output), other.indices["ST"].sel(output=output))


def test_results_do_not_depend_on_workers(small):
    laws = small.combinations[:2]
    alone = [study_combination(small, law) for law in laws]
    with ThreadPoolExecutor(2) as pool:
        together = list(pool.map(lambda law: study_combination(small, law), laws))
    for a, b in zip(alone, together, strict=True):
        xr.testing.assert_identical(a.indices, b.indices)


# ---------------------------------------------------------------------------------------------------------
# How rankings move, on made-up indices


def made_up(laws: dict[str, str], totals: dict[str, tuple[float, ...]], noise: float = 0.002) -> Combination:
    """A combination with given total indices and nearly equal replicates."""
    inputs = ["a", "b", "c"]
    wiggle = noise * np.linspace(-1, 1, 8)[:, None, None] * np.array([1.0, -0.5, 0.3])
    values = np.array([list(total) for total in totals.values()])[None] + wiggle
    data = xr.Dataset(coords={"output": list(totals), "parameter": inputs})
    for index in ("S1", "ST"):
        data[f"{index}_replicates"] = (("replicate", "output", "parameter"), values)
        mean = data[f"{index}_replicates"].mean("replicate")
        data[index], data[f"{index}_low"], data[f"{index}_high"] = mean, mean - noise, mean + noise
    gate = Gate(True, dict.fromkeys(totals, noise), {}, (), "")
    return Combination(laws, (), xr.Dataset(), data, rank(data), gate, 8, 8, {})


def test_an_order_that_holds_survives():
    studied = [made_up({"valve_model": v}, {"y": t}) for v, t in (("x", (0.6, 0.3, 0.1)), ("z", (0.5, 0.3, 0.2)))]
    assert leader_survives(studied, "y")
    assert largest_swap(studied, "y") is None


def test_a_swap_is_found_with_both_sides():
    studied = [made_up({"valve_model": v}, {"y": t}) for v, t in (("x", (0.6, 0.3, 0.1)), ("z", (0.2, 0.7, 0.1)))]
    assert not leader_survives(studied, "y")
    swap = largest_swap(studied, "y")
    assert (swap.first, swap.second) == ("a", "b")
    assert swap.size == pytest.approx(0.3, abs=0.01)


def test_a_swap_within_the_noise_is_none():
    studied = [made_up({"valve_model": v}, {"y": t}, 0.3) for v, t in (("x", (0.5, 0.4, 0.1)), ("z", (0.4, 0.5, 0.1)))]
    assert leader_survives(studied, "y")
    assert largest_swap(studied, "y") is None


def test_shifts_are_the_largest_change_of_a_share_averaged_over_pairs(plan):
    totals = {"one": (0.6, 0.3, 0.1), "two": (0.2, 0.7, 0.1)}
    studied = [
        made_up({"valve_model": valve, "drag_model": drag}, {"y": totals[valve], "w": (0.1, 0.1, 0.8)})
        for valve in ("one", "two")
        for drag in ("p", "q")
    ]
    assert len(pairs(studied, "valve_model")) == len(pairs(studied, "drag_model")) == 2

    class Choices:
        choices, reaches = {"valve_model": (), "drag_model": ()}, ("y", "w")

    found = Found.__new__(Found)
    object.__setattr__(found, "combinations", studied)
    by_name = {shift.assumption: shift for shift in shifts(Choices(), found, "y")}
    assert by_name["valve_model"].share == pytest.approx(0.4, abs=0.01)
    assert by_name["valve_model"].leader == 1
    assert by_name["drag_model"].share == pytest.approx(0, abs=0.01)
    assert by_name["reach read as w"].share == pytest.approx(0.7, abs=0.01)


def test_widening_adds_zeros_and_keeps_undefined_outputs_undefined():
    data = made_up({}, {"y": (0.6, 0.3, 0.1), "w": (np.nan, np.nan, np.nan)}).indices
    data = data.assign(mean=("output", [1.0, 2.0]), standard_deviation=("output", [0.1, 0.2]))
    labels = {key: ("parameter", ["x", "x", "x"]) for key in ("long_name", "role", "basis")}
    wide = widened(data.assign_coords(labels), ["a", "idle", "b", "c"])
    assert wide["ST"].sel(output="y", parameter="idle") == 0
    assert (wide["ST_replicates"].sel(output="y", parameter="idle") == 0).all()
    assert np.isnan(wide["ST"].sel(output="w", parameter="idle"))
    assert float(wide["ST"].sel(output="y", parameter="b")) == float(data["ST"].sel(output="y", parameter="b"))


def test_lists_read_as_sentences():
    assert words.listed(["a"]) == "a"
    assert words.listed(["a", "b", "c"]) == "a, b and c"
    assert plots.short_labels(["elevation", "other"], {"other": "words"}) == ["elevation", "words"]


# ---------------------------------------------------------------------------------------------------------
# What is refused


def test_dry_run_tells_the_runs_and_writes_nothing(tmp_path, capsys):
    assert run(STUDY, ["--dry-run", "--output", str(tmp_path / "out")]) == 0
    assert not (tmp_path / "out").exists()
    assert "24 combinations of laws" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('["extreme_reach", "breakup_distance"]', '["extreme_reech"]', "reach.outputs = ['extreme_reech']: "),
        ('["extreme_reach", "breakup_distance"]', "[]", "reach.outputs = []: must not be empty"),
        ("[reach]", "[reech]", "unknown key 'reech'; did you mean 'reach'?"),
        ('breakup_model = ["surface"]', 'breakup_model = ["surfce"]', "contrast.breakup_model = ['surfce']: 'surfce'"),
        ('breakup_model = ["surface"]', 'breakup_model = ["two_regime"]', "'two_regime' is the reference"),
        ('breakup_model = ["surface"]', 'tip_diameter = ["surface"]', "unknown key 'contrast.tip_diameter'"),
        ('"upstream factor", "clear"', '"upstream factor", "cleer"', "valve_model = 'cleer': unknown"),
        ('below = "120 ft"', 'below = "120 psi"', "limits.short_throw.below = '120 psi'"),
        ('below = "120 ft"', "below = 120", "limits.short_throw.below = 120"),
        ('below = "120 ft"', 'below = "120 ft"\nabove = "10 ft"', "limits.short_throw: give one limit, below or above"),
        ("base_samples = 128", "base_samples = 100", "combinations.base_samples = 100: must be a power of two"),
        ("base_samples = 128", 'base_samples = "many"', "combinations.base_samples = 'many': must be a whole number"),
        ('["discharge_coefficient", "water', '["discharge_coeficient", "water', "did you mean 'discharge_coefficient'"),
        ('["discharge_coefficient", "waterway_quality"]', '["wind_along", "wind_along"]', "holds a name twice"),
        ('["discharge_coefficient", "waterway_quality"]', '"wind_along"', "must be a list"),
        ("[measurements.discharge]", "[measurements.wind_along]", "'wind_along' is the name of an input"),
        ('seed = 20261125', 'seed = 20261125\nundefined = "probability of reaching"', "must be one of refuse, rank"),
        ("low = 0.03\nhigh = 2.0", "low = 0.03\nhigh = nan", "parameters.valve_loss_coefficient.high = nan"),
    ],
)  # fmt: skip
def test_wrong_study_files_end_with_one_line(tmp_path, capsys, old, new, message):
    text = FILE.read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "own.toml").write_text(text.replace(old, new), encoding="utf-8")
    out = tmp_path / "out"
    assert run(STUDY, ["--inputs", str(tmp_path / "own.toml"), "--output", str(out)]) == 2
    error = capsys.readouterr().err.strip()
    assert message in error
    assert error.startswith("error: ")
    assert "\n" not in error
    assert "own.toml" in error
    assert not out.exists()


def test_a_study_needs_a_choice_of_valve_and_choices_are_structural(tmp_path):
    text = FILE.read_text(encoding="utf-8")
    head, _, rest = text.partition("[parameters.valve_model]")
    wrong = f"{head}[parameters.valve_model]{rest.replace('structural', 'unknown', 1)}"
    with pytest.raises(InputError, match=r"valve_model\.role = 'unknown': must be 'structural' for a choice of law"):
        read_plan(space_of(wrong, tmp_path))
    space = space_of()
    without = replace(space, parameters=tuple(p for p in space.parameters if p.name != "valve_model"))
    with pytest.raises(InputError, match="valve_model is missing"):
        read_plan(without)


def test_a_limit_that_no_run_reaches_is_told():
    limit = plans.Limit("far", "extreme_reach", "above", 500.0)
    assert "nothing can be said" in words.mapped_sentence(Mapped(limit, None, "too few"), {}, "us")
