"""Flow against staffing: sentences held to the handbooks' formulas, windows, latitude, rings, and what is refused."""

import copy
import csv
import re
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from scipy.optimize import brentq

from jetsim import units
from jetsim.equipment.department import read_department
from jetsim.equipment.questions import Asked
from jetsim.errors import InputError
from jetsim.experiment.space import QUICK_SAMPLES
from jetsim.hydraulics.operating_point import operating_point
from jetsim.simulation import simulate, sparing
from jetsim.staffing import pictures, runs, words
from jetsim.staffing.question import CrewQuestion
from jetsim.stream import Stream
from jetsim.study import run
from jetsim.toml import load_toml
from studies import fit_the_crew
from studies.fit_the_crew import STUDY
from tests.reports import faults, in_both_systems

FILE = STUDY.default_inputs
DEMO = FILE.with_name("department.toml")
QUESTION = {"study": "fit_the_crew", "title": "Crews", "base_samples": 64, "target_flow": "150 gpm"}
GPM = units.GALLON_PER_MINUTE
LIMITS = {"two": 75.0, "three": 95.0, "four": 115.0}


def asked(names, change=lambda content: None, **question):
    """The question of a department that may be changed."""
    content = copy.deepcopy(load_toml(DEMO))
    change(content)
    owner = read_department(content, path=DEMO)
    return Asked(CrewQuestion.model_validate(QUESTION | question), owner, owner.chosen(names), None, FILE)


@pytest.fixture(scope="module")
def demo():
    """The demo's five set-ups."""
    given = asked(["a", "c", "f", "g", "h"])
    return given, runs.find(given)


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    """Results of a quick run, and the findings in both systems of units."""
    out = tmp_path_factory.mktemp("crew") / "out"
    argv = ["--quick", "--setups", "a,f", "--output", str(out), "--workers", "1"]
    return out, in_both_systems(fit_the_crew, argv)


@pytest.fixture(scope="module")
def folder(flown):
    """The folder alone."""
    return flown[0]


def test_the_report_is_for_officers_in_either_system_of_units(flown):
    assert faults(flown[1]) == []


def fits_of(found, name):
    return {fit.crew.firefighters: fit for fit in found.fits if fit.rig.setup.name == name}


def smooth_bore(diameter, limit):
    """Pressure [psi] and flow [gpm] at which 1.57 d^2 P is the limit, Cd = 0.975."""
    pressure = limit / (np.pi / 2 * diameter**2)
    return pressure, 29.84 * 0.975 * diameter**2 * np.sqrt(pressure)


def fog(rated_flow, rated_pressure, limit):
    """The same where 0.0505 Q sqrt(P) is the limit."""
    pressure = limit / (0.0505 * rated_flow / np.sqrt(rated_pressure))
    return pressure, rated_flow * np.sqrt(pressure / rated_pressure)


def automatic(limit):
    """The same for an automatic that rises from 90 to 110 psi between 70 and 200 gpm and is a fixed opening beyond."""

    def pressure(flow):
        return 90 + 20 * (flow - 70) / 130 if flow <= 200 else 110 * (flow / 200) ** 2

    flow = brentq(lambda q: 0.0505 * q * np.sqrt(pressure(q)) - limit, 70, 400)
    return pressure(flow), flow


def test_a_headline_names_the_flow_to_plan_on_where_it_is_another(demo):
    fit = fits_of(demo[1], "a")[3]
    assert fit.careful < fit.flow
    assert "gpm by the formula alone, but measured nozzles pushed harder)." in words.crew_headline(fit, "us")
    even = words.crew_headline(replace(fit, careful=fit.flow), "us")
    assert even.endswith("; no force beyond the formula's lowers it).")


