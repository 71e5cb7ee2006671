"""A sheet that was read in, in words and tables: which set-ups differ, agreement, and what wind did."""

import numpy as np
from numpy.typing import NDArray

from jetsim import findings
from jetsim.equipment.words import laws
from jetsim.experiment.fieldtest import PairedTest
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.card import NOT_APPLICABLE
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.tables import Column, Table
from jetsim.throws import tested
from jetsim.throws.pictures import agreement_plot, still_plot
from jetsim.throws.question import FieldTest
from jetsim.throws.reading import SHOWN, Reading
from jetsim.throws.tested import planned_powers
from jetsim.throws.words import MODEL_MADE, input_lines, inside, key_words, length, otherwise, resting, said

Array = NDArray[np.float64]

QUESTION = "How do the throws compare with what the model expected before the test?"


def reading_report(test: FieldTest, reading: Reading, following: str, system: UnitSystem) -> Report:
    """What was read and how it compares; `following` is the command that learns from it."""
    pairs = tested.tested(test, reading.sheet)
    return Report(
        f"Read in: {test.title}",
        lead(test, reading, pairs, system),
        [
            *([Section("Which set-ups differ", tables=[tested_table(test, pairs, system)])] if pairs else []),
            Section("Throw by throw", [_caption(reading)], [agreement_plot(test, reading, "prediction", system)],
                    [overlay_table(test, reading)]),
            *([Section("Wind taken off", ["What the model says wind did to each throw is subtracted from what was "
                                          "read."], [still_plot(test, reading, system)], [wind_table(test, reading)])]
              if reading.overlays["farthest_drops"].read else []),
            Section("Throws that do not count", [], tables=[excluded_table(reading)]) if reading.sheet.excluded.any()
            else Section("Throws that do not count", ["None was excluded."]),
        ],
        card(test, reading, system),
        system,
        otherwise(test, system),
        subtitle=test.scenario,
        validity=findings.flag_counts(reading.flags),
        further=further(test, reading, pairs, system, following),
        laws=laws(test.asked, "ranking"),
    )  # fmt: skip


def _caption(reading: Reading) -> str:
    return (
        "Bands hold nine in ten of what beliefs about the set-ups and the scatter of a throw allow; the test has "
        "not been used yet."
    )


def lead(test: FieldTest, reading: Reading, pairs: list[PairedTest], system: UnitSystem) -> list[str]:
    """The findings for a briefing: which set-ups differ, agreement, what counts, and what comes next."""
    every = np.arange(len(reading.overlays["farthest_drops"].measured))
    excluded = int(reading.sheet.excluded.sum())
    counts = f"Of the throws, {len(every)} count ({excluded} are excluded with a reason)."
    told = [
        MODEL_MADE if reading.sheet.made_by_model else counts,
        verdict_headline(test, pairs, system) if tests(test, reading) else untold(test),
        before_the_test(test, reading, system),
        findings.outside_sentence(reading.flags),
        "Next comes field_test.py calibrate, which learns from these throws what was not known.",
    ]
    return [text for text in told if text]


def before_the_test(test: FieldTest, reading: Reading, system: UnitSystem) -> str:
    """How far off the model was on average, and for which set-ups most to both sides; nothing where none was read."""
    drops = reading.overlays["farthest_drops"]
    if not drops.read:
        return ""
    every = np.arange(len(drops.measured))
    average = f"Before the test the model put the farthest drops {_off(drops.bias(every), system)} on average"
    of_each = [(setup.label, drops.bias(reading.thrown.of(setup.name))) for setup in test.setups]
    known = [(label, bias) for label, bias in of_each if not np.isnan(bias)]
    if len(known) == 1:
        return f"{average} (any single throw may be off by {said(drops.rmse(every), system)} or so)."
    ends = (choice(known, key=lambda one: one[1]) for choice in (min, max))
    return f"{average} ({' to '.join(f'{_off(bias, system)} for {label}' for label, bias in ends)})."


def _off(bias: float, system: UnitSystem) -> str:
    return f"{said(abs(bias), system)} {'too far' if bias > 0 else 'too short'}"


def tests(test: FieldTest, reading: Reading) -> bool:
    """Whether the sheet holds what the plan tests, of two set-ups or more."""
    return len(test.setups) > 1 and reading.overlays[tested.COLUMN_OF[test.wanted.quantity]].read


def untold(test: FieldTest) -> str:
    """Why no pair is told apart."""
    if len(test.setups) == 1:
        return "One set-up was thrown: there is no other to tell it apart from."
    return f"No pair can be told apart: the plan tests {test.wanted.measured}, and the sheet holds none."


