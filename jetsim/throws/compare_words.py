"""Set-ups under the declared match in words and tables: who out-reaches whom, a decision, what to measure next."""

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from jetsim import findings
from jetsim.equipment.words import laws
from jetsim.experiment import comparison
from jetsim.experiment.comparison import Odds
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.display import percent
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.figures import NOTHING
from jetsim.report.tables import Column, Table
from jetsim.throws import names
from jetsim.throws.comparing import Compared
from jetsim.throws.pictures import odds_plot, reach_plot
from jetsim.throws.question import CRITERIA, OWN, CompareQuestion, FieldTest, given, in_words, matched_quantity
from jetsim.throws.words import group_words, input_lines, key_words, match_value, otherwise, resting, said

Array = NDArray[np.float64]

COMPARED = "computed comparisons"
QUESTION = "Which set-up out-reaches which under the declared match, and with what odds?"


def comparison_report(test: FieldTest, compared: Compared, system: UnitSystem) -> Report:
    """The comparison in words, figures and tables."""
    return Report(
        test.title,
        lead(test, compared, system),
        [
            Section("Who out-reaches whom", [planning_match(test, system)],
                    [reach_plot(test, compared, system), odds_plot(test, compared)], [odds_table(test, compared)]),
            Section("Flow, reaction and breakup", [], tables=[short_results(test, compared, system)]),
            Section("Decision", [decision_words(test, compared)],
                    tables=[decision_table(test, compared, system), weight_table(compared)]),
            Section("What to measure next", [next_words(test, compared)], tables=[cause_table(test, compared)]),
        ],
        card(test, compared, system),
        system,
        otherwise(test, system),
        subtitle=test.scenario,
        validity=findings.flag_counts(compared.flags),
        further=further(test, compared, system),
        laws=laws(test.asked),
    )  # fmt: skip


def lead(test: FieldTest, compared: Compared, system: UnitSystem) -> list[str]:
    """The findings for a briefing: who out-reaches whom and by how much, ties, and the decision."""
    reach = compared.values["reach"]
    groups = comparison.order_with_ties(reach)
    sure = len(groups) > 1
    best = comparison.odds(reach, groups[0][0], groups[1][0]) if sure else best_odds(reach, compared.pairs)
    state = "after the test" if compared.tested else "before any test"
    match = in_words(test) if test.condition == OWN else f"under {in_words(test)} ({_matched_words(test, system)})"
    told = [findings.outside_sentence(compared.flags), decision_headline(test, compared)]
    if best is not None:
        words = "those of" if sure else "those of no other set-up surely, at best those of"
        single = comparison.odds(compared.single, best.first, best.second).chance
        ends = display.short_or_beyond("extreme_reach", best.low, best.high, system)
        ties = sum(pair.tie for pair in compared.pairs)
        counted = f"{display.number_words(ties)} of {display.number_words(len(compared.pairs))}"
        told = [
            f"{match[:1].upper()}{match[1:]}, {state}, the farthest drops of {test.labels[best.first]} on average "
            f"out-reach {words} {test.labels[best.second]} in "
            f"{display.counted(best.chance, COMPARED, comparison.SURE)} (in "
            f"{display.counted(single, 'pairs of single throws')}).",
            f"They land {said(best.median, system)} beyond those ({ends} in nine of ten comparisons).",
            f"For {counted} pairs no winner can be named, which does not make them equal." if ties else "",
            *told,
        ]
    return [text for text in told if text]


def _matched_words(test: FieldTest, system: UnitSystem) -> str:
    """The value that is held equal, as it is said at a briefing."""
    return display.spoken(matched_quantity(test), test.matched, system)


def decision_headline(test: FieldTest, compared: Compared) -> str:
    """The choice by the department's weights."""
    made = compared.decision
    if len(made.best) > 1:
        return decision_words(test, compared)
    chance = made.chance_of_best[made.setups.index(made.best[0])]
    share = display.counted(chance, COMPARED)
    every = zip(made.criteria, made.weights, strict=True)
    *others, last = (display.trade(CRITERIA[name]) for name, weight in every if weight)
    weighed = f"{', '.join(others)} and {last}" if others else last
    return f"Weighing {weighed} as the department does, {test.labels[made.best[0]]} comes first in {share}."


def further(test: FieldTest, compared: Compared, system: UnitSystem) -> list[str]:
    """Who out-reaches whom and with what odds, ties, what to measure next, and the decision, in full."""
    ties = [pair for pair in compared.pairs if pair.tie]
    reach = compared.values["reach"]
    groups = comparison.order_with_ties(reach)
    steps = [comparison.odds(reach, one[0], other[0]) for one, other in pairwise(groups)]
    state = "after the test" if compared.tested else "before any test (beliefs only)"
    match = in_words(test)
    first = f"{match[:1].upper()}{match[1:]}, {state}: " if match.startswith("each") else f"Under {match}, {state}: "
    if steps:
        first += f"{group_words(groups)}. " + "; ".join(pair_words(pair, system) for pair in steps) + "."
    else:
        first += open_words(reach, compared.pairs, system)
    lines = [first]
    if ties:
        leads = [display.counted(p.chance, COMPARED, comparison.SURE).partition(" of ")[0] for p in ties]
        shown = ", ".join(
            f"{p.first.upper()} and {p.second.upper()} {lead}" for p, lead in zip(ties, leads, strict=True)
        )
        lines.append(f"Ties, which must not be ranked (in how many of 100 {COMPARED} the first leads): {shown}.")
    return [key_words(test), *lines, next_words(test, compared), decision_words(test, compared), resting(test)]


