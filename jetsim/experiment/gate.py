"""When a ranking has converged, and adding samples until it has.

A gate is passed when the total-order intervals are narrow and the leaders kept their order over the last
doubling. "Not converged" is an outcome like any other, and is told with its reason.
"""

from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim.errors import InputError
from jetsim.experiment.design import Design, sobol_design
from jetsim.experiment.ensemble import Model, evaluate
from jetsim.experiment.ranking import paired_differences
from jetsim.experiment.sensitivity import SMALLEST_SUBSET, convergence, sobol_indices
from jetsim.experiment.space import ParameterSpace
from jetsim.quantities import QUANTITIES

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rule:
    """What counts as converged, and what it may cost.

    Attributes
    ----------
    half_width : float
        Largest half-width of a total-order interval.
    leader : float
        Total-order index from which a factor is a leader, whose order must be stable.
    alpha : float
        Two leaders that change places must be told apart at this level (paired, adjusted) to count as unstable.
    budget : int
        Most runs in all.
    """

    half_width: float = 0.02
    leader: float = 0.05
    alpha: float = 0.05
    budget: int = 1_000_000

    def __post_init__(self) -> None:
        for name in ("half_width", "leader", "alpha"):
            if not 0 < getattr(self, name) < 1:
                raise InputError(f"{name} = {getattr(self, name)!r}: must be between 0 and 1, both excluded")
        if isinstance(self.budget, bool) or not isinstance(self.budget, int) or self.budget < 1:
            raise InputError(f"budget = {self.budget!r}: must be a whole number of runs from 1")


@dataclass(frozen=True)
class Gate:
    """Whether a ranking has converged.

    Attributes
    ----------
    passed : bool
    half_width : mapping
        Largest half-width of a total-order interval of each output.
    moved : mapping
        Pairs of leaders of each output that changed places over the last doubling though they are told apart.
    undefined : tuple of str
        Outputs that have no index. A constant one takes no part; any other keeps the gate from passing.
    sentence : str
        The finding in words.
    """

    passed: bool
    half_width: Mapping[str, float]
    moved: Mapping[str, tuple[tuple[str, str], ...]]
    undefined: tuple[str, ...]
    sentence: str

    @classmethod
    def read(cls, members: Mapping[str, Any]) -> "Gate":
        """A gate from its members as a mapping, in which lists may stand for tuples."""
        moved = {name: tuple((str(a), str(b)) for a, b in pairs) for name, pairs in members["moved"].items()}
        return cls(**{**members, "moved": moved, "undefined": tuple(members["undefined"])})


@dataclass(frozen=True, eq=False)
class ConvergedStudy:
    """A study that was given samples until its gate passed or its budget ended.

    Attributes
    ----------
    design : Design
        Of the last step.
    results : xarray.Dataset
        From `evaluate`.
    last_sizes : xarray.Dataset
        From `convergence`, of all samples and of the first half of them.
    gate : Gate
    """

    design: Design
    results: xr.Dataset
    last_sizes: xr.Dataset
    gate: Gate

    @property
    def runs(self) -> int:
        """Of the last step, those of all steps before among them."""
        return self.design.layout.runs

    @cached_property
    def history(self) -> xr.Dataset:
        """From `convergence`, of all sizes."""
        return convergence(self.results)

    @cached_property
    def indices(self) -> xr.Dataset:
        """From `sobol_indices`."""
        return sobol_indices(self.results)


def convergence_gate(history: xr.Dataset, rule: Rule | None = None) -> Gate:
    """Judge a ranking by its own history.

    Parameters
    ----------
    history : xarray.Dataset
        From `convergence`.
    rule : Rule, optional
    """
    rule = rule or Rule()
    last = _last_sizes(history)
    defined = {name: one for name, one in last.items() if not np.isnan(one.total[-1]).any()}
    undefined = tuple(name for name in last if name not in defined)
    half_width = {name: one.half_width for name, one in defined.items()}
    moved = {name: pairs for name, one in defined.items() if (pairs := one.moved(rule))}
    one_size = not all(one.comparable for one in defined.values()) or history.sizes["base_samples"] < 2
    narrow = all(width <= rule.half_width for width in half_width.values())
    unranked = {name: reason for name in undefined if not (reason := _reason(history, name)).startswith("constant: ")}
    passed = bool(defined) and narrow and not moved and not one_size and not unranked
    sentence = _sentence(history, rule, half_width, moved, one_size, unranked)
    if passed:
        sentence += _order_words(sum(one.tied_leaders(rule) for one in defined.values()))
    return Gate(passed, half_width, moved, undefined, sentence)


