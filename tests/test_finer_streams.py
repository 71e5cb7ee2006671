"""Streams that get finer, down to mist: never a farther effective reach, nothing jumps, and no more work."""

from dataclasses import replace

import numpy as np
import pytest

import jetsim.jet.thrown
from jetsim.jet.delivery import delivered_reach
from jetsim.jet.drag import FlightConstants
from jetsim.jet.sizes import drop_ratio
from jetsim.jet.thrown import flight_of, kept_from
from jetsim.jet.trajectory import ROUGH, fly
from jetsim.simulation import simulate
from jetsim.stream import Stream
from tests.spray_cases import thrown

PSI = 6894.757293168361


def test_a_worse_fog_stream_never_reaches_farther():
    ratio, elevation, factor = (
        grid.ravel() for grid in np.meshgrid(np.linspace(0.3, 1.0, 29), [5.0, 20.0, 45.0, 60.0], [1.0, 2.0],
                                             indexing="ij")
    )  # fmt: skip
    gallons = 60 * 231 * 0.0254**3 / 60
    tip = np.sqrt(gallons / (0.975 * np.pi / 4 * np.sqrt(2 * 100 * PSI / 999.1)))
    result = simulate(Stream(tip_diameter=tip, nozzle_pressure=100 * PSI, equivalent_diameter_ratio=ratio,
                             elevation=elevation, valve_turbulence_factor=factor,
                             further_results=("effective_reach_at_best",)))  # fmt: skip
    for reach in (result.effective_reach.values, result.effective_reach_at_best.values):
        steps = np.diff(reach.reshape(29, 8), axis=0)
        assert np.all(steps >= 0)
        assert steps.max() < 1.0
    assert np.all(np.any((result.validity.values & 256).reshape(29, 8), axis=0))


def test_finer_drops_never_help_and_nothing_jumps():
    """Down to a quarter of the law's drop, into mist; what is left of a rise is a thousandth of a large stream's."""
    rng = np.random.default_rng(4)
    ends = {"tip_diameter": (0.006, 0.02), "nozzle_pressure": (2e5, 8e5), "elevation": (4, 65)}
    fields = {name: np.tile(rng.uniform(*end, 12), 13) for name, end in ends.items()}
    scales = FlightConstants(drop_scale=np.repeat(np.geomspace(2.0, 0.25, 13), 12))
    reach = simulate(Stream(**fields, flight_constants=scales)).effective_reach.values
    steps = np.diff(reach.reshape(13, 12), axis=0)
    assert steps.max() < 0.02
    assert steps.min() > -1.5


@pytest.mark.parametrize(
    ("tip", "pressure", "elevation", "wind"),
    [
        (0.028575, 147 * PSI, 46.0, -3.0),
        (0.0327, 1.024e6, 47.7, -1.72),
        (0.0363, 8.9e5, 30.0, -4.0),
        (0.0377, 1.38e6, 70.0, 0.0),
        (0.0347, 1.32e6, 46.0, 0.0),
        (0.0302, 1.35e6, 12.0, 0.0),
        (0.032, 9.5e5, 33.0, 0.0),
    ],
)
def test_drops_that_the_streams_air_carries_do_not_land_farther(tip, pressure, elevation, wind):
    """Finer drops landed up to 40 m farther than coarser ones in a head wind, up to 29 m in still air."""
    scales = FlightConstants(drop_scale=np.geomspace(1.0, 0.15, 60))
    asked = {"elevation": elevation, "wind_along": wind, "flight_constants": scales}
    reach = simulate(Stream(tip_diameter=tip, nozzle_pressure=pressure, **asked)).effective_reach.values
    assert reach.min() >= 0
    assert (reach - np.minimum.accumulate(reach)).max() < 0.3


