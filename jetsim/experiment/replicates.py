"""Designs too large for one memory: each replicate is drawn, run and estimated where a worker is.

What goes to a worker is the space, the model and the number of a replicate; what comes back are its indices, moments,
quantiles and counts of flags. So neither client nor scheduler grows with the number of runs.
"""

from collections.abc import Iterable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim.errors import InputError
from jetsim.experiment.design import Layout, one_replicate, sobol_layout
from jetsim.experiment.ensemble import CHUNK, OUTCOME, VALIDITY, Model, evaluate
from jetsim.experiment.outputs import Output, add_interval, check_confidence, coordinates, read_outputs
from jetsim.experiment.sensitivity import apart, estimates_of
from jetsim.experiment.space import ParameterSpace
from jetsim.kept import kept_map

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)
_FLAGS = 15  # bits of a count of flags

Array = NDArray[np.float64]
Seed = int | np.random.SeedSequence | None


@dataclass(frozen=True)
class Replicate:
    """Draws, runs and estimates replicates, each by its number; what is sent to a worker.

    Attributes
    ----------
    space : ParameterSpace
    layout : Layout
        Of all replicates.
    model : callable
        As for `evaluate`.
    seed : int or SeedSequence, optional
    outputs : tuple of str or None
    runs_to : Path or None
        Folder into which each replicate writes its runs.
    """

    space: ParameterSpace
    layout: Layout
    model: Model
    seed: Seed = None
    outputs: tuple[str, ...] | None = None
    runs_to: Path | None = None

    def __call__(self, number: int) -> xr.Dataset:
        """Indices of one replicate, as small as a page."""
        design = one_replicate(self.space, self.layout, self.seed, number)
        runs = evaluate(design, self.model, progress=False, chunk=CHUNK)
        if self.runs_to is not None:
            runs.to_netcdf(self.runs_to / f"replicate_{number:04}.nc", engine="h5netcdf")
        chosen = read_outputs(runs, design.layout, self.outputs)
        data = xr.Dataset(coords=coordinates(runs, design.layout, [output.name for output in chosen]))
        for index, values in _indices(chosen, design.layout).items():
            data[index] = (("output", "parameter", "other_parameter")[: values.ndim], values)
        return data.merge(_summary(chosen)).merge(_counts(runs))


def _indices(outputs: list[Output], layout: Layout) -> dict[str, Array]:
    each = [estimates_of(output, layout) for output in outputs]
    return {index: np.stack([one[index][0] for one in each]) for index in each[0]}


def _summary(outputs: list[Output]) -> xr.Dataset:
    """Moments and quantiles of the plain runs of each output, and what kept it from having indices."""
    plain = [output.blocks[[0, -1]].ravel() for output in outputs]
    defined = [values[np.isfinite(values)] for values in plain]
    safe = [values if values.size else np.array([np.nan]) for values in defined]
    each = {
        "defined": [float(values.size) for values in defined],
        "mean": [float(values.mean()) for values in safe],
        "variance": [float(values.var()) for values in safe],
        "used_share": [output.used for output in outputs],
        "reason": np.array([output.reason for output in outputs], dtype=str),
    }
    data = xr.Dataset({name: ("output", values) for name, values in each.items()}, {"quantile": list(QUANTILES)})
    return data.assign(quantiles=(("output", "quantile"), [np.quantile(values, QUANTILES) for values in safe]))


def _counts(runs: xr.Dataset) -> xr.Dataset:
    """How many runs carry each flag, and how many miss the target."""
    flags = runs[VALIDITY].values if VALIDITY in runs else np.zeros(runs.sizes["sample"], dtype=int)
    missed = int(np.count_nonzero(runs[OUTCOME])) if OUTCOME in runs else 0
    flagged = [int(np.count_nonzero(flags & 1 << bit)) for bit in range(_FLAGS)]
    return xr.Dataset({"flagged": ("bit", flagged), "missed": missed})


def indices_by_replicate(
    space: ParameterSpace,
    model: Model,
    base_samples: int | None = None,
    replicates: int | None = None,
    rng: Seed = None,
    second_order: bool = True,
    groups: Mapping[str, Iterable[str]] | None = None,
    closed: Mapping[str, Iterable[str]] | None = None,
    outputs: Iterable[str] | None = None,
    executor: Executor | None = None,
    confidence: float = 0.95,
    runs_to: Path | None = None,
) -> xr.Dataset:
    """Indices of a Sobol' design whose runs are never in one place; the same bytes on any executor.

    The design is that of `sobol_design`, and the indices those of `sobol_indices`, but for rounding and for rules about
    undefined outputs, which here hold in each replicate.

    Parameters
    ----------
    space, base_samples, replicates, rng, second_order, groups, closed
        As for `sobol_design`; `rng` is no generator.
    model : callable
        As for `evaluate`; picklable if the executor needs that.
    outputs : iterable of str, optional
        All outputs by default.
    executor : concurrent.futures.Executor, optional
        Each of its tasks is a replicate. In this thread by default.
    confidence : float, optional
    runs_to : Path, optional
        A folder that all workers see; each replicate writes ``replicate_NNNN.nc`` there.

    Returns
    -------
    xarray.Dataset
        As `sobol_indices`; also ``quantiles`` along ``quantile`` (mean over replicates), ``flagged`` along ``bit``
        of `validity`, and ``missed``: runs that never reach the target.

    Raises
    ------
    InputError
        As `sobol_design`, `evaluate` and `sobol_indices`; a replicate has too many runs for one worker.
    """
    check_confidence(confidence)
    layout = sobol_layout(space, base_samples, replicates, second_order, groups, closed, whole=False)
    wanted = None if outputs is None else tuple(outputs)
    one = Replicate(space, layout, model, rng, wanted, runs_to)
    return _together(kept_map(one, range(layout.replicates), executor), layout, confidence)


def _together(parts: list[xr.Dataset], layout: Layout, confidence: float) -> xr.Dataset:
    names = {tuple(part["output"].values) for part in parts}
    if len(names) > 1:
        raise InputError("an output is undefined in some replicates alone: more base_samples are needed")
    first = parts[0]
    every = xr.concat(parts, "replicate", coords="minimal", compat="override", join="exact")
    data = xr.Dataset(coords=first.coords)
    for index in ("S1", "ST", *(("S2",) if layout.second_order else ())):
        values = every[index].transpose("replicate", "output", "parameter", ...)
        data[f"{index}_replicates"] = values.where(apart(layout)) if index == "S2" else values
        add_interval(data, index, confidence)
    weight = every["defined"] / every["defined"].sum("replicate")
    data["mean"] = (weight * every["mean"]).sum("replicate", skipna=False)
    spread = every["variance"] + (every["mean"] - data["mean"]) ** 2
    data["standard_deviation"] = np.sqrt((weight * spread).sum("replicate", skipna=False))
    data["used_share"] = every["used_share"].mean("replicate")
    data["quantiles"] = every["quantiles"].mean("replicate").assign_attrs(long_name="quantiles of the plain runs")
    data["flagged"], data["missed"] = every["flagged"].sum("replicate"), every["missed"].sum("replicate")
    reasons = [next((str(text) for text in row if text), "") for row in every["reason"].transpose("output", ...).values]
    data.coords["reason"] = ("output", np.array(reasons, dtype=str))
    data.attrs = _attributes(layout, confidence)
    return data


def _attributes(layout: Layout, confidence: float) -> dict[str, Any]:
    return {
        "confidence": confidence,
        "base_samples": layout.base_samples,
        "replicates": layout.replicates,
        "runs": layout.runs,
    }
