"""Published formulas and tables: transcribed rightly, and in agreement with each other where they should be."""

import numpy as np
import pytest

from jetsim import published, units


def test_handbook_tip_table_is_the_handbook_formula():
    for row in published.HANDBOOK_TIPS:
        flow = published.handbook_flow(row.tip_diameter, row.pressure)
        assert units.from_si(flow, "gpm") == pytest.approx(units.from_si(row.flow_rate, "gpm"), abs=1.5)


def test_hose_coefficients_fall_with_diameter():
    handbook = [row.handbook for row in published.HOSE_COEFFICIENTS]
    assert np.all(np.diff(handbook) < 0)
    assert handbook[2] / units.HOSE_COEFFICIENT == pytest.approx(15.5)


def test_the_training_handout_departs_from_the_handbook_in_one_size_only():
    apart = [r.diameter for r in published.HOSE_COEFFICIENTS if r.training not in (None, r.handbook)]
    assert np.array(apart) / units.INCH == pytest.approx([1.75])


def test_two_printed_forms_of_hazen_williams_agree():
    # 4.52 with exponents 1.85 and 4.87, 4.727 with 1.852 and 4.871; both from memory.
    flow, diameter = 100 * units.GALLON_PER_MINUTE, 2.067 * units.INCH
    per_length = published.sprinkler_hazen_williams(flow, diameter, 120)
    head = published.network_hazen_williams(flow, diameter, 120)
    assert float(per_length) == pytest.approx(float(head) * 999.0 * units.STANDARD_GRAVITY, rel=0.01)


def test_plug_cock_loss_grows_as_it_closes():
    losses = list(published.PLUG_COCK_LOSS.values())
    assert np.all(np.diff(losses) > 0)
    assert published.PLUG_COCK_LOSS[0] == 0.05


def test_expansion_and_contraction_vanish_without_a_change_of_area():
    assert float(published.sudden_expansion_loss(1.0)) == 0.0
    assert float(published.sudden_contraction_loss(1.0)) == 0.0
    # Into a very wide vessel all of the dynamic head is lost; a sharp entry loses half of it (handbook, read).
    assert float(published.sudden_expansion_loss(0.0)) == 1.0
    assert float(published.sudden_contraction_loss(0.0)) == 0.5


def test_two_formulas_of_vertical_height_agree():
    # Lueger and Freeman, both from memory: 19 to 38 mm, heads of 20 to 60 m.
    diameter, head = np.meshgrid([0.019, 0.025, 0.032, 0.038], [20.0, 40.0, 60.0])
    ratio = published.lueger_height(head, diameter) / published.freeman_height(head, diameter)
    assert np.all(np.abs(ratio - 1) < 0.07)
    assert float(published.lueger_height(40.0, 0.020)) == pytest.approx(40 / (1 + 0.25 / 28 * 40))
    assert float(published.freeman_height(40.0, 0.020)) == pytest.approx(40 * (1 - 0.000113 * 40 / 0.020))


def test_sources_say_how_they_were_read():
    assert str(published.HANDLING_LIMITS["grimwood"].source).endswith("(read in a secondary source)")
