"""The two wings joined: indices of real streams, and two other libraries that find the same ones."""

from importlib import import_module

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from jetsim.experiment.distributions import Uniform
from jetsim.experiment.ensemble import evaluate, sobol_design
from jetsim.experiment.sensitivity import sobol_indices
from jetsim.experiment.space import Parameter, ParameterSpace
from jetsim.simulation import StreamModel

RANGES = {
    "nozzle_pressure": (2.8e5, 4.1e5),
    "elevation": (15.0, 40.0),
    "valve_turbulence_factor": (1.0, 2.0),
    "wind_along": (-3.0, 3.0),
}
OUTPUTS = ("extreme_reach", "breakup_distance", "flow_rate")
MODEL = StreamModel({"tip_diameter": 0.0238125}, OUTPUTS)


def run(x):
    """Outputs, shape (outputs, runs), of inputs of shape (inputs, runs)."""
    samples = xr.Dataset({name: ("sample", values) for name, values in zip(RANGES, x, strict=True)})
    result = MODEL(samples)
    return np.stack([result[name].values for name in OUTPUTS])


@pytest.fixture(scope="module")
def indices():
    space = ParameterSpace(
        tuple(Parameter(name, Uniform(*ends)) for name, ends in RANGES.items()), outputs=OUTPUTS, base_samples=256
    )
    return sobol_indices(evaluate(sobol_design(space), MODEL, progress=False))


def test_scipy_finds_the_same_indices(indices):
    dists = [stats.uniform(low, high - low) for low, high in RANGES.values()]
    other = stats.sobol_indices(func=run, n=4096, dists=dists, rng=3)
    np.testing.assert_allclose(indices["S1"], other.first_order, atol=0.01)
    np.testing.assert_allclose(indices["ST"], other.total_order, atol=0.01)


@pytest.mark.slow
def test_openturns_finds_the_same_indices(indices):
    ot = import_module("openturns")  # where it is used alone: it is slow to load
    ot.RandomGenerator.SetSeed(3)
    inputs = ot.JointDistribution([ot.Uniform(*ends) for ends in RANGES.values()])
    size = 2**14
    design = ot.SobolIndicesExperiment(inputs, size, False).generate()
    outputs = run(np.asarray(design).T)
    for name, values in zip(OUTPUTS, outputs, strict=True):
        other = ot.MartinezSensitivityAlgorithm(design, ot.Sample(values[:, np.newaxis]), size)
        found = indices.sel(output=name)
        np.testing.assert_allclose(found["S1"], list(other.getFirstOrderIndices()), atol=0.03)
        np.testing.assert_allclose(found["ST"], list(other.getTotalOrderIndices()), atol=0.03)


def test_flow_follows_pressure_alone_and_breakup_turbulence_and_angle_but_hardly_pressure(indices):
    flow = indices.sel(output="flow_rate")
    np.testing.assert_allclose(flow["ST"], [1, 0, 0, 0], atol=1e-3)
    breakup = indices["ST"].sel(output="breakup_distance")
    assert float(breakup.sel(parameter="valve_turbulence_factor")) > 0.2
    assert float(breakup.sel(parameter="nozzle_pressure")) < 0.01
    assert float(breakup.sel(parameter="wind_along")) == 0.0
