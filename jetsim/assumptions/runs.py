"""Runs of a study of assumptions, what is estimated from them, and how rankings move from law to law."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import asdict, dataclass, replace
from functools import cached_property, partial
from itertools import chain
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim import findings
from jetsim.acting import unread_inputs
from jetsim.assumptions.question import Laws, Limit, Measurement, Plan, Reading, without
from jetsim.equipment.model import SetUpModel
from jetsim.errors import InputError
from jetsim.experiment.design import plain_design, sobol_layout, spawn
from jetsim.experiment.ensemble import evaluate, sobol_design
from jetsim.experiment.factor_mapping import factor_mapping
from jetsim.experiment.gate import Gate, Rule, convergence_gate, sobol_until_converged
from jetsim.experiment.moment_independent import moment_independent
from jetsim.experiment.ranking import interaction_map, rank
from jetsim.experiment.readings import Fall, expected_fall
from jetsim.experiment.screening import morris_design, morris_effects
from jetsim.experiment.sensitivity import convergence, sobol_indices
from jetsim.experiment.space import GROUP, ParameterSpace
from jetsim.experiment.wholes import as_wholes
from jetsim.kept import kept_together
from jetsim.simulation import StreamModel, flights_remembered
from jetsim.workers import begun

# Runs of mixed laws are sorted by law before they fly, so a chunk must hold many of each.
MIXED_CHUNK = 131_072
ROLE = " (role)"
_PROBES, _TRAJECTORIES = 64, 24
# What of a combination is not an index, in the attributes of its indices.
_MORE = "combination"
# Fewest runs in each of the independent samples that readings are judged by.
_READ = 128
Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Combination:
    """The study of one combination of laws.

    Attributes
    ----------
    laws : mapping
    idle : tuple of str
        Inputs that these laws never read; their shares are exactly zero.
    indices, ranking : xarray.Dataset
        Over all inputs as wholes but the choices of law.
    gate : Gate
    runs, ranked_runs : int
        All, and those of the Sobol' design.
    flagged : mapping of int to int
        How many of the ranked runs have each value of `validity`.
    """

    laws: Laws
    idle: tuple[str, ...]
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
    """One design over all inputs with the choices of law among them.

    Attributes
    ----------
    runs : xarray.Dataset
    indices, ranking, history, gate
        Of the inputs as wholes.
    columns, groups, roles : xarray.Dataset
        Indices of the latents and own parts, of the stated groups, and of what has one role.
    tied : tuple of str
        Columns that are latents or own parts of tied inputs.
    interactions : xarray.Dataset
    pawn : xarray.Dataset or None
        None where runs are too few.
    """

    runs: xr.Dataset
    indices: xr.Dataset
    ranking: xr.Dataset
    history: xr.Dataset
    gate: Gate
    columns: xr.Dataset
    tied: tuple[str, ...]
    groups: xr.Dataset
    roles: xr.Dataset
    interactions: xr.Dataset
    pawn: xr.Dataset | None

    @property
    def parts(self) -> xr.Dataset:
        """Indices of what tied inputs share, and of their own parts."""
        return self.columns.sel(parameter=list(self.tied))


@dataclass(frozen=True, eq=False)
class Mapped:
    """Which inputs decide on a side of a limit; `regions` is None with the `reason` where too few runs are there."""

    limit: Limit
    regions: xr.Dataset | None
    reason: str = ""


@dataclass(frozen=True, eq=False)
class Measured:
    """What a measurement would take away of the variance of each output, by output."""

    measurement: Measurement
    falls: Mapping[str, Fall]


@dataclass(frozen=True, eq=False)
class Found:
    """Everything that was computed of one stream.

    Attributes
    ----------
    combinations : list of Combination
        The first is the reference.
    joint : Joint
    expected : xarray.Dataset
        Without the laws of contrast: shares of each assumption, and of what has one role.
    effects : xarray.Dataset
        Elementary effects with the reference, from `morris_effects`.
    measured : list of Measured
        Without the laws of contrast.
    mapped : list of Mapped
    runs : int
    """

    combinations: list[Combination]
    joint: Joint
    expected: xr.Dataset
    effects: xr.Dataset
    measured: list[Measured]
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
    space, own = plan.space, plan.expected_space
    size, others = space.base_samples * space.replicates, len(plan.combinations) - 1
    whole = plan.space_of(plan.reference)
    block = sobol_layout(whole, moved=whole.inputs).block
    ranked = (size + others * plan.base_samples * plan.replicates) * block * 2**plan.doublings
    replicates, each = _reading_sizes(space)
    conditions = len({tuple(sorted(r.where.items())) for m in plan.measurements for r in m.readings})
    return {
        "combinations": ranked + (others + 1) * _PROBES * (len(plan.inputs) + 1),
        "joint": sobol_layout(space, closed=_closed(space)).runs + _expected_layout(own).runs,
        "readings": replicates * each * (1 + conditions) if plan.measurements else 0,
    }


def find(plan: Plan, executor: Executor | None = None) -> Found:
    """Compute everything.

    Parameters
    ----------
    plan : Plan
    executor : concurrent.futures.Executor, optional
        Threads that wait for pieces of work; results do not depend on it.
    """
    whole = begun(executor, _joint_and_mapped, plan, executor)
    own = begun(executor, study_expected, plan, executor)
    readings, screening = begun(executor, read_all, plan), begun(executor, elementary_effects, plan)
    studied = study_combinations(plan, executor)
    (joint, mapped), expected, (measured, read), (effects, screened) = whole(), own(), readings(), screening()
    runs = sum(c.runs for c in studied) + joint.runs.sizes["sample"] + int(expected.attrs["runs"]) + read + screened
    return Found(studied, joint, expected, effects, measured, mapped, runs)


def study_combinations(plan: Plan, executor: Executor | None) -> list[Combination]:
    """Study every combination of laws; those that differ in the law of breakup alone are a piece of work.

    Of two such laws one may act in both, as that of atomization does for fire streams: then a stream flies once.
    """
    map_: Callable[..., Any] = map if executor is None else executor.map
    groups: dict[tuple[str, ...], list[Laws]] = {}
    for laws in plan.combinations:
        groups.setdefault(tuple(law for name, law in laws.items() if name != "breakup_model"), []).append(laws)
    studied = map_(partial(kept_together, partial(_studied_together, plan)), groups.values())
    pairs = zip(chain(*groups.values()), chain(*studied), strict=True)
    by_laws = {tuple(laws.items()): _combination(laws, data) for laws, data in pairs}
    return [by_laws[tuple(laws.items())] for laws in plan.combinations]


def _studied_together(plan: Plan, several: Sequence[Laws]) -> list[xr.Dataset]:
    with flights_remembered():
        return [_studied(plan, laws) for laws in several]


def study_combination(plan: Plan, laws: Laws) -> Combination:
    """Leave out the inputs that one combination of laws never reads, and rank the others as wholes."""
    return _combination(laws, _studied(plan, laws))


def _studied(plan: Plan, laws: Laws) -> xr.Dataset:
    """Indices of a combination over all inputs; the rest of it in their attributes."""
    space = plan.space_of(laws)
    probes = plain_design(space, _PROBES).samples
    idle = tuple(unread_inputs(plan.model_of(space), probes, space.fixed))
    left = without(space, idle)
    rule = Rule(budget=2**plan.doublings * sobol_layout(left, moved=left.inputs).runs)
    study = sobol_until_converged(left, plan.model_of(left), rule, progress=False, moved=left.inputs)
    indices = as_wholes(sobol_indices(study.results, second_order=False), left)
    flagged = np.unique(study.results["validity"].values, return_counts=True)
    more = {
        "idle": idle,
        "gate": asdict(convergence_gate(as_wholes(study.last_sizes, left), rule)),
        "runs": study.runs + _PROBES * (len(space.names) + 1),
        "ranked_runs": study.runs,
        "flagged": [values.tolist() for values in flagged],
    }
    return widened(indices, plan.inputs).assign_attrs({_MORE: more})


def _combination(laws: Laws, data: xr.Dataset) -> Combination:
    indices = data.drop_attrs(deep=False).assign_attrs({k: v for k, v in data.attrs.items() if k != _MORE})
    more, flagged = data.attrs[_MORE], dict(zip(*data.attrs[_MORE]["flagged"], strict=True))
    runs = more["runs"], more["ranked_runs"]
    return Combination(laws, tuple(more["idle"]), indices, rank(indices), Gate.read(more["gate"]), *runs, flagged)


def widened(indices: xr.Dataset, names: Sequence[str]) -> xr.Dataset:
    """Indices over all inputs: those of an input that is never read are exactly zero."""
    wanted = [n for n in indices.data_vars if str(n).startswith(("S1", "ST"))]
    others = indices[["mean", "standard_deviation"]].drop_dims("parameter", errors="ignore")
    known = indices["parameter"].values.tolist()
    place = np.array([known.index(name) if name in known else -1 for name in names])
    wide = {name: (indices[name].dims, _wide(indices[name], place)) for name in wanted}
    return (
        others.assign_coords(parameter=list(names))
        .assign(wide)[[*wanted, *others.data_vars]]
        .assign_attrs(indices.attrs)
    )


def _wide(values: xr.DataArray, place: NDArray[np.int64]) -> Array:
    """Values at given places along ``parameter``; zero at -1, undefined where the output is."""
    last = np.moveaxis(values.values, values.get_axis_num("parameter"), -1)
    zero = np.where(np.isnan(last).any(-1, keepdims=True), np.nan, 0.0)
    return np.moveaxis(np.where(place < 0, zero, last[..., place]), -1, values.get_axis_num("parameter"))


@dataclass(frozen=True)
class MixedModel:
    """A picklable model for samples in which laws vary: runs of one law lie side by side while they are computed.

    Attributes
    ----------
    model : SetUpModel or StreamModel
    laws : tuple of str
        Names of the choices of law.
    """

    model: SetUpModel | StreamModel
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


def mixed_model(plan: Plan, space: ParameterSpace) -> MixedModel:
    """The model of a space in which laws vary."""
    return MixedModel(plan.model_of(space), tuple(p.name for p in space.parameters if p.role == "structural"))


# ---------------------------------------------------------------------------------------------------------
# Laws as factors


def _closed(space: ParameterSpace) -> dict[str, tuple[str, ...]]:
    return {**space.closed, **{f"{role}{ROLE}": columns for role, columns in space.roles.items()}}


def _joint_and_mapped(plan: Plan, executor: Executor | None) -> tuple[Joint, list[Mapped]]:
    joint = study_jointly(plan, executor)
    return joint, [_mapped(joint.runs, limit) for limit in plan.limits]


def study_jointly(plan: Plan, executor: Executor | None = None) -> Joint:
    """Rank all inputs as wholes with the choices of law among them."""
    space = plan.space
    design = sobol_design(space, closed=_closed(space))
    results = evaluate(design, mixed_model(plan, space), executor, chunk=MIXED_CHUNK)
    every, history = sobol_indices(results), as_wholes(convergence(results), space)
    indices = as_wholes(every, space)
    columns = list(space.columns)
    tied = {name for members in space.wholes.values() for name in members}
    return Joint(
        results,
        indices,
        rank(indices),
        history,
        convergence_gate(history),
        every.sel(parameter=columns),
        tuple(name for name in columns if name in tied),
        _renamed(every, space.groups, GROUP),
        _renamed(every, space.roles, ROLE),
        interaction_map(every.sel(parameter=columns, other_parameter=columns)),
        _pawn(results),
    )


def _renamed(indices: xr.Dataset, names: Mapping[str, Any], ending: str) -> xr.Dataset:
    return indices.sel(parameter=[f"{name}{ending}" for name in names]).assign_coords(parameter=list(names))


def _pawn(results: xr.Dataset) -> xr.Dataset | None:
    try:
        return moment_independent(results)
    except InputError:
        return None


def _expected_layout(own: ParameterSpace) -> Any:
    return sobol_layout(own, **_expected_factors(own))


def _expected_factors(own: ParameterSpace) -> dict[str, Any]:
    """Each assumption on its own, all of them together, and what else has one role."""
    roles = dict(own.roles)
    structural = roles.pop("structural", ())
    return {"groups": roles, "closed": {"structural": structural} if structural else {}}


def study_expected(plan: Plan, executor: Executor | None = None) -> xr.Dataset:
    """Shares of each assumption and of what has one role, without the laws of contrast."""
    own = plan.expected_space
    design = sobol_design(own, **_expected_factors(own))
    model = mixed_model(plan, own)
    return sobol_indices(evaluate(design, model, executor, progress=False, chunk=MIXED_CHUNK))


def elementary_effects(plan: Plan) -> tuple[xr.Dataset, int]:
    """Morris' elementary effects with the reference, and how many runs they took."""
    space = plan.space_of(plan.reference)
    design = morris_design(space, _TRAJECTORIES)
    return morris_effects(evaluate(design, plan.model_of(space), progress=False)), design.layout.runs


