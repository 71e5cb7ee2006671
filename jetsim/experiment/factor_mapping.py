"""Regional sensitivity: which inputs decide whether an output falls below or above a limit.

The runs of a design are split by the output; an input matters for the split as far as its distribution differs
between the two parts (Hornberger & Spear 1981, Journal of Environmental Management 12, 7-18; from memory). For
numbers the two-sample Kolmogorov-Smirnov test compares them, for choices of texts the chi-squared test.
"""

import json
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy import stats

from jetsim.errors import InputError
from jetsim.experiment.ensemble import layout_of
from jetsim.experiment.outputs import add_interval, check_confidence, independent_runs, output_names
from jetsim.experiment.ranking import holm
from jetsim.quantities import QUANTITIES

Array = NDArray[np.float64]
QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)
_FEWEST = 20


def factor_mapping(
    results: xr.Dataset,
    output: str,
    below: float | None = None,
    above: float | None = None,
    confidence: float = 0.95,
) -> xr.Dataset:
    """Which inputs decide whether an output lies below (or above) a limit, and where they lie then.

    Parameters
    ----------
    results : xarray.Dataset
        Of a Sobol' design or a plain sample; its plain runs are used.
    output : str
    below, above : float
        The limit, SI; exactly one of them.
    confidence : float, optional
        Of the interval of ``share``.

    Returns
    -------
    xarray.Dataset
        Along ``parameter``: ``distance`` between the two parts (0 to 1), ``p_value`` (adjusted by Holm's method;
        approximate, because quasi-random runs are not independent draws); along ``region`` ("inside",
        "outside") and ``quantile`` too: ``value`` of numbers, SI. ``share`` of runs inside with ``share_low``
        and ``share_high`` over replicates. Attribute ``choices``: JSON of the share of each text, inside and
        outside. Sorted by distance.

    Raises
    ------
    InputError
        No limit or two; or so few runs lie on one side that nothing can be said (the observed range is named).
    """
    layout = layout_of(results)
    (name,) = output_names(results, layout, [output])
    check_confidence(confidence)
    limit, side = _limit(below, above)
    runs = independent_runs(results)
    runs = runs.isel(sample=np.flatnonzero(np.isfinite(runs[name].values)))
    y = runs[name].values.astype(float)
    inside = y < limit if side == "below" else y > limit
    _check_region(name, y, inside, f"{side} {limit:.6g}")
    tables = {parameter: _compared(runs[parameter].values, inside) for parameter in layout.parameters}
    order = sorted(tables, key=lambda parameter: -tables[parameter]["distance"])
    data = xr.Dataset(coords={"parameter": order, "region": ["inside", "outside"], "quantile": list(QUANTILES)})
    data["distance"] = ("parameter", [tables[parameter]["distance"] for parameter in order])
    data["p_value"] = ("parameter", holm(np.array([tables[parameter]["p_value"] for parameter in order])))
    values = [tables[parameter]["quantiles"] for parameter in order]
    data["value"] = (("parameter", "region", "quantile"), np.stack(values))
    _add_share(data, runs["replicate"].values, inside, confidence)
    choices = {parameter: tables[parameter]["choices"] for parameter in order if tables[parameter]["choices"]}
    data.attrs = {"output": name, "side": side, "limit": limit, "choices": json.dumps(choices)}
    return data


def _limit(below: float | None, above: float | None) -> tuple[float, str]:
    if (below is None) == (above is None):
        raise InputError("give one limit, below or above")
    limit, side = (below, "below") if below is not None else (above, "above")
    if limit is None or isinstance(limit, str) or not np.isfinite(limit):
        raise InputError(f"{side} = {limit!r}: must be a finite number")
    return float(limit), side


def _check_region(name: str, y: Array, inside: NDArray[np.bool_], words: str) -> None:
    fewest = min(int(inside.sum()), int((~inside).sum()))
    if fewest < _FEWEST:
        unit = QUANTITIES[name].si if name in QUANTITIES else "1"
        seen = f"{y.min():.6g} to {y.max():.6g}" if len(y) else "nothing"
        raise InputError(
            f"{name} {words}{'' if unit == '1' else f' {unit}'}: {int(inside.sum())} of {len(y)} runs lie there, "
            f"at least {_FEWEST} must lie on each side; seen was {seen}"
        )


def _compared(x: NDArray[Any], inside: NDArray[np.bool_]) -> dict[str, Any]:
    """Distance, p-value, quantiles and shares of one input inside and outside of the region."""
    if x.dtype.kind == "f":
        test = stats.ks_2samp(x[inside], x[~inside], method="asymp")
        quantiles = np.stack([np.quantile(x[part], QUANTILES) for part in (inside, ~inside)])
        return {"distance": test.statistic, "p_value": test.pvalue, "quantiles": quantiles, "choices": {}}
    texts, label = np.unique(x.astype(str), return_inverse=True)
    counts = np.stack([np.bincount(label[part], minlength=len(texts)) for part in (inside, ~inside)])
    shares = counts / counts.sum(axis=1, keepdims=True)
    p_value = stats.chi2_contingency(counts).pvalue if len(texts) > 1 else 1.0
    choices = {str(text): [float(a), float(b)] for text, a, b in zip(texts, *shares, strict=True)}
    nothing = np.full((2, len(QUANTILES)), np.nan)
    distance = float(np.abs(shares[0] - shares[1]).sum() / 2)
    return {"distance": distance, "p_value": p_value, "quantiles": nothing, "choices": choices}


def _add_share(data: xr.Dataset, replicate: NDArray[np.int64], inside: NDArray[np.bool_], confidence: float) -> None:
    """Share of runs inside, with its interval over replicates where there are some."""
    names = np.unique(replicate)
    if len(names) < 2:
        data["share"], data["share_low"], data["share_high"] = inside.mean(), np.nan, np.nan
        return
    data["share_replicates"] = ("replicate", [inside[replicate == name].mean() for name in names])
    add_interval(data, "share", confidence)
