"""Outputs of a design as the estimators want them, and the labels that indices carry.

Here the study's rule for undefined outputs is applied, and an output that can have no index is told why.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.special import stdtrit

from jetsim.errors import InputError
from jetsim.experiment.design import SAMPLE, Layout, attributes_of
from jetsim.experiment.ensemble import OUTCOME, UNIT, VALIDITY, layout_of
from jetsim.quantities import did_you_mean

Array = NDArray[np.float64]
REACHING = "probability_of_reaching"
# An output that varies by less than this share of its size is constant but for rounding.
_ROUNDING = 1e-10
# Of each replicate, at least this many base samples must have all their runs defined.
_FEWEST_DEFINED = 16
# Base samples are left out whole, which prefers the middle of the inputs: a few may be, or the shares are biased.
_LEAST_WHOLE = 0.9


@dataclass(frozen=True)
class Output:
    """One output of a Sobol' or Morris design, by place in the block, base sample and replicate.

    Attributes
    ----------
    name : str
    blocks : ndarray, shape (block, base_samples, replicates)
        NaN where undefined.
    attributes : mapping
        Units and long name.
    """

    name: str
    blocks: Array
    attributes: Mapping[str, Any]

    @cached_property
    def reason(self) -> str:
        """Why no index can be given; empty if one can."""
        defined = np.isfinite(self.blocks)
        if not defined.any():
            return "undefined in every run"
        if self.is_constant(self.blocks).all():
            return f"constant: every run gives {self.blocks[defined].flat[0]:.6g}"
        whole = defined.all(axis=0)
        kept = whole.sum(axis=0)
        if np.any(kept < min(_FEWEST_DEFINED, self.blocks.shape[1])):
            return f"undefined in too many runs: a replicate keeps {int(kept.min())} base samples"
        if kept.mean() < _LEAST_WHOLE * self.blocks.shape[1]:
            return (
                f"of {100 * kept.mean() / self.blocks.shape[1]:.0f} % of the base samples every run is defined: below "
                f"{100 * _LEAST_WHOLE:.0f} %, leaving out the others would bias the shares"
            )
        if self.is_constant(np.where(whole, self.blocks[[0, -1]], np.nan), axis=(0, 1)).any():
            return "constant within a replicate: more base samples are needed"
        return ""

    @staticmethod
    def is_constant(values: Array, axis: tuple[int, ...] | None = None) -> NDArray[np.bool_]:
        """Whether values vary by no more than rounding, along the given axes or all."""
        high, low = np.nanmax(values, axis=axis), np.nanmin(values, axis=axis)
        return np.asarray(high - low <= _ROUNDING * np.maximum(np.abs(high), np.abs(low)))

    def replicate(self, index: int) -> Array:
        """The base samples of one replicate of which every run is defined, shape (block, n)."""
        part = self.blocks[..., index]
        return np.asarray(part[:, np.isfinite(part).all(axis=0)])

    @property
    def used(self) -> float:
        """Share of base samples that enter the estimate."""
        return float(np.isfinite(self.blocks).all(axis=0).mean())


def output_names(results: xr.Dataset, layout: Layout, names: Iterable[str] | None) -> list[str]:
    """The outputs asked for, or all; refused if unknown, doubled or none."""
    known = [str(name) for name in results.data_vars if name not in (*layout.parameters, OUTCOME, VALIDITY, UNIT)]
    chosen = known if names is None else [names] if isinstance(names, str) else list(names)
    for name in chosen:
        if name not in known:
            raise InputError(f"unknown output {name!r}{did_you_mean(name, known)}")
    if not chosen or len(set(chosen)) < len(chosen):
        raise InputError("no output is named" if not chosen else "an output is named twice")
    return chosen


def read_outputs(results: xr.Dataset, layout: Layout, names: Iterable[str] | None) -> list[Output]:
    """The outputs to be ranked, with the study's rule for undefined ones applied."""
    rule = results.attrs.get("undefined", "refuse")
    missed = results[OUTCOME].values != 0 if OUTCOME in results else np.zeros(layout.runs, dtype=bool)
    chosen, replaced = [], False
    for name in output_names(results, layout, names):
        values = results[name].values.astype(float)
        _check_explained(name, values, missed)
        if np.isnan(values).any() and rule == "probability of reaching":
            replaced = True
        elif np.isnan(values).any() and rule == "refuse":
            raise InputError(f"{name} is undefined in {int(np.isnan(values).sum())} runs: the study must state a rule")
        else:
            chosen.append(Output(name, _blocks(values, layout), attributes_of(name)))
    if replaced:
        words = {"long_name": "probability of reaching the target", "units": "1"}
        chosen.append(Output(REACHING, _blocks((~missed).astype(float), layout), words))
    return chosen


def _check_explained(name: str, values: Array, missed: NDArray[np.bool_]) -> None:
    bad = ~np.isfinite(values) & ~(missed & np.isnan(values))
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise InputError(f"{name} = {values[row]} in run {row}, and no outcome explains it")


