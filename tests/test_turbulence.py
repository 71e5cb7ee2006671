"""The valve: exact limits, monotone laws, the share of the tip, and agreement of the style table with the chain."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jetsim.errors import InputError
from jetsim.jet import turbulence
from jetsim.jet.turbulence import TIP_SHARE, VALVE_STYLES, TurbulenceConstants, Valve

CONSTANTS = TurbulenceConstants()


def test_waterway_turbulence_of_hose():
    # Fully developed pipe flow, plane average about 5 to 6 % at hose Reynolds numbers (common practice in
    # turbulence texts, from memory).
    assert 0.05 < float(turbulence.waterway_intensity(0.015)) < 0.06
    assert float(turbulence.waterway_intensity(1.0)) == pytest.approx(0.366)


def test_no_loss_is_a_clear_waterway():
    assert float(turbulence.upstream_factor(0.0, 5.0, CONSTANTS)) == 1.0
    assert float(turbulence.valve_intensity(0.0, 0.5)) == 0.0


def test_valve_energy_balance():
    # The energy in three equal components of turbulence, 3/2 (Tu U)^2, is the share eta of the loss K U^2 / 2.
    speed, loss, efficiency = 7.0, 1.2, 0.2
    energy = 1.5 * (float(turbulence.valve_intensity(loss, efficiency)) * speed) ** 2
    assert energy == pytest.approx(efficiency * loss * speed**2 / 2)


def test_decay_limits():
    at_valve = turbulence.decayed_intensity(0.3, 0.0, CONSTANTS)
    assert float(at_valve) == pytest.approx(0.3)
    # Far downstream k ~ x^-n, so Tu ~ x^(-n/2).
    far, farther = (float(turbulence.decayed_intensity(0.3, x, CONSTANTS)) for x in (1e6, 1e7))
    assert np.log10(far / farther) == pytest.approx(CONSTANTS.decay_exponent / 2, rel=1e-3)


def test_far_downstream_the_loss_hardly_matters():
    # k ~ (x A Tu0 / L)^-n Tu0^2 leaves Tu ~ Tu0^(1 - n/2) = K^(0.2) for n = 6/5.
    low, high = (
        float(turbulence.decayed_intensity(turbulence.valve_intensity(k, 0.5), 1e6, CONSTANTS)) for k in (1, 10)
    )
    assert np.log10(high / low) == pytest.approx(0.2, abs=1e-3)


def test_energies_of_tip_and_waterway_add():
    """A valve's doubled turbulence before the tip, against the energies written out."""
    tip, upstream = 0.6 * 0.07**2, 0.4 * 0.07**2
    expected = np.sqrt((tip + 2.0**2 * upstream) / (tip + upstream))
    assert float(turbulence.exit_factor(2.0, 0.6)) == pytest.approx(float(expected), rel=1e-12)


@given(st.floats(1.0, 10.0), st.floats(0.0, 1.0))
def test_exit_factor_lies_between_none_and_all_of_the_upstream_one(upstream, share):
    assert float(turbulence.exit_factor(upstream, 0.0)) == pytest.approx(upstream)
    assert float(turbulence.exit_factor(upstream, 1.0)) == 1.0
    assert 1.0 <= float(turbulence.exit_factor(upstream, share)) <= upstream * (1 + 1e-12)


def test_top_of_the_tip_s_share_is_what_hose_and_taper_leave():
    # Linear theory damps as c^-0.7; 15/16-inch and 3/4-inch tips behind a 1 1/2-inch waterway.
    area_ratio = np.array([1.5 / 0.9375, 1.5 / 0.75]) ** 2
    left = turbulence.waterway_intensity(CONSTANTS.friction_factor) * area_ratio**-0.7 / 0.07
    low, high = 1 - left**2
    assert low < TIP_SHARE[1] < high
    assert float(CONSTANTS.tip_share) == pytest.approx(np.mean(TIP_SHARE))


@given(st.floats(0.0, 10.0), st.floats(0.0, 50.0), st.floats(0.01, 5.0))
def test_factor_grows_with_loss_and_falls_with_distance(loss, distance, more):
    base = float(turbulence.upstream_factor(loss, distance, CONSTANTS))
    assert base >= 1.0
    assert float(turbulence.upstream_factor(loss + more, distance, CONSTANTS)) >= base
    assert float(turbulence.upstream_factor(loss, distance + more, CONSTANTS)) <= base


def test_valve_models():
    valve = Valve(factor=np.array([1.5]), upstream_factor=2.0, loss_coefficient=1.0, distance=6.0)
    constants = TurbulenceConstants(tip_share=0.3)
    factors = {name: float(np.ravel(model(valve, constants))[0]) for name, model in turbulence.VALVE_MODELS.items()}
    assert factors["factor"] == 1.5
    assert factors["upstream factor"] == pytest.approx(np.sqrt(0.3 + 0.7 * 4))
    assert factors["clear"] == 1.0
    decaying = float(turbulence.upstream_factor(1.0, 6.0, constants))
    assert factors["decaying loss"] == pytest.approx(np.sqrt(0.3 + 0.7 * decaying**2))
    assert factors["loss"] > factors["decaying loss"] > 1.0
    assert float(turbulence.valve_factor("upstream factor", valve, constants)) == factors["upstream factor"]
    with pytest.raises(InputError, match="did you mean 'clear'"):
        turbulence.valve_factor("cleer", valve, constants)


def test_style_table_agrees_with_the_chain_over_its_priors():
    """Medians within 5 % and spreads within 15 % of the chain drawn over its stated priors."""
    rng = np.random.default_rng(0)
    size = 50_000
    drawn = TurbulenceConstants(
        valve_efficiency=rng.uniform(0.2, 0.9, size),
        decay_exponent=rng.uniform(1.0, 1.4, size),
        eddy_size=rng.uniform(0.05, 0.3, size),
        dissipation_constant=rng.uniform(0.4, 1.2, size),
    )
    distance = rng.uniform(3, 12, size)
    for style in VALVE_STYLES.values():
        k = style.loss_coefficient
        if k["distribution"] == "lognormal":
            loss = k["median"] * np.exp(k["ln_sd"] * rng.standard_normal(size))
        else:
            loss = rng.uniform(k["low"], k["high"], size)
        logs = np.log(turbulence.upstream_factor(loss, distance, drawn))
        assert np.exp(np.median(logs)) == pytest.approx(style.median, rel=0.05), style.name
        assert np.std(logs) == pytest.approx(style.ln_sd, rel=0.15), style.name


def test_exit_factor_of_a_style_averages_over_the_tip_s_share():
    rng = np.random.default_rng(1)
    share = rng.uniform(*TIP_SHARE, 50_000)
    for style in VALVE_STYLES.values():
        upstream = style.median * np.exp(style.ln_sd * rng.standard_normal(share.size))
        logs = np.log(turbulence.exit_factor(upstream, share))
        assert style.factor["median"] == pytest.approx(np.exp(np.median(logs)), rel=0.01), style.name
        assert style.factor["ln_sd"] == pytest.approx(logs.std(), rel=0.03), style.name
        assert style.factor["median"] < style.upstream_factor["median"]


def test_style_order_agrees_with_practice():
    # Common practice, no source: a plunger disturbs more than a ball, a cut-away ball more than a full one.
    median = {name: style.median for name, style in VALVE_STYLES.items()}
    assert median["full ball"] < median["cut-away ball"] < median["plunger"]
    for style in VALVE_STYLES.values():
        assert style.basis == "assumption"
        assert "assumed" in style.source
