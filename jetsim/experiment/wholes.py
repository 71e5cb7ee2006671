"""Indices of inputs as wholes: what an input shares with others counts with each of them."""

import xarray as xr

from jetsim.experiment.space import WHOLE, ParameterSpace


def whole_factors(space: ParameterSpace) -> dict[str, str]:
    """The factor of the design that moves each parameter as a whole."""
    return {p.name: f"{p.name}{WHOLE}" if p.loadings else p.name for p in space.parameters}


def as_wholes(indices: xr.Dataset, space: ParameterSpace) -> xr.Dataset:
    """Indices of each input as a whole, under the name of its parameter.

    Parameters
    ----------
    indices : xarray.Dataset
        Of a design whose closed sets hold `ParameterSpace.wholes`.
    space : ParameterSpace
    """
    factors = whole_factors(space)
    found = indices.drop_dims("other_parameter", errors="ignore").sel(parameter=list(factors.values()))
    names = [parameter.long_name for parameter in space.parameters]
    return found.assign_coords(parameter=list(factors), long_name=("parameter", names))
