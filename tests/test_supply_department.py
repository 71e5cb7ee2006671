"""A department read from a study file: every kind of nozzle, hose and loss, and every way to get it wrong."""

import copy

import numpy as np
import pytest

from jetsim import units
from jetsim.errors import InputError
from jetsim.hydraulics.automatic import STANDARD_DRIFT, ConstantPressure
from jetsim.hydraulics.hoseline import HANDBOOK_APPLIANCE, HazenWilliamsSection, HoseSection, LocalLoss
from jetsim.hydraulics.nozzle_kinds import ConstantFlow, SelectableFlow, SmoothBore
from jetsim.supply.department import read_department
from jetsim.supply.plan import read_plan

GPM, PSI, INCH, FOOT = units.GALLON_PER_MINUTE, units.PSI, units.INCH, units.FOOT
HOSE = {"diameter": "1 3/4 in", "coefficient": "15.5 C", "basis": "assumption", "source": "invented"}
CONTENT = {
    "pump": {"maximum_pressure": "250 psi"},
    "crew": {"firefighters": 2, "limits": "grimwood"},
    "nozzles": {
        "bore": {"kind": "smooth bore", "tip_diameter": "1 in", "target_pressure": "50 psi", "label": "1-inch tip"},
        "fog": {
            "kind": "constant flow",
            "rated_flow": "150 gpm",
            "rated_pressure": "75 psi",
            "target_flow": "150 gpm",
            "equivalent_diameter_ratio": 0.5,
            "maximum_pressure": "200 psi",
        },
        "ring": {
            "kind": "selectable flow",
            "settings": ["95 gpm", "125 gpm"],
            "setting": "125 gpm",
            "rated_pressure": "100 psi",
            "target_pressure": "100 psi",
        },
        "auto": {
            "kind": "constant pressure",
            "rated_pressure": "100 psi",
            "lowest_flow": "70 gpm",
            "highest_flow": "200 gpm",
            "target_flow": "150 gpm",
        },
    },
    "hoses": {
        "attack": HOSE | {"coefficient_scatter": "15 %", "maximum_pressure": "275 psi"},
        "pipe": {k: v for k, v in HOSE.items() if k != "coefficient"} | {"hazen_williams_coefficient": 140},
    },
    "lines": {
        "long": {
            "label": "the long line",
            "rise": "-10 ft",
            "sections": [{"hose": "pipe", "length": "300 ft", "nozzles_fed": 2}, {"hose": "attack", "length": "50 ft"}],
            "losses": [{"loss_coefficient": 2, "diameter": "2.5 in", "count": 2}, {"rule": "handbook appliance"}],
        }
    },
    "mistakes": {"low": {"label": "pump low", "pump_pressure_error": "-10 psi"}, "kinks": {"kink_loss_coefficient": 5}},
}
PLAN = {
    "chart": {"lengths": ["200 ft", "100 ft"], "storeys": [2, 0], "storey_height": "10 ft"},
    "sweep": {"low": "50 psi", "high": "200 psi"},
    "choice": {"target_flow": "150 gpm", "probability": "80 %"},
}


def test_a_breakup_length_is_read_with_its_nozzle():
    bore, fog, *_ = read_department(changed(CONTENT, "nozzles/bore/breakup_length", "20 ft")).nozzles
    assert bore.breakup_length == pytest.approx(20 * FOOT)
    assert fog.breakup_length is None


def changed(content, path, value):
    """The content with one key set, or taken out where the value is None."""
    content = copy.deepcopy(content)
    table = content
    *outer, last = path.split("/")
    for key in outer:
        table = table[int(key) if isinstance(table, list) else key]
    if value is None:
        del table[last]
    else:
        table[last] = value
    return content


def test_every_kind_of_nozzle():
    bore, fog, ring, auto = read_department(CONTENT).nozzles
    assert isinstance(bore.nozzle, SmoothBore)
    assert bore.label == "1-inch tip"
    assert bore.nozzle.tip_diameter == INCH
    assert bore.target == {"nozzle_pressure": pytest.approx(50 * PSI)}
    assert isinstance(fog.nozzle, ConstantFlow)
    assert float(fog.nozzle.flow(75 * PSI) / GPM) == pytest.approx(150)
    assert fog.nozzle.maximum_pressure == pytest.approx(200 * PSI)
    assert fog.nozzle.equivalent_diameter_ratio == 0.5
    assert fog.target == {"flow": pytest.approx(150 * GPM)}
    assert isinstance(ring.nozzle, SelectableFlow)
    assert float(ring.nozzle.flow(100 * PSI) / GPM) == pytest.approx(125)
    assert isinstance(auto.nozzle, ConstantPressure)
    assert auto.nozzle.drift == STANDARD_DRIFT


