"""Inputs that act on nothing: found by moving each of them, and explained where the laws in use say why."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim.errors import InputError

Results = Mapping[str, NDArray[Any]]
Columns = Mapping[str, NDArray[Any]]
Model = Callable[[xr.Dataset], xr.Dataset]

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


def unread_inputs(model: Model, samples: xr.Dataset, fixed: Mapping[str, Any]) -> dict[str, str]:
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
    columns = {str(name): column.values for name, column in samples.data_vars.items()}
    first, *found = _results(model, columns, [None, *columns])
    assert first is not None
    pairs = zip(columns, found, strict=True)
    idle = [name for name, results in pairs if results is not None and not _differ(results, first)]
    return {name: reason(name, {**columns, **fixed}) for name in idle}


def _results(model: Model, columns: Columns, moved: Sequence[str | None]) -> list[Results | None]:
    """Results with each of some inputs moved (None: with nothing moved), computed at once where that can be.

    None where the model refuses a moved input because a rule ties it to another one: then the input is read.
    """
    try:
        return [*_split(model(_moved(columns, moved)), len(moved))]
    except InputError:
        if moved == [None]:
            raise
        return [None] if len(moved) == 1 else [part for name in moved for part in _results(model, columns, [name])]


def _moved(columns: Columns, moved: Sequence[str | None]) -> xr.Dataset:
    """The samples once for each of `moved`, that input taking the values of other runs."""
    each = {name: [np.roll(column, 1) if name == one else column for one in moved] for name, column in columns.items()}
    return xr.Dataset({name: ("sample", np.concatenate(parts)) for name, parts in each.items()})


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
