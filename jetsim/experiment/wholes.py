"""Indices of inputs as wholes: what an input shares with others counts with each of them."""

import xarray as xr

from jetsim.experiment.space import ParameterSpace


def whole_factors(space: ParameterSpace) -> dict[str, str]:
    """The factor of the design that moves each parameter as a whole."""
    return dict(zip(space.names, space.inputs, strict=True))


def as_wholes(indices: xr.Dataset, space: ParameterSpace) -> xr.Dataset:
    """Indices of each input as a whole, under the name of its parameter.

    Parameters
    ----------
    indices : xarray.Dataset
        Of a design that moves `ParameterSpace.inputs`, and perhaps more.
    space : ParameterSpace
    """
    factors = whole_factors(space)
    found = indices.drop_dims("other_parameter", errors="ignore").sel(parameter=list(factors.values()))
    names = [parameter.long_name for parameter in space.parameters]
    return found.assign_coords(parameter=list(factors), long_name=("parameter", names))
