"""Inputs that act on nothing: found by moving each of them, and explained where the laws in use say why."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim.errors import InputError

Results = Mapping[str, NDArray[Any]]

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

    Raises
    ------
    InputError
        The model refuses the samples themselves.
    """
    first = _split(model(samples), 1)[0]
    columns = {str(name): column.values for name, column in samples.data_vars.items()}
    moved = [samples.assign({name: ("sample", np.roll(column, 1))}) for name, column in columns.items()]
    found = zip(columns, _results(model, moved), strict=True)
    idle = [name for name, results in found if results is not None and not _differ(results, first)]
    return {name: reason(name, {**columns, **fixed}) for name in idle}


def _results(model: Callable[[xr.Dataset], xr.Dataset], samples: Sequence[xr.Dataset]) -> list[Results | None]:
    """Results of samples of one size, computed at once where that can be; None for one that the model refuses.

    It refuses a sample in which a rule ties the moved input to another one: then the input is read.
    """
    try:
        together = model(xr.concat(samples, "sample"))
    except InputError:
        return [None] if len(samples) == 1 else [part for one in samples for part in _results(model, [one])]
    return [*_split(together, len(samples))]


def _split(results: xr.Dataset, parts: int) -> list[Results]:
    """Results of each of so many equal parts, by name."""
    kept = {str(name): np.split(values.values, parts) for name, values in results.data_vars.items()}
    return [{name: split[k] for name, split in kept.items() if name not in _FLAGS} for k in range(parts)]


def _differ(one: Results, other: Results) -> bool:
    """Whether any result differs by more than rounding; undefined in both is alike."""
    return any(_apart(values, other[name]) for name, values in one.items())


def _apart(one: NDArray[Any], other: NDArray[Any]) -> bool:
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
