"""Everything that the study from the pump computes, in one place."""

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from jetsim.errors import InputError
from jetsim.experiment.ensemble import evaluate, plain_design, sobol_design
from jetsim.experiment.gate import convergence_gate
from jetsim.experiment.parameters import Parameter
from jetsim.experiment.ranking import rank
from jetsim.experiment.sensitivity import convergence, sobol_indices
from jetsim.experiment.space import ParameterSpace
from jetsim.hydraulics.believed import check_steps
from jetsim.supply import pumping
from jetsim.supply.department import BREAKUP_LENGTH, Department
from jetsim.supply.model import EXCESS, MEMBERS, PUMP, check_parameter
from jetsim.supply.plan import Plan

_ERROR, _STEPS = "supply.pump_pressure_error", "supply.setting_step"
RANKED = ("flow_rate", "extreme_reach")


@dataclass(frozen=True, eq=False)
class Loaded:
    """What a study file says, and how many draws of its inputs to take."""

    space: ParameterSpace
    department: Department
    plan: Plan
    draws: int

    @property
    def pairs(self) -> list[pumping.Pair]:
        """Every nozzle behind every line."""
        return pumping.pairs_of(self.department)

    @property
    def ranked_pairs(self) -> list[pumping.Pair]:
        """Every nozzle behind the first line: those whose inputs are ranked."""
        return self.pairs[: len(self.department.nozzles)]


def check_names(space: ParameterSpace) -> None:
    """Refuse inputs that the pump, the line or the nozzle sets, and a file without the outputs that are shown.

    Raises
    ------
    InputError
    """
    for place, names in (("parameters", space.names), ("fixed", tuple(space.fixed))):
        for name in names:
            check_parameter(name, f"{place}.{name}")
    if PUMP in space.names:
        raise InputError(f"parameters.{PUMP}: the study finds it; vary supply.pump_pressure_error instead")
    for parameter in space.parameters:
        if parameter.name == _STEPS:
            _check_steps(parameter)
    for name in space.fixed:
        if name.startswith("supply.") or name in MEMBERS:
            raise InputError(f"fixed.{name}: state it under [nozzles], [hoses] or [lines], or under [parameters]")
    for name in pumping.SWEPT:
        if name not in space.outputs:
            raise InputError(f"outputs lacks {name!r}, which this study shows")


def _check_steps(parameter: Parameter) -> None:
    """Refuse a setting error that is drawn between settings."""
    try:
        check_steps(parameter.distribution.ppf(np.linspace(0.0, 1.0, 257)))
    except InputError as error:
        raise InputError(f"parameters.{parameter.name}: {error}") from None


def check_together(loaded: Loaded) -> None:
    """Refuse targets beyond the supply, errors that leave a pump pressure below 0, and one breakup length for several
    nozzles, before anything is run.

    Raises
    ------
    InputError
    """
    _check_breakup(loaded)
    lowest = min((p.distribution.ppf(0.0) for p in loaded.space.parameters if p.name == _ERROR), default=0.0)
    if loaded.plan.sweep[0] + float(lowest) < 0:
        raise InputError(f"sweep.low: parameters.{_ERROR} would bring the pump below 0 there; start the sweep higher")
    for pair in loaded.pairs:
        required = pumping.stated(pair, loaded.department)
        for words, deviation in loaded.department.mistakes.items():
            if float(required.pump_pressure) + float(np.asarray(deviation.pump_pressure_error)) < 0:
                raise InputError(f"mistakes: {words!r} would bring the pump below 0 for {pair.words}")


def _check_breakup(loaded: Loaded) -> None:
    """Refuse a breakup length that would fly from nozzles on which it was not measured."""
    nozzles = loaded.department.nozzles
    for place, names in (("parameters", loaded.space.names), ("fixed", tuple(loaded.space.fixed))):
        if BREAKUP_LENGTH in names and (len(nozzles) > 1 or nozzles[0].breakup_length is not None):
            raise InputError(
                f"{place}.{BREAKUP_LENGTH}: a breakup length belongs to the nozzle that it was measured on; give it as "
                f"{' or '.join(f'nozzles.{entry.name}.{BREAKUP_LENGTH}' for entry in nozzles)}"
            )