def test_the_lead_is_the_flow_to_plan_on_with_its_nozzle_pressure(demo):
    """By hand for the large tip: flow goes with the root of the pressure, and its own target is 50 psi."""
    _, found = demo
    for system, flow_unit, unit, target, gpm, psi in (
        ("us", "gpm", "psi", "50", GPM, units.PSI), ("si", "L/min", "bar", "3.4", 1e-3 / 60, 1e5)
    ):  # fmt: skip
        told = words.lead(found, system)
        for text, crew, whose in zip(
            told, LIMITS, ("", "", " (invented for this demo, by nobody's trials)"), strict=False
        ):
            own = [fit for fit in found.fits if fit.crew is found.crews[crew]]
            best = max(own, key=lambda fit: fit.careful)
            pressure = smooth_bore(9 / 8, LIMITS[crew])[0] * (best.careful / best.flow) ** 2 * units.PSI / psi
            shown = f"{pressure:.1f}" if system == "si" else f"{pressure:.0f}"
            assert best.rig.setup.name == "h"
            assert text == (
                f"Within the limit stated for {crew} firefighters{whose}, plan on {best.careful / gpm:.0f} {flow_unit} "
                f"at most, with H: 1 1/8-inch tip, large line (nozzle pressure {shown} {unit}, its target {target} "
                f"{unit}; {best.flow / gpm:,.0f} {flow_unit} by the formula alone, but measured nozzles pushed harder)."
            )


def test_the_three_sentences_by_hand(demo):
    given, found = demo
    for number, (crew, limit) in enumerate(LIMITS.items()):
        sentence = words.further(given, found, "us")[number]
        assert sentence.startswith(f"Within the limit stated for {crew} firefighters, ")
        told = re.findall(r"flows (\d+) gpm at ([\d.]+) psi and reaches ([\d.]+) ft", sentence)
        ring = fog(150, 75, limit)
        by_hand = [smooth_bore(15 / 16, limit), fog(150, 50, limit), ring, automatic(limit), smooth_bore(9 / 8, limit)]
        if crew == "four":
            # 250 psi at the pump for F: nozzle, hoses (wye as well) and 20 ft of rise

            def needed(flow):
                return 75 * (flow / 150) ** 2 + (2 * 2 + 12.5 * 2) * (flow / 100) ** 2 + 20 * 0.433 + _wye(flow)

            flow = brentq(lambda q: needed(q) - 250, 50, 400)
            by_hand[2] = 75 * (flow / 150) ** 2, flow
            assert "held back by the pump's maximum pressure" in sentence
        assert len(told) == 5
        for (flow, pressure, _), (pressure_by_hand, flow_by_hand) in zip(told, by_hand, strict=True):
            assert float(flow) == pytest.approx(flow_by_hand, rel=4e-3)
            assert float(pressure) == pytest.approx(pressure_by_hand, rel=4e-3)


def _wye(flow):
    """Loss in psi of K = 2 on 2 1/2 inches: rho v^2, with 0.0088 Q^2 / D^4 psi a velocity head in gpm and in."""
    speed = 0.4085 * flow / 2.5**2
    return 2 * 0.433 * speed**2 / (2 * 32.17)


def test_the_reach_is_that_of_the_stream_there(demo):
    _, found = demo
    fit = fits_of(found, "a")[2]
    middle = fit.rig.model.fixed | {"wind_along": 0.0, "wind_across": 0.0}
    own = {n: v for n, v in middle.items() if not n.startswith(("supply.", "trial."))}
    stream = Stream.from_values({**own, "nozzle_pressure": fit.pressure, **sparing(runs.OUTPUTS)})
    assert fit.reach == pytest.approx(float(simulate(stream)[runs.REACH]), rel=1e-9)


def test_a_crew_s_limit_is_just_held(demo):
    _, found = demo
    for fit in found.fits:
        force = float(fit.crew.limits.force(fit.rig.nozzle, fit.pressure))
        assert force <= fit.crew.limit
        if fit.held_by == runs.LIMIT:
            assert force == pytest.approx(fit.crew.limit, rel=1e-9)
        else:
            assert force < 0.99 * fit.crew.limit
    assert {fit.held_by for fit in found.fits} == {runs.LIMIT, runs.PUMP_MOST}


def test_pump_pressures_give_the_flows(demo):
    _, found = demo
    for fit in found.fits:
        point = operating_point(fit.pump, fit.rig.line, fit.rig.nozzle, fit.rig.model.density)
        assert float(point.flow_rate) == pytest.approx(fit.flow, rel=1e-9)
        if fit.meets:
            low = operating_point(fit.window[0], fit.rig.line, fit.rig.nozzle, fit.rig.model.density)
            assert float(low.flow_rate) == pytest.approx(150 * GPM, rel=1e-6)
            assert fit.window[1] == fit.pump


