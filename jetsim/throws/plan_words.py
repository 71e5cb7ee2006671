"""The plan of a field test in words and tables."""

import numpy as np
from numpy.typing import NDArray

from jetsim import findings
from jetsim.equipment.words import laws
from jetsim.experiment import fieldtest
from jetsim.quantities import UnitSystem, quantity
from jetsim.report import display
from jetsim.report.card import NOT_APPLICABLE
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.tables import Column, Table
from jetsim.throws.pictures import tally_pages
from jetsim.throws.planning import Plan
from jetsim.throws.question import OWN, FieldTest
from jetsim.throws.words import input_lines, key_words, length, match_value, otherwise, resting, said

Array = NDArray[np.float64]

QUESTION = "How many throws of each set-up does it take to tell them apart, and in which order?"


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
        otherwise(test, system),
        subtitle=test.scenario,
        validity=findings.flag_counts(plan.flags),
        further=further(test, plan, system),
        laws=laws(test.asked),
    )  # fmt: skip


def lead(test: FieldTest, plan: Plan, system: UnitSystem) -> list[str]:
    """The findings for a briefing: throws, what one throw tells, what stays hard, and what cannot be decided."""
    throws, wanted = plan.blocks, said(test.wanted.difference, system)
    hard, chance = min(plan.pairs, key=lambda pair: pair.chance), display.counted(test.wanted.power, "such tests")
    less = f" (they may differ by less than {wanted})" if hard.chance < test.wanted.power else ""
    told = [
        f"It takes {throws} throws of each set-up ({throws * len(test.setups)} in all; {chance} then find a true "
        f"difference of {wanted} between any two).",
        f"A single throw of each proves nothing about a difference below {said(1.96 * hardest_scatter(plan), system)} "
        "(by luck alone equal set-ups land up to that far apart, 19 times in 20).",
        f"Hardest to tell apart are {test.labels[hard.first]} and {test.labels[hard.second]}: "
        f"{display.counted(hard.chance, 'such tests')} would tell them apart{less}.",
        findings.outside_sentence(plan.flags),
        "The test cannot say whether a shutoff or the nozzle behind it makes the difference unless both are thrown in "
        "more than one combination.",
    ]
    return [text for text in told if text]


def hardest_scatter(plan: Plan) -> float:
    """Standard deviation of the difference of two throws in one block, of the pair with most [m]."""
    return plan.hardest.needed.spread


def further(test: FieldTest, plan: Plan, system: UnitSystem) -> list[str]:
    """Throws, scatter, and what can and cannot be decided, in full."""
    wanted, hardest = test.wanted, plan.hardest.needed
    chance, throws = display.counted(wanted.power, "such tests"), plan.blocks
    single = 1.96 * hardest.spread
    return [
        key_words(test),
        f"It takes {throws} throws of each set-up ({throws * len(test.setups)} in all, in {throws} blocks) to find a "
        f"difference of {length(wanted.difference, system)} in {wanted.measured} between any two set-ups in {chance} "
        f"or more (false alarm {100 * wanted.false_alarm:.3g} %; closed form at the hardest pair "
        f"{100 * hardest.closed_form:.0f} %). To guard all {len(plan.pairs)} pairs at once it takes "
        f"{plan.blocks_for_all}.",
        "Two throws in one block differ by chance alone with a standard deviation of "
        f"{length(hardest.spread, system)}: a single throw of each says nothing about any difference below "
        f"{length(single, system)}.",
        *decisions(test, plan, system),
        "The test cannot say whether a shutoff's turbulence or the nozzle behind it makes the difference unless both "
        "are thrown in more than one combination; it says nothing about water on a target, and it holds for one "
        "elevation and for wind within the rule.",
        resting(test),
    ]


def decisions(test: FieldTest, plan: Plan, system: UnitSystem) -> list[str]:
    """The difference that is found, and the chance of each pair to be told apart."""
    limit = fieldtest.smallest_difference(
        plan.hardest.needed.spread, plan.blocks, test.wanted.power, test.wanted.false_alarm
    )
    ranked = sorted(plan.pairs, key=lambda pair: -pair.chance)
    listed = ", ".join(f"{p.first.upper()} and {p.second.upper()} {100 * p.chance:.0f}" for p in ranked)
    return [
        f"With that many throws, a difference of {length(limit, system)} is found in "
        f"{display.counted(test.wanted.power, 'such tests')}.",
        f"Of 100 such tests so many tell a pair apart, averaged over what is believed, each pair by itself: {listed}.",
    ]


def wind_rule(test: FieldTest, system: UnitSystem) -> str:
    """When to throw."""
    limit = display.value("wind_along", test.question.largest_wind, system)
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
            Column("power [%]", [100 * p.needed.simulated for p in rows], label="Found, of 100 tests"),
            Column("closed_form [%]", [100 * p.needed.closed_form for p in rows], label="By formula, of 100"),
            Column(
                "scatter", [p.needed.spread for p in rows], "extreme_reach", "Scatter of a difference", interval=True
            ),
            Column("expected", [p.expected for p in rows], "extreme_reach", "Expected difference", interval=True),
            Column("chance [%]", [100 * p.chance for p in rows], label="Told apart, of 100 tests", decimals=0),
        ),
        "Found: a difference as large as is wanted, simulated, and by formula. Expected: by the medians of what is "
        "believed, in still air, first minus second. Told apart: with the planned throws, averaged over the "
        "differences that are believed possible.",
    )


def target_table(test: FieldTest, plan: Plan) -> Table:
    """Nozzle pressure of each set-up."""
    targets = [plan.targets[setup.name] for setup in test.setups]
    return Table(
        "targets",
        "Nozzle pressure to set for the match",
        (Column("setup", list(test.labels.values()), label="Set-up"), Column("nozzle_pressure", targets)),
        "Set on the flowing nozzle.",
    )


def card(test: FieldTest, plan: Plan, system: UnitSystem) -> ReportCard:
    """How the plan was found."""
    scatter = "; ".join(
        f"{key.replace('_', ' ')} {display.value(name, getattr(test.scatter, key), system, interval=True)}"
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
        NOT_APPLICABLE,
        inputs=input_lines(test, system),
        more={"Scatter (standard deviations)": scatter, "Reading error": length(reading, system),
              "Measured": f"{test.wanted.measured} ({quantity(test.wanted.quantity).long_name} of the model)"},
    )  # fmt: skip