def verdict_headline(test: FieldTest, pairs: list[PairedTest], system: UnitSystem) -> str:
    """How many pairs differ, and the one that does most surely."""
    apart = [pair for pair in pairs if pair.differs(test.wanted.false_alarm)]
    if not apart:
        return "No pair of set-ups can be told apart by these throws, which does not make them equal."
    sure = min(apart, key=lambda pair: pair.adjusted)
    far, near, sign = (sure.first, sure.second, 1) if sure.difference > 0 else (sure.second, sure.first, -1)
    ends = sorted((sign * sure.low, sign * sure.high))
    between = display.short_or_beyond("extreme_reach", ends[0], ends[1], system)
    count = f"{display.number_words(len(apart))} of {display.number_words(len(pairs))}"
    return (
        f"{count[:1].upper()}{count[1:]} pairs of set-ups differ{', the rest stay open' * (len(apart) < len(pairs))}; "
        f"surest is that {test.labels[far]} throws {said(abs(sure.difference), system)} beyond {test.labels[near]} "
        f"({between})."
    )


def further(test: FieldTest, reading: Reading, pairs: list[PairedTest], system: UnitSystem,
            following: str) -> list[str]:  # fmt: skip
    """Counts, agreement, and the effect of wind, in full."""
    drops = reading.overlays["farthest_drops"]
    every = np.arange(len(drops.measured))
    excluded = int(reading.sheet.excluded.sum())
    breakup = reading.overlays["breakup_distance"]
    farther = "beyond" if drops.bias(every) > 0 else "short of"
    sets = "1 set-up" if len(test.setups) == 1 else f"{len(test.setups)} set-ups"
    lines = [
        key_words(test),
        f"{len(every)} throws of {sets} count, {excluded} are excluded with a reason; every row passed all checks.",
        verdict_words(test, pairs, system) if tests(test, reading) else untold(test),
    ]
    if drops.read:
        lines += [
            f"Before the test the model put the farthest drops {length(abs(drops.bias(every)), system)} {farther} what "
            f"was measured on average (a typical throw is off by {length(drops.rmse(every), system)}).",
            f"{inside(drops)} throws lie inside its bands of nine in ten. All throws "
            "of a set-up share most of what was not known, so they lie inside together or not at all: this is no test "
            "of the bands.",
        ]
        if drops.wind_effect.any():
            lines.append(f"Wind moved the throws by {_signed(float(drops.wind_effect.min()), system)} to "
                         f"{_signed(float(drops.wind_effect.max()), system)} by the model.")  # fmt: skip
    if breakup.read:
        lines.append(
            f"Breakup as seen: a typical throw is off by {length(breakup.rmse(every), system)}, "
            f"{inside(breakup)} inside the bands; what an eye calls breakup is uncertain too."
        )
    return [
        *lines,
        resting(test),
        f"Next: {following}, which learns the unknowns from these throws.",
    ]


def _signed(value: float, system: UnitSystem) -> str:
    return length(value, system).replace("-", "\N{MINUS SIGN}")


def overlay_table(test: FieldTest, reading: Reading) -> Table:
    """Bias, typical error and coverage of each set-up."""
    read = [c for c, over in reading.overlays.items() if over.read]
    rows = [(setup, column) for column in read for setup in test.setups]

    def each(method: str) -> list[float]:
        return [getattr(reading.overlays[c], method)(reading.thrown.of(s.name)) for s, c in rows]

    return Table(
        "overlay",
        "Prediction against the throws, set-up by set-up",
        (
            Column("setup", [s.label for s, _ in rows], label="Set-up"),
            Column("measured", [SHOWN[c] for _, c in rows]),
            Column("throws", [len(reading.overlays[c].given(reading.thrown.of(s.name))) for s, c in rows]),
            Column("bias", each("bias"), "extreme_reach", "Bias (predicted minus measured)", interval=True),
            Column("rmse", each("rmse"), "extreme_reach", "typical error", interval=True),
            Column(
                "coverage [%]", [100 * value for value in each("coverage")], label="Inside the band, of 100", decimals=0
            ),
        ),
        "All throws that count.",
    )


def wind_table(test: FieldTest, reading: Reading) -> Table:
    """Mean and scatter as measured and with the wind taken off."""
    over = reading.overlays["farthest_drops"]
    places = [reading.thrown.of(setup.name) for setup in test.setups]
    columns = [Column("setup", list(test.labels.values()), label="Set-up")]
    for key, values, words in (("measured", over.measured, "As measured"), ("still", over.still, "Wind taken off")):
        known = [values[over.given(at)] for at in places]
        means = [float(found.mean()) if found.size else np.nan for found in known]
        spreads = [float(found.std(ddof=1)) if found.size > 1 else np.nan for found in known]
        columns.append(Column(f"{key}_mean", means, "extreme_reach", f"{words}: mean"))
        columns.append(Column(f"{key}_sd", spreads, "extreme_reach", "scatter (standard deviation)", interval=True))
    return Table(
        "wind_corrected",
        "Farthest drops as measured and with the wind taken off",
        tuple(columns),
        "All throws that count.",
    )


