"""Ranks that hold: paired differences across replicates, adjusted for many comparisons; ties stay ties."""

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.special import stdtr

from jetsim.errors import InputError

Array = NDArray[np.float64]


def rank(indices: xr.Dataset, index: str = "ST", alpha: float = 0.05) -> xr.Dataset:
    """Rank the factors of each output by an index.

    All factors share the runs of a replicate, so their indices are compared by their paired differences across
    replicates (Student's t), and the p-values of all pairs of an output are adjusted by Holm's method (Holm
    1979, Scandinavian Journal of Statistics 6, 65-70). A factor's rank runs from one above the number of factors
    that are significantly larger, to the number of factors less those significantly smaller: what cannot be
    told apart shares its ranks.

    Parameters
    ----------
    indices : xarray.Dataset
        From `sobol_indices`.
    index : str, optional
        ``"ST"`` or ``"S1"``.
    alpha : float, optional
        Chance, for each output, that any pair is told apart wrongly.

    Returns
    -------
    xarray.Dataset
        Along ``output`` and ``parameter``: ``rank`` and ``rank_last`` (whole numbers, 0 where the output has no
        index), ``label`` (such as ``"1"`` or ``"2 to 4"``), ``order`` (0, 1, ... by the estimate); also along
        ``other_parameter``: ``difference``, ``p_value`` (adjusted; 1 on the diagonal) and ``tied``.

    Raises
    ------
    InputError
        The index is unknown, or `alpha` is not between 0 and 1.
    """
    if index not in ("S1", "ST"):
        raise InputError(f"index = {index!r}: must be 'S1' or 'ST'")
    _check_alpha(alpha)
    replicates = indices[f"{index}_replicates"].transpose("output", "replicate", "parameter").values
    coords = {name: indices[name] for name in ("output", "parameter")}
    data = xr.Dataset(coords={**coords, "other_parameter": indices["parameter"].values})
    tables = [_ranked(values, alpha) for values in replicates]
    for name in tables[0]:
        values = np.stack([table[name] for table in tables])
        dims = ("output", "parameter", "other_parameter")[: values.ndim]
        data[name] = (dims, values)
    data["label"] = (("output", "parameter"), _labels(data["rank"].values, data["rank_last"].values))
    data.attrs = {"index": index, "alpha": alpha}
    return data


def _check_alpha(alpha: float) -> None:
    if not 0 < alpha < 1:
        raise InputError(f"alpha = {alpha!r}: must be between 0 and 1, both excluded")


def interaction_map(indices: xr.Dataset, alpha: float = 0.05) -> xr.Dataset:
    """Which pairs of factors act together, and how much of each factor's part is interaction.

    Parameters
    ----------
    indices : xarray.Dataset
        From `sobol_indices` with second order.
    alpha : float, optional
        Chance, for each output, that any pair is taken for interacting wrongly.

    Returns
    -------
    xarray.Dataset
        Along ``output``, ``parameter`` and ``other_parameter``: ``S2`` with ``_low`` and ``_high``, ``p_value``
        of "no interaction" (Student's t over replicates, adjusted by Holm's method) and ``significant``; along
        ``output`` and ``parameter``: ``interaction``, the total less the first-order index.
    """
    _check_alpha(alpha)
    if "S2_replicates" not in indices:
        raise InputError("these indices hold no second order: the design must be made with second_order=True")
    replicates = indices["S2_replicates"].transpose("output", "replicate", "parameter", "other_parameter").values
    data = indices[["S2", "S2_low", "S2_high"]].copy()
    data["interaction"] = indices["ST"] - indices["S1"]
    data["p_value"] = (data["S2"].dims, np.stack([_pair_p_values(values) for values in replicates]))
    data["significant"] = data["p_value"] <= alpha
    data.attrs = {**indices.attrs, "alpha": alpha}
    return data


def _pair_p_values(values: Array) -> Array:
    """Adjusted p-values of all pairs, NaN on the diagonal; `values` has shape (replicates, factors, factors)."""
    count = values.shape[1]
    rows, columns = np.triu_indices(count, 1)
    p_value = np.full((count, count), np.nan)
    pairs = values[:, rows, columns]
    if np.isfinite(pairs).all():
        p_value[rows, columns] = p_value[columns, rows] = holm(t_test(pairs))
    return p_value


def _ranked(values: Array, alpha: float) -> dict[str, NDArray[np.generic]]:
    """Ranks of one output from its replicates, shape (replicates, factors)."""
    count = values.shape[1]
    if not np.isfinite(values).all():
        none, empty = np.zeros(count, dtype=int), np.full((count, count), np.nan)
        return _table(none, none, np.arange(count), empty, empty, np.zeros((count, count), dtype=bool))
    difference, p_value = paired_differences(values)
    apart = p_value <= alpha
    above = (apart & (difference < 0)).sum(axis=1)
    below = (apart & (difference > 0)).sum(axis=1)
    order = np.empty(count, dtype=int)
    order[np.argsort(-values.mean(axis=0), kind="stable")] = np.arange(count)
    return _table(1 + above, count - below, order, difference, p_value, ~apart)


def _table(
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    order: NDArray[np.int64],
    difference: Array,
    p_value: Array,
    tied: NDArray[np.bool_],
) -> dict[str, NDArray[np.generic]]:
    return {
        "rank": first,
        "rank_last": last,
        "order": order,
        "difference": difference,
        "p_value": p_value,
        "tied": tied,
    }


def paired_differences(values: Array) -> tuple[Array, Array]:
    """Mean differences between columns and their adjusted p-values, both (columns, columns).

    Parameters
    ----------
    values : ndarray, shape (replicates, columns)
    """
    count = values.shape[1]
    rows, columns = np.triu_indices(count, 1)
    pairs = values[:, rows] - values[:, columns]
    p_value = np.ones((count, count))
    p_value[rows, columns] = p_value[columns, rows] = holm(t_test(pairs))
    difference = np.zeros((count, count))
    difference[rows, columns] = pairs.mean(axis=0)
    return difference - difference.T, p_value


def t_test(values: Array) -> Array:
    """Two-sided p-values of "the mean is zero" for each column; exact where a column does not vary.

    Parameters
    ----------
    values : ndarray, shape (replicates, columns)
    """
    replicates = len(values)
    mean = values.mean(axis=0)
    error = values.std(axis=0, ddof=1) / np.sqrt(replicates)
    score = np.divide(np.abs(mean), error, out=np.where(mean == 0, 0.0, np.inf), where=error > 0)
    return np.asarray(2 * stdtr(replicates - 1, -score))


def holm(p_values: Array) -> Array:
    """P-values adjusted by Holm's step-down method, so that any of them is wrong with at most its own chance."""
    order = np.argsort(p_values, kind="stable")
    steps = p_values[order] * np.arange(len(p_values), 0, -1)
    adjusted = np.empty_like(p_values)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return adjusted


def _labels(first: NDArray[np.int64], last: NDArray[np.int64]) -> NDArray[np.str_]:
    def label(a: int, b: int) -> str:
        if a == 0:
            return "undefined"
        return str(a) if a == b else f"{a} to {b}"

    return np.array([[label(*pair) for pair in zip(*row, strict=True)] for row in zip(first, last, strict=True)])
