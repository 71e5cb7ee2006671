"""What a calibrated test taught: words, figures, tables, and study files for the other studies."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from jetsim.experiment.calibration import Confused, Learnt, Posterior, confused, learnt
from jetsim.experiment.distributions import Distribution
from jetsim.quantities import UnitSystem, quantity
from jetsim.report import display
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.figures import Plot, Words
from jetsim.report.figures_trials import Ranges, range_rows
from jetsim.report.tables import Column, Table
from jetsim.trials import model, names, planning, reading
from jetsim.trials.fieldfile import FieldTest, SetUp
from jetsim.trials.learning import Learning
from jetsim.trials.reading import Reading

Array = NDArray[np.float64]

PRIOR_DRAWS = 4000
_TIED = ("flight_constants.drop_ratio", "flight_constants.spread")
_AIR_STREAM = (
    '\n[latents.air_stream_fit]\nrole = "unknown"\nbasis = "published"\n'
    'source = "drop ratio and spread follow each other as the fit of the flight ties them"'
)
QUESTION = "What do the throws teach about shutoffs, nozzles, hose and flight, and what can they not tell apart?"
MODEL_MADE = (
    "These throws were made by this very model from stated true values: finding them again tests the arithmetic, not "
    "the model, and says nothing about real nozzles."
)
TESTED = (
    "synthetic tests of this demo, made by the same model (benchmarks/simulation_based_calibration.py); no throw of "
    "your own was tested so"
)
_ENDS = np.array([0.05, 0.5, 0.95])


def quantity_of(name: str) -> str:
    """The quantity that gives an unknown its unit."""
    return "supply.hose_coefficient" if name.startswith(model.HOSE) else "ratio"


def learnt_report(test: FieldTest, learning: Learning, after: Reading, system: UnitSystem) -> Report:
    """The calibration in words, figures and tables."""
    posterior = learning.posterior
    every, ties = learnt(posterior), confused(posterior)
    return Report(
        f"Calibrated: {test.title}",
        lead(test, learning, every, ties),
        [
            Section("What was learnt", [], [score_plot(test, posterior, every)], [short_table(test, learning, every)]),
            Section("What the data cannot tell apart", [tie_words(test, ties)],
                    tables=[tie_table(test, ties)] if ties else []),
            Section("Throws after calibration", ["Bands of the posterior, with the scatter of a throw."],
                    [reading.agreement_plot(test, after, "calibrated prediction", system)],
                    [reading.overlay_table(test, after)]),
        ],
        card(test, learning, after),
        system,
        doubts(learning),
        subtitle=test.scenario,
    )  # fmt: skip


def doubts(learning: Learning) -> list[str]:
    """What speaks against quoting the posterior."""
    found = [] if learning.posterior.converged else [f"The sampler has {learning.posterior.convergence}."]
    if not learning.trusted:
        share = 100 * learning.emulator_share(learning.emulated)
        found.append(
            "The emulator's error is not small beside what the throws can tell (it is "
            f"{share:.0f} % of the standard error of a set-up's mean reach): intervals are too narrow."
        )
    return found


def lead(test: FieldTest, learning: Learning, every: list[Learnt], ties: list[Confused]) -> list[str]:
    """What shutoffs do, what was learnt, and what was not."""
    labels = {model.member(model.FACTOR, s.shutoff.name): s.shutoff.label for s in test.setups}
    return [
        factor_words(learning, labels, every),
        *([MODEL_MADE] if learning.made_by_model else []),
        identified(test, every, ties),
        tie_words(test, ties),
        f"Sampler: {learning.posterior.convergence}.",
        "Next: python studies/compare_nozzles.py --posterior with this folder's posterior.nc; to tell the confused "
        "ones apart, check the gauge against a second one and the flowmeter against a tank, and throw each nozzle at "
        "two pressures.",
    ]


def factor_words(learning: Learning, labels: Mapping[str, str], every: list[Learnt]) -> str:
    """Turbulence factors that the throws taught; what they did not teach is the prior and makes no headline."""
    taught = [one for one in every if one.name in labels and one.words != "not learnt"]
    left = [labels[one.name] for one in every if one.name in labels and one.words == "not learnt"]
    parts = [f"{labels[one.name]} {spread_words(learning, one.name)}, {one.words}" for one in taught]
    said = "Turbulence factor (1 is a clear waterway) with the middle 90 %: " + "; ".join(parts) + "." if parts else ""
    unsaid = f"The throws do not tell the turbulence factor of: {', '.join(left)}." if left else ""
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


def score_plot(test: FieldTest, posterior: Posterior, every: list[Learnt]) -> Plot:
    """Prior and posterior of every unknown on the scale of its prior."""
    ends, called = np.quantile(posterior.flat, (0.05, 0.5, 0.95), axis=0), names.called(test)
    rows = [
        Ranges(called[one.name], 0.0, -1.645, 1.645, second=(float(ends[1, k]), float(ends[0, k]), float(ends[2, k])))
        for k, one in enumerate(every)
    ]
    count = sum(one.words == "learnt" for one in every)
    words = Words(
        "prior_and_posterior",
        f"The throws settle {count} of {len(every)} unknowns well",
        "Middle 90 % before and after the test, each unknown on the scale of its own prior.",
    )
    return range_rows(
        words, "standard deviations of the prior from its median", rows, ("before the test", "", "after the test")
    )


def short_table(test: FieldTest, learning: Learning, every: list[Learnt]) -> Table:
    """Every unknown before and after, to read: hose coefficients in the trade's unit."""
    priors, called = model.unknowns(test), names.called(test)

    def shown(name: str, ends: Array) -> str:
        values = display.convert(quantity_of(name), ends, "us")
        low, middle, high = (display.number(float(value)) for value in values)
        return f"{middle} ({low} to {high})"

    before = [shown(one.name, ends_of(priors[one.name])) for one in every]
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
        "Medians, and in brackets the middle 90 %. Hose coefficients in psi per (100 gpm)2 and 100 ft. All numbers in "
        "SI too: tables/unknowns.csv.",
    )


