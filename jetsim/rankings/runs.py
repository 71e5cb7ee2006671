"""All runs of a ranking, and what is estimated from them."""

from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from jetsim.errors import InputError
from jetsim.experiment.design import Layout, sobol_layout
from jetsim.experiment.ensemble import Design, evaluate, grid_design, grid_results, plain_design, sobol_design
from jetsim.experiment.gate import Gate, Rule, convergence_gate
from jetsim.experiment.given_data import first_order_given
from jetsim.experiment.outputs import REACHING, independent_runs, unmoving
from jetsim.experiment.ranking import rank
from jetsim.experiment.sensitivity import convergence, sobol_indices
from jetsim.experiment.space import GROUP, ParameterSpace
from jetsim.experiment.wholes import as_wholes, whole_factors
from jetsim.quantities import UnitSystem
from jetsim.rankings.question import LOGARITHM, SWEEP_POINTS, Case
from jetsim.report import display
from jetsim.workers import begun

CHUNK = 32_768  # runs handed to a thread at a time: many enough that it seldom waits for another
PATHS = 512
# Why an output that some throws leave undefined has no total share.
AMONG = "among the throws that reach the target, see there"


@dataclass(frozen=True)
class Results:
    """Everything that the report speaks of.

    Attributes
    ----------
    runs, indices : xarray.Dataset
        Indices of the inputs as wholes, under the names of the parameters.
    parts, groups : xarray.Dataset
        Indices of the latents and own parts of tied inputs, and of the stated groups.
    among : xarray.Dataset
        First-order shares among the throws that reach the target, of outputs that the others leave undefined.
    idle : tuple of str
        Parameters that change no output in any run.
    ranking, history, gate, roles, sample, probabilities, paths, sweep, count
        Of the wholes; of the inputs of one role; the plain runs; all for the figures; the number of all runs.
    """

    runs: xr.Dataset
    indices: xr.Dataset
    parts: xr.Dataset
    groups: xr.Dataset
    among: xr.Dataset
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

    @property
    def ranked(self) -> list[str]:
        """Those outputs of which the whole shares are ranked."""
        among = self.among["output"].values
        return [name for name in self.outputs if name not in among]


# ---------------------------------------------------------------------------------------------------------
# Runs


def layouts(space: ParameterSpace) -> tuple[Layout, Layout]:
    """How each input is moved on its own, and how those of one role together; nothing is drawn yet."""
    return sobol_layout(space, closed=space.closed), sobol_layout(space, groups=space.roles)


def ranked_design(space: ParameterSpace) -> Design:
    """Each column on its own, tied inputs as wholes, and the stated groups."""
    return sobol_design(space, closed=space.closed)


def roles_design(space: ParameterSpace) -> Design:
    """Inputs of one role moved together."""
    return sobol_design(space, groups=space.roles)


def roles_of(case: Case, executor: Executor | None) -> xr.Dataset:
    """Indices of the inputs of one role, moved together."""
    runs = evaluate(roles_design(case.space), case.model, executor, progress=False, chunk=CHUNK)
    return sobol_indices(with_logarithms(runs, case.logarithms), told_outputs(case), second_order=False)


def settled(case: Case, executor: Executor | None) -> tuple[Case, Results]:
    """A case and its results, with twice the base samples where those of its space do not settle the order."""
    found = results_of(case, executor)
    if found.gate.passed:
        return case, found
    twice = replace(case, space=replace(case.space, base_samples=2 * case.space.base_samples))
    return twice, results_of(twice, executor, found.runs)


def results_of(case: Case, executor: Executor | None, previous: xr.Dataset | None = None) -> Results:
    """All runs and what is estimated from them; `previous` holds runs of half the base samples."""
    space = case.space
    paths = paths_of(case)
    check_target(space, paths)
    by_role, swept = begun(executor, roles_of, case, executor), begun(executor, sweep_of, case)
    design = ranked_design(space)
    runs = evaluate(design, case.model, executor, previous=previous, chunk=CHUNK)
    told, outputs = with_logarithms(runs, case.logarithms), told_outputs(case)
    names = partial_outputs(told, outputs)
    every = told_apart(sobol_indices(told, outputs), names)
    history = told_apart(as_wholes(convergence(told, outputs), space), names)
    among = first_order_given(told, names) if names else every[["S1"]].isel(output=[])
    together = told_apart(by_role(), names)
    sample = independent_runs(told)
    still = unmoving(runs)
    indices = as_wholes(every, space)
    sweep = swept()
    return Results(
        runs,
        indices,
        parts_of(every, space),
        groups_of(every, space),
        among,
        tuple(name for name, factor in whole_factors(space).items() if factor in still),
        rank(indices),
        history,
        gate_of(history, among),
        together,
        sample,
        design.unit[sample["sample"].values],
        paths,
        sweep,
        sum(layout.runs for layout in layouts(space)) + PATHS + (0 if sweep is None else SWEEP_POINTS**2),
    )


