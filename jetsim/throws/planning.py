"""The plan of a field test: throws, order, run sheet, and what the test can and cannot decide."""

import csv
import io
from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from jetsim import units
from jetsim.experiment import fieldtest
from jetsim.experiment.fieldtest import Needed, Throw
from jetsim.quantities import UnitSystem
from jetsim.throws import expected, model, tested
from jetsim.throws.columns import COLUMNS, SUFFIXES
from jetsim.throws.question import FieldTest

Array = NDArray[np.float64]

BLOCKS, QUICK_BLOCKS = 4096, 1024
DRAWS, QUICK_DRAWS = 512, 128  # of what is believed, over which the power of a pair is averaged


@dataclass(frozen=True)
class PairPlan:
    """Two set-ups: throws needed, scatter of their difference [m], and the difference that the model expects [m].

    `chance` is that of the planned test to tell them apart, averaged over the differences that the priors allow.
    """

    first: str
    second: str
    needed: Needed
    expected: float
    chance: float


@dataclass(frozen=True)
class Plan:
    """A finished plan.

    Attributes
    ----------
    pairs : list of PairPlan
    blocks : int
        Throws of each set-up: what the hardest pair takes.
    blocks_for_all : int
        The same if no false alarm may fall on any pair.
    order : list of Throw
    targets : mapping of set-up to float
        Nozzle pressure to set [Pa].
    runs : int
        Simulated flights.
    flags : ndarray
        Validity of the flights in the blocks.
    """

    pairs: list[PairPlan]
    blocks: int
    blocks_for_all: int
    order: list[Throw]
    targets: Mapping[str, float]
    runs: int
    flags: NDArray[np.int16]

    @property
    def hardest(self) -> PairPlan:
        """The pair with the largest scatter."""
        return max(self.pairs, key=lambda pair: pair.needed.spread)


def make_plan(test: FieldTest, blocks: int, draws: int, executor: Executor | None = None) -> Plan:
    """Simulate blocks of throws and find how many the wanted power takes."""
    rng = np.random.default_rng(test.seed)
    simulated = model.simulate_blocks(test, blocks, rng, executor)
    wanted = test.wanted
    pairs = []
    for a, b in combinations(simulated.measured, 2):
        differences = simulated.measured[a] - simulated.measured[b]
        needed = fieldtest.throws_needed(differences, wanted.difference, wanted.power, rng, wanted.false_alarm)
        pairs.append(PairPlan(a, b, needed, simulated.expected[a] - simulated.expected[b], np.nan))
    most = max(pair.needed.throws for pair in pairs)
    widest = max(pairs, key=lambda pair: pair.needed.spread)
    differences = simulated.measured[widest.first] - simulated.measured[widest.second]
    strict = wanted.false_alarm / len(pairs)
    for_all = fieldtest.throws_needed(differences, wanted.difference, wanted.power, rng, strict).throws
    order = fieldtest.run_order(list(test.labels), most, test.seed)
    still = _still_by_priors(test, draws, executor)
    pairs = [replace(pair, chance=_mean_power(test, pair, most, still)) for pair in pairs]
    targets = model.target_pressures(test)
    return Plan(pairs, most, max(for_all, most), order, targets, runs(test, blocks, draws), simulated.flags)


def runs(test: FieldTest, blocks: int, draws: int) -> int:
    """Simulated flights of a plan."""
    return (blocks + draws) * len(test.setups)


def _still_by_priors(test: FieldTest, draws: int, executor: Executor | None = None) -> dict[str, Array]:
    """The measured quantity of each set-up in still air [m], shape (draws,), for draws of the priors."""
    targets = model.target_pressures(test)
    calm = np.zeros(len(targets))
    elevation = np.full(len(targets), test.elevation)
    once = expected.Throws(list(targets), np.array(list(targets.values())), elevation, calm, calm)
    values, column = model.drawn(test, draws, test.seed), tested.COLUMN_OF[test.wanted.quantity]
    shown = expected.expected(test, once, values, executor=executor)[column]
    return {name: shown[:, n] for n, name in enumerate(targets)}


def _mean_power(test: FieldTest, pair: PairPlan, blocks: int, still: Mapping[str, Array]) -> float:
    """Chance that the planned test of a pair finds its difference, averaged over the priors."""
    differences, spread = still[pair.first] - still[pair.second], pair.needed.spread
    level = test.wanted.false_alarm
    return float(np.mean([fieldtest.power_closed_form(float(d), spread, blocks, level) for d in differences]))


# --------------------------------------------------------------------------------------------------------
# Run sheet


def run_sheet(test: FieldTest, plan: Plan, system: UnitSystem) -> str:
    """The run sheet as CSV text with a byte-order mark, so that a spreadsheet reads it as UTF-8."""
    headers = {name: column.header(system) for name, column in COLUMNS.items()}
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(headers.values())
    for throw in plan.order:
        filled = _filled(test, plan, throw, headers)
        writer.writerow([filled.get(name, "") for name in headers])
    return "\ufeff" + buffer.getvalue()


def _filled(test: FieldTest, plan: Plan, throw: Throw, headers: Mapping[str, str]) -> dict[str, str]:
    """What the plan knows of a throw; readings stay empty."""

    def written(name: str, value: float) -> str:
        unit = SUFFIXES[headers[name].rpartition("_")[2]]
        return f"{float(units.from_si(value, unit)):.4g}"

    return {
        "run_order": str(throw.run_order),
        "block": str(throw.block),
        "setup": throw.setup,
        "target_nozzle_pressure": written("target_nozzle_pressure", plan.targets[throw.setup]),
        "elevation": written("elevation", test.elevation),
        "throw_bearing": written("throw_bearing", test.ground.throw_bearing),
        "excluded": "no",
    }