@dataclass(frozen=True, eq=False)
class _LastSizes:
    """Total-order indices of an output for the last two sizes, or the only one.

    `total` has shape (sizes, factors), `replicates`, of the last size, (replicates, factors).
    """

    names: NDArray[Any]
    total: Array
    replicates: Array
    half_width: float

    @property
    def comparable(self) -> bool:
        """Whether half of the samples give an index too."""
        return len(self.total) == 2 and not np.isnan(self.total[0]).any()

    def moved(self, rule: Rule) -> tuple[tuple[str, str], ...]:
        """Leaders that changed places over the last doubling though the last replicates tell them apart."""
        if not self.comparable:
            return ()
        before, now = self.total
        leaders = np.flatnonzero((before >= rule.leader) | (now >= rule.leader))
        _, p_value = paired_differences(self.replicates[:, leaders])
        names = self.names[leaders]
        changed = np.sign(np.subtract.outer(before, before)) != np.sign(np.subtract.outer(now, now))
        swapped = changed[np.ix_(leaders, leaders)] & (p_value <= rule.alpha)
        pairs = np.argwhere(np.triu(swapped, 1))
        return tuple((str(names[i]), str(names[j])) for i, j in pairs)

    def tied_leaders(self, rule: Rule) -> int:
        """How many pairs of leaders the last replicates do not tell apart."""
        _, p_value = paired_differences(self.replicates[:, self.total[-1] >= rule.leader])
        return int(np.count_nonzero(np.triu(p_value > rule.alpha, 1)))


def _last_sizes(history: xr.Dataset) -> dict[str, _LastSizes]:
    """By output."""
    last = history.isel(base_samples=slice(-2, None)).transpose("output", "base_samples", "replicate", "parameter", ...)
    total, low, high, replicates = (last[name].values for name in ("ST", "ST_low", "ST_high", "ST_replicates"))
    names, widths = last["parameter"].values, ((high[:, -1] - low[:, -1]) / 2).max(axis=1)
    parts = zip(last["output"].values.tolist(), total, replicates[:, -1], widths.tolist(), strict=True)
    return {str(name): _LastSizes(names, *part) for name, *part in parts}


# Of the variance, a hundredth of the runs carries less than this where the intervals of shares can be trusted: a normal
# distribution gives 8 %, an exponential one 22 %, a lognormal one of ln sd 1 half of it.
HEAVY_TAIL = 1 / 3


def tail_share(values: NDArray[np.float64]) -> float:
    """Share of the variance that the hundredth of the runs farthest from the mean carries.

    Parameters
    ----------
    values : ndarray, shape (n,)
        An output; undefined runs are left out.

    Returns
    -------
    float
        0 where the output is constant or undefined.
    """
    defined = values[np.isfinite(values)]
    squares = np.sort((defined - defined.mean()) ** 2) if defined.size else np.zeros(1)
    total = float(squares.sum())
    return float(squares[-max(1, round(squares.size / 100)) :].sum()) / total if total else 0.0


def _reason(history: xr.Dataset, output: str) -> str:
    """Why an output has no index."""
    return str(history["reason"].sel(output=output).item()) if "reason" in history.coords else "undefined"


def _order_words(tied: int) -> str:
    """What may be said of the order of leaders, so many pairs of which are tied: only the others have one."""
    if not tied:
        return ", order of the leaders stable."
    return f", order stable of the leaders that are told apart; pairs of leaders that are not: {tied}."


