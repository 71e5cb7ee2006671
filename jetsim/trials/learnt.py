"""What a calibrated test taught: words, figures, tables, and study files for the other studies."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from jetsim.experiment.calibration import Confused, Learnt, Posterior, confused, learnt
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.figures import Plot, Words
from jetsim.report.figures_trials import Ranges, range_rows
from jetsim.report.tables import Column, Table
from jetsim.trials import model, planning, reading
from jetsim.trials.fieldfile import FieldTest, SetUp
from jetsim.trials.learning import Learning
from jetsim.trials.reading import Reading

Array = NDArray[np.float64]

QUESTION = "What do the throws teach about shutoffs, nozzles, hose and flight, and what can they not tell apart?"
_ENDS = np.array([0.05, 0.5, 0.95])
_NAMES = {
    model.FACTOR: "turbulence factor of the shutoff",
    model.CD: "discharge coefficient of",
    model.COHERENCE: "coherence of",
    model.HOSE: "hose coefficient of",
    model.DEVIATION: "departure of set-up",
    "drop_scale": "drop size over its law",
    "breakup_scale": "breakup length over its law",
    "observed_onset": "what the eye calls breakup",
    "style_spread": "spread of set-ups with one shutoff",
    "gauge_error": "the pressure gauge's error",
    "meter_error": "the flowmeter's error",
    "reach_scatter": "scatter of reach",
    "breakup_scatter": "scatter of seen breakup",
}


def called(name: str) -> str:
    """What an unknown is called."""
    base, _, owner = name.partition("[")
    return f"{_NAMES[base]} {owner.rstrip(']').replace('_', ' ')}".strip()


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
            Section("What was learnt", [], [score_plot(posterior, every)], [short_table(test, learning, every)]),
            Section("What the data cannot tell apart", [tie_words(ties)], tables=[tie_table(ties)] if ties else []),
            Section("Throws after calibration", ["Bands of the posterior, with the scatter of a throw."],
                    [reading.agreement_plot(test, after, "calibrated prediction", system)],
                    [reading.overlay_table(test, after)]),
        ],
        card(test, learning, after),
        system,
        [] if posterior.converged else [f"The sampler has {posterior.convergence}."],
        subtitle=test.scenario,
    )  # fmt: skip


def lead(test: FieldTest, learning: Learning, every: list[Learnt], ties: list[Confused]) -> list[str]:
    """What shutoffs do, what was learnt, and what was not."""
    factors = [one.name for one in every if one.name.startswith(model.FACTOR)]
    parts = [
        f"{called(name).removeprefix('turbulence factor of the shutoff ')} {spread_words(learning, name)}"
        for name in factors
    ]
    return [
        f"Turbulence factor of each shutoff (1 is a clear waterway), with the middle 90 %: {'; '.join(parts)}.",
        identified(every, ties),
        tie_words(ties),
        f"Sampler: {learning.posterior.convergence}.",
        "Next: python studies/compare_nozzles.py --posterior with this folder's posterior.nc; to tell the confused "
        "ones apart, check the gauge against a second one and the flowmeter against a tank, and throw each nozzle at "
        "two pressures.",
    ]


def spread_words(learning: Learning, name: str) -> str:
    """Median and middle 90 %."""
    low, middle, high = (display.number(float(v)) for v in np.quantile(learning.values[name], (0.05, 0.5, 0.95)))
    return f"{middle} ({low} to {high})"


def identified(every: list[Learnt], ties: list[Confused]) -> str:
    """Learnt, partly and not learnt."""
    tied = {name for tie in ties for name in (tie.first, tie.second)}
    groups = []
    for words in ("learnt", "partly learnt", "not learnt"):
        names = [called(one.name) + ("*" if one.name in tied else "") for one in every if one.words == words]
        if names:
            groups.append(f"{words}: {', '.join(names)}")
    text = f"Of {len(every)} unknowns, " + "; ".join(groups) + "."
    return text + (" (* tied to another one, see the next line.)" if tied else "")


def tie_words(ties: list[Confused]) -> str:
    """The closest ties in words."""
    if not ties:
        return "No two unknowns are tied closely by the data."
    shown = [f"{called(t.first)} from {called(t.second)} (correlation {t.correlation:+.2f})" for t in ties[:4]]
    return "The data cannot tell " + "; nor ".join(shown) + "."


def score_plot(posterior: Posterior, every: list[Learnt]) -> Plot:
    """Prior and posterior of every unknown on the scale of its prior."""
    ends = np.quantile(posterior.flat, (0.05, 0.5, 0.95), axis=0)
    rows = [
        Ranges(called(one.name), 0.0, -1.645, 1.645, second=(float(ends[1, k]), float(ends[0, k]), float(ends[2, k])))
        for k, one in enumerate(every)
    ]
    count = sum(one.words == "learnt" for one in every)
    words = Words(
        "prior_and_posterior",
        f"The throws settle {count} of {len(every)} unknowns well",
        "Middle 90 % before and after the test, on the scale of each prior: 0 is its median, 1 one standard deviation.",
    )
    return range_rows(words, "score on the prior", rows, ("before the test", "", "after the test"))


def short_table(test: FieldTest, learning: Learning, every: list[Learnt]) -> Table:
    """Every unknown before and after, to read: hose coefficients in the trade's unit."""
    priors = model.unknowns(test)

    def shown(name: str, ends: Array) -> str:
        values = display.convert(quantity_of(name), ends, "us")
        low, middle, high = (display.number(float(value)) for value in values)
        return f"{middle} ({low} to {high})"

    before = [shown(one.name, np.asarray(priors[one.name].ppf(_ENDS))) for one in every]
    after = [shown(one.name, np.quantile(learning.values[one.name], _ENDS)) for one in every]
    return Table(
        "learnt",
        "What the throws taught",
        (
            Column("unknown", [called(one.name) for one in every]),
            Column("before", before, label="Before the test"),
            Column("after", after, label="After the test"),
            Column("narrowed [%]", [100 * one.contraction for one in every], label="Variance gone, %", decimals=0),
            Column("verdict", [one.words for one in every]),
        ),
        "Medians, and in brackets the middle 90 %. Hose coefficients in psi per (100 gpm)2 and 100 ft. All numbers in "
        "SI too: tables/unknowns.csv.",
    )