def _blocks(values: Array, layout: Layout) -> Array:
    shape = (layout.replicates, layout.base_samples, layout.block)
    return np.ascontiguousarray(values.reshape(shape).transpose(2, 1, 0))


def check_confidence(confidence: float) -> None:
    """Refuse a confidence that is not between 0 and 1."""
    if not 0 < confidence < 1:
        raise InputError(f"confidence = {confidence!r}: must be between 0 and 1, both excluded")


def coordinates(results: xr.Dataset, layout: Layout, outputs: list[str]) -> dict[str, Any]:
    """Labels of indices: outputs, factors, and the long name, role and basis of each factor."""
    factors = list(layout.factors)
    details = {column["name"]: column for column in json.loads(results.attrs.get("columns", "[]"))}
    coordinates: dict[str, Any] = {"output": outputs, "parameter": factors}
    for key in ("long_name", "role", "basis"):
        words = [_word(name, members, key, details) for name, members in layout.factors.items()]
        coordinates[key] = ("parameter", np.array(words, dtype=str))
    if layout.second_order:
        coordinates["other_parameter"] = factors
    return coordinates


def _word(name: str, members: tuple[str, ...], key: str, details: Mapping[str, Mapping[str, Any]]) -> str:
    """Long name, role or basis of a factor; that of its columns where they agree."""
    if key == "long_name" and members != (name,):
        return name.replace("_", " ")
    words = {str(details.get(column, {}).get(key, "")) for column in members}
    return words.pop() if len(words) == 1 else "several"


def add_outputs(data: xr.Dataset, outputs: list[Output]) -> None:
    """Add moments, units, names and reasons of outputs to a dataset of indices."""

    def each(name: str, values: list[Any]) -> None:
        data[name] = ("output", np.array(values))

    each("mean", [_moment(output, np.nanmean) for output in outputs])
    each("standard_deviation", [_moment(output, np.nanstd) for output in outputs])
    each("used_share", [output.used for output in outputs])
    for key in ("units", "long_name"):
        words = [output.attributes.get(key, "1" if key == "units" else output.name) for output in outputs]
        data.coords[f"output_{key}"] = ("output", np.array(words, dtype=str))
    data.coords["reason"] = ("output", np.array([output.reason for output in outputs], dtype=str))


def _moment(output: Output, moment: Any) -> float:
    plain = output.blocks[[0, -1]]
    return float(moment(plain)) if np.isfinite(plain).any() else float("nan")


def study_attributes(results: xr.Dataset, layout: Layout, confidence: float) -> dict[str, Any]:
    """What indices carry about the study that they come from."""
    return {
        "title": results.attrs.get("title", ""),
        "confidence": confidence,
        "base_samples": layout.base_samples,
        "replicates": layout.replicates,
        "runs": layout.runs,
        "undefined": results.attrs.get("undefined", "refuse"),
        "factors": json.dumps(layout.factors),
    }


def add_interval(data: xr.Dataset, index: str, confidence: float) -> None:
    """Add the mean over replicates and its Student-t interval to a dataset that holds the replicates."""
    replicates = data[f"{index}_replicates"]
    count, axis = replicates.sizes["replicate"], replicates.get_axis_num("replicate")
    kept = [name for name in replicates.dims if name != "replicate"]
    mean = replicates.values.mean(axis)
    half = float(stdtrit(count - 1, (1 + confidence) / 2)) * (replicates.values.std(axis, ddof=1) / np.sqrt(count))
    for name, values in ((index, mean), (f"{index}_low", mean - half), (f"{index}_high", mean + half)):
        data[name] = kept, values


def unmoving(results: xr.Dataset) -> tuple[str, ...]:
    """Factors that change no output, defined or not, in any crossed run of a Sobol' design."""
    layout = layout_of(results, "sobol")
    blocks = [_blocks(results[name].values.astype(float), layout) for name in output_names(results, layout, None)]
    still = [
        all(np.array_equal(block[0], block[1 + place], equal_nan=True) for block in blocks)
        for place in range(len(layout.factors))
    ]
    return tuple(name for name, same in zip(layout.factors, still, strict=True) if same)


def independent_runs(results: xr.Dataset) -> xr.Dataset:
    """The runs of matrices A and B: a plain sample of the inputs, without the crossed runs.

    Returns
    -------
    xarray.Dataset
        The same variables along ``sample``, with coordinate ``replicate``; all runs of a plain sample.
    """
    layout = layout_of(results)
    if layout.kind not in ("sobol", "plain"):
        raise InputError(f"these results come from {layout.words}: a Sobol' design or a plain sample is needed")
    place = np.arange(layout.runs) % layout.block
    rows = np.flatnonzero((place == 0) | (place == layout.block - 1))
    replicate = rows // (layout.base_samples * layout.block)
    runs = results.isel({SAMPLE: rows}).assign_coords(replicate=(SAMPLE, replicate))
    return runs.drop_attrs(deep=False)
