"""A stream's inputs ranked: checks of what the tables of a study file alone cannot show, and all runs of the study."""

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
import xarray as xr

from jetsim.errors import InputError
from jetsim.experiment.design import Layout, sobol_layout
from jetsim.experiment.ensemble import Design, evaluate, grid_design, grid_results, plain_design, sobol_design
from jetsim.experiment.gate import Gate, convergence_gate
from jetsim.experiment.outputs import REACHING, independent_runs, unmoving
from jetsim.experiment.ranking import rank
from jetsim.experiment.sensitivity import convergence, sobol_indices
from jetsim.experiment.space import GROUP, ParameterSpace
from jetsim.experiment.tables import read_field
from jetsim.experiment.wholes import as_wholes, whole_factors
from jetsim.quantities import QUANTITIES, UnitSystem, did_you_mean
from jetsim.report import display
from jetsim.simulation import StreamModel, simulate, sparing
from jetsim.stream import Stream

CHUNK = 32_768  # runs handed to a thread at a time: many enough that it seldom waits for another
PATHS, SWEEP_POINTS = 512, 41
INPUTS = [n for n, q in QUANTITIES.items() if q.role != "output" and q.dimension != "name"]


@dataclass(frozen=True)
class Results:
    """Everything that the report speaks of.

    Attributes
    ----------
    runs, indices : xarray.Dataset
        Indices of the inputs as wholes, under the names of the parameters.
    parts, groups : xarray.Dataset
        Indices of the latents and own parts of tied inputs, and of the stated groups.
    idle : tuple of str
        Parameters that change no output in any run.
    ranking, history, gate, roles, sample, probabilities, paths, sweep, count
        Of the wholes; of the inputs of one role; the plain runs; all for the figures; the number of all runs.
    """

    runs: xr.Dataset
    indices: xr.Dataset
    parts: xr.Dataset
    groups: xr.Dataset
    idle: tuple[str, ...]
    ranking: xr.Dataset
    history: xr.Dataset
    gate: Gate
    roles: xr.Dataset
    sample: xr.Dataset
    probabilities: np.ndarray
    paths: xr.Dataset
    sweep: xr.Dataset | None
    count: int

    @property
    def outputs(self) -> list[str]:
        """What is ranked, the main output first: whether the target is reached at all, if that is ranked."""
        return sorted((str(name) for name in self.indices["output"].values), key=lambda name: name != REACHING)


# ---------------------------------------------------------------------------------------------------------
# What no single key of the study file shows


def check(space: ParameterSpace) -> None:
    """Refuse what no single key of the study file shows: a stream, a result or a sweep that cannot be."""
    if not isinstance(space.extra.get("scenario", ""), str):
        raise InputError(f"scenario = {space.extra['scenario']!r}: must be a text in quotes")
    for name in ("tip_diameter", "nozzle_pressure"):
        if name not in (*space.fixed, *space.names):
            raise InputError(f"{name} is missing: state it in [fixed] or under [parameters.{name}]")
    try:
        middle = simulate(Stream.from_values({**sparing(space.outputs), **space.fixed, **space.medians()}))
    except InputError as error:
        varied = str(error).partition(" ")[0] in space.names
        raise InputError(f"with every input at its median, {error}" if varied else str(error)) from None
    for name in space.outputs:
        if name in ("effective_reach", "delivered_fraction"):
            _check_spray(name, middle)
        if name not in middle:
            results = [str(n) for n in middle.data_vars if n in QUANTITIES]
            raise InputError(f"outputs: {name!r} is no result of a stream{did_you_mean(name, results)}")
    sweep_axes(space)


def _check_spray(name: str, middle: xr.Dataset) -> None:
    """Refuse what is delivered where a stream does not say it."""
    if name not in middle:
        raise InputError(f"outputs: {name} needs delivery_distance: state it in [fixed], such as '60 ft'")
    if np.isnan(middle[name]) and not middle["outcome"]:
        raise InputError(f"outputs: {name} needs drag_model = 'air_stream' and an elevation of at most 80 deg")


def sweep_axes(space: ParameterSpace) -> dict[str, np.ndarray]:
    """The two axes of the contour figure, SI; empty if the study file has no [sweep]."""
    table = space.extra.get("sweep", {})
    if not isinstance(table, Mapping) or (table and len(table) != 2):
        raise InputError("sweep: must be a table of two inputs, each with its two ends")
    axes = {}
    for name, ends in table.items():
        if not isinstance(ends, list) or len(ends) != 2:
            raise InputError(f'sweep.{name} = {ends!r}: must be two ends with a unit, such as ["30 psi", "80 psi"]')
        if name not in INPUTS:
            raise InputError(f"sweep.{name}: is no input with a number{did_you_mean(name, INPUTS)}")
        low, high = (float(read_field(f"sweep.{name}", end, name)) for end in ends)
        if not low < high:
            raise InputError(f"sweep.{name} = {ends!r}: the first end must lie below the second")
        axes[name] = np.linspace(low, high, SWEEP_POINTS)
    if axes:
        check_corners(space, axes)
    return axes


