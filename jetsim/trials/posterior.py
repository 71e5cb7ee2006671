"""Draws that a calibration wrote: to which study file they belong, and whether its priors allow them."""

from pathlib import Path

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim.errors import InputError
from jetsim.experiment.distributions import Distribution
from jetsim.trials import model
from jetsim.trials.fieldfile import FieldTest

Array = NDArray[np.float64]

DEFINITION = "definition"  # attribute: digest of the study file's definition


def read_posterior(path: Path, test: FieldTest) -> dict[str, Array]:
    """Draws of the unknowns that a calibration wrote.

    Raises
    ------
    InputError
        No such file, no posterior, the posterior of another study file, or draws that the priors do not allow.
    """
    if not path.is_file():
        raise InputError(f"--posterior {path}: there is no such file; run field_test.py calibrate first")
    try:
        with xr.open_dataset(path, engine="h5netcdf") as data:
            found = {str(name): np.asarray(data[name].values, dtype=float) for name in data.data_vars}
            belongs = str(data.attrs.get(DEFINITION, ""))
    except (OSError, ValueError, KeyError, TypeError, RuntimeError) as error:
        raise InputError(f"--posterior {path}: cannot be read as NetCDF ({error})") from None
    priors = model.unknowns(test)
    if belongs != test.definition or found.keys() != priors.keys():
        raise InputError(
            f"--posterior {path}: belongs to another study file, or to this one before its equipment, priors, site or "
            "instruments were changed: run field_test.py calibrate again"
        )
    if len({values.shape for values in found.values()}) > 1 or found["gauge_error"].ndim != 1:
        raise InputError(f"--posterior {path}: its unknowns differ in the number of draws")
    for name, prior in priors.items():
        _check_draws(path, name, found[name], prior)
    return {name: found[name] for name in priors}


def _check_draws(path: Path, name: str, values: Array, prior: Distribution) -> None:
    """Refuse draws that the prior cannot give: the file is damaged."""
    if not values.size:
        raise InputError(f"--posterior {path}: {name} holds no draws")
    low, high = (float(end) for end in np.asarray(prior.ppf(np.array([0.0, 1.0])), dtype=float))
    slack = 1e-9 * (high - low)
    bad = values[~((values >= low - slack) & (values <= high + slack))]
    if bad.size:
        raise InputError(f"--posterior {path}: {name} = {bad[0]:g}: its prior allows {low:.4g} to {high:.4g} (SI)")
