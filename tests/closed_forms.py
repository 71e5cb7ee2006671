"""Test functions with known sensitivity indices, on inputs x0, x1, ... ."""

from itertools import combinations

import numpy as np
import xarray as xr

from jetsim.experiment.distributions import Uniform
from jetsim.experiment.space import Parameter, ParameterSpace


def uniform_space(count, low=0.0, high=1.0, **options):
    return ParameterSpace(tuple(Parameter(f"x{i}", Uniform(low, high)) for i in range(count)), **options)


def columns(samples):
    return np.stack([samples[name].values for name in samples.data_vars])


def as_model(function):
    """A model of one output, y, from a function of an array of shape (inputs, runs)."""
    return lambda samples: xr.Dataset({"y": ("sample", function(columns(samples)))})


# Ishigami & Homma 1990 (from memory); indices in closed form with a = 7, b = 0.1, x in (-pi, pi).
def ishigami(x):
    return np.sin(x[0]) + 7 * np.sin(x[1]) ** 2 + 0.1 * x[2] ** 4 * np.sin(x[0])


def ishigami_indices():
    a, b, pi = 7.0, 0.1, np.pi
    v1 = 0.5 * (1 + b * pi**4 / 5) ** 2
    v2 = a**2 / 8
    v13 = b**2 * pi**8 * (1 / 18 - 1 / 50)
    total = v1 + v2 + v13
    second = np.full((3, 3), np.nan)
    second[0, 1] = second[1, 0] = second[1, 2] = second[2, 1] = 0
    second[0, 2] = second[2, 0] = v13 / total
    return np.array([v1, v2, 0]) / total, np.array([v1 + v13, v2, v13]) / total, second


# Sobol' G function (Saltelli & Sobol' 1995, from memory): a product of (|4x - 2| + a)/(1 + a).
G = np.array([0.0, 1.0, 4.5, 9.0, 99.0])


def sobol_g(x):
    a = G[: len(x), np.newaxis]
    return np.prod((np.abs(4 * x - 2) + a) / (1 + a), axis=0)


def product_indices(spread):
    """Indices of a product of independent factors whose relative variances are `spread`."""
    spread = np.asarray(spread)
    whole = np.prod(1 + spread) - 1
    total = np.array([s * np.prod(1 + np.delete(spread, i)) for i, s in enumerate(spread)]) / whole
    second = np.full((len(spread), len(spread)), np.nan)
    for i, j in combinations(range(len(spread)), 2):
        second[i, j] = second[j, i] = spread[i] * spread[j] / whole
    return spread / whole, total, second


def sobol_g_indices(count):
    return product_indices(1 / (3 * (1 + G[:count]) ** 2))