def check_corners(space: ParameterSpace, axes: Mapping[str, np.ndarray]) -> None:
    """Refuse a sweep of which a corner is no stream."""
    corners = grid_design(space, **{name: axis[[0, -1]] for name, axis in axes.items()}).samples
    columns = {str(name): xr.DataArray(v.values, dims="case") for name, v in corners.data_vars.items()}
    try:
        Stream.from_values({**space.fixed, **columns})
    except InputError as error:
        raise InputError(f"sweep: {error}") from None


# ---------------------------------------------------------------------------------------------------------
# Runs


def layouts(space: ParameterSpace) -> tuple[Layout, Layout]:
    """How each input is moved on its own, and how those of one role together; nothing is drawn yet."""
    return sobol_layout(space, closed=space.closed), sobol_layout(space, groups=space.roles, second_order=False)


def ranked_design(space: ParameterSpace) -> Design:
    """Each column on its own, tied inputs as wholes, and the stated groups."""
    return sobol_design(space, closed=space.closed)


def roles_design(space: ParameterSpace) -> Design:
    """Inputs of one role moved together."""
    return sobol_design(space, groups=space.roles, second_order=False)


def results_of(space: ParameterSpace, executor: Executor | None) -> Results:
    """All runs and what is estimated from them."""
    paths = paths_of(space)
    check_target(space, paths)
    model = StreamModel(space.fixed, space.outputs)
    design, roles = ranked_design(space), roles_design(space)
    runs = evaluate(design, model, executor, chunk=CHUNK)
    every, history = sobol_indices(runs), as_wholes(convergence(runs), space)
    indices, parts, groups = as_wholes(every, space), parts_of(every, space), groups_of(every, space)
    grouped = sobol_indices(evaluate(roles, model, executor, progress=False, chunk=CHUNK))
    sample = independent_runs(runs)
    sweep = sweep_of(space)
    total = design.layout.runs + roles.layout.runs + PATHS + (0 if sweep is None else SWEEP_POINTS**2)
    rows = sample["sample"].values
    gate = convergence_gate(history)
    still = unmoving(runs)
    idle = tuple(name for name, factor in whole_factors(space).items() if factor in still)
    return Results(
        runs, indices, parts, groups, idle, rank(indices), history, gate, grouped, sample, design.unit[rows],
        paths, sweep, total,
    )  # fmt: skip


def parts_of(indices: xr.Dataset, space: ParameterSpace) -> xr.Dataset:
    """Indices of what tied inputs share, and of their own parts."""
    tied = {name for columns in space.wholes.values() for name in columns}
    return indices.sel(parameter=[name for name in space.columns if name in tied])


def groups_of(indices: xr.Dataset, space: ParameterSpace) -> xr.Dataset:
    """Closed and total indices of the stated groups, under their names."""
    found = indices.sel(parameter=[f"{name}{GROUP}" for name in space.groups])
    return found.assign_coords(parameter=list(space.groups))


def paths_of(space: ParameterSpace) -> xr.Dataset:
    """Flown paths of a plain sample, for the side view."""
    design = plain_design(space, PATHS)
    columns = {str(name): xr.DataArray(v.values, dims="case") for name, v in design.samples.data_vars.items()}
    return simulate(Stream.from_values({**space.fixed, **sparing(space.outputs), **columns}), path=True)


def check_target(space: ParameterSpace, paths: xr.Dataset) -> None:
    """Refuse a target that no throw reaches, or that some do not reach while the study states no rule for them."""
    missed = int(np.count_nonzero(paths["outcome"].values))
    undefined = [name for name in space.outputs if np.isnan(paths[name].values).any()]
    if not undefined or (missed < PATHS and space.undefined != "refuse"):
        return
    target = target_words(space, space.units)
    if missed == PATHS:
        highest = display.both("apex_height", float(paths["apex_height"].max()), space.units)
        raise InputError(f"target_height = {target}: none of {PATHS} throws gets there, the highest rises to {highest}")
    raise InputError(
        f"target_height = {target}: {missed} of {PATHS} throws never get there, which leaves {' and '.join(undefined)} "
        'undefined: state undefined = "rank reaching" or "probability of reaching", or change the ranges'
    )


def target_words(space: ParameterSpace, system: UnitSystem) -> str:
    """The target's height in words."""
    if "target_height" in space.names:
        return space.parameter("target_height").describe()
    return display.both("target_height", float(space.fixed.get("target_height", 0.0)), system)


def sweep_of(space: ParameterSpace) -> xr.Dataset | None:
    """The grid of the contour figure, everything else at its median."""
    axes = sweep_axes(space)
    if not axes:
        return None
    wanted = ("extreme_reach", "flow_rate", "reaction_force")
    grid = grid_design(space, **axes)
    model = StreamModel({name: value for name, value in space.fixed.items() if name not in axes}, wanted)
    swept = model(grid.samples)
    runs = grid.samples.assign({str(name): swept[name] for name in wanted})
    runs.attrs["layout"] = grid.layout.to_json()
    return grid_results(runs)