def test_hose_lines_and_losses():
    (entry,) = read_department(CONTENT).lines
    pipe, attack = entry.line.sections
    assert isinstance(pipe, HazenWilliamsSection)
    assert isinstance(attack, HoseSection)
    assert pipe.nozzles_fed == 2
    assert attack.coefficient == pytest.approx(15.5 * units.HOSE_COEFFICIENT)
    assert attack.coefficient_scatter == pytest.approx(0.15)
    assert attack.length == pytest.approx(50 * FOOT)
    assert entry.line.rise == pytest.approx(-10 * FOOT)
    valve, rule = entry.line.losses
    assert isinstance(valve, LocalLoss)
    assert valve.count == 2
    assert rule == HANDBOOK_APPLIANCE


def test_crew_mistakes_and_sources():
    department = read_department(CONTENT)
    assert department.crew.limit == pytest.approx(75 * units.POUND_FORCE)
    assert list(department.mistakes) == ["pump low", "kinks"]
    assert float(np.asarray(department.mistakes["pump low"].pump_pressure_error)) == pytest.approx(-10 * PSI)
    assert department.hose_sources["attack"] == "assumption: invented"
    own = changed(
        CONTENT, "crew/limits", {"2": "70 lbf", "4": "120 lbf", "source": "own trials", "formula": "own reaction"}
    )
    limits = read_department(own).crew.limits
    assert limits.limit(2) == pytest.approx(70 * units.POUND_FORCE)
    assert limits.stated_for == "the nozzle's own steady reaction"
    assert "1.57 d^2 P" in department.crew.limits.stated_for
    assert "mistakes" not in changed(CONTENT, "mistakes", None)
    assert read_department(changed(CONTENT, "mistakes", None)).mistakes == {}