def unknown_table(test: FieldTest, learning: Learning, every: list[Learnt]) -> Table:
    """Every unknown before and after."""
    priors = model.unknowns(test)
    names = [one.name for one in every]
    quantities = [quantity_of(name) for name in names]
    before = [[float(np.asarray(priors[name].ppf(p))) for name in names] for p in (0.05, 0.5, 0.95)]
    after = [[float(np.quantile(learning.values[name], p)) for name in names] for p in (0.05, 0.5, 0.95)]
    columns = [Column("unknown", [called(name) for name in names])]
    for key, values, words in (("prior", before, "before"), ("posterior", after, "after")):
        for end, row in zip(("low", "median", "high"), values, strict=True):
            columns.append(Column(f"{key}_{end}", row, quantities, f"{words}: {end}"))
    columns.append(Column("narrowed [%]", [100 * one.contraction for one in every], label="variance gone, %", digits=2))
    columns.append(Column("verdict", [one.words for one in every]))
    columns.append(Column("r_hat", [learning.posterior.r_hat[name] for name in names], label="R-hat", decimals=3))
    return Table("unknowns", "Every unknown before and after the test", tuple(columns), "Low and high: middle 90 %.")


def tie_table(ties: list[Confused]) -> Table:
    """Pairs that the data cannot tell apart."""
    return Table(
        "ties",
        "Unknowns that the data tie to each other",
        (
            Column("first", [called(tie.first) for tie in ties]),
            Column("second", [called(tie.second) for tie in ties]),
            Column("correlation", [tie.correlation for tie in ties], decimals=2),
        ),
    )


def card(test: FieldTest, learning: Learning, after: Reading) -> ReportCard:
    """How the posterior was found."""
    posterior = learning.posterior
    return ReportCard(
        QUESTION,
        "Bayesian calibration: independent ensembles of an affine-invariant sampler (emcee, differential-evolution "
        f"moves) on emulated throws, {posterior.evaluations:,} evaluations of the likelihood",
        learning.emulated.runs + after.runs,
        test.seed,
        0,
        "middle 90 % of the posterior",
        posterior.convergence,
        inputs=planning.input_lines(test),
        more={"Emulator": "quadratic with pure cubes in logarithms; error "
              f"{100 * learning.emulated.error:.2f} % of the result on runs it never saw, counted in the likelihood",
              "Checked by": "100 synthetic tests of five set-ups: 90 % intervals held 75 to 92 of 100 true "
              "values; those of a fog nozzle's coherence (75) are too narrow",
              "Breakup": "what an eye calls breakup is the model's breakup distance times observed_onset"},
    )  # fmt: skip


# --------------------------------------------------------------------------------------------------------
# Study files for the other studies


def study_files(test: FieldTest, learning: Learning) -> dict[str, str]:
    """One study file for each set-up, ready for ``studies/rank_controls.py``: file name to text."""
    return {f"calibrated_{setup.name}.toml": study_file(test, setup, learning.values) for setup in test.setups}


def study_file(test: FieldTest, setup: SetUp, values: Mapping[str, Array]) -> str:
    """A study file whose unknowns vary as the posterior's marginals; their ties are not carried over."""
    inputs = model.stream_inputs(test, setup, values)
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
        f'tip_diameter = "{model.tip_diameter(test, setup):.6g} m"',
        *(f'{key} = "{site[key]:.6g} {unit}"' for key, unit in
          (("nozzle_height", "m"), ("air_temperature", "degC"), ("water_temperature", "degC"))),
        _normal("nozzle_pressure", pressure, scatter["nozzle_pressure"], "Pa", "controllable"),
        _normal("elevation", site["elevation"], scatter["elevation"], "deg", "controllable"),
        _normal("wind_along", 0.0, wind, "m/s", "environment"),
        _normal("wind_across", 0.0, wind, "m/s", "environment"),
        *(_lognormal(name, column) for name, column in inputs.items()
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


def _lognormal(name: str, column: Array) -> str:
    """Median and spread of the draws, cut at the farthest of them."""
    median, spread = float(np.median(column)), float(np.std(np.log(column)))
    return (
        f'\n[parameters."{name}"]\ndistribution = "lognormal"\nmedian = {median:.6g}\nln_sd = {spread:.4g}\n'
        f"low = {float(column.min()) * 0.999:.6g}\nhigh = {float(column.max()):.6g}\n"
        'role = "unknown"\nbasis = "measured"\nsource = "posterior of the field test"'
    )
