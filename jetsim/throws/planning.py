"""The plan of a field test: throws, order, run sheet, and what the test can and cannot decide."""

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from jetsim import findings, units
from jetsim.experiment import fieldtest
from jetsim.experiment.fieldtest import Needed, Throw
from jetsim.quantities import UnitSystem, quantity
from jetsim.report import display
from jetsim.report.document import InputLine, Report, ReportCard, Section
from jetsim.report.figures import Plot, Words
from jetsim.report.figures_trials import Tally, tally_page
from jetsim.report.tables import Column, Table
from jetsim.throws import expected, model, names, tested
from jetsim.throws.columns import COLUMNS, SUFFIXES
from jetsim.throws.question import OWN, FieldTest, in_words, matched_quantity

Array = NDArray[np.float64]

BLOCKS, QUICK_BLOCKS = 4096, 1024
DRAWS, QUICK_DRAWS = 512, 128  # of what is believed, over which the power of a pair is averaged
ROWS_A_PAGE = 25
QUESTION = "How many throws of each set-up does it take to tell them apart, and in which order?"


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


def make_plan(test: FieldTest, blocks: int, draws: int) -> Plan:
    """Simulate blocks of throws and find how many the wanted power takes."""
    rng = np.random.default_rng(test.seed)
    simulated = model.simulate_blocks(test, blocks, rng)
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
    still = _still_by_priors(test, draws)
    pairs = [replace(pair, chance=_mean_power(test, pair, most, still)) for pair in pairs]
    targets = model.target_pressures(test)
    return Plan(pairs, most, max(for_all, most), order, targets, runs(test, blocks, draws), simulated.flags)


def runs(test: FieldTest, blocks: int, draws: int) -> int:
    """Simulated flights of a plan."""
    return (blocks + draws) * len(test.setups)


def _still_by_priors(test: FieldTest, draws: int) -> dict[str, Array]:
    """The measured quantity of each set-up in still air [m], shape (draws,), for draws of the priors."""
    targets = model.target_pressures(test)
    calm = np.zeros(len(targets))
    elevation = np.full(len(targets), test.elevation)
    once = expected.Throws(list(targets), np.array(list(targets.values())), elevation, calm, calm)
    shown = expected.expected(test, once, model.drawn(test, draws, test.seed))[tested.COLUMN_OF[test.wanted.quantity]]
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


def tally_pages(test: FieldTest, plan: Plan, system: UnitSystem) -> list[Plot]:
    """The run sheet as pages to print."""
    unit = display.unit_label("extreme_reach", system)
    spacing, last = test.ground.mark_spacing, test.ground.last_mark
    distances = spacing * np.arange(1, int(np.floor(last / spacing + 1e-9)) + 1)
    marks = [display.number(float(value)) for value in display.convert("extreme_reach", distances, system)]
    blanks = ["nozzle pressure", "flow", "wind speed", "wind from", "breakup"]
    pages = []
    for page, start in enumerate(range(0, len(plan.order), ROWS_A_PAGE), 1):
        throws = [_throw_words(test, plan, throw, system) for throw in plan.order[start : start + ROWS_A_PAGE]]
        words = Words(
            f"run_sheet_page_{page}",
            f"Run sheet, page {page}: tick the mark reached by the farthest drops (marks in {unit})",
            "Circle the mark that the last continuous water reaches. Order and blocks are drawn at random: keep them. "
            f"Set-ups: {'; '.join(test.labels.values())}.",
        )
        pages.append(replace(tally_page(words, Tally(throws, marks, unit, blanks)), to_print=True))
    return pages


def _throw_words(test: FieldTest, plan: Plan, throw: Throw, system: UnitSystem) -> str:
    """Where pump pressure is matched, the pump is what is set; else the nozzle."""
    at_pump = test.condition == "pump pressure"
    pressure = test.matched if at_pump else plan.targets[throw.setup]
    shown = display.number(float(display.convert("nozzle_pressure", pressure, system)))
    place = "pump at" if at_pump else "at"
    unit = display.unit_label("nozzle_pressure", system)
    return f"{throw.run_order}  block {throw.block}  {throw.setup.upper()}  {place} {shown} {unit}"


# --------------------------------------------------------------------------------------------------------
# Words


def plan_report(test: FieldTest, plan: Plan, system: UnitSystem) -> Report:
    """The plan in words, tables and pages to print."""
    return Report(
        f"Plan: {test.title}",
        lead(test, plan, system),
        [
            Section("What each pair takes", [wind_rule(test, system), match_words(test, plan, system)],
                    tables=[pair_table(test, plan), target_table(test, plan)]),
            Section("Pages to print", ["The same rows as run_sheet.csv, to be filled in there and read back."],
                    tally_pages(test, plan, system)),
        ],
        card(test, plan, system),
        system,
        subtitle=test.scenario,
        validity=findings.flag_counts(plan.flags),
    )  # fmt: skip


def length(value: float, system: UnitSystem) -> str:
    """A distance or difference in words."""
    return display.both("extreme_reach", value, system)


def lead(test: FieldTest, plan: Plan, system: UnitSystem) -> list[str]:
    """Throws, scatter, and what can and cannot be decided."""
    outside = findings.outside_sentence(plan.flags)
    wanted, hardest = test.wanted, plan.hardest.needed
    chance, throws = f"{100 * wanted.power:.0f} %", plan.blocks
    single = 1.96 * hardest.spread
    return [
        *([outside] if outside else []),
        f"It takes {throws} throws of each set-up ({throws * len(test.setups)} in all, in {throws} blocks) to find a "
        f"difference of {length(wanted.difference, system)} in {wanted.measured} between any two set-ups with a chance "
        f"of {chance} or more (false alarm {100 * wanted.false_alarm:.3g} %; closed form at the hardest pair "
        f"{100 * hardest.closed_form:.0f} %). To guard all {len(plan.pairs)} pairs at once it takes "
        f"{plan.blocks_for_all}.",
        "Two throws in one block differ by chance alone with a standard deviation of "
        f"{length(hardest.spread, system)}: a single throw of each says nothing about any difference below "
        f"{length(single, system)}.",
        *decisions(test, plan, system),
        "The test cannot say whether a shutoff's turbulence or the nozzle behind it makes the difference unless both "
        "are thrown in more than one combination; it says nothing about water on a target, and it holds for one "
        "elevation and for wind within the rule.",
    ]


