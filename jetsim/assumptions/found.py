"""Runs of a study of assumptions, and what is estimated from them."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import xarray as xr

from jetsim import findings
from jetsim.assumptions.plan import Laws, Limit, Measurement, Plan
from jetsim.errors import InputError
from jetsim.experiment.ensemble import evaluate, sobol_design
from jetsim.experiment.factor_mapping import factor_mapping
from jetsim.experiment.gate import Gate, Rule, convergence_gate, sobol_until_converged
from jetsim.experiment.moment_independent import moment_independent
from jetsim.experiment.outputs import independent_runs
from jetsim.experiment.ranking import interaction_map, rank
from jetsim.experiment.screening import morris_design, morris_effects
from jetsim.experiment.sensitivity import convergence, sobol_indices
from jetsim.experiment.space import ParameterSpace
from jetsim.simulation import VALIDITY, StreamModel

# Runs of mixed laws are sorted by law before they fly, so a chunk must hold many of each.
MIXED_CHUNK = 131_072
REST = "everything else"
# Elementary effects below this share of the largest are rounding: the laws never read that input.
_ROUNDING = 1e-9


@dataclass(frozen=True, eq=False)
class Combination:
    """The study of one combination of laws.

    Attributes
    ----------
    laws : mapping
    idle : tuple of str
        Inputs that these laws never read; their shares are exactly zero.
    effects : xarray.Dataset
        From `morris_effects`.
    indices, ranking : xarray.Dataset
        Over all columns but the choices of law.
    gate : Gate
    runs, ranked_runs : int
        All, and those of the Sobol' design.
    flagged : mapping of int to int
        Runs that carry each flag of validity.
    """

    laws: Laws
    idle: tuple[str, ...]
    effects: xr.Dataset
    indices: xr.Dataset
    ranking: xr.Dataset
    gate: Gate
    runs: int
    ranked_runs: int
    flagged: Mapping[int, int]

    @cached_property
    def _first(self) -> dict[str, list[str]]:
        defined = self.indices["ST"].notnull().all("parameter")
        outputs = [str(name) for name in self.indices["output"].values[defined.values]]
        return {name: findings.leaders(self.indices, self.ranking, name)[0] for name in outputs}

    def leaders(self, output: str) -> list[str]:
        """Inputs in first place; none where the output has no index."""
        return self._first.get(output, [])

    def defined(self, output: str) -> bool:
        """Whether an output has indices."""
        return output in self._first

    def total(self, output: str, name: str, key: str = "ST") -> float:
        """Total share of an input, or an end of its interval."""
        return float(self.indices[key].sel(output=output, parameter=name))


@dataclass(frozen=True, eq=False)
class Joint:
    """One design over all inputs with the choices of law among them; `pawn` is None where runs are too few."""

    runs: xr.Dataset
    indices: xr.Dataset
    ranking: xr.Dataset
    history: xr.Dataset
    gate: Gate
    interactions: xr.Dataset
    pawn: xr.Dataset | None
    sample: xr.Dataset


@dataclass(frozen=True, eq=False)
class Mapped:
    """Which inputs decide on a side of a limit; `regions` is None with the `reason` where too few runs are there."""

    limit: Limit
    regions: xr.Dataset | None
    reason: str = ""


@dataclass(frozen=True, eq=False)
class Found:
    """Everything that was computed.

    Attributes
    ----------
    combinations : list of Combination
        The first is the reference.
    joint : Joint
    roles, expected_roles : xarray.Dataset
        Closed and total shares of what has one role; the latter without the laws of contrast.
    expected : xarray.Dataset
        Shares of each assumption without the laws of contrast.
    measured : list of (Measurement, xarray.Dataset)
        Without the laws of contrast.
    mapped : list of Mapped
    runs : int
    """

    combinations: list[Combination]
    joint: Joint
    roles: xr.Dataset
    expected: xr.Dataset
    expected_roles: xr.Dataset
    measured: list[tuple[Measurement, xr.Dataset]]
    mapped: list[Mapped]
    runs: int

    @property
    def reference(self) -> Combination:
        """The first law of each assumption."""
        return self.combinations[0]

    def varied(self, assumption: str) -> list[Combination]:
        """The reference, and all combinations that differ from it in one assumption alone."""
        reference = self.reference.laws
        return [
            combination
            for combination in self.combinations
            if all(law == reference[name] for name, law in combination.laws.items() if name != assumption)
        ]


def planned_runs(plan: Plan) -> dict[str, int]:
    """Most runs of each part."""
    columns, space, own = len(plan.columns), plan.space, plan.expected_space
    size, others = space.base_samples * space.replicates, len(plan.combinations) - 1
    ranked = (size + others * plan.base_samples * plan.replicates) * (2 * columns + 2) * 2**plan.doublings
    alone = len(own.roles) + sum(p.role == "structural" for p in own.parameters) - 1
    groups = 2 * (len(space.roles) + len(own.roles) + alone) + 6
    return {
        "combinations": ranked + (others + 1) * plan.trajectories * (columns + 1),
        "joint": size * (2 * len(space.columns) + 2),
        "groups": size * (groups + 6 * len(plan.measurements)),
    }


def find(plan: Plan, executor: Executor | None = None) -> Found:
    """Compute everything.

    Parameters
    ----------
    plan : Plan
    executor : concurrent.futures.Executor, optional
        Threads; results do not depend on it.
    """
    map_: Callable[..., Any] = map if executor is None else executor.map
    studied: list[Combination] = list(map_(lambda laws: study_combination(plan, laws), plan.combinations))
    joint = study_jointly(plan.space, executor)
    roles = grouped(plan.space, plan.space.roles, executor)
    own = plan.expected_space
    measured = [(m, grouped(own, split(own, m), executor)) for m in plan.measurements]
    alone = {name: columns for name, columns in own.roles.items() if name != "structural"}
    expected, expected_roles = (grouped(own, groups, executor) for groups in (alone, own.roles))
    together = [joint.indices, roles, expected, expected_roles, *(indices for _, indices in measured)]
    runs = sum(c.runs for c in studied) + sum(int(indices.attrs["runs"]) for indices in together)
    mapped = [_mapped(joint.runs, limit) for limit in plan.limits]
    return Found(studied, joint, roles, expected, expected_roles, measured, mapped, runs)


def study_combination(plan: Plan, laws: Laws) -> Combination:
    """Screen one combination of laws for inputs that it never reads, and rank the others."""
    space = plan.space_of(laws)
    screened = evaluate(morris_design(space, plan.trajectories), _model(space), progress=False)
    effects = morris_effects(screened)
    idle = idle_inputs(effects, space)
    left = space.freeze(idle)
    rule = Rule(budget=2**plan.doublings * sobol_design(left).layout.runs)
    study = sobol_until_converged(left, _model(left), rule, progress=False)
    indices = widened(study.indices, plan.columns)
    return Combination(
        laws,
        idle,
        effects,
        indices,
        rank(indices),
        study.gate,
        study.runs + screened.sizes["sample"],
        study.runs,
        {bit: int(np.count_nonzero(study.results["validity"].values & bit)) for bit in VALIDITY},
    )


def _model(space: ParameterSpace) -> StreamModel:
    return StreamModel(space.fixed, space.outputs)


def idle_inputs(effects: xr.Dataset, space: ParameterSpace) -> tuple[str, ...]:
    """Inputs that change no output in any step of a screening.

    An input that shares a cause with another stays, because its part cannot be fixed alone.
    """
    tied = {p.name for p in space.parameters if p.loadings} | {latent.name for latent in space.latents}
    largest = effects["mu_star"].max("parameter")
    still = (effects["mu_star"] <= _ROUNDING * largest).all("output")
    names = [str(name) for name in effects["parameter"].values[still.values]]
    return tuple(name for name in names if name not in tied)


def widened(indices: xr.Dataset, columns: Sequence[str]) -> xr.Dataset:
    """Indices over all columns: those of an input that is never read are exactly zero."""
    names = [str(n) for n in indices.data_vars if str(n).startswith(("S1", "ST"))]
    others = indices[["mean", "standard_deviation"]].drop_dims("parameter", errors="ignore")
    bare = indices[names].drop_vars(["long_name", "role", "basis"])
    missing = [name for name in columns if name not in indices["parameter"].values]
    wide = bare.reindex(parameter=list(columns), fill_value=np.nan)
    for name in names:
        zero = xr.zeros_like(wide[name].sel(parameter=missing))
        undefined = bare[name].isnull().any("parameter")
        wide[name].loc[{"parameter": missing}] = zero.where(~undefined).transpose(*zero.dims)
    return wide.assign({str(n): others[n] for n in others.data_vars}).assign_attrs(indices.attrs)


@dataclass(frozen=True)
class MixedModel:
    """A picklable model for samples in which laws vary: runs of one law lie side by side while they are computed.

    Attributes
    ----------
    model : StreamModel
    laws : tuple of str
        Names of the choices of law.
    """

    model: StreamModel
    laws: tuple[str, ...]

    def __call__(self, samples: xr.Dataset) -> xr.Dataset:
        """Simulate a sample; the results are in its order."""
        varying = [samples[name].values for name in self.laws if name in samples]
        if not varying:
            return self.model(samples)
        order = np.lexsort(varying)
        back = np.empty_like(order)
        back[order] = np.arange(len(order))
        return self.model(samples.isel(sample=order)).isel(sample=back)


def _mixed(space: ParameterSpace) -> MixedModel:
    return MixedModel(_model(space), tuple(p.name for p in space.parameters if p.role == "structural"))


def study_jointly(space: ParameterSpace, executor: Executor | None) -> Joint:
    """Rank all inputs with the choices of law among them."""
    results = evaluate(sobol_design(space), _mixed(space), executor, chunk=MIXED_CHUNK)
    indices, history = sobol_indices(results), convergence(results)
    return Joint(
        results,
        indices,
        rank(indices),
        history,
        convergence_gate(history),
        interaction_map(indices),
        _pawn(results),
        independent_runs(results),
    )


def _pawn(results: xr.Dataset) -> xr.Dataset | None:
    try:
        return moment_independent(results)
    except InputError:
        return None


def grouped(space: ParameterSpace, groups: Mapping[str, Sequence[str]], executor: Executor | None) -> xr.Dataset:
    """Closed and total shares of groups of columns that are moved together."""
    design = sobol_design(space, groups=groups)
    return sobol_indices(evaluate(design, _mixed(space), executor, progress=False, chunk=MIXED_CHUNK))


def split(space: ParameterSpace, measurement: Measurement) -> dict[str, tuple[str, ...]]:
    """What a measurement settles of what varies, and everything else."""
    settled = tuple(name for name in space.columns if name in measurement.settles)
    return {measurement.name: settled, REST: tuple(name for name in space.columns if name not in settled)}


def _mapped(runs: xr.Dataset, limit: Limit) -> Mapped:
    try:
        return Mapped(limit, factor_mapping(runs, limit.output, **{limit.side: limit.value}))
    except InputError as error:
        return Mapped(limit, None, str(error))