def ends_of(prior: Distribution) -> Array:
    """Ends and middle of the middle 90 %, shape (3,); a median of nothing but rounding is 0."""
    ends = np.asarray(prior.ppf(_ENDS), dtype=float)
    return np.where(np.abs(ends) < 1e-9 * np.abs(ends).max(), 0.0, ends)


def unknown_table(test: FieldTest, learning: Learning, every: list[Learnt]) -> Table:
    """Every unknown before and after."""
    priors, called = model.unknowns(test), names.called(test)
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
    return Table("unknowns", "Every unknown before and after the test", tuple(columns), "Low and high: middle 90 %.")


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


def card(test: FieldTest, learning: Learning, after: Reading) -> ReportCard:
    """How the posterior was found."""
    posterior = learning.posterior
    return ReportCard(
        QUESTION,
        "Bayesian calibration: independent ensembles of an affine-invariant sampler (emcee, differential evolution "
        f"and independent proposals) on emulated throws, {posterior.evaluations:,} evaluations of the likelihood",
        learning.runs + after.runs,
        test.seed,
        0,
        "middle 90 % of the posterior",
        posterior.convergence,
        inputs=planning.input_lines(test),
        more={"Emulator": "quadratic with pure cubes in logarithms; error "
              f"{100 * learning.emulated.error:.2g} % of the result on runs it never saw; refitted where the posterior "
              "is, so that what a set-up's throws share of it is "
              f"{100 * learning.emulator_share(learning.emulated):.2g} % of the standard error of their mean reach "
              f"({100 * learning.emulator_share(learning.first):.2g} % before)",
              "Checked by": TESTED,
              "Breakup": "what an eye calls breakup is the model's breakup distance times observed_onset"},
    )  # fmt: skip


# --------------------------------------------------------------------------------------------------------
# Study files for the other studies


def study_files(test: FieldTest, learning: Learning) -> dict[str, str]:
    """One study file for each set-up, ready for ``studies/rank_controls.py``: file name to text."""
    before = model.drawn(test, PRIOR_DRAWS, np.random.default_rng(test.seed))
    return {f"calibrated_{setup.name}.toml": study_file(test, setup, learning.values, before) for setup in test.setups}


