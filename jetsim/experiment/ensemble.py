"""Running a model over a design: in order, on any executor, and stopping at the first thing that goes wrong.

The chunks of a design do not depend on the number of workers and their results are put back in the order of
the design, so any executor gives the same bytes.
"""

import json
import math
from collections.abc import Callable, Mapping
from concurrent.futures import BrokenExecutor, Executor, Future, as_completed
from contextlib import suppress
from dataclasses import asdict
from functools import partial
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from tqdm import tqdm

from jetsim import kept, units
from jetsim.errors import InputError
from jetsim.experiment.design import (
    SAMPLE,
    Design,
    Layout,
    attributes_of,
    grid_design,
    plain_design,
    sobol_design,
)
from jetsim.experiment.digests import digest, fingerprint
from jetsim.quantities import QUANTITIES
from jetsim.workers import process_pool

__all__ = [
    "Design",
    "Layout",
    "evaluate",
    "grid_design",
    "grid_results",
    "layout_of",
    "plain_design",
    "process_pool",
    "sobol_design",
]

# Runs handed to a model at a time: many enough that a thread seldom waits for another.
CHUNK = 32_768
Model = Callable[[xr.Dataset], xr.Dataset]
OUTCOME, VALIDITY = "outcome", "validity"
UNIT = "unit"  # probabilities behind a Morris design, which its analysis needs


def evaluate(
    design: Design,
    model: Model,
    executor: Executor | None = None,
    progress: bool = True,
    chunk: int = CHUNK,
    previous: xr.Dataset | None = None,
) -> xr.Dataset:
    """Run a model over all samples of a design.

    Parameters
    ----------
    design : Design
    model : callable
        Takes a dataset of samples along ``sample`` and returns the outputs along ``sample``; picklable if the
        executor needs that. It may return `outcome` (0 where all outputs are defined) and `validity` (flags).
    executor : concurrent.futures.Executor, optional
        In this process by default.
    progress : bool, optional
        Show a bar on stderr.
    chunk : int, optional
        Most runs handed to the model at a time.
    previous : xarray.Dataset, optional
        Results of the same design with fewer base samples: those runs are not run again.

    Returns
    -------
    xarray.Dataset
        Parameters, the outputs that the space names (all if it names none), and `outcome` and `validity` where
        the model gives them, along ``sample``; the attributes carry the layout.

    Raises
    ------
    InputError
        The model failed, lacks an output, or gave a value that is not finite without an `outcome` that explains
        it; the message names the run and its inputs. Where the space says ``undefined = "refuse"``, an
        explained one too.
    """
    if isinstance(chunk, bool) or not isinstance(chunk, int) or chunk < 1:
        raise InputError(f"chunk = {chunk!r}: must be a whole number from 1")
    known = None if previous is None else _known_rows(design, previous)
    rows = np.arange(design.layout.runs) if known is None else np.flatnonzero(known < 0)
    # Equal parts, an even number of them for two workers to share, however many workers there are.
    count = min(len(rows), 2 * math.ceil(len(rows) / (2 * chunk))) if len(rows) > chunk else 1
    parts = np.array_split(rows, count) if len(rows) else []
    job = _Job(design, model)
    with tqdm(total=len(rows), unit="run", unit_scale=True, disable=not progress) as bar:
        done = _results(_Chunks(job, parts, bar.update), executor)
    fresh = {name: np.concatenate([outputs[name] for outputs in done]) for name in done[0]} if done else {}
    if previous is None or known is None:
        return _dataset(design, fresh, job.attributes)
    return _dataset(design, _merged(fresh, previous, known), {**job.attributes, **_attributes(previous)})


