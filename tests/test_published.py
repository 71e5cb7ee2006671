"""Published formulas and tables: transcribed rightly, and in agreement with each other where they should be."""

import numpy as np
import pytest

from jetsim import published, units


def test_handbook_tip_table_is_the_handbook_formula():
    for row in published.HANDBOOK_TIPS:
        flow = published.handbook_flow(row.tip_diameter, row.pressure)
        assert units.from_si(flow, "gpm") == pytest.approx(units.from_si(row.flow_rate, "gpm"), abs=1.5)


def test_handbook_hose_is_as_smooth_as_lined_hose():
    # By Hazen-Williams lined hose has C of 140 or somewhat more (common practice, no source), and smaller handbook
    # coefficients belong to true bores above the nominal ones: up to 185.
    flow = 100 * units.GALLON_PER_MINUTE
    for row in published.HOSE_COEFFICIENTS:
        rough, smooth = (published.sprinkler_hazen_williams(flow, row.diameter, c) for c in (140, 185))
        assert smooth < row.handbook * flow**2 < rough
        assert row.training is None or row.training <= row.handbook


def test_two_printed_forms_of_hazen_williams_agree():
    # 4.52 with exponents 1.85 and 4.87, 4.727 with 1.852 and 4.871; both from memory.
    flow, diameter = 100 * units.GALLON_PER_MINUTE, 2.067 * units.INCH
    per_length = published.sprinkler_hazen_williams(flow, diameter, 120)
    head = published.network_hazen_williams(flow, diameter, 120)
    assert float(per_length) == pytest.approx(float(head) * 999.0 * units.STANDARD_GRAVITY, rel=0.01)


def test_sudden_expansion_is_the_momentum_balance():
    # Borda and Carnot: the pressure on the step is that of the narrow side, and what energy then lacks is lost.
    narrow, ratio = 10.0, 0.3
    wide = narrow * ratio
    rise = wide * (narrow - wide)  # over density, from momentum
    lost = narrow**2 / 2 - wide**2 / 2 - rise
    assert float(published.sudden_expansion_loss(ratio)) == pytest.approx(lost / (narrow**2 / 2))


def test_sudden_contraction_between_its_limits():
    # Nothing without a change of area, half of the dynamic head at a sharp entry (handbook, read); in between three
    # in four of the way in logarithms.
    assert published.sudden_contraction_loss([1.0, 0.0, 0.9375]) == pytest.approx([0.0, 0.5, 0.5 / 8])


def test_two_formulas_of_vertical_height_agree():
    # Lueger and Freeman, both from memory: 19 to 38 mm, heads of 20 to 60 m.
    diameter, head = np.meshgrid([0.019, 0.025, 0.032, 0.038], [20.0, 40.0, 60.0])
    ratio = published.lueger_height(head, diameter) / published.freeman_height(head, diameter)
    assert np.all(np.abs(ratio - 1) < 0.07)
    # Neither takes anything where there is no head to lose.
    for height in (published.lueger_height, published.freeman_height):
        assert float(height(1e-6, 0.025)) == pytest.approx(1e-6, rel=1e-6)