def leader_of(reach: Mapping[str, Array]) -> str:
    """The set-up with the longest median reach."""
    return max(reach, key=lambda name: float(np.median(reach[name])))


def best_odds(reach: Mapping[str, Array], pairs: list[Odds]) -> Odds | None:
    """The pair in which the leader has its best odds; None where it never is the likelier one."""
    own = (pair for pair in pairs if pair.first == leader_of(reach))
    return max(own, key=lambda pair: pair.chance, default=None)


def open_words(reach: Mapping[str, Array], pairs: list[Odds], system: UnitSystem) -> str:
    """Where the leader beats nobody for sure: its best odds."""
    leader, best = leader_of(reach), best_odds(reach, pairs)
    words = f"{leader.upper()} has the longest median reach, but out-reaches no other set-up in 90 of 100 {COMPARED}"
    return f"{words}; at best, {pair_words(best, system)}." if best else f"{words}."


def pair_words(pair: Odds, system: UnitSystem) -> str:
    """A sure pair with odds and distance."""
    ends = display.span("extreme_reach", pair.low, pair.high, system).replace("-", "\N{MINUS SIGN}")
    return (
        f"{pair.first.upper()} out-reaches {pair.second.upper()} in {display.counted(pair.chance, COMPARED)}, by "
        f"{display.value('extreme_reach', pair.median, system)} (nine in ten: {ends})"
    )


def next_words(test: FieldTest, compared: Compared) -> str:
    """What narrows the leading comparison most."""
    a, b = (name.upper() for name in compared.leaders)
    top = list(compared.next_causes.items())[:2]
    called = names.called(test)
    shown = " and ".join(f"{called[name]} ({percent(share)} of all that leaves it in doubt)" for name, share in top)
    return (
        f"Measure next: {a} and {b} in the same blocks, whose difference depends most on {shown}. For the first: "
        f"{names.remedy(next(iter(compared.next_causes)))}."
    )


def decision_words(test: FieldTest, compared: Compared) -> str:
    """The choice by the department's weights, and how firm it is."""
    made = compared.decision
    limits = []
    for k, name in enumerate(made.criteria):
        low, high = made.weight_range[k]
        if low > 0 or high < 1:
            limits.append(f"{plain(name)} {percent(made.weights[k])} (holds from {percent(low)} to {percent(high)})")
    firm = (
        f"; it changes if a weight leaves its range: {', '.join(limits)}" if limits else "; no single weight changes it"
    )
    if len(made.best) > 1:
        return (
            f"By the stated weights and scales {', '.join(test.labels[name] for name in made.best)} share first place."
        )
    chance = made.chance_of_best[made.setups.index(made.best[0])]
    return (
        f"By the stated weights and scales {test.labels[made.best[0]]} comes first, and is first in "
        f"{display.counted(chance, COMPARED)}{firm}."
    )


def planning_match(test: FieldTest, system: UnitSystem) -> str:
    """What is held equal."""
    return (
        f"Match: {match_value(test, system)}, still air, the site's elevation. Every draw of the unknowns is "
        "used for all set-ups alike, so what they share cancels in a difference. Under another match the order may "
        "change."
    )


def odds_table(test: FieldTest, compared: Compared) -> Table:
    """Every pair with its odds."""
    rows = compared.pairs
    single = [comparison.odds(compared.single, p.first, p.second).chance for p in rows]
    return Table(
        "odds",
        "Every pair: who out-reaches whom, with what odds, by how much",
        (
            Column("first", [test.labels[p.first] for p in rows]),
            Column("second", [test.labels[p.second] for p in rows]),
            Column("chance [%]", [100 * p.chance for p in rows], label="First reaches farther, of 100 comparisons"),
            Column("verdict", ["tie" if p.tie else "farther" for p in rows]),
            Column("difference", [p.median for p in rows], "extreme_reach", "By (middle)", interval=True),
            Column("low", [p.low for p in rows], "extreme_reach", "low", interval=True),
            Column("high", [p.high for p in rows], "extreme_reach", "high", interval=True),
            Column("single [%]", [100 * chance for chance in single], label="In one throw of each, of 100"),
        ),
        "Differences of averages over many throws: middle, and low and high of nine in ten. One throw of each: in one "
        "block, with the stated scatter of pressure, elevation and wind.",
    )


def plain(criterion: str) -> str:
    """A criterion in words."""
    return criterion.replace("_", " ")


