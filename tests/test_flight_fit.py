"""The laws of flight with their shipped constants against the rows they were FITTED to, and the fit itself.

Checks of fit and chain, not of validity: the rows left out are judged in `benchmarks/flight_laws.py`, with one cheap
case here. Theobald (1981), Fire Safety Journal 4, 1-13, read as digitised; 1 m nozzle height and Cv 0.98 assumed.
"""

import numpy as np
import pytest

from benchmarks import flight_data as data
from benchmarks import flight_fit
from benchmarks.flight_checks import Error, Fitted, check
from benchmarks.flight_laws import AIR_STREAM, SHARED, TWO_STAGE
from benchmarks.flight_uncertainty import flown_scatter
from benchmarks.published_data import shipped
from jetsim.jet.drag import DROP_SCATTER
from jetsim.simulation import simulate
from jetsim.stream import Stream


def theobald(**changes):
    """His throws through the whole package, with measured breakup lengths unless changed."""
    fields = {"tip_diameter": data.TIP, "nozzle_pressure": data.PRESSURE, "elevation": data.ELEVATION,
              "discharge_coefficient": 0.98, "nozzle_height": 1.0, "breakup_length": data.BREAKUP_RATIO * data.TIP,
              **changes}  # fmt: skip
    return simulate(Stream(**{name: value for name, value in fields.items() if value is not None}))


@pytest.mark.parametrize(("law", "most", "bias"), [("air_stream", 3.5, 1.5), ("two_stage", 4.0, 1.5)])
def test_ranges_of_the_fitted_rows(law, most, bias):
    """All 47 rows are fitted rows, of either law."""
    error = Error.of(theobald(drag_model=law).extreme_reach.values / data.RANGE - 1)
    assert error.absolute <= most
    assert abs(error.bias) <= bias


@pytest.mark.parametrize("elevation", [20.0, 25.0, 30.0, 35.0, 40.0, 45.0])
def test_no_trend_with_elevation(elevation):
    rows = elevation == data.ELEVATION
    error = theobald().extreme_reach.values[rows] / data.RANGE[rows] - 1
    assert abs(error.mean()) <= 0.025


def test_end_to_end_without_breakup_lengths():
    """The chain from pressure and tip. Flight was fitted to these ranges, and the clear turbulence of 0.07 was chosen
    on the breakup lengths of the same tips; the breakup law itself comes from pipe jets."""
    error = Error.of(
        theobald(breakup_length=None, clear_turbulence_intensity=0.07).extreme_reach.values / data.RANGE - 1
    )
    assert error.absolute <= 8.0


def test_the_benchmark_flies_what_the_package_flies():
    law = shipped("air_stream")
    own = data.fly_cases(law.law.build, law.column(), data.throws()).extreme_reach
    assert np.allclose(own, theobald().extreme_reach.values, rtol=1e-9)


@pytest.mark.parametrize(("law", "weights"), [(AIR_STREAM, flight_fit.without(None)),
                                              (TWO_STAGE, flight_fit.ranges_alone())])  # fmt: skip
def test_shipped_constants_are_those_of_the_fit(law, weights):
    """air_stream: all rows; two_stage: ranges alone. Starting elsewhere, the fit comes back to what is shipped."""
    x = flight_fit.fit(law, weights[None], data.both())[0]
    assert law.constants(x) == pytest.approx(law.constants(shipped(law.name).x), rel=2e-3)


def test_the_fit_is_the_least_squares_minimum():
    law, cases, weights = AIR_STREAM, data.both(), flight_fit.without(None)
    x = flight_fit.fit(law, weights[None], cases)

    def cost(at):
        return (((flight_fit.log_predictions(law, at, cases) - flight_fit.log_measured()) * weights) ** 2).sum(axis=1)

    around = x + np.concatenate([step * np.eye(3) for step in (0.02, -0.02)])
    assert np.all(cost(around) > cost(x))


def test_one_group_left_out():
    """Profile 7 of 25.4 mm, 14 rows, judged by a fit without it: held out."""
    x = flight_fit.fit(AIR_STREAM, flight_fit.without("7/25.4")[None], data.both())[0]
    values = flight_fit.log_predictions(AIR_STREAM, x[None], data.both())[0]
    rows = np.flatnonzero(data.GROUP == "7/25.4")
    error = np.exp(values[rows]) / data.RANGE[rows] - 1
    assert np.abs(error).mean() <= 0.05


def test_covariance_does_not_hang_on_the_step():
    law = shipped("air_stream")
    deviations = [
        np.sqrt(np.diag(flight_fit.covariance(AIR_STREAM, law.x, flight_fit.without(None), data.both(), step)[0]))
        for step in (1e-5, 0.01, 0.05)
    ]
    assert deviations[0] == pytest.approx(deviations[1], rel=1e-3)
    assert deviations[2] == pytest.approx(deviations[1], rel=1e-2)


def test_drop_scatter_reproduces_the_scatter_of_range():
    law = shipped("air_stream")
    scatter = flight_fit.covariance(AIR_STREAM, law.x, flight_fit.without(None), data.both())[1]
    assert flown_scatter(law, DROP_SCATTER, draws=60) == pytest.approx(scatter, rel=0.08)


@pytest.mark.slow
def test_bootstrap_depends_on_its_seed_alone():
    first, second, other = (
        flight_fit.bootstrap(AIR_STREAM, 1, data.both(), np.random.default_rng(seed), 0.03) for seed in (0, 0, 1)
    )
    assert np.array_equal(first, second)
    assert not np.allclose(first, other)


def test_nozzle_height_is_unknown_but_hardly_matters():
    """Range error of the same constants at 1.5 and 2 m nozzle height."""
    law = shipped("air_stream")
    for height, most in ((1.5, 3.5), (2.0, 3.5)):
        assert check(Fitted(law.law, law.x, {}), height).ranges.absolute <= most


@pytest.mark.slow
def test_the_rival_that_shares_one_air_stream_holds_the_rows():
    """Fitted rows of a law that jetsim does not offer; momentum of air and drops closes in it by construction."""
    x = flight_fit.fit(SHARED, flight_fit.without(None)[None], data.both())[0]
    checks = check(Fitted(SHARED, x, {}))
    assert checks.ranges.absolute < 3.0
    assert checks.lueger.absolute < 2.6
    assert checks.end_to_end.absolute < 4.3
