"""Study files: everything the schema takes, and one clear line for everything that it does not."""

import copy
import tomllib

import numpy as np
import pytest

from jetsim.errors import InputError
from jetsim.experiment.distributions import Choice, LogNormal, LogUniform, Normal, Triangular, Uniform
from jetsim.experiment.space import ParameterSpace
from jetsim.units import to_si

STUDY = """
title = "What moves this stream?"
units = "us"
seed = 0
base_samples = 64
replicates = 4
outputs = ["extreme_reach", "flow_rate"]
undefined = "rank reaching"

[fixed]
tip_diameter = "15/16 in"
drag_model = "two_stage"
breakup_constants.scale = 1.1

[latents.waterway_quality]
role = "unknown"
basis = "assumption"
source = "a rough waterway lowers Cd and stirs the water"
group = "waterway"

[parameters.nozzle_pressure]
distribution = "uniform"
low = "45 psi"
high = "55 psi"
role = "controllable"
basis = "assumption"
source = "the operator holds the gauge within 5 psi"

[parameters.discharge_coefficient]
distribution = "triangular"
low = 0.95
mode = "97 %"
high = 0.99
role = "unknown"
basis = "published"
source = "invented for the test"
loadings = { waterway_quality = -0.6 }
group = "waterway"

[parameters.clear_turbulence_intensity]
distribution = "lognormal"
median = 0.07
ln_sd = 0.25
role = "unknown"
basis = "assumption"
source = "invented for the test"
loadings = { waterway_quality = 0.7 }
group = "waterway"

[parameters.air_temperature]
distribution = "normal"
mean = "59 degF"
sd = "9 degF"
low = "32 degF"
role = "environment"
basis = "measured"
source = "invented for the test"

[parameters.nozzle_height]
distribution = "loguniform"
low = "1 ft"
high = "10 ft"
role = "controllable"
basis = "common practice"
source = "invented for the test"

[parameters.breakup_model]
distribution = "choice"
values = ["two_regime", "surface"]
weights = [3, 1]
role = "structural"
basis = "assumption"
source = "invented for the test"

[parameters.breakup_constants.turbulence_exponent]
distribution = "uniform"
low = 0.25
high = 0.60
role = "unknown"
basis = "published"
source = "invented for the test"

[parameters.valve_turbulence_factor]
distribution = "named"
name = "rough"
role = "unknown"
"""
ROUGH = {
    "rough": {
        "distribution": "lognormal",
        "median": 1.4,
        "ln_sd": 0.2,
        "basis": "assumption",
        "source": "no measurement found",
    }
}
NAMED = {"valve_turbulence_factor": ROUGH}
MAPPING = tomllib.loads(STUDY)
EXPONENT = MAPPING["parameters"]["breakup_constants"]["turbulence_exponent"]


def read(mapping, **options):
    return ParameterSpace.from_mapping(mapping, where="study.toml", **{"named": NAMED, **options})