class _Job:
    """The runs of one design, chunk by chunk; only the model and a chunk's samples go to a worker."""

    def __init__(self, design: Design, model: Model) -> None:
        self.design, self.model = design, model
        self.wanted = design.space.outputs
        self.attributes: dict[str, Any] = {}

    def samples(self, rows: NDArray[np.int64]) -> xr.Dataset:
        return self.design.samples.isel({SAMPLE: rows})

    def run(self, rows: NDArray[np.int64]) -> xr.Dataset:
        return kept.whole(self.model, self.samples(rows))

    def names(self, parts: list[NDArray[np.int64]]) -> list[str | None]:
        """Names under which chunks are kept; none where nothing is kept."""
        if kept.current() is None:
            return [None] * len(parts)
        study = kept.name_of(self.model, self.design.layout.fingerprint, self.wanted)
        return [study and kept.name_of(study, part) for part in parts]

    def read(self, rows: NDArray[np.int64], result: Any) -> dict[str, NDArray[Any]]:
        """Outputs of one chunk, checked."""
        outputs = _arrays(result, self.samples(rows), self.wanted)
        self.attributes = self.attributes or _attributes(result)
        self._check_finite(rows, outputs)
        return outputs

    def _check_finite(self, rows: NDArray[np.int64], outputs: Mapping[str, NDArray[Any]]) -> None:
        explained = outputs.get(OUTCOME, np.zeros(len(rows))) != 0
        for name, values in outputs.items():
            if name in (OUTCOME, VALIDITY):
                continue
            bad = ~np.isfinite(values)
            if np.any(wrong := bad & ~explained):
                first = int(np.flatnonzero(wrong)[0])
                raise InputError(f"the model gave {name} = {values[first]} in {self.name(rows[first])}")
            if self.design.space.undefined == "refuse" and np.any(bad):
                first = int(np.flatnonzero(bad)[0])
                rule = 'state undefined = "rank reaching" or "probability of reaching", or change the ranges'
                raise InputError(f"{name} is undefined (never reaches the target) in {self.name(rows[first])}: {rule}")

    def name(self, row: int) -> str:
        """A run in words: its index and all its inputs."""
        sample = self.design.samples.isel({SAMPLE: row})
        shown = ", ".join(f"{name} = {_worded(str(name), sample[name].item())}" for name in sample.data_vars)
        return f"run {row} ({shown})"

    def failed(self, rows: NDArray[np.int64], error: Exception) -> InputError:
        """An error that names the first run of a chunk at which the model fails."""
        while len(rows) > 1:
            half = rows[: len(rows) // 2]
            problem = _attempt(self.model, self.samples(half))
            if problem is None:
                half = rows[len(rows) // 2 :]
                problem = _attempt(self.model, self.samples(half))
            if problem is None:
                return InputError(f"the model failed in runs {rows[0]} to {rows[-1]}: {_one_line(error)}")
            rows, error = half, problem
        return InputError(f"the model failed in {self.name(rows[0])}: {_one_line(error)}")


def _attempt(model: Model, samples: xr.Dataset) -> Exception | None:
    try:
        model(samples)
    except Exception as error:
        return error
    return None


def _one_line(error: Exception) -> str:
    text = " ".join(str(error).split())
    return text if isinstance(error, InputError) else f"{type(error).__name__}: {text}"


def _worded(name: str, value: Any) -> str:
    if isinstance(value, str) or name not in QUANTITIES:
        return str(value) if isinstance(value, str) else f"{value:.6g}"
    label = QUANTITIES[name].si
    return f"{value:.6g}{'' if label == '1' else ' ' + units.unit(label).label}"


class _Chunks:
    """Outputs of chunks by their number; a finished one is kept at once, however many before it are still computed."""

    def __init__(self, job: _Job, parts: list[NDArray[np.int64]], told: Callable[[int], Any]) -> None:
        self.job, self.parts, self.told = job, parts, told
        self.ledger, self.names = kept.current(), job.names(parts)
        self.done: dict[int, dict[str, NDArray[Any]]] = {}
        for number in range(len(parts)):
            if (found := self._find(number)) is not None:
                self._read(number, found)

    def _find(self, number: int) -> Any:
        name = self.names[number]
        return self.ledger.find(name) if self.ledger is not None and name is not None else None

    def _read(self, number: int, result: Any) -> None:
        self.done[number] = self.job.read(self.parts[number], result)
        self.told(len(self.parts[number]))

    @property
    def waiting(self) -> list[int]:
        """Chunks that are still to be computed."""
        return [number for number in range(len(self.parts)) if number not in self.done]

    def take(self, number: int, compute: Callable[[], Any]) -> None:
        """Compute a chunk, read it and keep it."""
        try:
            result = compute()
        except BrokenExecutor:  # no fault of a run that could be named
            raise
        except Exception as error:
            raise self.job.failed(self.parts[number], error) from error
        self._read(number, result)
        name = self.names[number]
        if self.ledger is not None and name is not None:
            self.ledger.keep(name, result)


def _results(chunks: _Chunks, executor: Executor | None) -> list[dict[str, NDArray[Any]]]:
    """Outputs of all chunks in order; those still waiting are cancelled when one fails."""
    job, futures = chunks.job, dict[int, Future[xr.Dataset]]()
    if executor is not None:
        futures = {n: executor.submit(kept.whole, job.model, job.samples(chunks.parts[n])) for n in chunks.waiting}
    numbers = {future: number for number, future in futures.items()}
    try:
        # The first chunk that fails is told, not the one that does so first.
        with suppress(InputError):
            for future in as_completed(numbers):
                chunks.take(numbers[future], future.result)
        for number in chunks.waiting:
            chunks.take(number, futures[number].result if number in futures else partial(job.run, chunks.parts[number]))
    finally:
        for future in numbers:
            future.cancel()
    return [chunks.done[number] for number in range(len(chunks.parts))]


def _arrays(result: Any, samples: xr.Dataset, wanted: tuple[str, ...]) -> dict[str, NDArray[Any]]:
    """The outputs of a chunk as arrays, refused where the model's answer does not fit the question."""
    if not isinstance(result, xr.Dataset):
        raise InputError(f"the model returned a {type(result).__name__}: must be an xarray.Dataset")
    given = [str(name) for name in result.data_vars if name not in samples.data_vars]
    missing = [name for name in wanted if name not in given]
    if missing:
        raise InputError(f"the model gives no {missing[0]!r}: it gives {', '.join(given) or 'nothing'}")
    if SAMPLE in result.coords and not np.array_equal(result[SAMPLE].values, samples[SAMPLE].values):
        raise InputError("the model returned its results in another order than the samples")
    names = [*wanted, *(n for n in (OUTCOME, VALIDITY) if n in given and n not in wanted)] if wanted else given
    return {name: _array(result[name], samples.sizes[SAMPLE]) for name in names}


def _array(output: xr.DataArray, count: int) -> NDArray[Any]:
    if output.dims != (SAMPLE,) or output.size != count:
        raise InputError(f"the model's {output.name} has dimensions {dict(output.sizes)}: must be sample: {count}")
    if output.dtype.kind not in "fiub":
        raise InputError(f"the model's {output.name} holds {output.dtype}: must be numbers")
    return np.asarray(output.values)


def _attributes(result: xr.Dataset) -> dict[str, Any]:
    return {str(name): result[name].attrs for name in result.data_vars}


def _dataset(design: Design, outputs: Mapping[str, NDArray[Any]], attributes: Mapping[str, Any]) -> xr.Dataset:
    made = {n: ((SAMPLE,), values, attributes.get(n) or attributes_of(n)) for n, values in outputs.items()}
    results = design.samples.assign(made)
    checked = dict(outputs)
    if design.layout.kind == "morris":
        checked[UNIT] = design.unit
        results[UNIT] = ((SAMPLE, "column"), design.unit)
    results.attrs = {
        "title": design.space.title,
        "layout": design.layout.to_json(),
        "undefined": design.space.undefined,
        "columns": json.dumps([asdict(column) for column in design.space.column_details]),
        "digests": json.dumps({name: digest(values) for name, values in checked.items()}),
    }
    return results


# --------------------------------------------------------------------------------------------------------
# Results and their layout


def layout_of(results: xr.Dataset, kind: str | None = None) -> Layout:
    """The layout of results, after checking that they are whole, in order and unaltered.

    Parameters
    ----------
    results : xarray.Dataset
        What `evaluate` returned, also after a round trip through a file.
    kind : str, optional
        The kind of design that is needed.

    Raises
    ------
    InputError
        There is no layout, the design is of another kind, rows are missing or moved, parameters or outputs were
        altered.
    """
    if "layout" not in results.attrs:
        raise InputError("these results carry no layout: they must come from evaluate, whole and with attributes")
    layout = Layout.from_json(results.attrs["layout"])
    if kind is not None and layout.kind != kind:
        raise InputError(f"these results come from {layout.words}: {Layout(kind, ()).words} is needed")
    rows = results.sizes.get(SAMPLE, 0)
    if rows != layout.runs:
        raise InputError(f"these results have {rows} rows, but their design has {layout.runs} runs: rows are missing")
    if not np.array_equal(results[SAMPLE].values, np.arange(rows)):
        raise InputError("these results are not in the order of their design: sort them by 'sample'")
    _check_content(results, layout)
    return layout


def _check_content(results: xr.Dataset, layout: Layout) -> None:
    for name in layout.parameters:
        if name not in results:
            raise InputError(f"these results lack the parameter {name!r}: keep all variables of evaluate")
    if fingerprint(results, layout.parameters) != layout.fingerprint:
        raise InputError("the parameters of these results are not those of their design: rows shuffled or altered")
    for name, expected in json.loads(results.attrs.get("digests", "{}")).items():
        if name in results and digest(results[name].values) != expected:
            raise InputError(f"{name} was altered or shuffled after evaluate: give changed outputs a new name")


def grid_results(results: xr.Dataset) -> xr.Dataset:
    """Results of a grid with their axes as dimensions.

    Returns
    -------
    xarray.Dataset
        Outputs along the axes of `grid_design`, SI; the axes are coordinates. Parameters at their medians are
        left out.
    """
    layout = layout_of(results, "grid")
    shape, names = tuple(layout.shape.values()), tuple(layout.shape)
    data = xr.Dataset()
    for index, name in enumerate(names):
        axis = np.moveaxis(results[name].values.reshape(shape), index, 0).reshape(shape[index], -1)[:, 0]
        data[name] = ((name,), axis, results[name].attrs)
    for variable in results.data_vars:
        if variable not in layout.parameters:
            values = results[variable]
            data[variable] = (names, values.values.reshape(shape), values.attrs)
    return data.set_coords(names)


def _known_rows(design: Design, previous: xr.Dataset) -> NDArray[np.int64]:
    """Row of each run in earlier results of the same sequence; -1 where it was not run."""
    layout, old = design.layout, layout_of(previous, "sobol")
    same = ("kind", "parameters", "columns", "factors", "replicates", "second_order")
    begins = all(getattr(old, name) == getattr(layout, name) for name in same)
    if begins and old.base_samples <= layout.base_samples:
        known = np.full((layout.replicates, layout.base_samples, layout.block), -1)
        known[:, : old.base_samples] = np.arange(old.runs).reshape(layout.replicates, old.base_samples, -1)
        rows = known.ravel()
        if fingerprint(design.samples.isel({SAMPLE: rows >= 0}), layout.parameters) == old.fingerprint:
            return rows
    raise InputError("the previous results are not a beginning of this design")


def _merged(
    fresh: Mapping[str, NDArray[Any]], previous: xr.Dataset, known: NDArray[np.int64]
) -> dict[str, NDArray[Any]]:
    names = json.loads(previous.attrs["digests"])
    merged = {}
    for name in names:
        old = previous[name].values
        values = np.empty(len(known), dtype=old.dtype)
        values[known >= 0] = old[known[known >= 0]]
        if name in fresh:
            values[known < 0] = fresh[name]
        merged[name] = values
    return merged