def test_plan_sorts_lengths_and_storeys():
    plan = read_plan(PLAN)
    assert plan.lengths == pytest.approx((100 * FOOT, 200 * FOOT))
    assert plan.storeys == (0, 2)
    assert plan.probability == 0.8
    assert plan.target_flow == pytest.approx(150 * GPM)


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        ("pump", None, "pump is missing: the study needs a table [pump]"),
        ("crew", None, "crew is missing"),
        ("nozzles", None, "nozzles is missing: the study needs one table [nozzles.NAME] or more"),
        ("hoses", {}, "hoses is missing"),
        ("pump/maximum_pressure", "-1 psi", "pump.maximum_pressure = -1 psi: allowed is 0 to 1450.38 psi"),
        ("pump/maximum_presure", "1 psi", "unknown key 'pump.maximum_presure'; did you mean 'maximum_pressure'?"),
        ("crew/firefighters", 4, "crew.firefighters = 4: grimwood states limits for 1, 2, 3"),
        ("crew/firefighters", "two", "crew.firefighters = 'two': must be a whole number from 1 to 20"),
        ("crew/limits", "grimwod", "crew.limits = 'grimwod': must be one of grimwood; did you mean 'grimwood'?"),
        ("crew/limits", {"two": "70 lbf", "source": "x"}, "crew.limits.two: must be a number of firefighters"),
        ("crew/limits", {"2": "70 lbf"}, "crew.limits.source is missing"),
        ("nozzles/bore/tip_diameter", "0 in", "nozzles.bore.tip_diameter = 0 in: allowed is above 0 to 7.87402 in"),
        ("nozzles/bore/tip_diameter", 1, "nozzles.bore.tip_diameter = 1: has no unit"),
        ("nozzles/bore/tip_diameter", "1 psi", "nozzles.bore.tip_diameter = '1 psi': is a pressure"),
        ("nozzles/bore/kind", "smoothbore", "nozzles.bore.kind = 'smoothbore': must be one of smooth bore, constant"),
        ("nozzles/bore/rated_flow", "1 gpm", "unknown key 'nozzles.bore.rated_flow'"),
        ("nozzles/bore/target_flow", "1 gpm", "nozzles.bore: give either target_pressure or target_flow"),
        (
            "nozzles/bore/velocity_coefficient",
            0.9,
            "nozzles.bore: discharge_coefficient = 0.975: allowed is above 0 to",
        ),
        ("nozzles/fog/target_flow", None, "nozzles.fog: give either target_pressure or target_flow"),
        ("nozzles/fog/equivalent_diameter_ratio", 1.5, "nozzles.fog.equivalent_diameter_ratio = 1.5: allowed is above"),
        (
            "nozzles/ring/setting",
            "140 gpm",
            "nozzles.ring: setting = 140 gpm (530 L/min): this nozzle has the settings",
        ),
        ("nozzles/ring/settings", ["125 gpm", "95 gpm"], "nozzles.ring: settings = 125, 95 gpm"),
        ("nozzles/ring/settings", [], "nozzles.ring.settings = []: must not be empty"),
        ("nozzles/ring/settings", ["95 psi"], "nozzles.ring.settings[0] = '95 psi': is a pressure"),
        ("nozzles/auto/drift", "20 psi", "nozzles.auto.drift = 20 psi: allowed is above 0 to 15 psi"),
        ("nozzles/auto/lowest_flow", "300 gpm", "nozzles.auto: lowest_flow = 300 gpm"),
        (
            "nozzles/My fog",
            {"kind": "smooth bore"},
            "nozzles.My fog: a name holds lower-case letters, digits and underscores",
        ),
        ("hoses/attack/diameter", "0 in", "hoses.attack.diameter = 0 in: allowed is above 0 to 19.685 in"),
        ("hoses/attack/coefficient", 15.5, "hoses.attack.coefficient = 15.5: has no unit"),
        ("hoses/attack/coefficient", "-1 C", "hoses.attack.coefficient = -1"),
        ("hoses/attack/hazen_williams_coefficient", 140, "hoses.attack: give either coefficient or hazen_williams"),
        ("hoses/attack/source", None, "hoses.attack.source is missing"),
        ("hoses/attack/basis", "guess", "hoses.attack.basis = 'guess': must be one of measured, published"),
        ("lines/long/sections", [], "lines.long.sections = []: must not be empty"),
        ("lines/long/sections", ["attack"], "lines.long.sections[0] = 'attack': must be a table"),
        ("lines/long/sections/1/length", "-50 ft", "lines.long.sections[1].length = -50 ft: allowed is above 0"),
        ("lines/long/sections/1/hose", "atack", "there is no table [hoses.atack]; did you mean 'attack'?"),
        ("lines/long/sections/0/lines", 0, "lines.long.sections[0].lines = 0: allowed is 1 to 4"),
        ("lines/long/losses/1/rule", "x", "lines.long.losses[1].rule = 'x': must be one of handbook appliance"),
        ("lines/long/losses/0/count", 1.5, "lines.long.losses[0].count = 1.5: must be a whole number"),
        ("lines/long/rise", "10 feets", "lines.long.rise = '10 feets': unknown unit 'feets'"),
        ("mistakes/low", {"label": "x"}, "mistakes.low: is empty: name one of pump_pressure_error"),
        ("mistakes/low/tip_ware", 1.0, "unknown key 'mistakes.low.tip_ware'; did you mean 'tip_wear'?"),
        ("mistakes/low/setting_step", 0.5, "mistakes.low: setting_step = 0.5: must be a whole number of settings"),
    ],
)
def test_wrong_departments_are_refused_in_one_line(path, value, words):
    with pytest.raises(InputError) as caught:
        read_department(changed(CONTENT, path, value))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        ("chart", None, "chart is missing"),
        ("chart/lengths", ["0 ft"], "chart.lengths[0] = 0 ft: allowed is above 0"),
        ("chart/storeys", [0.5], "chart.storeys = [0.5]: must be whole numbers from -10 to 100"),
        ("sweep/low", "250 psi", "sweep.low = '250 psi': must be above 0 and below high = '200 psi'"),
        ("choice/probability", 1.0, "choice.probability = 1.0: allowed is above 0 to below 1"),
        ("choice/target_flow", "150 psi", "choice.target_flow = '150 psi': is a pressure"),
        ("choice/target", 1, "unknown key 'choice.target'; did you mean 'target_flow'?"),
    ],
)
def test_wrong_plans_are_refused(path, value, words):
    with pytest.raises(InputError) as caught:
        read_plan(changed(PLAN, path, value))
    assert words in str(caught.value)
