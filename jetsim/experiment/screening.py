"""Screening of many inputs by elementary effects (Morris 1991, Technometrics 33, 161-174), grouped too.

SALib draws the trajectories and computes the effects; the mean of absolute effects and its use for groups are
those of Campolongo et al. (2007, Environmental Modelling & Software 22, 1509-1518). The grid has its levels in
the middle of equally probable cells, not at their edges, because the edges 0 and 1 of an unbounded
distribution lie at infinity. A step is half of the probability whatever the number of levels; effects are given
for a whole unit of probability.
"""

from collections.abc import Iterable, Mapping

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from SALib.analyze import morris as salib_effects
from SALib.sample import morris as salib_trajectories

from jetsim.errors import InputError
from jetsim.experiment.design import Design, Layout, Seed, design_of, factors_of, spawn
from jetsim.experiment.ensemble import UNIT, layout_of
from jetsim.experiment.outputs import (
    Output,
    add_outputs,
    check_confidence,
    coordinates,
    read_outputs,
    study_attributes,
)
from jetsim.experiment.space import ParameterSpace

Array = NDArray[np.float64]
_RESAMPLES = 1000


def morris_design(
    space: ParameterSpace,
    trajectories: int = 32,
    levels: int = 4,
    rng: Seed = None,
    groups: Mapping[str, Iterable[str]] | None = None,
) -> Design:
    """Random trajectories that move one factor at a time.

    Parameters
    ----------
    space : ParameterSpace
    trajectories : int, optional
        2 to 100,000; each costs one run more than there are factors.
    levels : int, optional
        Levels of the grid, an even number from 2 to 64.
    rng : int, SeedSequence or Generator, optional
        The space's seed by default.
    groups : mapping, optional
        Name to columns that are moved together, as for `sobol_design`.
    """
    _check_count("trajectories", trajectories, 2, 100_000)
    _check_count("levels", levels, 2, 64)
    if levels % 2:
        raise InputError(f"levels = {levels}: must be an even number, or the grid is sampled unevenly")
    factors = factors_of(space, groups)
    (seed,) = spawn(space.seed if rng is None else rng, 1)
    grid = salib_trajectories.sample(_problem(space.columns, factors), trajectories, num_levels=levels, seed=seed)
    layout = Layout(
        kind="morris",
        parameters=space.names,
        columns=space.columns,
        factors=factors,
        base_samples=trajectories,
        levels=levels,
    )
    return design_of(space, (np.rint(grid * (levels - 1)) + 0.5) / levels, layout)


def _check_count(name: str, value: int, low: int, high: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise InputError(f"{name} = {value!r}: must be a whole number from {low} to {high}")


def _problem(columns: tuple[str, ...], factors: Mapping[str, tuple[str, ...]]) -> dict[str, object]:
    owner = {column: name for name, members in factors.items() for column in members}
    return {
        "num_vars": len(columns),
        "names": list(columns),
        "bounds": [[0, 1]] * len(columns),
        "groups": [owner[column] for column in columns],
    }


def morris_effects(results: xr.Dataset, outputs: Iterable[str] | None = None, confidence: float = 0.95) -> xr.Dataset:
    """Elementary effects of each factor.

    Parameters
    ----------
    results : xarray.Dataset
        What `evaluate` returned for a `morris_design`.
    outputs : iterable of str, optional
        All outputs by default.
    confidence : float, optional
        Of the interval of `mu_star` (bootstrap over trajectories).

    Returns
    -------
    xarray.Dataset
        Along ``output`` and ``parameter``, in units of the output: ``mu`` (mean effect; NaN for a group, whose
        members move either way), ``mu_star`` (mean absolute effect) with ``_low`` and ``_high``, ``sigma``
        (standard deviation: curvature or interaction; NaN for a group). ``reason`` as for `sobol_indices`.
        Trajectories with an undefined run are left out; ``used_share`` says how many are kept. If that is below
        nine in ten no effect is given.
    """
    layout = layout_of(results, "morris")
    chosen = read_outputs(results, layout, outputs)
    check_confidence(confidence)
    data = xr.Dataset(coords=coordinates(results, layout, [output.name for output in chosen]))
    tables = [_effects(output, layout, results[UNIT].values, confidence) for output in chosen]
    for name in ("mu", "mu_star", "sigma", "error"):
        data[name] = (("output", "parameter"), np.stack([table[name] for table in tables]))
    data["mu_star_low"], data["mu_star_high"] = data["mu_star"] - data["error"], data["mu_star"] + data["error"]
    add_outputs(data, chosen)
    data.attrs = study_attributes(results, layout, confidence)
    return data.drop_vars("error")


def _effects(output: Output, layout: Layout, unit: Array, confidence: float) -> dict[str, Array]:
    """Effects of one output by SALib, in the order of the factors."""
    count = len(layout.factors)
    if output.reason:
        return {name: np.full(count, np.nan) for name in ("mu", "mu_star", "sigma", "error")}
    whole = np.isfinite(output.blocks[..., 0]).all(axis=0)
    grid = (unit * layout.levels - 0.5) / (layout.levels - 1)
    points = grid.reshape(layout.base_samples, layout.block, -1)[whole]
    problem = _problem(layout.columns, layout.factors)
    found = salib_effects.analyze(
        problem,
        points.reshape(-1, points.shape[-1]),
        output.replicate(0).T.ravel(),
        num_resamples=_RESAMPLES,
        conf_level=confidence,
        num_levels=layout.levels,
        seed=np.random.default_rng(0),  # the same interval for the same results
    )
    # SALib's step is levels/(2 (levels - 1)) of the grid; ours is half of the probability.
    scale = layout.levels / (layout.levels - 1)
    order = [list(found["names"]).index(name) for name in layout.factors]
    alone = np.array([len(members) == 1 for members in layout.factors.values()])
    table = {name: scale * np.asarray(found[name], dtype=float)[order] for name in ("mu", "mu_star", "sigma")}
    table["error"] = scale * np.asarray(found["mu_star_conf"], dtype=float)[order]
    for name in ("mu", "sigma"):
        table[name] = np.where(alone, table[name], np.nan)
    return table


def negligible(effects: xr.Dataset, share: float = 0.05) -> tuple[str, ...]:
    """Factors that may be fixed: their effect is surely small beside the largest, for every output.

    Parameters
    ----------
    effects : xarray.Dataset
        From `morris_effects`.
    share : float, optional
        A factor stays if the far end of its interval of `mu_star` exceeds this share of the largest `mu_star`
        for any output.

    Returns
    -------
    tuple of str
    """
    if not 0 < share < 1:
        raise InputError(f"share = {share!r}: must be between 0 and 1, both excluded")
    defined = effects.isel(output=np.flatnonzero(effects["reason"].values == ""))
    if defined.sizes["output"] == 0:
        raise InputError("no output has an effect, so nothing can be screened")
    small = (defined["mu_star_high"] <= share * defined["mu_star"].max("parameter")).all("output")
    return tuple(str(name) for name in effects["parameter"].values[small.values])
