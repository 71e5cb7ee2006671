"""Hose, appliances and elevation: worked examples, published forms, mass balance, and what is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jetsim import published, units
from jetsim.errors import InputError
from jetsim.hydraulics.hoseline import (
    HANDBOOK_APPLIANCE,
    HANDBOOK_MASTER_STREAM_DEVICE,
    HazenWilliamsSection,
    HoseLine,
    HoseSection,
    LocalLoss,
    StepLoss,
)
from jetsim.hydraulics.nozzle_kinds import RATING_DENSITY

GPM, PSI, INCH, FOOT, COEFFICIENT = (
    units.GALLON_PER_MINUTE,
    units.PSI,
    units.INCH,
    units.FOOT,
    units.HOSE_COEFFICIENT,
)
ATTACK = HoseSection(1.75 * INCH, 200 * FOOT, 15.5 * COEFFICIENT, coefficient_scatter=0.2)
flows = st.floats(1e-4, 0.1)


@pytest.mark.parametrize("row", published.HOSE_COEFFICIENTS, ids=lambda row: f"{row.diameter / INCH:g} in")
def test_coefficient_law_in_the_trade_s_form(row):
    # Loss [psi] = C (Q / 100 gpm)^2 (L / 100 ft), handbook coefficients from memory: at 200 gpm in 300 ft, 12 C.
    hose = HoseSection(row.diameter, 300 * FOOT, row.handbook)
    assert float(hose.loss(200 * GPM) / PSI) == pytest.approx(12 * row.handbook / COEFFICIENT, rel=1e-12)


def test_elevation_pressure_of_a_foot():
    # 0.4331 psi for each foot of fresh water at 60 degF, first principles.
    line = HoseLine([ATTACK], rise=np.array([1.0, -1.0]) * FOOT)
    assert line.elevation_pressure() / PSI == pytest.approx([0.4331, -0.4331], abs=5e-5)


@pytest.mark.parametrize(("diameter", "flow", "coefficient"), [(2.067, 100, 120), (2.5, 250, 135), (4.026, 500, 150)])
def test_hazen_williams_against_two_printed_forms(diameter, flow, coefficient):
    # Sprinkler codes' 4.52 form and a network manual's 4.727 form, both from memory; they round differently.
    pipe = HazenWilliamsSection(diameter * INCH, 1.0, coefficient)
    loss = float(pipe.loss(flow * GPM))
    assert loss == pytest.approx(
        float(published.sprinkler_hazen_williams(flow * GPM, diameter * INCH, coefficient)), rel=0.01
    )
    head = loss / (RATING_DENSITY * units.STANDARD_GRAVITY)
    assert head == pytest.approx(
        float(published.network_hazen_williams(flow * GPM, diameter * INCH, coefficient)), rel=0.005
    )


def test_hazen_williams_against_a_printed_friction_table():
    # Pump handbooks' table for C = 100, from memory: 10 gpm in 1-inch pipe (true 1.049 in) lose 11.7 ft per 100 ft.
    pipe = HazenWilliamsSection(1.049 * INCH, 100 * FOOT, 100)
    head = float(pipe.loss(10 * GPM)) / (RATING_DENSITY * units.STANDARD_GRAVITY)
    assert head / FOOT == pytest.approx(11.7, rel=0.01)


def test_hazen_williams_from_its_own_definition():
    # V = 0.849 C R^0.63 S^0.54 (Hazen and Williams; from memory), with V, R in m: solve for S.
    diameter, flow, coefficient = 0.0635, 0.012, 130.0
    speed = flow / (np.pi / 4 * diameter**2)
    slope = (speed / (0.849 * coefficient * (diameter / 4) ** 0.63)) ** (1 / 0.54)
    pipe = HazenWilliamsSection(diameter, 1.0, coefficient)
    assert float(pipe.loss(flow)) / (RATING_DENSITY * units.STANDARD_GRAVITY) == pytest.approx(slope, rel=0.005)


@given(flows, st.integers(1, 4))
def test_parallel_lines_balance_mass_and_pressure(flow, lines):
    """Equal hoses share the flow equally, and each loses what the group loses."""
    one = HoseSection(0.0635, 60.0, 2 * COEFFICIENT)
    group = HoseSection(0.0635, 60.0, 2 * COEFFICIENT, lines=lines)
    assert group.share * lines == pytest.approx(1.0)
    assert float(group.loss(flow)) == pytest.approx(float(one.loss(flow / lines)), rel=1e-12)
    pipe, pipes = (HazenWilliamsSection(0.0635, 60.0, 140, lines=n) for n in (1, lines))
    assert float(pipes.loss(flow)) == pytest.approx(float(pipe.loss(flow / lines)), rel=1e-12)


@given(flows)
def test_a_leader_line_carries_the_flow_of_both_nozzles(flow):
    alone, leader = (HoseSection(0.0635, 30.0, 2 * COEFFICIENT, nozzles_fed=n) for n in (1, 2))
    assert float(leader.loss(flow)) == pytest.approx(float(alone.loss(2 * flow)), rel=1e-12)


@given(flows, st.floats(0, 50), st.floats(0.03, 0.1))
def test_local_loss_is_a_share_of_the_dynamic_head(flow, loss_coefficient, diameter):
    part = LocalLoss(loss_coefficient, diameter, count=3)
    head = RATING_DENSITY / 2 * (flow / (np.pi / 4 * diameter**2)) ** 2
    assert float(part.loss(flow)) == pytest.approx(3 * loss_coefficient * float(head), rel=1e-12)


@pytest.mark.parametrize(("lines", "nozzles", "share"), [(2, 1, 0.5), (1, 2, 2.0), (3, 2, 2 / 3)])
def test_an_appliance_of_several_lines_passes_its_part_of_the_flow(lines, nozzles, share):
    # Of parallel lines that feed several nozzles of one flow each part passes nozzles / lines of it.
    alone = LocalLoss(6.0, 0.0635)
    part = LocalLoss(6.0, 0.0635, lines=lines, nozzles_fed=nozzles)
    assert float(part.loss(0.01)) == pytest.approx(float(alone.loss(0.01 * share)), rel=1e-12)


def test_kinks_sit_in_the_last_section():
    line = HoseLine([HoseSection(0.0635, 30.0, 2 * COEFFICIENT), ATTACK]).with_kinks(4.0)
    assert float(line.local_loss(0.01)) == pytest.approx(float(LocalLoss(4.0, ATTACK.diameter).loss(0.01)))


def test_handbook_steps():
    # From memory: nothing below 350 gpm, 10 psi above; 25 psi for a master-stream device.
    assert HANDBOOK_APPLIANCE.loss(np.array([349, 350, 351]) * GPM) / PSI == pytest.approx([0, 0, 10])
    assert float(HANDBOOK_MASTER_STREAM_DEVICE.loss(1 * GPM) / PSI) == pytest.approx(25)
    shared = StepLoss(10 * PSI, 350 * GPM, nozzles_fed=2)
    assert shared.loss(np.array([170, 180]) * GPM) / PSI == pytest.approx([0, 10])


def test_losses_of_a_line_add_up():
    pipe = HazenWilliamsSection(0.1, 50.0, 140)
    valve, step = LocalLoss(0.5, 0.0635), StepLoss(7e4, 0.005)
    line = HoseLine([pipe, ATTACK], [valve, step])
    assert float(line.friction_loss(0.01)) == pytest.approx(float(pipe.loss(0.01) + ATTACK.loss(0.01)))
    assert float(line.local_loss(0.01)) == pytest.approx(float(valve.loss(0.01)) + 7e4)
    assert float(line.quadratic_resistance()) == pytest.approx(float(ATTACK.resistance() + valve.resistance()))


def test_friction_scales_whatever_the_law():
    line = HoseLine([HazenWilliamsSection(0.1, 50.0, 140), ATTACK])
    assert float(line.with_friction(1.7).friction_loss(0.01)) == pytest.approx(1.7 * float(line.friction_loss(0.01)))


def test_deviation_counts_in_each_section_s_own_scatter():
    line = HoseLine([HoseSection(0.0635, 30.0, 2 * COEFFICIENT, coefficient_scatter=0.1), ATTACK])
    high = line.deviated(np.array([0.0, 2.0]))
    ratios = [float((b.loss(0.01) / a.loss(0.01))[1]) for a, b in zip(line.sections, high.sections, strict=True)]
    assert ratios == pytest.approx([np.exp(0.2), np.exp(0.4)])
    assert high.friction_loss(0.01)[0] == line.friction_loss(0.01)


def test_stated_maximum_pressure_is_judged_at_each_inlet():
    """A second section behind friction sees less than the pump gives; a fall adds to what the first one sees."""
    first = HoseSection(0.0635, 300.0, 2 * COEFFICIENT, maximum_pressure=20e5)
    second = HoseSection(0.0445, 30.0, 15.5 * COEFFICIENT, maximum_pressure=9e5)
    line = HoseLine([first, second])
    assert bool(line.above_maximum(9.5e5, 0.0))
    assert not bool(line.above_maximum(9.5e5, 0.02))
    assert bool(line.above_maximum(25e5, 0.0))
    below = HoseLine([first], rise=-30.0)
    assert list(below.above_maximum(np.array([16e5, 18e5]), 0.01)) == [False, True]
    assert not bool(HoseLine([ATTACK]).above_maximum(99e5, 0.01))


@pytest.mark.parametrize(
    ("build", "words"),
    [
        (lambda: HoseSection(0.0445, -60.0, 1e8), "length = -60 m: allowed is above 0 to 10000 m"),
        (lambda: HoseSection(0.0, 60.0, 1e8), "diameter = 0 m: allowed is above 0 to 0.5 m"),
        (lambda: HoseSection(1.75, 60.0, 1e8), "diameter = 1.75 m: allowed is above 0 to 0.5 m"),
        (lambda: HoseSection(0.0445, np.nan, 1e8), "length = nan m"),
        (lambda: HoseSection(0.0445, 60.0, -1.0), "coefficient = -1 Pa s2/m7: allowed is 0 to 1e+12 Pa s2/m7"),
        (lambda: HoseSection(0.0445, 60.0, 1e8, coefficient_scatter=-0.1), "coefficient_scatter = -0.1: allowed is 0"),
        (lambda: HoseSection(0.0445, 60.0, 1e8, lines=0), "lines = 0: must be a whole number from 1 to 4"),
        (lambda: HoseSection(0.0445, 60.0, 1e8, nozzles_fed=2.0), "nozzles_fed = 2.0: must be a whole number"),
        (lambda: HoseSection(0.0445, 60.0, 1e8, maximum_pressure=-1.0), "maximum_pressure = -1 Pa: allowed"),
        (lambda: HazenWilliamsSection(0.1, 50.0, 0.0), "hazen_williams_coefficient = 0: allowed is above 0 to 300"),
        (lambda: LocalLoss(-1.0, 0.05), "loss_coefficient = -1: allowed is 0 to 10000"),
        (lambda: LocalLoss(1.0, 0.05, count=-1), "count = -1: must be a whole number from 0 to 100"),
        (lambda: StepLoss(-1.0), "step = -1 Pa: allowed is 0 to 1e+07 Pa"),
        (lambda: StepLoss(1.0, -1.0), "above_flow = -1 m3/s: allowed is 0 to 10 m3/s"),
        (lambda: HoseLine([]), "sections is empty"),
        (lambda: HoseLine([LocalLoss(1.0, 0.05)]), "sections holds LocalLoss"),
        (lambda: HoseLine([ATTACK], [ATTACK]), "losses holds HoseSection"),
        (lambda: HoseLine([ATTACK], rise=1e3), "rise = 1000 m: allowed is -500 to 500 m"),
        (lambda: HoseLine([ATTACK]).with_friction(-1.0), "friction_ratio = -1: allowed is 0 to 100"),
        (lambda: HoseLine([ATTACK]).deviated(np.nan), "hose_deviation = nan"),
    ],
)
def test_wrong_values_are_refused_in_one_line(build, words):
    with pytest.raises(InputError) as caught:
        build()
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
