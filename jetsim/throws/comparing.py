"""Set-ups under the declared match: odds of reach, flow, reaction and breakup, a decision, what to measure next."""

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from jetsim.experiment import comparison
from jetsim.experiment.comparison import Decision, Odds
from jetsim.throws import model
from jetsim.throws.question import CRITERIA, CompareQuestion, FieldTest, given

Array = NDArray[np.float64]

SMALLER = ("reaction",)


@dataclass(frozen=True, eq=False)
class Compared:
    """Results of every set-up on common draws.

    Attributes
    ----------
    values : mapping of criterion to mapping of set-up to ndarray, shape (draws,)
        SI; still air, every set-up at its matched pressure.
    single : mapping of set-up to ndarray, shape (draws,)
        Reach of one throw in the wind of its block, with the stated scatter of pressure, elevation and wind and the
        stream's own.
    pressures : mapping of set-up to ndarray, shape (draws,)
    pairs : list of Odds
        Of reach, the likelier winner first.
    next_causes : mapping of unknown to float
        Shares of the variance of the difference of `leaders`, the pair worth measuring next.
    flags : ndarray, shape (runs,)
        Validity of every flight.
    """

    values: Mapping[str, Mapping[str, Array]]
    single: Mapping[str, Array]
    pressures: Mapping[str, Array]
    pairs: list[Odds]
    decision: Decision
    leaders: tuple[str, str]
    next_causes: Mapping[str, float]
    tested: bool
    runs: int
    flags: NDArray[np.int16]


def compare(test: FieldTest, executor: Executor | None = None) -> Compared:
    """Evaluate every set-up on the same draws of the unknowns."""
    question, draws = test.question, test.question.base_samples
    assert isinstance(question, CompareQuestion)
    rng = np.random.default_rng(test.seed)
    values = model.drawn(test, draws, test.seed)
    results, pressures, flags = _results(test, values, executor)
    reach = results["reach"]
    block_wind = model.block_wind(test, draws, rng)
    asked, single = [], {}
    for setup in test.setups:
        thrown = model.one_throw(test, pressures[setup.name], block_wind, rng)
        asked.append((setup, {**model.inputs_at(test, setup, values), **thrown}))
        single[setup.name] = 1 + values["trial.reach_scatter"] * rng.standard_normal(draws)
    for name, flown in zip(single, model.all_simulated(test, asked, executor), strict=True):
        single[name] = flown["extreme_reach"].values * single[name]
        flags.append(flown["validity"].values)
    pairs = [comparison.odds(reach, a, b).ordered for a, b in combinations(reach, 2)]
    leader, rival = _open_question(reach, pairs)
    return Compared(
        results,
        single,
        pressures,
        sorted(pairs, key=lambda pair: -pair.chance),
        comparison.decide(results, given(question.weights), given(question.scales), SMALLER),
        (leader, rival),
        comparison.shares_of_variance(reach[leader] - reach[rival], values),
        test.learnt is not None,
        2 * draws * len(test.setups),
        np.concatenate(flags),
    )


def _results(
    test: FieldTest, values: Mapping[str, Array], executor: Executor | None
) -> tuple[dict[str, dict[str, Array]], dict[str, Array], list[NDArray[np.int16]]]:
    results: dict[str, dict[str, Array]] = {criterion: {} for criterion in CRITERIA}
    pressures, asked, flags = {}, [], []
    for setup in test.setups:
        pressures[setup.name] = model.matched_pressure(test, setup, values)
        inputs = {**model.inputs_at(test, setup, values), "nozzle_pressure": pressures[setup.name]}
        asked.append((setup, inputs))
    every = model.all_simulated(test, asked, executor, test.question.also)
    for setup_name, found in zip(pressures, every, strict=True):
        for criterion, name in CRITERIA.items():
            results[criterion][setup_name] = found[name].values
        flags.append(found["validity"].values)
    return results, pressures, flags


def _open_question(reach: Mapping[str, Array], pairs: list[Odds]) -> tuple[str, str]:
    """The pair worth measuring next: the evenest tie of the leader, else the evenest tie, else the leader's closest."""
    leader = max(reach, key=lambda name: float(np.median(reach[name])))
    own = [pair for pair in pairs if leader in (pair.first, pair.second)]
    open_pairs = [p for p in own if p.tie] or [p for p in pairs if p.tie] or own
    evenest = min(open_pairs, key=lambda pair: pair.chance)
    return evenest.first, evenest.second