@dataclass(frozen=True, eq=False)
class Ranking:
    """What moves flow and reach of a nozzle.

    Attributes
    ----------
    estimate : Estimate
        Of the nozzle behind its line, which is pumped at the estimate.
    space : ParameterSpace
    results, indices, ranks : xarray.Dataset
        From `evaluate`, `sobol_indices` and `rank`.
    convergence : str
        Whether the ranking has converged, in words.
    """

    estimate: pumping.Estimate
    space: ParameterSpace
    results: xr.Dataset
    indices: xr.Dataset
    ranks: xr.Dataset
    convergence: str

    @property
    def outputs(self) -> dict[str, str]:
        """Ranked outputs and their words: the study's rule may put the chance of reaching in the reach's place."""
        names = [str(name) for name in self.indices["output"].values]
        return dict(zip(names, map(str, self.indices["output_long_name"].values), strict=True))


@dataclass(frozen=True, eq=False)
class Found:
    """Everything that was computed; one entry for each pair, except `rankings`: one for each nozzle."""

    estimates: list[pumping.Estimate]
    delivered: list[xr.Dataset]
    charts: list[pumping.Spread]
    choices: list[pumping.Choice]
    mistakes: list[pumping.Mistakes]
    rankings: list[Ranking]

    @property
    def datasets(self) -> list[xr.Dataset]:
        """Results of single runs."""
        ranked = [ranking.results for ranking in self.rankings]
        return [*self.delivered, *(mistakes.results for mistakes in self.mistakes), *ranked]

    @property
    def runs(self) -> int:
        """Simulated streams."""
        swept = sum(choice.swept.runs["flow_rate"].size for choice in self.choices)
        return swept + sum(dataset.sizes["sample"] for dataset in self.datasets)


def ranked_space(pair: pumping.Pair, space: ParameterSpace) -> ParameterSpace:
    """What can move flow and reach of a pair: all that acts on it but the crew's excess over the formula."""
    own = pumping.space_of(pair, space)
    return replace(own, parameters=tuple(p for p in own.parameters if p.name != EXCESS), outputs=RANKED)


def ranking_runs(space: ParameterSpace) -> int:
    """Runs of a ranking."""
    return space.base_samples * space.replicates * (2 * len(space.columns) + 2)


def rank_inputs(found: pumping.Estimate, space: ParameterSpace, executor: Executor | None) -> Ranking:
    """Rank what moves flow and reach of a pair that is pumped at its estimate."""
    own = ranked_space(found.pair, space)
    model = pumping.model_of(found.pair, own, float(found.pump_pressure.middle))
    results = evaluate(sobol_design(own), model, executor)
    indices = sobol_indices(results)
    sentence = convergence_gate(convergence(results)).sentence
    return Ranking(found, own, results, indices, rank(indices), sentence)


def find(loaded: Loaded, executor: Executor | None = None) -> Found:
    """Compute everything.

    Parameters
    ----------
    loaded : Loaded
    executor : concurrent.futures.Executor, optional
        For the pairs and the rankings; results do not depend on it.

    Raises
    ------
    InputError
        The pump cannot give a target, a run is undefined against the study's rule, or every pump pressure of the
        sweep is above a stated maximum.
    """
    department, space, pairs = loaded.department, loaded.space, loaded.pairs
    samples = plain_design(space, loaded.draws).samples
    estimates = [pumping.estimate(pair, department, samples) for pair in pairs]

    def swept(pair: pumping.Pair) -> pumping.Choice:
        return pumping.choose(pumping.sweep(pair, space, department, loaded.plan, samples), department, loaded.plan)

    map_: Callable[..., object] = map if executor is None else executor.map
    choices = list(map_(swept, pairs))  # type: ignore[call-overload] # both maps give what `swept` gives
    return Found(
        estimates,
        [pumping.delivered_at(found, space, samples) for found in estimates],
        [pumping.chart(pair, loaded.plan, samples) for pair in pairs],
        choices,
        [pumping.mistakes_of(pair, space, department) for pair in pairs],
        [rank_inputs(found, space, executor) for found in estimates[: len(department.nozzles)]],
    )