def width_words(width: float, wanted: float) -> str:
    """A half-width with as many digits as it takes to see that it is wider than wanted.

    Examples
    --------
    >>> width_words(0.0304, 0.02), width_words(0.02004, 0.02)
    ('±0.030', '±0.02004')
    """
    digits = next((n for n in range(3, 12) if round(width, n) != wanted), 3)
    return f"±{width:.{digits}f}"


def _sentence(
    history: xr.Dataset,
    rule: Rule,
    half_width: Mapping[str, float],
    moved: Mapping[str, tuple[tuple[str, str], ...]],
    one_size: bool,
    unranked: Mapping[str, str],
) -> str:
    count = int(history["base_samples"].values[-1])
    size = f"{count} base samples in each of {history.sizes['replicate']} replicates"
    if not half_width:
        return f"Not converged: no output has an index at {size}."
    words = _words(history)
    wide = [
        f"{width_words(width, rule.half_width)} for {words(name)}"
        for name, width in half_width.items()
        if width > rule.half_width
    ]
    problems = (
        [f"the widest total-order intervals (wanted: ±{rule.half_width:g}) are {', '.join(wide)}"] if wide else []
    )
    swapped = [(name, *pair) for name, pairs in moved.items() for pair in pairs]
    problems += [f"{words(a)} and {words(b)} changed places for {words(name)}" for name, a, b in swapped]
    problems += [f"{words(name)} has no index ({reason})" for name, reason in unranked.items()]
    if one_size:
        problems.append("there is no smaller sample to compare with")
    if problems:
        return f"Not converged at {size}: {'; '.join(problems)}."
    widest = max(half_width.values())
    return f"Converged at {size}: total-order intervals within ±{widest:.3f}"


def _words(history: xr.Dataset) -> Callable[[str], str]:
    """Names of outputs and parameters as a reader knows them."""
    labels = history.coords.get("long_name", history["parameter"]).values
    known = {str(n): str(label) for n, label in zip(history["parameter"].values, labels, strict=True) if label}
    known |= {str(n): QUANTITIES[n].long_name for n in history["output"].values if n in QUANTITIES}

    def words(name: str) -> str:
        return known.get(name, name).partition(" (")[0]

    return words


def sobol_until_converged(
    space: ParameterSpace,
    model: Model,
    rule: Rule | None = None,
    executor: Executor | None = None,
    progress: bool = True,
    groups: Mapping[str, Iterable[str]] | None = None,
    moved: Mapping[str, Iterable[str]] | None = None,
) -> ConvergedStudy:
    """Double the base samples of the same sequences until the gate passes or the budget ends.

    Earlier runs are kept, never repeated. Looking several times makes the last intervals a little narrower than
    they claim; the gate's width guards the size of the error, not a level of significance.

    Parameters
    ----------
    space : ParameterSpace
        Its `base_samples` is the first size, its `seed` the seed.
    model, executor, progress
        As for `evaluate`.
    rule : Rule, optional
        Gate and budget.
    groups, moved
        As for `sobol_design`.

    Returns
    -------
    ConvergedStudy
        ``gate.passed`` may be False: then the budget ended first.

    Raises
    ------
    InputError
        The budget does not cover the first size; otherwise as `evaluate`.
    """
    rule = rule or Rule()
    design = sobol_design(space, groups=groups, moved=moved)
    if design.layout.runs > rule.budget:
        raise InputError(f"budget = {rule.budget} runs: the first {design.layout.runs} alone exceed it")
    results = evaluate(design, model, executor, progress)
    while True:
        last_sizes = convergence(results, smallest=max(SMALLEST_SUBSET, design.layout.base_samples // 2))
        gate = convergence_gate(last_sizes, rule)
        if gate.passed or 2 * design.layout.runs > rule.budget:
            return ConvergedStudy(design, results, last_sizes, gate)
        design = sobol_design(space, 2 * design.layout.base_samples, groups=groups, moved=moved)
        results = evaluate(design, model, executor, progress, previous=results)
