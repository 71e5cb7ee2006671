"""What a calibrated test taught, in words and tables."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from jetsim import findings
from jetsim.equipment.spaces import FACTOR, UPSTREAM
from jetsim.equipment.words import laws
from jetsim.experiment.calibration import Confused, Learnt, confused, learnt
from jetsim.experiment.distributions import Distribution
from jetsim.quantities import QUANTITIES, UnitSystem
from jetsim.report import display
from jetsim.report.document import MOST_LEAD, Report, ReportCard, Section
from jetsim.report.tables import Column, Table
from jetsim.throws import names, read_words
from jetsim.throws.learning import Learning
from jetsim.throws.pictures import agreement_plot, score_plot
from jetsim.throws.question import FieldTest
from jetsim.throws.reading import Reading
from jetsim.throws.words import MODEL_MADE, input_lines, otherwise, resting

Array = NDArray[np.float64]

QUESTION = "What do the throws teach about shutoffs, nozzles, hose and flight, and what can they not tell apart?"
_ENDS = np.array([0.05, 0.5, 0.95])


def quantity_of(name: str) -> str:
    """The quantity that gives an unknown its unit."""
    plain = name.partition("[")[0]
    return plain if plain in QUANTITIES else "ratio"


def learnt_report(
    test: FieldTest, learning: Learning, after: Reading, following: str, synthetic: int, system: UnitSystem
) -> Report:
    """The calibration in words, figures and tables.

    A command that uses it is `following`, and `synthetic` tests of the invented department back it.
    """
    posterior = learning.posterior
    every, ties = learnt(posterior), confused(posterior)
    return Report(
        f"Calibrated: {test.title}",
        lead(test, learning, every),
        [
            Section("What was learnt", [], [score_plot(test, posterior, every)],
                    [short_table(test, learning, every, system)]),
            Section("What the data cannot tell apart", [tie_words(test, ties)],
                    tables=[tie_table(test, ties)] if ties else []),
            Section("Throws after calibration",
                    ["Bands hold nine in ten of what is believed after the test, with the scatter of a throw."],
                    [agreement_plot(test, after, "calibrated prediction", system)],
                    [read_words.overlay_table(test, after)]),
        ],
        card(test, learning, after, synthetic, system),
        system,
        [*doubts(learning), *otherwise(test, system)],
        subtitle=test.scenario,
        validity=findings.flag_counts(learning.flags),
        further=further(test, learning, every, ties, following),
        laws=laws(test.asked, "calibration"),
    )  # fmt: skip


def mean_of(learning: Learning) -> str:
    """What the emulators' error is held against."""
    return "mean reach" if learning.measured == "farthest_drops" else "mean breakup"


def doubts(learning: Learning) -> list[str]:
    """What speaks against quoting the posterior."""
    found = [] if learning.posterior.converged else ["This calibration has not settled: do not quote its numbers."]
    if not learning.trusted:
        found.append(
            "The stand-in for the model is too coarse beside what the throws tell: ranges come out too narrow."
        )
    return found


def factor_labels(test: FieldTest) -> dict[str, str]:
    """What the disturbance of each shutoff is called."""
    return {key: words for key, words in names.called(test).items() if key.partition("[")[0] in (FACTOR, UPSTREAM)}


def lead(test: FieldTest, learning: Learning, every: list[Learnt]) -> list[str]:
    """The findings for a briefing: what shutoffs do that the throws taught, and what they did not teach."""
    labels, outside = factor_labels(test), findings.outside_sentence(learning.flags)
    left = [labels[one.name] for one in every if one.name in labels and one.words == "not learnt"]
    first = [MODEL_MADE] if learning.made_by_model else []
    last = [f"The throws could not measure the {' nor the '.join(left)}." if left else "", outside]
    others = [text for text in last if text]
    taught = [one.name for one in every if one.name in labels and one.words != "not learnt"]
    shown = [f"{labels[name][:1].upper()}{labels[name][1:]} is {_times(test, learning, name)}." for name in taught]
    return [*first, *shown[: MOST_LEAD - len(first) - len(others)], *others]


