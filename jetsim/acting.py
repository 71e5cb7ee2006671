"""Inputs that act on nothing: found by moving each of them, and explained where the laws in use say why."""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim.errors import InputError

# Where a result was computed from, which is no result.
_FLAGS = {"validity"}
# Movements below this share of a result's size are rounding.
_ROUNDING = 1e-9
# What each model of the valve reads, besides constants.
_VALVE_READS = {
    "factor": "valve_turbulence_factor",
    "upstream factor": "valve_upstream_factor",
    "clear": "none of the valve's inputs",
    "loss": "valve_loss_coefficient",
    "decaying loss": "valve_loss_coefficient and valve_distance",
}
_OF_VALVE = ("valve_", "turbulence_constants.")
_OF_CORRELATION = (*_OF_VALVE, "breakup_constants.", "clear_turbulence_intensity", "breakup_model")


def unread_inputs(
    model: Callable[[xr.Dataset], xr.Dataset], samples: xr.Dataset, fixed: Mapping[str, Any]
) -> dict[str, str]:
    """Inputs that vary and move no result, each with the reason in words.

    Each input in turn takes the values of other runs while all else stands still. An input that then moves no result of
    any run acts on nothing, whatever the laws: this needs no list of what each law reads, and also finds what cancels.

    Parameters
    ----------
    model : callable
        From samples to results along ``sample``, such as `jetsim.simulation.StreamModel`.
    samples : xarray.Dataset
        Runs of the study along ``sample``, SI; 64 or more, spread over all inputs and choices of law.
    fixed : mapping
        What does not vary, for the reasons.

    Returns
    -------
    dict of str to str
        Name of the input to why it acts on nothing.
    """
    results = model(samples)
    fields = {**{str(name): column.values for name, column in samples.data_vars.items()}, **fixed}
    idle = [str(name) for name in samples.data_vars if not _moves(str(name), model, samples, results)]
    return {name: reason(name, fields) for name in idle}


def _moves(name: str, model: Callable[[xr.Dataset], xr.Dataset], samples: xr.Dataset, results: xr.Dataset) -> bool:
    """Whether any result of any run changes when an input takes the values of other runs."""
    try:
        moved = model(samples.assign({name: (samples[name].dims, np.roll(samples[name].values, 1))}))
    except InputError:
        return True  # a rule ties it to another input: it is read
    return any(_differ(moved[result].values, results[result].values) for result in results.data_vars.keys() - _FLAGS)


def _differ(one: NDArray[Any], other: NDArray[Any]) -> bool:
    size = float(np.max(np.abs(other), initial=0.0, where=np.isfinite(other)))
    return not np.allclose(one, other, rtol=_ROUNDING, atol=_ROUNDING * size, equal_nan=True)


def reason(name: str, fields: Mapping[str, Any]) -> str:
    """Why an input acts on nothing, as far as the fields of the stream say.

    Parameters
    ----------
    name : str
    fields : mapping
        Fixed values and columns of the samples.

    Returns
    -------
    str
        One clause, without the name.
    """
    measured = np.asarray(fields.get("breakup_length", np.nan), dtype=float)
    if name.startswith(_OF_CORRELATION) and not np.isnan(measured).any():
        return "a measured breakup_length replaces the correlation and all that feeds it"
    if name.startswith(_OF_VALVE):
        models = sorted(set(np.ravel(np.asarray(fields.get("valve_model", "factor"))).astype(str).tolist()))
        read = " and ".join(_VALVE_READS.get(model, model) for model in models)
        return f"valve_model = {', '.join(map(repr, models))} reads {read}"
    if name.startswith(("flight_constants.", "breakup_constants.")):
        kind = "drag_model" if name.startswith("flight") else "breakup_model"
        law = f" under {kind} = {fields[kind]!r}" if isinstance(fields.get(kind), str) else ""
        return f"none of the outputs asked for depends on it{law}"
    return "none of the outputs asked for depends on it"