def test_a_smooth_bore_has_latitude_below_where_a_fog_nozzle_has_none(demo):
    _, found = demo
    tip, nozzle, large = (fits_of(found, name)[3] for name in ("a", "c", "h"))
    assert nozzle.under == 0
    assert tip.under / units.PSI == pytest.approx(41.0, abs=0.5)
    assert large.over < 0 < large.under
    assert fits_of(found, "g")[2].meets is False  # 150 gpm at 102 psi is above 75 lbf
    sentence = words.latitude_sentence(asked(["a"]).question, [tip, nozzle, large, fits_of(found, "g")[2]], "us")
    parts = (
        "full ball, 41.0 psi below to 49.6 psi above",
        "C: fog, full ball, 0 psi below to 82.3 psi above",
        "large line, only 3.41 psi to 51.5 psi below it",
        "nowhere: flow and limit never hold together",
    )
    for part in parts:
        assert part in sentence


def test_the_excess_leaves_two_thirds_of_the_force(demo):
    """Nine in ten runs stay within a limit at 1 / 1.45 of it, the excess being uniform up to a half."""
    _, found = demo
    for name in ("a", "c", "h"):
        fit = fits_of(found, name)[3]
        assert fit.careful / fit.flow == pytest.approx(np.sqrt(1 / 1.45), abs=0.02)
        assert fit.chance < 0.1


def test_what_is_above_a_limit_with_any_excess_is_never_told_as_within():
    given = asked(["a"], beliefs={"supply.reaction_excess": 0.2})
    assert [fit.chance for fit in runs.find(given).fits] == [0.0, 0.0, 0.0]


def test_matched_set_ups(demo):
    _, found = demo
    own, highest = found.matches[:5], found.matches[5:]
    assert [row.match for row in found.matches] == [runs.OWN] * 5 + [runs.HIGHEST] * 5
    two = found.crews["two"]
    assert [words.judged(row, two) for row in own] == ["within", "within", "within", "above", "above"]
    assert [words.judged(row, two) for row in highest] == ["within"] * 5
    assert [row.force / units.POUND_FORCE for row in highest] == pytest.approx([75.0] * 5)
    shares = words.farthest(found.matches)
    assert sum(shares[:5]) == pytest.approx(1)
    assert sum(shares[5:]) == pytest.approx(1)
    assert shares[4] > 0.9  # the large tip on its own target


def test_a_ring_setting_by_setting(demo):
    _, found = demo
    assert [round(one.setting / GPM) for one in found.settings] == [95, 125, 150, 200]
    for one in found.settings:
        assert one.light / one.setting == pytest.approx(np.sqrt(1 / 3), rel=1e-6)
        assert one.light_pressure / units.PSI == pytest.approx(25, rel=1e-6)
    own = found.settings[2]
    assert own.delivered == pytest.approx(own.setting, rel=1e-6)
    flows = [one.delivered / one.setting for one in found.settings]
    assert flows[0] > flows[1] > 1 > flows[3]
    assert words.ring_sentence(found, "a", "us") == ""
    assert "means 86.6 gpm, not 150 gpm" in words.ring_sentence(found, "f", "us")


def test_the_fit_is_left_where_a_flag_is_set(demo):
    _, found = demo
    rig = found.rigs[0]
    low, high = found.fitted["a"]
    for pump, inside in ((low, True), (high, True), (low * 0.95, False), (high * 1.05, False)):
        pressure = operating_point(pump, rig.line, rig.nozzle, rig.model.density).nozzle_pressure
        flags = runs.at_medians(rig, [float(pressure)])["validity"].values
        assert (flags[0] == 0) == inside


def test_set_ups_with_one_nozzle_share_a_curve():
    found = runs.find(asked(["c", "d", "a"], base_samples=8))
    assert [[rig.setup.name for rig in group] for group in pictures._alike(found.rigs)] == [["c", "d"], ["a"]]
    plot = pictures.chart(found, "us")
    assert plot.title == "At most 188, 212 and 233 gpm within the limits stated for two, three and four firefighters"