def test_a_finer_stream_counts_as_that_which_is_carried_least_far():
    # Of fifty streams of all sizes and pressures up to 10 bar, in still air; the others stand unchanged.
    rng = np.random.default_rng(6)
    case = thrown(rng.uniform(0.01, 0.038, 50), rng.uniform(20, 44, 50), rng.uniform(12, 75, 50))
    fine = replace(case, constants=FlightConstants(drop_scale=0.5))
    found, own = delivered_reach(fine), flight_of(fine, 0.1, 1.0, ROUGH).extreme_reach
    each = [
        flight_of(fine, 0.1, np.maximum(fine.size(), step), ROUGH).extreme_reach for step in np.geomspace(1, 2.5, 12)
    ]
    assert found == pytest.approx(np.min(each, axis=0), rel=0.02)
    kept = kept_from(fine) > np.maximum(fine.size(), 1.0)
    assert 0.2 < kept.mean() < 0.8
    assert found[~kept] == pytest.approx(own[~kept], rel=1e-9)
    assert np.all(found[kept] != own[kept])


def test_the_wind_takes_hold_without_a_jump():
    wind = np.array([0.0, -1e-4, -1e-3, -0.01, -0.02, -0.022])
    case = thrown(np.full(6, 0.0327), 45.0, 47.7, wind=(wind, 0.0))
    found = delivered_reach(replace(case, constants=FlightConstants(drop_scale=0.3)))
    assert np.all(np.diff(found) < 0)
    assert np.abs(np.diff(found) / np.diff(wind)).max() < 12


def test_few_streams_are_held_against_coarser_ones(monkeypatch):
    """Counted in flights: those besides the deciding drops' own, in one go with them, are a few of a hundred."""
    flown = []
    monkeypatch.setattr(jetsim.jet.thrown, "fly", lambda *a, **k: flown.append(a[1].speed.size) or fly(*a, **k))
    rng = np.random.default_rng(2)
    n = 400
    bores = thrown(rng.uniform(0.0127, 0.038, n), rng.uniform(23, 44, n), rng.uniform(5, 60, n),
                   wind=(rng.uniform(-5, 2, n), rng.uniform(-3, 3, n)))  # fmt: skip
    delivered_reach(replace(bores, constants=FlightConstants(drop_scale=rng.lognormal(0.0, 0.31, n))))
    assert len(flown) == 1
    assert n < flown[0] < 1.2 * n


def test_effective_reach_is_never_negative():
    winds = np.linspace(-25.0, 0.0, 26)
    result = simulate(Stream(tip_diameter=0.01, nozzle_pressure=2e5, elevation=70.0, wind_along=winds))
    assert result.extreme_reach.min() < 0
    assert result.effective_reach.min() == 0.0


def test_mist_flies_as_quickly_as_rain():
    """Counted in steps, not in seconds: the finest drops of the finest streams take few."""
    case = thrown(0.004, 40.0, 45.0, ratio=60.0)
    fine = replace(case, constants=FlightConstants(drop_spread=1.2, drop_scale=0.1))
    law = fine.law.spray.classes(fine.jet, fine.constants, drop_ratio(0.01, 1.2))
    calls = 0
    rates = law.rates

    def counted(*given):
        nonlocal calls
        calls += 1
        rates(*given)

    law.rates = counted
    law.take = lambda cases: law
    assert np.isfinite(fly(law, case.launch, case.jet.breakup_length).extreme_reach).all()
    assert calls < 12 * 200


def test_no_larger_share_is_delivered_by_a_finer_stream():
    scales = FlightConstants(drop_scale=np.geomspace(2.0, 0.2, 30))
    for tip, pressure, elevation, distance in ((0.032, 1.276e6, 69.0, 24.4), (0.0366, 1.315e6, 74.0, 25.7)):
        asked = {"elevation": elevation, "delivery_distance": distance, "flight_constants": scales}
        share = simulate(Stream(tip_diameter=tip, nozzle_pressure=pressure, **asked)).delivered_fraction.values
        assert share[0] > 0.7
        assert (share - np.minimum.accumulate(share)).max() < 0.03