def short_results(test: FieldTest, compared: Compared, system: UnitSystem) -> Table:
    """Medians with nine in ten to read, in one system of units."""
    pressures = [float(np.median(compared.pressures[name])) for name in test.labels]
    shown = [display.value("nozzle_pressure", pressure, system) for pressure in pressures]
    columns = [Column("setup", list(test.labels.values()), label="Set-up"), Column("pressure", shown, "", "Set at")]
    for criterion, name in CRITERIA.items():
        ends = [np.quantile(compared.values[criterion][setup], (0.05, 0.5, 0.95)) for setup in test.labels]
        heading = f"{display.heading(name)}, {display.unit_label(name, system)}"
        columns.append(Column(name, [_with_ends(name, each, system) for each in ends], "", heading))
    caption = "Set at: nozzle pressure. Middle, and in brackets nine in ten throws. Both units: tables/results.csv."
    return Table("results_by_setup", "What each set-up gives under the match", tuple(columns), caption)


def _with_ends(name: str, ends: Array, system: UnitSystem) -> str:
    """A middle with its ends, where they differ."""
    low, middle, high = (display.number(float(value)) for value in display.convert(name, ends, system))
    return middle if low == high else f"{middle} ({low} to {high})"


def result_table(test: FieldTest, compared: Compared) -> Table:
    """Medians with nine in ten of all results, in both units."""
    columns = [Column("setup", list(test.labels.values()), label="Set-up")]
    pressures = [float(np.median(compared.pressures[name])) for name in test.labels]
    columns.append(Column("nozzle_pressure", pressures, label="Nozzle pressure"))
    for criterion, name in CRITERIA.items():
        for key, p in (("low", 0.05), ("median", 0.5), ("high", 0.95)):
            values = [float(np.quantile(compared.values[criterion][s], p)) for s in test.labels]
            columns.append(Column(f"{name}_{key}", values, name, f"{display.trade(name)}: {key}"))
    return Table(
        "results", "What each set-up gives under the match", tuple(columns), "Nine in ten lie between low and high."
    )


def _scale_words(test: FieldTest, system: UnitSystem) -> str:
    """The difference of each criterion that counts one point."""
    question = test.question
    assert isinstance(question, CompareQuestion)
    scales = given(question.scales)
    made = [
        f"{plain(key)} {display.value(CRITERIA[key], scales[key], system, interval=True)}"
        for key in given(question.weights)
    ]
    return ", ".join(made)


def decision_table(test: FieldTest, compared: Compared, system: UnitSystem) -> Table:
    """Scores by criterion, totals, and chance of being first."""
    made = compared.decision
    columns = [Column("setup", [test.labels[name] for name in made.setups], label="Set-up")]
    for k, name in enumerate(made.criteria):
        heading = f"{plain(name)} (weight {percent(made.weights[k])})"
        columns.append(Column(f"{name}_score", made.scores[:, k].tolist(), label=heading, decimals=2))
    columns.append(Column("total", made.totals.tolist(), label="Total", decimals=2))
    columns.append(
        Column("first [%]", (100 * made.chance_of_best).tolist(), label="First, of 100 comparisons", decimals=0)
    )
    return Table(
        "decision",
        "Decision by the department's weights",
        tuple(columns),
        f"A score of 1 is one scale better in the median than the first set-up ({_scale_words(test, system)}); less "
        "reaction is better. What the match holds equal scores 0 for all.",
    )


def weight_table(compared: Compared) -> Table:
    """How far each weight may move."""
    made = compared.decision
    return Table(
        "weights",
        "How far a weight may move before the choice changes",
        (
            Column("criterion", [plain(name) for name in made.criteria]),
            Column("weight [%]", (100 * made.weights).tolist(), label="Weight, %"),
            Column("low [%]", (100 * made.weight_range[:, 0]).tolist(), label="from, %"),
            Column("high [%]", (100 * made.weight_range[:, 1]).tolist(), label="to, %"),
        ),
        "The other weights keep their proportions.",
    )


def cause_table(test: FieldTest, compared: Compared) -> Table:
    """Unknowns behind the closest leading comparison."""
    rows = list(compared.next_causes.items())
    a, b = (name.upper() for name in compared.leaders)
    called = names.called(test)
    return Table(
        "causes",
        f"What the difference between {a} and {b} depends on",
        (
            Column("unknown", [called[name] for name, _ in rows]),
            Column(
                "share [%]",
                [100 * share for _, share in rows],
                label="Share of all that leaves it in doubt, %",
                decimals=0,
            ),
        ),
        "Squared rank correlations; shares of unknowns that the data tie overlap.",
        nothing=[share < NOTHING for _, share in rows],
        nothing_words=f"a share under {100 * NOTHING:g} %",
    )


def card(test: FieldTest, compared: Compared, system: UnitSystem) -> ReportCard:
    """How the odds were found."""
    basis = "draws of what the field test taught" if compared.tested else "draws of what is believed"
    return ReportCard(
        QUESTION,
        f"All set-ups simulated on common {basis}, each at its own matched pressure",
        compared.runs,
        test.seed,
        0,
        "middle 90 % of the draws",
        f"a chance is known to about {percent(0.5 / np.sqrt(compared.runs / (2 * len(test.setups))))}",
        inputs=input_lines(test, system),
    )