def test_limits_for_two_formulas_have_two_panels():
    def own(content):
        content["crews"]["four"]["limits"]["formula"] = "own reaction"

    given = asked(["a"], own, base_samples=8)
    found = runs.find(given)
    fit = fits_of(found, "a")[4]
    assert float(fit.rig.nozzle.reaction(fit.pressure)) == pytest.approx(115 * units.POUND_FORCE)
    assert len(pictures.chart(found, "us").figure.axes) == 2


def test_without_a_line_no_pump_pressure_is_told():
    def bare(content):
        del content["setups"]["a"]["line"]

    given = asked(["a"], bare)
    found = runs.find(given)
    fit = fits_of(found, "a")[2]
    assert np.isnan([fit.pump, fit.under, fit.over, *fit.window]).all()
    assert fit.flow / GPM == pytest.approx(smooth_bore(15 / 16, 75)[1], rel=1e-3)
    assert "No set-up has a line" in " ".join(words.further(given, found, "us"))
    assert words.window_table(found).rows("us")[0][-1] == "no line"


def test_a_stated_maximum_of_nozzle_and_hose_holds_back():
    def low(content):
        content["nozzles"]["bore_15_16"]["maximum_pressure"] = "45 psi"
        content["hoses"]["leader"]["maximum_pressure"] = "60 psi"

    fits = runs.find(asked(["a", "h"], low, crews=["three"], base_samples=8)).fits
    assert [fit.held_by for fit in fits] == [runs.NOZZLE_MOST, runs.HOSE_MOST]
    assert fits[0].pressure / units.PSI == pytest.approx(45)
    assert fits[1].pump / units.PSI == pytest.approx(60)


def test_a_crew_without_a_stated_limit_is_refused(tmp_path, capsys):
    def unlimited(content):
        del content["crews"]["two"]["limits"]

    given = asked(["a"], unlimited, crews=["two", "three"])
    with pytest.raises(InputError, match=r"crews = 'two': \[crews.two\] states no limit"):
        runs.find(given)
    assert list(runs.crews_of(asked(["a"], unlimited))) == ["three", "four"]
    with pytest.raises(InputError, match="did you mean 'three'"):
        runs.crews_of(asked(["a"], crews=["thre"]))
    with pytest.raises(InputError, match="is none of the crews asked about"):
        runs.crews_of(asked(["a"], crews=["two"], matched_crew="three"))
    bare = tmp_path / "bare.toml"
    text = DEMO.read_text(encoding="utf-8")
    bare.write_text(re.sub(r"\[crews\.two\].*?\n\n", "[crews.two]\nfirefighters = 2\n\n", text, flags=re.DOTALL))
    own = tmp_path / "own.toml"
    question = STUDY.default_inputs.read_text(encoding="utf-8")
    own.write_text(question.replace("# crews = ", "crews = "), encoding="utf-8")
    given = ["--inputs", str(own), "--department", str(bare), "--output", str(tmp_path / "out")]
    assert run(STUDY, given) == 2
    complaint = capsys.readouterr().err
    assert "states no limit, so nothing can be held against it" in complaint
    assert complaint.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_target_outside_the_pump_s_reach_is_refused():
    def weak(content):
        content["pumps"]["engine"]["maximum_pressure"] = "100 psi"

    with pytest.raises(InputError, match=r"department.toml: target of setups.a = .* the best achievable is"):
        runs.find(asked(["a"], weak))


def test_what_is_written(folder):
    names = {path.stem for path in (folder / "tables").glob("*.csv")}
    assert names == {"setups", "flow_against_staffing", "pump_windows", "settings", "matched"}
    with (folder / "tables" / "flow_against_staffing.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 6
    assert {row["crew"] for row in rows} == {"a crew of two", "a crew of three", "a crew of four"}
    with xr.open_dataset(folder / "results.nc", engine="h5netcdf") as results:
        assert results[runs.REACH].sizes == {"match": 2, "setup": 2, "sample": QUICK_SAMPLES}
    page = (folder / "report.html").read_text(encoding="utf-8")
    text = " ".join(re.sub(r"<style>.*?</style>|data:image[^\"]*|<[^>]*>", " ", page, flags=re.DOTALL).split()).lower()
    assert "to be verified by in-line gauge and flowmeter" in text
    findings = text.partition("report card")[0]
    assert not re.search(r"(?<!shows that a crew )can hold|\bsafe", findings)
    assert "invented for this demo" in text
