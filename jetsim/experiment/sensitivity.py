"""Variance-based sensitivity indices with honest intervals.

Each estimator is applied to each replicate of a design; the spread between replicates, which are independent, gives
Student-t intervals. A design that is crossed both ways takes those of Azzini, Mara & Rosati (2021, Environmental
Modelling & Software 144, 105167; from memory), which put all runs into differences: on test functions and fire streams
they err by a third to four fifths of what the older ones do. Otherwise, and for second order, they are those that SALib
uses (first order and total: Saltelli et al. 2010, Computer Physics Communications 181, 259-270; second order: Saltelli
2002, same journal 145, 280-297). They are written for all factors and replicates at once, because SALib's functions
take one factor, or one pair, at a time; neither its resampling nor its random state is used. Nothing is clipped: a
small negative estimate says how large the error is.
"""

from collections.abc import Iterable

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim.errors import InputError
from jetsim.experiment.design import Layout
from jetsim.experiment.ensemble import layout_of
from jetsim.experiment.outputs import (
    Output,
    add_interval,
    add_outputs,
    check_confidence,
    coordinates,
    independent_runs,
    read_outputs,
    study_attributes,
)
from jetsim.experiment.ranking import rank

__all__ = ["convergence", "independent_runs", "rank", "sobol_indices"]

Array = NDArray[np.float64]
SMALLEST_SUBSET = 8


def sobol_indices(
    results: xr.Dataset,
    outputs: Iterable[str] | None = None,
    confidence: float = 0.95,
    second_order: bool | None = None,
) -> xr.Dataset:
    """First-order, total and second-order indices with t-intervals over replicates.

    Parameters
    ----------
    results : xarray.Dataset
        What `evaluate` returned for a `sobol_design`; whole, in order and unaltered.
    outputs : iterable of str, optional
        All outputs by default. Variables added after `evaluate` may be named too.
    confidence : float, optional
        Of each interval.
    second_order : bool, optional
        Whether second-order indices are estimated; by default where the design can give them.

    Returns
    -------
    xarray.Dataset
        Dimensions ``output``, ``parameter`` (the factors of the design: columns, or groups), ``other_parameter``
        and ``replicate``. ``S1``, ``ST`` and, if the design allows, ``S2`` (symmetric, NaN on the diagonal) with
        ``_low``, ``_high`` and ``_replicates``; ``mean`` and ``standard_deviation`` of each output, SI;
        ``used_share`` of base samples; ``reason`` why an output has no index (its values are NaN then). Where
        outputs are undefined, ``"rank reaching"`` leaves out each base sample of which a run is undefined, which
        ranks among the runs that reach if nine in ten base samples are kept (fewer would bias the shares);
        ``"probability of reaching"`` ranks that probability instead.

    Raises
    ------
    InputError
        Results are not from a Sobol' design, truncated, shuffled or altered; an output is unknown or NaN without
        an outcome that explains it.
    """
    layout = layout_of(results, "sobol")
    chosen = read_outputs(results, layout, outputs)
    check_confidence(confidence)
    pairs = layout.second_order and second_order is not False
    estimates = [estimates_of(output, layout, pairs) for output in chosen]
    names = ("S1", "ST", "S2") if pairs else ("S1", "ST")
    data = xr.Dataset(coords=coordinates(results, layout, [output.name for output in chosen]))
    for index in names:
        dims = ("replicate", "output", "parameter", *(("other_parameter",) if index == "S2" else ()))
        data[f"{index}_replicates"] = (dims, np.stack([estimate[index] for estimate in estimates], axis=1))
        if index == "S2":  # of sets that share a column there is no second order
            data["S2_replicates"] = data["S2_replicates"].where(apart(layout))
        add_interval(data, index, confidence)
    add_outputs(data, chosen)
    data.attrs = study_attributes(results, layout, confidence)
    return data


def apart(layout: Layout) -> xr.DataArray:
    """Which pairs of factors have no column in common."""
    sets = [set(columns) for columns in layout.factors.values()]
    return xr.DataArray([[not a & b for b in sets] for a in sets], dims=("parameter", "other_parameter"))


def convergence(
    results: xr.Dataset,
    outputs: Iterable[str] | None = None,
    confidence: float = 0.95,
    smallest: int = SMALLEST_SUBSET,
) -> xr.Dataset:
    """First-order and total indices of the first 8, 16, 32, ... base samples of the same sequences.

    Parameters
    ----------
    results, outputs, confidence
        As for `sobol_indices`.
    smallest : int, optional
        Base samples of the smallest subset, a power of two.

    Returns
    -------
    xarray.Dataset
        ``S1`` and ``ST`` with ``_low``, ``_high`` and ``_replicates`` along ``base_samples``, ``output`` and
        ``parameter``; coordinate ``runs`` along ``base_samples``.
    """
    layout = layout_of(results, "sobol")
    chosen = read_outputs(results, layout, outputs)
    check_confidence(confidence)
    if smallest < 2 or smallest & (smallest - 1):
        raise InputError(f"smallest = {smallest!r}: must be a power of two, at least 2")
    smallest = min(smallest, layout.base_samples)
    sizes = [n for n in (2**k for k in range(1, 31)) if smallest <= n <= layout.base_samples]
    labels = coordinates(results, layout, [output.name for output in chosen])
    labels.pop("other_parameter", None)
    data = xr.Dataset(coords={**labels, "base_samples": sizes})
    subsets = [[_first(output, n) for output in chosen] for n in sizes]
    estimates = [[estimates_of(output, layout, second_order=False) for output in subset] for subset in subsets]
    for index in ("S1", "ST"):
        values = np.array([[estimate[index] for estimate in row] for row in estimates])
        dims = ("base_samples", "replicate", "output", "parameter")
        data[f"{index}_replicates"] = (dims, np.moveaxis(values, 2, 1))
        add_interval(data, index, confidence)
    data.coords["reason"] = ("output", np.array([output.reason for output in chosen], dtype=str))
    data.coords["runs"] = ("base_samples", np.array(sizes) * layout.replicates * layout.block)
    data.attrs = study_attributes(results, layout, confidence)
    return data