def _mapped(runs: xr.Dataset, limit: Limit) -> Mapped:
    try:
        return Mapped(limit, factor_mapping(runs, limit.output, **{limit.side: limit.value}))
    except InputError as error:
        return Mapped(limit, None, str(error))


# ---------------------------------------------------------------------------------------------------------
# Readings


def _reading_sizes(space: ParameterSpace) -> tuple[int, int]:
    """Independent samples and runs of each, a power of two."""
    return space.replicates, max(_READ, 2 * space.base_samples)


def read_all(plan: Plan) -> tuple[list[Measured], int]:
    """What each measurement would take away of the variance of each headline output, and how many runs that took.

    Output and readings are drawn together, without the laws of contrast: the output over all inputs, the readings of
    the same unknowns with controls and weather at their medians unless the measurement states otherwise.
    """
    if not plan.measurements:
        return [], 0
    own = plan.expected_space
    replicates, each = _reading_sizes(own)
    seeds = spawn(np.random.SeedSequence([own.seed, replicates]), replicates + 1)
    samples = xr.concat([plain_design(own, each, seed).samples for seed in seeds[:-1]], "sample")
    samples = samples.assign_coords(sample=np.arange(samples.sizes["sample"]))
    outputs = mixed_model(plan, own)(samples)
    taken = _Taken(plan, own, samples)
    parts = np.repeat(np.arange(replicates), each)
    measured = []
    for measurement in plan.measurements:
        exact = np.column_stack([taken.exact(reading) for reading in measurement.readings])
        errors = np.array([reading.error for reading in measurement.readings])
        seen = exact + errors * seeds[-1].standard_normal(exact.shape)
        measured.append(Measured(measurement, {o: _fall(seen, outputs[o].values, parts) for o in plan.headline}))
    return measured, len(parts) * (1 + len(taken.results))