def _times(test: FieldTest, learning: Learning, name: str) -> str:
    """A learnt factor for a lead, with the ends of its middle 90 % and what was believed before."""
    low, middle, high = (display.number(float(v), 2) for v in np.quantile(learning.values[name], _ENDS))
    before = display.number(float(ends_of(test.priors[name].distribution)[1]), 2)
    return (
        f"{middle} times that of a clear waterway (nine chances in ten that it lies from {low} to {high}; {before} was "
        "believed before the test)"
    )


def further(test: FieldTest, learning: Learning, every: list[Learnt], ties: list[Confused],
            following: str) -> list[str]:  # fmt: skip
    """What shutoffs do, what was learnt, and what was not, in full."""
    labels, rest = factor_labels(test), resting(test)
    return [
        factor_words(learning, labels, every),
        identified(test, every, ties),
        tie_words(test, ties),
        f"Sampler: {learning.posterior.convergence}.",
        f"Next: {following}, and the same --department for any other study; to tell the confused ones "
        "apart, check the gauge against a second one and the flowmeter against a tank, and throw each nozzle at "
        "two pressures.",
        f"Before these throws: {rest[:1].lower()}{rest[1:]}",
    ]


def factor_words(learning: Learning, labels: Mapping[str, str], every: list[Learnt]) -> str:
    """What shutoffs do that the throws taught; what they did not teach is belief and makes no headline."""
    found = [one for one in every if one.name in labels and one.words != "not learnt"]
    left = [labels[one.name] for one in every if one.name in labels and one.words == "not learnt"]
    parts = [f"{labels[one.name]} {spread_words(learning, one.name)}, {one.words}" for one in found]
    said = f"With nine chances in ten in brackets (1 is a clear waterway): {'; '.join(parts)}." if parts else ""
    unsaid = f"The throws do not tell: {', '.join(left)}." if left else ""
    return " ".join(part for part in (said, unsaid) if part)


def spread_words(learning: Learning, name: str) -> str:
    """Median and middle 90 %."""
    low, middle, high = (display.number(float(v)) for v in np.quantile(learning.values[name], (0.05, 0.5, 0.95)))
    return f"{middle} ({low} to {high})"


def identified(test: FieldTest, every: list[Learnt], ties: list[Confused]) -> str:
    """Learnt, partly and not learnt."""
    tied = {name for tie in ties for name in (tie.first, tie.second)}
    words = {name: text + ("*" if name in tied else "") for name, text in names.called(test).items()}
    groups = []
    for verdict in ("learnt", "partly learnt", "not learnt"):
        found = [words[one.name] for one in every if one.words == verdict]
        if found:
            groups.append(f"{verdict}: {', '.join(found)}")
    text = f"Of {len(every)} unknowns, " + "; ".join(groups) + "."
    return text + (" (* tied to another one, see the next line.)" if tied else "")


def tie_words(test: FieldTest, ties: list[Confused]) -> str:
    """The closest ties in words."""
    if not ties:
        return "No two unknowns are tied closely by the data."
    words = names.called(test)
    shown = [f"{words[t.first]} from {words[t.second]} (correlation {t.correlation:+.2f})" for t in ties[:4]]
    return "The data cannot tell " + "; nor ".join(shown) + "."


def short_table(test: FieldTest, learning: Learning, every: list[Learnt], system: UnitSystem) -> Table:
    """Every unknown before and after, to read."""
    called = names.called(test)

    def shown(name: str, ends: Array) -> str:
        quantity = quantity_of(name)
        low, middle, high = (display.number(float(value)) for value in display.convert(quantity, ends, system))
        unit = display.unit_label(quantity, system) if quantity in QUANTITIES else ""
        return f"{middle} ({low} to {high}){f' {unit}' if unit not in ('', '1') else ''}"

    before = [shown(one.name, ends_of(test.priors[one.name].distribution)) for one in every]
    after = [shown(one.name, np.quantile(learning.values[one.name], _ENDS)) for one in every]
    return Table(
        "learnt",
        "What the throws taught",
        (
            Column("unknown", [called[one.name] for one in every]),
            Column("before", before, label="Before the test"),
            Column("after", after, label="After the test"),
            Column("narrowed [%]", [100 * one.contraction for one in every], label="Variance gone, %", decimals=0),
            Column("verdict", [one.words for one in every]),
        ),
        "Middle, and in brackets nine chances in ten. More of each: tables/unknowns.csv.",
    )


