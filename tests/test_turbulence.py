"""The valve chain: exact limits, monotone laws, and agreement of the style table with the chain."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jetsim.errors import InputError
from jetsim.jet import turbulence
from jetsim.jet.turbulence import VALVE_STYLES, TurbulenceConstants

CONSTANTS = TurbulenceConstants()


def test_waterway_turbulence_of_hose():
    # Fully developed pipe flow, plane average about 5 to 6 % at hose Reynolds numbers (common practice in
    # turbulence texts, from memory).
    assert 0.05 < float(turbulence.waterway_intensity(0.015)) < 0.06
    assert float(turbulence.waterway_intensity(1.0)) == pytest.approx(0.366)


def test_no_loss_is_a_clear_waterway():
    assert float(turbulence.factor_of_valve(0.0, 5.0, CONSTANTS)) == 1.0
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


def test_taper_power():
    # c^-0.7 at the area ratios 2.56, 4.94 and 9: 0.52, 0.33, 0.21 (linear theory itself: 0.46, 0.32, 0.24).
    damping = turbulence.tapered_intensity(1.0, [2.56, 4.94, 9.0], 0.7)
    assert damping == pytest.approx([0.518, 0.327, 0.215], abs=0.001)


def test_taper_cancels_in_the_factor():
    with_valve = turbulence.chain_intensity(1.0, 5.0, 4.0, CONSTANTS)
    clear = turbulence.chain_intensity(0.0, 5.0, 4.0, CONSTANTS)
    assert float(with_valve / clear) == pytest.approx(float(turbulence.factor_of_valve(1.0, 5.0, CONSTANTS)))


@given(st.floats(0.0, 10.0), st.floats(0.0, 50.0), st.floats(0.01, 5.0))
def test_factor_grows_with_loss_and_falls_with_distance(loss, distance, more):
    base = float(turbulence.factor_of_valve(loss, distance, CONSTANTS))
    assert base >= 1.0
    assert float(turbulence.factor_of_valve(loss + more, distance, CONSTANTS)) >= base
    assert float(turbulence.factor_of_valve(loss, distance + more, CONSTANTS)) <= base


def test_valve_models():
    arguments = (np.array([1.5]), np.array([1.0]), np.array([6.0]), CONSTANTS)
    factors = {name: float(turbulence.valve_factor(name, *arguments)[0]) for name in turbulence.VALVE_MODELS}
    assert factors["factor"] == 1.5
    assert factors["clear"] == 1.0
    assert factors["loss"] > factors["decaying loss"] > 1.0
    with pytest.raises(InputError, match="did you mean 'clear'"):
        turbulence.valve_factor("cleer", *arguments)


def test_pressure_and_turbulence_are_apart():
    assert float(turbulence.pressure_share(0.5, 2.0)) == pytest.approx(0.125)


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
        logs = np.log(turbulence.factor_of_valve(loss, distance, drawn))
        assert np.exp(np.median(logs)) == pytest.approx(style.factor["median"], rel=0.05), style.name
        assert np.std(logs) == pytest.approx(style.factor["ln_sd"], rel=0.15), style.name


def test_style_order_agrees_with_practice():
    # Common practice, no source: a plunger disturbs more than a ball, a cut-away ball more than a full one.
    median = {name: style.factor["median"] for name, style in VALVE_STYLES.items()}
    assert median["full ball"] < median["cut-away ball"] < median["plunger"]
    for style in VALVE_STYLES.values():
        assert style.basis == "assumption"
        assert "assumed" in style.source


def test_unknown_style_names_the_nearest():
    with pytest.raises(InputError, match="did you mean 'plunger'"):
        turbulence.valve_style("plungr")