def _dummy(output: Output) -> Array:
    """First-order and total index of a dummy in each replicate, shape (2, replicates)."""
    parts = [output.replicate(r) for r in range(output.blocks.shape[2])]
    if output.reason:
        return np.full((2, len(parts)), np.nan)
    found = np.empty((2, len(parts)))
    for r, part in enumerate(parts):
        a, b = (part[[0, -1]] - part[0].mean()) / part[0].std()
        found[:, r] = np.mean(a * b), 1 - np.mean(b * b)
    return found


# --------------------------------------------------------------------------------------------------------
# Estimates


def estimates_of(output: Output, layout: Layout, second_order: bool | None = None) -> dict[str, Array]:
    """Indices of each replicate, by name, shape (replicates, factors[, factors])."""
    count, replicates = len(layout.factors), layout.replicates
    pairs = layout.second_order if second_order is None else second_order
    shapes = {"S1": (replicates, count), "ST": (replicates, count), "S2": (replicates, count, count)}
    if output.reason:
        return {name: np.full(shape, np.nan) for name, shape in shapes.items()}
    if np.isfinite(output.blocks).all():
        return _indices(output.blocks, count, pairs)
    parts = [_indices(output.replicate(r)[..., np.newaxis], count, pairs) for r in range(replicates)]
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _indices(blocks: Array, count: int, second_order: bool) -> dict[str, Array]:
    """The estimators on all replicates at once; `blocks` has shape (block, base samples, replicates).

    Where the design holds A in B as well as B in A, all runs share in each estimate.
    """
    y = (blocks - blocks.mean(axis=(0, 1))) / blocks.std(axis=(0, 1))
    y = np.ascontiguousarray(y.transpose(2, 0, 1))
    a, ab, b = y[:, 0], y[:, 1 : count + 1], y[:, -1]
    y /= np.concatenate([a, b], axis=1).std(axis=1)[:, np.newaxis, np.newaxis]
    if y.shape[1] == count + 2:
        return _one_way(a, ab, b)
    ba = y[:, count + 1 : 2 * count + 1]
    found = _both_ways(a, ab, ba, b)
    if second_order:
        joint = np.einsum("rin,rjn->rij", ba, ab) / y.shape[2] - np.mean(a * b, axis=1)[:, np.newaxis, np.newaxis]
        # Errors of the joint index cancel against those of first-order ones from the same products.
        there, back = (_one_way(*way)["S1"] for way in ((a, ab, b), (b, ba, a)))
        found["S2"] = (_pairs(joint, there) + _pairs(joint.transpose(0, 2, 1), back)) / 2
    return found


def _both_ways(a: Array, ab: Array, ba: Array, b: Array) -> dict[str, Array]:
    """First-order and total indices, shape (replicates, factors), of a design that is crossed both ways.

    `a` and `b` have shape (replicates, base samples), `ab` and `ba` (replicates, factors, base samples).
    """
    there, back = ab - a[:, np.newaxis], b[:, np.newaxis] - ba
    apart, crossed = a - b, ab - ba
    whole = np.einsum("rn,rn->r", apart, apart)[:, np.newaxis] + np.einsum("rfn,rfn->rf", crossed, crossed)
    squares = np.einsum("rfn,rfn->rf", there, there) + np.einsum("rfn,rfn->rf", back, back)
    return {"S1": 2 * np.einsum("rfn,rfn->rf", there, back) / whole, "ST": squares / whole}


def _one_way(a: Array, ab: Array, b: Array) -> dict[str, Array]:
    """First-order and total indices, shape (replicates, factors), of runs of unit variance.

    `a` and `b` have shape (replicates, base samples), `ab` (replicates, factors, base samples).
    """
    change = ab - a[:, np.newaxis]
    size = a.shape[1]
    return {
        "S1": np.einsum("rfn,rn->rf", change, b) / size,
        "ST": np.einsum("rfn,rfn->rf", change, change) / (2 * size),
    }


def _pairs(joint: Array, first: Array) -> Array:
    """Second-order indices from the joint ones, both of shape (replicates, factors, factors); NaN on the diagonal.

    Of each pair, the earlier factor is the one crossed from the other side; the indices are symmetric.
    """
    second = np.triu(joint - first[:, :, np.newaxis] - first[:, np.newaxis, :], 1)
    second += second.transpose(0, 2, 1)
    second[:, np.arange(second.shape[1]), np.arange(second.shape[1])] = np.nan
    return np.asarray(second)


def _first(output: Output, base_samples: int) -> Output:
    return Output(output.name, output.blocks[:, :base_samples], output.attributes)