def decisions(test: FieldTest, plan: Plan, system: UnitSystem) -> list[str]:
    """The difference that is found, and the chance of each pair to be told apart."""
    limit = fieldtest.smallest_difference(
        plan.hardest.needed.spread, plan.blocks, test.wanted.power, test.wanted.false_alarm
    )
    ranked = sorted(plan.pairs, key=lambda pair: -pair.chance)
    listed = ", ".join(f"{p.first.upper()} and {p.second.upper()} {100 * p.chance:.0f} %" for p in ranked)
    return [
        f"With that many throws, a difference of {length(limit, system)} is found with a chance of "
        f"{100 * test.wanted.power:.0f} %.",
        f"Chance that the test tells a pair apart, averaged over what is believed, each pair by itself: {listed}.",
    ]


def wind_rule(test: FieldTest, system: UnitSystem) -> str:
    """When to throw."""
    limit = display.both("wind_along", test.question.largest_wind, system)
    return (
        f"Wind rule: throw only while the wind stays at or below {limit}; read speed and the direction it comes from "
        "at each throw. A throw in more wind is repeated at the end of its block, and the first try is entered as "
        "excluded, with its reason."
    )


def match_words(test: FieldTest, plan: Plan, system: UnitSystem) -> str:
    """What is held equal."""
    check = {
        OWN: "Set it by the gauge at the nozzle.",
        "nozzle pressure": "Set it by the gauge at the nozzle.",
        "pump pressure": "Set the pump; the nozzle pressures below follow from what is believed and are a check.",
        "flow": "The nozzle pressures to set follow from what is believed; check them by flowmeter.",
        "reaction": "The nozzle pressures to set follow from what is believed; check them by scale.",
    }
    return (
        f"Match: {match_value(test, system)}. Set-ups are compared under this match only; under another one the "
        f"order may change. {check[test.condition]}"
    )


def match_value(test: FieldTest, system: UnitSystem) -> str:
    """The match with its value."""
    if test.condition == OWN:
        return in_words(test)
    return f"{in_words(test)} of {display.both(matched_quantity(test), test.matched, system)}"


def pair_table(test: FieldTest, plan: Plan) -> Table:
    """Every pair with its scatter and throws."""
    rows, labels = plan.pairs, test.labels
    return Table(
        "pairs",
        "Throws that each pair of set-ups takes",
        (
            Column("first", [labels[p.first] for p in rows]),
            Column("second", [labels[p.second] for p in rows]),
            Column("throws", [p.needed.throws for p in rows]),
            Column("power [%]", [100 * p.needed.simulated for p in rows], label="Power, simulated, %"),
            Column("closed_form [%]", [100 * p.needed.closed_form for p in rows], label="Closed form, %"),
            Column(
                "scatter", [p.needed.spread for p in rows], "extreme_reach", "Scatter of a difference", interval=True
            ),
            Column("expected", [p.expected for p in rows], "extreme_reach", "Expected difference", interval=True),
            Column("chance [%]", [100 * p.chance for p in rows], label="Chance to be told apart, %", decimals=0),
        ),
        "Expected: by the medians of what is believed, in still air, first minus second. Chance: power at the planned "
        "throws, averaged over the differences that are believed possible.",
    )


def target_table(test: FieldTest, plan: Plan) -> Table:
    """Nozzle pressure of each set-up."""
    targets = [plan.targets[setup.name] for setup in test.setups]
    return Table(
        "targets",
        "Nozzle pressure to set for the match",
        (Column("setup", list(test.labels.values())), Column("nozzle_pressure", targets)),
        "Set on the flowing nozzle.",
    )


def input_lines(test: FieldTest) -> list[InputLine]:
    """Everything that is not known, with what is believed of it."""
    called = names.called(test)
    return [
        InputLine(called[key], prior.describe(), prior.role, prior.basis, prior.source)
        for key, prior in test.priors.items()
    ]


def card(test: FieldTest, plan: Plan, system: UnitSystem) -> ReportCard:
    """How the plan was found."""
    scatter = "; ".join(
        f"{key.replace('_', ' ')} {display.both(name, getattr(test.scatter, key), system, interval=True)}"
        for key, name in (
            ("nozzle_pressure", "nozzle_pressure"),
            ("elevation", "elevation"),
            ("wind_between_blocks", "wind_along"),
            ("wind_within_block", "wind_along"),
            ("wind_reading", "wind_along"),
        )
    )
    reading = test.instruments["mark_reading" if test.wanted.quantity == "extreme_reach" else "breakup_reading"]
    return ReportCard(
        QUESTION,
        "Blocks of throws simulated with the model, the stated scatter and the reading error; paired t-test inside "
        f"blocks, power over {fieldtest.SIMULATED_TESTS:,} simulated tests, checked against the noncentral t law",
        plan.runs,
        test.seed,
        0,
        "the simulated power is known to about 0.3 %",
        "does not apply",
        inputs=input_lines(test),
        more={"Scatter (standard deviations)": scatter, "Reading error": length(reading, system),
              "Measured": f"{test.wanted.measured} ({quantity(test.wanted.quantity).long_name} of the model)"},
    )  # fmt: skip