def test_the_whole_schema_is_read_into_si(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(STUDY, encoding="utf-8")
    space = ParameterSpace.from_toml(path, named=NAMED)
    assert (space.title, space.units, space.seed) == ("What moves this stream?", "us", 0)
    assert (space.base_samples, space.replicates, space.undefined) == (64, 4, "rank reaching")
    assert space.outputs == ("extreme_reach", "flow_rate")
    assert space.fixed == {
        "tip_diameter": pytest.approx(0.0238125),
        "drag_model": "two_stage",
        "breakup_constants.scale": 1.1,
    }
    found = {p.name: p for p in space.parameters}
    assert found["nozzle_pressure"].distribution == Uniform(float(to_si(45, "psi")), float(to_si(55, "psi")))
    assert found["nozzle_pressure"].describe() == "uniform 45 to 55 psi"
    assert found["discharge_coefficient"].distribution == Triangular(0.95, 0.97, 0.99)
    assert found["discharge_coefficient"].loadings == {"waterway_quality": -0.6}
    assert found["clear_turbulence_intensity"].distribution == LogNormal(0.07, 0.25)
    air = found["air_temperature"].distribution
    assert isinstance(air, Normal)
    assert (air.centre, air.sd, air.low, air.high) == (pytest.approx(15), pytest.approx(5), 0.0, np.inf)
    height = found["nozzle_height"].distribution
    assert isinstance(height, LogUniform)
    assert (height.low, height.high) == pytest.approx((0.3048, 3.048))
    assert found["breakup_model"].distribution == Choice(("two_regime", "surface"), (3.0, 1.0))
    assert found["breakup_constants.turbulence_exponent"].distribution == Uniform(0.25, 0.6)
    style = found["valve_turbulence_factor"]
    assert style.describe() == "rough: lognormal around 1.4, ln sd 0.2"
    assert (style.basis, style.source, style.role) == ("assumption", "no measurement found", "unknown")
    assert space.groups["waterway"] == (
        "waterway_quality",
        "discharge_coefficient",
        "clear_turbulence_intensity",
    )
    assert space.latents[0].long_name == "waterway quality"


def test_defaults_quoted_dotted_names_and_extra_tables():
    space = read(
        {
            "title": "t",
            "seed": 3,
            "outputs": ["flow_rate"],
            "parameters": {
                "breakup_constants.scale": MAPPING["parameters"]["breakup_constants"]["turbulence_exponent"]
            },
            "sweep": {"any": [1, 2]},
        },
        extra=("sweep", "other"),
    )
    assert (space.base_samples, space.replicates, space.units, space.undefined) == (512, 16, "us", "refuse")
    assert space.names == ("breakup_constants.scale",)
    assert space.extra == {"sweep": {"any": [1, 2]}}


DELETE = object()


def changed(path, value):
    mapping = copy.deepcopy(MAPPING)
    *outer, last = path.split("/")
    table = mapping
    for key in outer:
        table = table.setdefault(key, {})
    if value is DELETE:
        del table[last]
    else:
        table[last] = value
    return mapping


P = "parameters/nozzle_pressure/"
PSI_RANGE = "allowed is above 0 to 1450.38 psi"
REFUSED = [
    ("titel", "x", "unknown key 'titel'; did you mean 'title'?"),
    ("title", DELETE, "title is missing"),
    ("title", 3, "title = 3: must be a text in quotes"),
    ("title", "  ", "title = '  ': must not be empty"),
    ("seed", DELETE, "seed is missing"),
    ("seed", -1, "seed = -1: allowed is 0 to 9223372036854775807"),
    ("seed", 1.5, "seed = 1.5: must be a whole number"),
    ("seed", True, "seed = True: must be a whole number"),
    ("units", "metric", "units = 'metric': must be one of us, si"),
    ("base_samples", 500, "base_samples = 500: must be a power of two, 4 to 1048576 (say 256 or 512)"),
    ("base_samples", "512", "base_samples = '512': must be a whole number"),
    ("base_samples", 2, "base_samples = 2: allowed is 4 to 1048576"),
    ("replicates", 1, "replicates = 1: allowed is 2 to 1024"),
    ("undefined", "skip", "undefined = 'skip': must be one of refuse, rank reaching, probability of reaching"),
    ("outputs", DELETE, "outputs is missing"),
    ("outputs", [], "outputs = []: must not be empty"),
    ("outputs", "flow_rate", "outputs = 'flow_rate': must be a list in square brackets"),
    ("outputs", ["extreme_reech"], "'extreme_reech' is no result; did you mean 'extreme_reach'?"),
    ("outputs", ["nozzle_pressure"], "'nozzle_pressure' is an input, not a result"),
    ("outputs", ["flow_rate", "flow_rate"], "holds a name twice"),
    ("outputs", [3], "3 is not the name of a result"),
    ("fixed", 3, "fixed = 3: must be a table, [fixed]"),
    ("fixed/tip_diametre", "1 in", "fixed.tip_diametre: unknown input 'tip_diametre'; did you mean 'tip_diameter'?"),
    ("fixed/flow_rate", "1 gpm", "fixed.flow_rate: 'flow_rate' is a result, not an input"),
    ("fixed/tip_diameter", 1, "fixed.tip_diameter = 1: has no unit: give a number with a unit of length (m, mm"),
    ("fixed/tip_diameter", "1", "fixed.tip_diameter = '1': has no unit"),
    ("fixed/tip_diameter", "1 psi", "fixed.tip_diameter = '1 psi': is a pressure: give a number with a unit of length"),
    ("fixed/tip_diameter", "-1 in", "fixed.tip_diameter = -1 in: allowed is above 0 to 7.87402 in"),
    ("fixed/drag_model", 3, "fixed.drag_model = 3: must be a name in quotes"),
    ("fixed/nozzle_pressure", "50 psi", "parameters.nozzle_pressure: nozzle_pressure is in [fixed] as well"),
    ("fixed/breakup_constants/scal", 1.0, "did you mean 'breakup_constants.scale'?"),
    ("fixed/breakup_constants.scale", 1.0, "fixed.breakup_constants.scale is given twice"),
    ("title", ["x" * 100], "title = ['" + "x" * 58 + "...: must be a text in quotes"),
    ("seed", 10**5000, "seed = a huge number: allowed is 0 to"),
    (P + "low", "x" * 5000, "xxxxxx...: is not a number with a unit of pressure"),
    ("parameters", DELETE, "parameters is missing"),
    ("parameters", {}, "parameters is empty: nothing varies"),
    ("parameters", [1], "parameters = [1]: must be a table, [parameters]"),
    ("parameters/nozzle_pressure", 3, "parameters.nozzle_pressure = 3: must be a table"),
    ("parameters/flow_rate", {}, "parameters.flow_rate: 'flow_rate' is a result, not an input"),
    ("parameters/wind", {}, "parameters.wind: unknown input 'wind'"),
    (P + "distribution", DELETE, "parameters.nozzle_pressure.distribution is missing"),
    (P + "distribution", "gamma", "distribution = 'gamma': must be one of uniform, triangular, normal"),
    (P + "distribution", "unifrom", "did you mean 'uniform'?"),
    (P + "lo", "45 psi", "unknown key 'parameters.nozzle_pressure.lo'; did you mean 'low'?"),
    (P + "mean", "45 psi", "unknown key 'parameters.nozzle_pressure.mean'"),
    (P + "low", DELETE, "parameters.nozzle_pressure.low is missing"),
    (P + "low", 45, "parameters.nozzle_pressure.low = 45: has no unit: give a number with a unit of pressure"),
    (P + "low", "45", "parameters.nozzle_pressure.low = '45': has no unit"),
    (P + "low", "45 psy", "parameters.nozzle_pressure.low = '45 psy': unknown unit 'psy' (did you mean psi"),
    (
        P + "low",
        "45 gpm",
        "parameters.nozzle_pressure.low = '45 gpm': is a flow: give a number with a unit of",
    ),
    (P + "low", "much", "parameters.nozzle_pressure.low = 'much': is not a number with a unit of pressure"),
    (P + "low", "nan psi", "parameters.nozzle_pressure.low = 'nan psi': is not a number"),
    (P + "low", "1e999 psi", "parameters.nozzle_pressure.low = '1e999 psi': is not a finite number"),
    (P + "low", [45], "parameters.nozzle_pressure.low = [45]: is not a number"),
    (P + "low", True, "parameters.nozzle_pressure.low = True: is not a number"),
    (P + "low", "60 psi", "parameters.nozzle_pressure.low = '60 psi': is above high = '55 psi'"),
    (P + "low", "55 psi", "low = '55 psi': equals high, so nothing varies: move it to [fixed]"),
    (P + "low", "-5 psi", f"parameters.nozzle_pressure.low = -5 psi: {PSI_RANGE}"),
    (P + "low", "0 psi", f"parameters.nozzle_pressure.low = 0 psi: {PSI_RANGE}"),
    (P + "high", "2000 psi", f"parameters.nozzle_pressure.high = 2000 psi: {PSI_RANGE}"),
    (P + "role", "boss", "role = 'boss': must be one of controllable, environment, unknown, structural"),
    (P + "role", "controlable", "did you mean 'controllable'?"),
    (P + "role", DELETE, "parameters.nozzle_pressure.role is missing"),
    (P + "basis", "hunch", "basis = 'hunch': must be one of measured, published, common practice, assumption"),
    (P + "source", DELETE, "parameters.nozzle_pressure.source is missing"),
    (P + "source", "", "parameters.nozzle_pressure.source = '': must not be empty"),
    (P + "group", 1, "parameters.nozzle_pressure.group = 1: must be a text"),
    (P + "loadings", 0.5, "parameters.nozzle_pressure.loadings = 0.5: must be a table"),
    (P + "loadings", {"quality": 0.5}, "parameters.nozzle_pressure.loadings.quality: there is no such latent"),
    (P + "loadings", {"waterway_qualty": 0.5}, "did you mean 'waterway_quality'?"),
    (P + "loadings", {"waterway_quality": 1.5}, "loadings.waterway_quality = 1.5: allowed is -1 to 1, and not 0"),
    (P + "loadings", {"waterway_quality": "5 psi"}, "loadings.waterway_quality = '5 psi': is a pressure"),
    (P + "loadings", {"waterway_quality": 0.5}, "the group is not closed (waterway and no group)"),
    ("parameters/discharge_coefficient/low", float("nan"), "low = nan: is not a finite number"),
    ("parameters/discharge_coefficient/low", float("inf"), "low = inf: is not a finite number"),
    ("parameters/discharge_coefficient/low", 10**400, "0000...: is too large a number"),
    ("parameters/discharge_coefficient/mode", 0.94, "low = 0.95: is above mode = 0.94"),
    ("parameters/discharge_coefficient/high", 1.2, "discharge_coefficient.high = 1.2: allowed is above 0 to 1"),
    ("parameters/air_temperature/sd", "0 degF", "air_temperature.sd = '0 degF': must be above 0"),
    ("parameters/air_temperature/sd", "-1 degC", "air_temperature.sd = '-1 degC': must be above 0"),
    (
        "parameters/air_temperature/sd",
        "90 degF",
        "normal 59 ± 90 degF, cut below 32: its farthest value = 616.73 degF: allowed is -76 to 140 degF; give low",
    ),
    ("parameters/air_temperature/low", "130 degF", "air_temperature: low to high holds almost nothing"),
    ("parameters/clear_turbulence_intensity/ln_sd", 1.0, "its farthest value = 31.8646: allowed is above 0 to 0.5"),
    ("parameters/clear_turbulence_intensity/median", 0, "median = 0: allowed is above 0 to 0.5"),
    ("parameters/clear_turbulence_intensity/loadings/other", 0.9, "the squares sum to 1.3, allowed is at most 1"),
    ("parameters/breakup_model/values", [], "values = []: must not be empty"),
    ("parameters/breakup_model/values", ["one"], "values needs two or more entries"),
    ("parameters/breakup_model/values", ["one", 2], "values[1] = 2: must be a name in quotes"),
    ("parameters/breakup_model/values", ["one", "one"], "values holds an entry twice"),
    ("parameters/breakup_model/weights", [1], "weights needs one entry for each of the values"),
    ("parameters/breakup_model/weights", [1, -1], "weights must all be above 0"),
    ("parameters/breakup_model/weights", [1, "x"], "weights[1] = 'x': is not a plain number"),
    ("parameters/breakup_model/distribution", "uniform", "unknown key 'parameters.breakup_model.values'"),
    (
        "parameters/breakup_model",
        {"distribution": "uniform", "low": 0, "high": 1, "role": "unknown", "basis": "assumption", "source": "x"},
        "breakup_model is a name: only a choice can vary it",
    ),
    ("parameters/valve_turbulence_factor/name", "ruogh", "name = 'ruogh': unknown; did you mean 'rough'?"),
    ("latents/waterway_quality/role", "x", "latents.waterway_quality.role = 'x': must be one of"),
    ("latents/waterway_quality/sources", "x", "unknown key 'latents.waterway_quality.sources'; did you mean 'source'?"),
    ("latents/waterway_quality/source", DELETE, "latents.waterway_quality.source is missing"),
    ("latents/idle", MAPPING["latents"]["waterway_quality"], "latents.idle: no parameter loads on it"),
]


@pytest.mark.parametrize(("path", "value", "message"), REFUSED, ids=[f"{i}-{r[0]}" for i, r in enumerate(REFUSED)])
def test_refused_in_one_line_that_names_the_place(path, value, message):
    with pytest.raises(InputError) as caught:
        read(changed(path, value))
    text = str(caught.value)
    assert text.startswith("study.toml: ")
    assert message in text
    assert "\n" not in text


def test_a_study_without_named_distributions_says_so():
    with pytest.raises(InputError, match=r"knows no named distributions of valve_turbulence_factor$"):
        read(MAPPING, named=None)


def test_a_name_that_belongs_to_another_input_is_refused():
    with pytest.raises(InputError, match="of valve_turbulence_factor, but of valve_upstream_factor"):
        read(MAPPING, named={"valve_upstream_factor": ROUGH})


def test_a_broken_named_distribution_names_itself():
    with pytest.raises(InputError, match=r"name \(rough\).ln_sd = -1: must be above 0"):
        read(MAPPING, named={"valve_turbulence_factor": {"rough": {**ROUGH["rough"], "ln_sd": -1}}})


def test_a_byte_order_mark_is_no_trouble(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(STUDY, encoding="utf-8-sig")
    assert ParameterSpace.from_toml(path, named=NAMED).title == "What moves this stream?"


def test_values_of_a_choice_keep_their_units():
    tips = {
        "distribution": "choice",
        "values": ["7/8 in", "1 in", "28 mm"],
        "role": "controllable",
        "basis": "assumption",
        "source": "invented",
    }
    mapping = changed("parameters/tip_diameter", tips)
    del mapping["fixed"]["tip_diameter"]
    tip = read(mapping).parameter("tip_diameter")
    np.testing.assert_allclose(tip.distribution.values, [0.022225, 0.0254, 0.028])
    assert tip.unit == "in"