def _fall(seen: Array, output: Array, parts: NDArray[np.int64]) -> Fall:
    """Expected fall over the runs in which everything is defined."""
    kept = np.isfinite(seen).all(axis=1) & np.isfinite(output)
    try:
        return expected_fall(seen[kept], output[kept], parts[kept])
    except InputError:
        return Fall(np.nan, np.nan, np.nan)


class _Taken:
    """Results under the conditions of readings, each condition run once."""

    def __init__(self, plan: Plan, space: ParameterSpace, samples: xr.Dataset) -> None:
        self.plan, self.space, self.samples = plan, space, samples
        self.results: dict[tuple[tuple[str, Any], ...], xr.Dataset] = {}
        self.wanted = tuple(dict.fromkeys(r.of for m in plan.measurements for r in m.readings))

    def exact(self, reading: Reading) -> Array:
        """What a reading without an error would be, run by run."""
        key = tuple(sorted(reading.where.items()))
        if key not in self.results:
            self.results[key] = self._run(reading.where)
        return np.asarray(self.results[key][reading.of].values, dtype=float)

    def _run(self, where: Mapping[str, Any]) -> xr.Dataset:
        held = {p.name for p in self.space.parameters if p.role in ("controllable", "environment")}
        medians = self.space.medians()
        still = {**{name: medians[name] for name in held}, **where}
        model = mixed_model(self.plan, self.space)
        there = replace(model.model, fixed={**model.model.fixed, **still}, outputs=self.wanted)
        return MixedModel(there, model.laws)(self.samples.drop_vars(list(still), errors="ignore"))