def told_outputs(case: Case) -> list[str]:
    """What is ranked: the outputs, or their logarithms."""
    return [f"{LOGARITHM}_{name}" if name in case.logarithms else name for name in case.space.outputs]


def with_logarithms(runs: xr.Dataset, names: tuple[str, ...]) -> xr.Dataset:
    """Runs with the natural logarithm of some outputs (of their SI values) beside them.

    Raises
    ------
    InputError
        Of a value that has no logarithm.
    """
    for name in names:
        low = float(runs[name].min())
        if low <= 0:
            raise InputError(f"{LOGARITHM} = {name!r}: has values down to {low:.6g}, of which there is no logarithm")
    return runs.assign({f"{LOGARITHM}_{name}": np.log(runs[name]) for name in names})


def partial_outputs(runs: xr.Dataset, outputs: list[str]) -> list[str]:
    """Outputs that are to be ranked among the throws that reach, for the others leave them undefined."""
    if runs.attrs.get("undefined") != "rank reaching":
        return []
    return [name for name in outputs if runs[name].isnull().any()]


def told_apart(indices: xr.Dataset, names: list[str]) -> xr.Dataset:
    """Indices without those of some outputs, which are told from the throws that reach alone."""
    if not names:
        return indices
    kept = ~indices["output"].isin(names)
    shares = {name: values.where(kept) for name, values in indices.data_vars.items() if str(name)[:1] == "S"}
    return indices.assign(shares).assign_coords(reason=indices["reason"].where(kept, AMONG))


def gate_of(history: xr.Dataset, among: xr.Dataset) -> Gate:
    """Whether all that is told has converged: whole shares, and first-order shares among the throws that reach."""
    names = among["output"].values
    whole = history.sel(output=[name for name in history["output"].values if name not in names])
    if not names.size:
        return convergence_gate(whole)
    gate = convergence_gate(whole) if whole.sizes["output"] else Gate(True, {}, {}, (), "")
    width = float((among["S1_high"] - among["S1_low"]).max(skipna=False)) / 2
    if not np.isfinite(width):
        reason = next(str(text) for text in among["reason"].values if text)
        return replace(gate, passed=False, sentence=f"{gate.sentence} Among the throws that reach: {reason}.".strip())
    wanted = Rule().half_width
    words = f"first-order intervals within ±{width:.3f}"
    words = words if width <= wanted else f"not converged, {words} (wanted: ±{wanted:g})"
    sentence = f"{gate.sentence} Among the throws that reach: {words}.".strip()
    return replace(gate, passed=gate.passed and width <= wanted, sentence=sentence)


def parts_of(indices: xr.Dataset, space: ParameterSpace) -> xr.Dataset:
    """Indices of what tied inputs share, and of their own parts."""
    tied = {name for columns in space.wholes.values() for name in columns}
    return indices.sel(parameter=[name for name in space.columns if name in tied])


def groups_of(indices: xr.Dataset, space: ParameterSpace) -> xr.Dataset:
    """Closed and total indices of the stated groups, under their names."""
    found = indices.sel(parameter=[f"{name}{GROUP}" for name in space.groups])
    return found.assign_coords(parameter=list(space.groups))


def paths_of(case: Case) -> xr.Dataset:
    """Flown paths of a plain sample, for the side view."""
    return case.flown(plain_design(case.space, PATHS).samples)


def check_target(space: ParameterSpace, paths: xr.Dataset) -> None:
    """Refuse a target that no throw reaches, or that some do not reach while the study states no rule for them."""
    missed = int(np.count_nonzero(paths["outcome"].values))
    undefined = [name for name in space.outputs if np.isnan(paths[name].values).any()]
    if not undefined or (missed < PATHS and space.undefined != "refuse"):
        return
    target = target_words(space, space.units)
    if missed == PATHS:
        highest = display.value("apex_height", float(paths["apex_height"].max()), space.units)
        raise InputError(f"target_height = {target}: none of {PATHS} throws gets there, the highest rises to {highest}")
    raise InputError(
        f"target_height = {target}: {missed} of {PATHS} throws never get there, which leaves {' and '.join(undefined)} "
        'undefined: state undefined = "rank reaching" or "probability of reaching", or change the ranges'
    )


def target_words(space: ParameterSpace, system: UnitSystem) -> str:
    """The target's height in words."""
    if "target_height" in space.names:
        return space.parameter("target_height").distribution.describe(display.unit_label("target_height", system))
    return display.value("target_height", float(space.fixed.get("target_height", 0.0)), system)


def sweep_of(case: Case) -> xr.Dataset | None:
    """The grid of the contour figure, everything else at its median."""
    if not case.axes:
        return None
    wanted = ("extreme_reach", "flow_rate", "reaction_force")
    grid = grid_design(case.space, **case.axes)
    swept = replace(case.model, outputs=wanted)(grid.samples)
    runs = grid.samples.assign({str(name): swept[name] for name in wanted})
    runs.attrs["layout"] = grid.layout.to_json()
    return grid_results(runs)