def ends_of(prior: Distribution) -> Array:
    """Ends and middle of the middle 90 %, shape (3,); a median of nothing but rounding is 0."""
    ends = np.asarray(prior.ppf(_ENDS), dtype=float)
    return np.where(np.abs(ends) < 1e-9 * np.abs(ends).max(), 0.0, ends)


def unknown_table(test: FieldTest, learning: Learning, every: list[Learnt]) -> Table:
    """Every unknown before and after."""
    priors, called = {key: prior.distribution for key, prior in test.priors.items()}, names.called(test)
    unknowns = [one.name for one in every]
    quantities = [quantity_of(name) for name in unknowns]
    before = np.array([ends_of(priors[name]) for name in unknowns]).T.tolist()
    after = [[float(np.quantile(learning.values[name], p)) for name in unknowns] for p in (0.05, 0.5, 0.95)]
    columns = [Column("unknown", [called[name] for name in unknowns])]
    for key, values, words in (("prior", before, "before"), ("posterior", after, "after")):
        for end, row in zip(("low", "median", "high"), values, strict=True):
            columns.append(Column(f"{key}_{end}", row, quantities, f"{words}: {end}"))
    columns.append(Column("narrowed [%]", [100 * one.contraction for one in every], label="variance gone, %", digits=2))
    columns.append(Column("verdict", [one.words for one in every]))
    columns.append(
        Column(
            "halves_apart", [learning.posterior.apart[name] for name in unknowns], label="halves apart, sd", decimals=2
        )
    )
    return Table(
        "unknowns",
        "Every unknown before and after the test",
        tuple(columns),
        "Nine chances in ten lie between low and high.",
    )


def tie_table(test: FieldTest, ties: list[Confused]) -> Table:
    """Pairs that the data cannot tell apart."""
    called = names.called(test)
    return Table(
        "ties",
        "Unknowns that the data tie to each other",
        (
            Column("first", [called[tie.first] for tie in ties]),
            Column("second", [called[tie.second] for tie in ties]),
            Column("correlation", [tie.correlation for tie in ties], decimals=2),
        ),
        "Correlations of the draws.",
    )


def checked(synthetic: int) -> str:
    """What stands behind the calibration itself: synthetic tests, which are nobody's evidence of a real nozzle."""
    if not synthetic:
        return "no stored synthetic tests"
    return (
        f"{synthetic} synthetic tests of the invented department, made by the same model "
        "(benchmarks/simulation_based_calibration.py); no throw of your own was tested so"
    )


def card(test: FieldTest, learning: Learning, after: Reading, synthetic: int, system: UnitSystem) -> ReportCard:
    """How the posterior was found."""
    posterior = learning.posterior
    return ReportCard(
        QUESTION,
        "Bayesian calibration: many independent random walks (preconditioned Crank-Nicolson steps, Cotter et al. 2013) "
        f"on emulated throws, {posterior.evaluations:,} evaluations of the likelihood",
        learning.runs + after.runs,
        test.seed,
        0,
        "middle 90 % of the posterior",
        posterior.convergence,
        inputs=input_lines(test, system),
        more={"Emulator": "cubic in logarithms, with further powers of drops and air; error "
              f"{100 * learning.emulated.error:.2g} % of the result on runs it never saw; refitted where the posterior "
              "is, so that what a set-up's throws share of it is "
              f"{100 * learning.emulator_share(learning.emulated):.2g} % of the standard error of their "
              f"{mean_of(learning)} ({display.number(100 * learning.emulator_share(learning.first), 2)} % before)",
              "Checked by": checked(synthetic),
              "Breakup": "what an eye calls breakup is the model's breakup distance times what the eye calls breakup"},
    )  # fmt: skip