def excluded_table(reading: Reading) -> Table:
    """Excluded throws with their reasons."""
    at = np.flatnonzero(reading.sheet.excluded)
    return Table(
        "excluded",
        "Excluded throws",
        (
            Column("run_order", [int(reading.sheet.numbers["run_order"][n]) for n in at]),
            Column("setup", [reading.sheet.setups[n] for n in at], label="Set-up"),
            Column("reason", [reading.sheet.reasons[n] for n in at]),
        ),
        "As the sheet marks them.",
    )


def card(test: FieldTest, reading: Reading, system: UnitSystem) -> ReportCard:
    """How the bands were found."""
    return ReportCard(
        QUESTION,
        "Each throw simulated at its own pressure, elevation and wind for draws of what is believed; bands add the "
        "scatter of a throw and the reading error",
        reading.runs + tested.BLOCKS * len(test.setups),
        test.seed,
        0,
        "middle 90 % of the draws",
        NOT_APPLICABLE,
        inputs=input_lines(test, system),
        more={"Wind": "as read at the ground, taken as uniform over the height of the stream",
              "Last continuous water": "checked and kept, not compared: the model does not give it"},
    )  # fmt: skip


def verdict_words(test: FieldTest, pairs: list[PairedTest], system: UnitSystem) -> str:
    """Which pairs differ, by how much, with adjusted p."""
    if not any(pair.blocks for pair in pairs):
        return (
            "No pair can be told apart by this sheet: it has no column block, or no block holds two set-ups, and the "
            "planned test pairs throws by their block."
        )
    apart = [pair for pair in pairs if pair.differs(test.wanted.false_alarm)]
    open_pairs = [pair for pair in pairs if not pair.differs(test.wanted.false_alarm)]
    level = f"{100 * test.wanted.false_alarm:.3g} %"
    lines = [
        f"Paired by block, {len(apart)} of {len(pairs)} pairs differ in {test.wanted.measured} (Holm-adjusted, false "
        f"alarm {level} over all pairs)" + (":" if apart else ".")
    ]
    if apart:
        lines.append(
            "; ".join(_pair_words(pair, test, system) for pair in sorted(apart, key=lambda p: p.adjusted)) + "."
        )
    if open_pairs:
        named = ", ".join(f"{pair.first.upper()} and {pair.second.upper()}" for pair in open_pairs)
        lines.append(f"Not told apart, which does not make them equal: {named}.")
    return " ".join(lines)


def _pair_words(pair: PairedTest, test: FieldTest, system: UnitSystem) -> str:
    far, near, sign = (pair.first, pair.second, 1) if pair.difference > 0 else (pair.second, pair.first, -1)
    ends = sorted((sign * pair.low, sign * pair.high))
    span = display.span("extreme_reach", ends[0], ends[1], system).replace("-", "\N{MINUS SIGN}")
    return (
        f"{far.upper()} beyond {near.upper()} by {display.value('extreme_reach', abs(pair.difference), system)} "
        f"({100 * (1 - test.wanted.false_alarm):.3g} % interval {span}; adjusted p {p_words(pair.adjusted)})"
    )


def p_words(chance: float) -> str:
    """An adjusted p; never zero."""
    return "below 0.001" if chance < 0.001 else f"{chance:.3f}"


def tested_table(test: FieldTest, pairs: list[PairedTest], system: UnitSystem) -> Table:
    """Every pair with its test and the power that was planned for."""
    powers = planned_powers(test, pairs)
    wanted = display.value("extreme_reach", test.wanted.difference, system)
    return Table(
        "paired_tests",
        "Every pair by its differences inside blocks",
        (
            Column("first", [test.labels[p.first] for p in pairs]),
            Column("second", [test.labels[p.second] for p in pairs]),
            Column("blocks", [p.blocks for p in pairs]),
            Column("difference", [p.difference for p in pairs], "extreme_reach", "First minus second", interval=True),
            Column("low", [p.low for p in pairs], "extreme_reach", "low", interval=True),
            Column("high", [p.high for p in pairs], "extreme_reach", "high", interval=True),
            Column("adjusted_p", [p.adjusted for p in pairs], label="Adjusted p", decimals=4),
            Column("verdict", ["differ" if p.differs(test.wanted.false_alarm) else "open" for p in pairs]),
            Column("power [%]", [100 * alone for alone, _ in powers], label="Planned, of 100 tests", decimals=0),
            Column(
                "power_all [%]", [100 * every for _, every in powers], label="all pairs guarded, of 100", decimals=0
            ),
        ),
        f"Low and high: {100 * (1 - test.wanted.false_alarm):.3g} % interval of that pair alone. Planned: so many "
        f"tests find a difference of {wanted} with the blocks that count, by the scatter that the study file states; "
        "with all pairs guarded: at the first step of Holm's adjustment, so at least that.",
    )