def study_file(test: FieldTest, setup: SetUp, values: Mapping[str, Array], before: Mapping[str, Array]) -> str:
    """A study file whose unknowns vary as the posterior's marginals; of their ties only that of drop and air is kept.

    `before` holds draws of the priors: an input is called measured where the throws took most of its variance away.
    """
    inputs, prior = model.stream_inputs(test, setup, values), model.stream_inputs(test, setup, before)
    pressure = float(np.median(model.matched_pressure(test, setup, values)))
    site, scatter = test.site, test.scatter
    wind = float(np.hypot(scatter["wind_between_blocks"], scatter["wind_within_block"]))
    blocks = [
        f'# Made by studies/field_test.py calibrate. Set-up: {_quoted(setup.label)}. Marginals of the posterior: ties',
        "# between unknowns are lost here; posterior.nc holds them.",
        f"title = {_quoted('What controls reach and flow, calibrated: ' + setup.label)}",
        f"scenario = {_quoted(test.scenario)}",
        f'units = "{test.units}"',
        f"seed = {test.seed}",
        'outputs = ["extreme_reach", "breakup_distance", "flow_rate", "reaction_force"]',
        "\n[fixed]",
        *(f"{name} = {_measure(float(column[0]), name)}" for name, column in inputs.items() if np.ptp(column) == 0),
        *(f'{key} = "{site[key]:.6g} {unit}"' for key, unit in
          (("nozzle_height", "m"), ("air_temperature", "degC"), ("water_temperature", "degC"))),
        _normal("nozzle_pressure", pressure, scatter["nozzle_pressure"], "Pa", "controllable"),
        _normal("elevation", site["elevation"], scatter["elevation"], "deg", "controllable"),
        _normal("wind_along", 0.0, wind, "m/s", "environment"),
        _normal("wind_across", 0.0, wind, "m/s", "environment"),
        _AIR_STREAM,
        *(_parameter(name, column, prior[name]) for name, column in inputs.items()
          if name != "tip_diameter" and np.std(column) > 0),
    ]  # fmt: skip
    return "\n".join(blocks) + "\n"


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _normal(name: str, mean: float, sd: float, unit: str, role: str) -> str:
    return (
        f'\n[parameters.{name}]\ndistribution = "normal"\nmean = "{mean:.6g} {unit}"\nsd = "{sd:.4g} {unit}"\n'
        f'role = "{role}"\nbasis = "assumption"\nsource = "scatter from throw to throw, as the field test states it"'
    )


def _measure(value: float, name: str) -> str:
    """A value in SI as a study file writes it."""
    unit = quantity(name).si
    return f"{value:.6g}" if unit == "1" else f'"{value:.6g} {unit}"'


def _parameter(name: str, column: Array, before: Array) -> str:
    """Spread of the draws, cut at the farthest of them, with what it rests on."""
    head = f'\n[parameters."{name}"]\n' + (_normal_law(column) if "exponent" in name else _lognormal_law(name, column))
    low, high = float(column.min()) * 0.999, float(column.max())
    ends = f"low = {_measure(low, name)}\nhigh = {_measure(high, name)}\n"
    tied = "loadings = { air_stream_fit = 1.0 }\n" if name in _TIED else ""
    basis, source = pedigree(contraction(name, column, before))
    return f'{head}{ends}{tied}role = "unknown"\nbasis = "{basis}"\nsource = "{source}"'


def _normal_law(column: Array) -> str:
    return f'distribution = "normal"\nmean = {float(column.mean()):.6g}\nsd = {float(column.std()):.4g}\n'


def _lognormal_law(name: str, column: Array) -> str:
    spread = float(np.std(np.log(column)))
    median = _measure(float(np.median(column)), name)
    return f'distribution = "lognormal"\nmedian = {median}\nln_sd = {spread:.4g}\n'


def contraction(name: str, after: Array, before: Array) -> float:
    """Share of an input's prior variance that is gone: of its logarithm, or of an exponent itself."""
    draws = [after, before] if "exponent" in name else [np.log(after), np.log(before)]
    return 1 - float(np.var(draws[0]) / np.var(draws[1]))


def pedigree(gone: float) -> tuple[str, str]:
    """Basis and source of an input of which a share of the prior variance is gone: measured only if learnt."""
    verdict = Learnt("", gone).words
    if verdict == "learnt":
        return "measured", "posterior of the field test"
    if verdict == "partly learnt":
        return (
            "assumption",
            f"partly learnt: the field test took {100 * gone:.0f} % of the variance of what was believed",
        )
    return "assumption", "not learnt: as believed before the field test"
