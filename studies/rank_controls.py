"""Rank what controls the reach and flow of a stream, from a study file to a report.

Run ``python studies/rank_controls.py``; your own numbers go into a copy of ``inputs/rank_controls.toml``.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from jetsim import findings, ranked
from jetsim.errors import InputError
from jetsim.experiment.space import ParameterSpace
from jetsim.jet.turbulence import VALVE_STYLES
from jetsim.quantities import UnitSystem
from jetsim.report import display, figures
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.figures import Words
from jetsim.report.tables import Column, Table
from jetsim.stream import Stream
from jetsim.study import Findings, Options, Study, run

RULE_WORDS = {
    "refuse": "",
    "rank reaching": " Reach is ranked among the throws that reach it.",
    "probability of reaching": " What is ranked is whether a throw reaches it.",
}
EFFECTS = 9  # panels of the figure of effects
QUESTION = "Which inputs move the reach, breakup, flow and reaction of this stream, and how sure is their order?"


# ---------------------------------------------------------------------------------------------------------
# Loading, planning, running


def load(options: Options) -> ParameterSpace:
    """Read the study file; a shutoff style may stand for the distribution of the factor before the tip."""
    styles = {s.name: {**s.upstream_factor, "basis": s.basis, "source": s.source} for s in VALVE_STYLES.values()}
    named = {"valve_upstream_factor": styles}
    space = ParameterSpace.from_toml(options.inputs, named=named, extra=("scenario", "sweep"))
    try:
        ranked.check(space)
    except InputError as error:
        raise InputError(f"{options.inputs}: {error}") from None
    return space.quick() if options.quick else space


def plan(space: ParameterSpace, options: Options) -> str:
    """What would be run."""
    each, roles = ranked.layouts(space)
    grid = ranked.SWEEP_POINTS**2 if ranked.sweep_axes(space) else 0
    return (
        f"{space.title}\n{each.runs:,} runs to rank {len(space.columns)} inputs "
        f"({space.base_samples} base samples x {space.replicates} replicates x {each.block}), "
        f"{roles.runs:,} for their roles, {ranked.PATHS + grid:,} for the figures"
    )


def compute(space: ParameterSpace, options: Options) -> Findings:
    """Run everything and write it up."""
    with options.executor() as executor:
        found = ranked.results_of(space, executor)
    system = options.system(space.units)
    report = Report(
        space.title,
        lead(space, found, system),
        sections(space, found, system),
        card(space, found),
        system,
        notices=notices(space, found),
        validity=findings.validity_counts(found.runs),
        subtitle=str(space.extra.get("scenario", "")),
    )
    return Findings(report, {"results": found.runs, "indices": found.indices})


# ---------------------------------------------------------------------------------------------------------
# Words


def notices(space: ParameterSpace, found: ranked.Results) -> list[str]:
    """What a reader must know before the findings."""
    gate = "" if found.gate.passed else found.gate.sentence
    return [text for text in (gate, findings.idle_sentence(found.idle, findings.whole_labels(space))) if text]


def lead(space: ParameterSpace, found: ranked.Results, system: UnitSystem) -> list[str]:
    """The findings in plain words."""
    names, outputs = findings.whole_labels(space), found.outputs
    said = [
        *reaching_sentences(space, found, system),
        *(findings.leaders_sentence(found.indices, found.ranking, output, names) for output in outputs),
        findings.wholes_sentence(space, names),
        findings.roles_sentence(found.roles, outputs[0]),
        findings.ignorance_sentence(space, names, found.idle),
        middle_sentence(found, system),
    ]
    first, *others = (sentence for sentence in said if sentence)
    return [f"{first} {findings.outside_sentence(found.runs['validity'].values)}".strip(), *others]


def reaching_sentences(space: ParameterSpace, found: ranked.Results, system: UnitSystem) -> list[str]:
    """How many throws reach the target; nothing if all do."""
    reached = float((found.sample["outcome"].values == 0).mean())
    if reached == 1.0:
        return []
    percent = f"{100 * reached:.0f} %" if 0.01 <= reached <= 0.99 else f"{100 * reached:.2g} %"
    share = f"{percent} of the throws reach the target height of {ranked.target_words(space, system)}."
    if space.undefined == "rank reaching" and found.indices["ST"].isnull().any():
        more = 'state undefined = "probability of reaching", or a lower target'
        return [f"{share} What these throws do is not ranked in full, for the reason given below: {more}."]
    return [share + RULE_WORDS[space.undefined]]


def middle_sentence(found: ranked.Results, system: UnitSystem) -> str:
    """What the stream does, with its spread."""
    parts = []
    for name in (n for n in found.outputs if n in found.sample):
        values = found.sample[name].values
        low, middle, high = np.nanquantile(values, [0.05, 0.5, 0.95])
        where = " where the target is reached" if np.isnan(values).any() else ""
        spread = display.span(str(name), low, high, system)
        parts.append(
            f"{display.short_label(str(name))} {display.both(str(name), middle, system)}, from {spread}{where}"
        )
    return f"Middle of all throws, and the range of nine in ten: {'; '.join(parts)}."


# ---------------------------------------------------------------------------------------------------------
# Figures and tables


def sections(space: ParameterSpace, found: ranked.Results, system: UnitSystem) -> list[Section]:
    """The report's parts."""
    names = findings.whole_labels(space)
    return [
        Section("The stream", *side_view(space, found, system)),
        Section(
            "What moves it",
            [
                "First-order share: what an input does alone. Total share: alone and together with others. Inputs that "
                "share a cause count as wholes here, with all that would go if they were known."
            ],
            [index_figure(space, found)],
            [
                findings.shares_table("roles", "Crew, weather and ignorance", found.roles, findings.ROLE_WORDS),
                *split_tables(space, found),
            ],
        ),
        Section(
            f"What each input does to {findings.output_words(found.outputs[0])}",
            [],
            [effects_figure(space, found, system)],
        ),
        *sweep_section(found, system),
        Section("Have the shares settled?", [found.gate.sentence], [convergence_figure(space, found)]),
        Section(
            "All numbers",
            [],
            [],
            [
                sample_table(space, found),
                findings.shares_table("indices", "Shares of variance", found.indices, names, found.ranking),
            ],
        ),
    ]


def split_tables(space: ParameterSpace, found: ranked.Results) -> list[Table]:
    """The stated groups, and what tied inputs share beside their own parts; none where nothing is tied or grouped."""
    labels = findings.labels_of(space)
    groups = {name: name.replace("_", " ") for name in space.groups}
    stated = [("groups", "Groups of inputs, each known together", found.groups, groups)]
    stated.append(("parts", "Tied inputs, split into what they share and their own parts", found.parts, labels))
    return [findings.shares_table(*each) for each in stated if each[2].sizes["parameter"]]


def side_view(space: ParameterSpace, found: ranked.Results, system: UnitSystem) -> tuple[list[str], list[figures.Plot]]:
    """The flown stream with its band, of the throws that reach the target; a sentence if there are none."""
    paths = found.paths
    landed = np.flatnonzero(paths["outcome"].values == 0)
    if not landed.size:
        return [f"None of {paths.sizes['case']} throws reaches the target, so none is drawn."], []
    along, height = paths["path_along"].values[:, landed], paths["path_height"].values[:, landed]
    distance = np.linspace(0.0, float(np.quantile(along[-1], 0.99)), 161)
    heights = np.array([np.interp(distance, x, z) for x, z in zip(along.T, height.T, strict=True)])
    low, middle, high = np.quantile(heights, [0.05, 0.5, 0.95], axis=0)
    spread = {name: spread_of(found, name) for name in ("breakup_distance", "extreme_reach")}
    top = int(middle.argmax())
    view = figures.StreamView(
        distance,
        middle,
        low,
        high,
        breakup=spread["breakup_distance"],
        reach=spread["extreme_reach"],
        apex=(float(distance[top]), float(middle[top])),
        nozzle_height=float(paths["path_height"].values[0].mean()),
        target_height=float({**space.medians(), **space.fixed}.get("target_height", 0.0)),
    )
    reach = spread["extreme_reach"]
    words = Words(
        "side_view",
        f"Nine in ten throws reach {display.span('extreme_reach', reach.low, reach.high, system)} in all",
        f"Middle path and band of nine in ten of {len(landed)} simulated throws over all uncertain inputs"
        f"{'' if len(landed) == paths.sizes['case'] else ', those that reach the target'}. The farthest drops reach "
        "this far; a good stream ends well before.",
    )
    return [], [figures.stream_side_view(words, view, system)]


def spread_of(found: ranked.Results, name: str) -> figures.Spread:
    """Middle and ends of nine in ten, from the runs that the findings quote if they hold this output."""
    values = (found.sample if name in found.sample else found.paths)[name].values
    return figures.Spread(*(float(q) for q in np.nanquantile(values, [0.05, 0.5, 0.95])))


def index_figure(space: ParameterSpace, found: ranked.Results) -> figures.Plot:
    """Shares of variance per output."""
    names = findings.whole_labels(space)
    first = found.outputs[0]
    words = Words(
        "indices",
        findings.leaders_title(found.indices, found.ranking, first, names),
        f"Sobol' indices with 95 % intervals over {space.replicates} replicates of {space.base_samples} base samples. "
        "Brackets join inputs that the runs cannot tell apart.",
    )
    roles = {parameter.name: parameter.role for parameter in space.parameters}
    return figures.index_bars(words, figures.IndexView(found.indices, roles, names, found.ranking))


def effects_figure(space: ParameterSpace, found: ranked.Results, system: UnitSystem) -> figures.Plot:
    """Mean and spread of the first output along each input."""
    output = found.outputs[0]
    reached = (found.sample["outcome"].values == 0).astype(float)
    values = found.sample[output].values if output in found.sample else reached
    shown = findings.by_total(found.indices, output)[:EFFECTS]
    effects = [findings.control_effect(space, c, values, found.sample, found.probabilities) for c in shown]
    band = "; band: eight in ten of the runs"
    if output not in found.sample:  # a yes or no has a share, and no band
        effects, band = [replace(effect, low=effect.mean, high=effect.mean) for effect in effects], ""
    words = Words(
        "effects",
        f"How {findings.output_words(output)} answers the inputs that move it most, all others varying",
        f"The {len(shown)} largest total shares. Line: mean{band}, in bins of equal count along each input's range.",
    )
    return figures.control_effects(words, output, effects, system)


def sweep_section(found: ranked.Results, system: UnitSystem) -> list[Section]:
    """The contour figure; a sentence instead where no point of the sweep reaches the target."""
    if found.sweep is None:
        return []
    x, y = (display.short_label(str(name)) for name in found.sweep["extreme_reach"].dims)
    title = f"{x[:1].upper()}{x[1:]} and {y}"
    if not np.isfinite(found.sweep["extreme_reach"].values).any():
        return [Section(title, ["With all other inputs at their medians, no point of the sweep reaches the target."])]
    return [Section(title, [], [sweep_figure(found, system)])]


def sweep_figure(found: ranked.Results, system: UnitSystem) -> figures.Plot:
    """Reach over two swept inputs."""
    assert found.sweep is not None
    x, y = (str(name) for name in found.sweep["extreme_reach"].dims)
    words = Words(
        "sweep",
        f"Extreme reach over {display.short_label(x)} and {display.short_label(y)}, with flow and reaction",
        "All other inputs at their medians. Steady reaction only: opening, closing and slipping add to it."
        f"{' White: the target is not reached.' if np.isnan(found.sweep['extreme_reach'].values).any() else ''}",
    )
    return figures.sweep_contour(words, found.sweep, figures.SweepAxes(x, y), system)


def convergence_figure(space: ParameterSpace, found: ranked.Results) -> figures.Plot:
    """Total indices against the number of base samples."""
    words = Words("convergence", found.gate.sentence.partition(":")[0], "Total shares of the leaders, 95 % intervals.")
    return figures.convergence_lines(words, figures.ConvergenceView(found.history, findings.whole_labels(space)))


def sample_table(space: ParameterSpace, found: ranked.Results) -> Table:
    """Mean and quantiles of the outputs."""
    outputs = [str(n) for n in space.outputs]
    values = [found.sample[n].values for n in outputs]
    columns = [Column("output", [display.short_label(n) for n in outputs], "", "output")]
    columns.append(Column("mean", [float(np.nanmean(v)) for v in values], outputs))
    for q in (5, 50, 95):
        columns.append(Column(f"q{q:02d}", [float(np.nanquantile(v, q / 100)) for v in values], outputs, f"{q} %"))
    return Table("outputs", "Outputs over all uncertain inputs", columns, "Mean and quantiles of the simulated throws.")


# ---------------------------------------------------------------------------------------------------------
# Report card


def card(space: ParameterSpace, found: ranked.Results) -> ReportCard:
    """What a reader needs to judge the study."""
    return ReportCard(
        question=QUESTION,
        method=f"Sobol' indices by replicated scrambled sequences: {space.base_samples} base samples x "
        f"{space.replicates} replicates, estimators of Saltelli 2010 and Jansen 1999",
        runs=found.count,
        seed=space.seed,
        failures=0,
        intervals=f"95 %, Student's t over {space.replicates} replicates",
        convergence=found.gate.sentence,
        sum_of_first_order=findings.sums_of_first_order(found.indices),
        negative_estimates=findings.negative_words(found.indices),
        structural_alternatives=[],
        inputs=findings.input_lines(space),
        fixed=findings.fixed_words(space),
        more={"Drag law": str(space.fixed.get("drag_model", Stream.drag_model))},
    )


STUDY = Study(
    "rank_controls",
    "Rank what controls the reach and flow of a stream: from a study file to figures, tables and a report.",
    Path(__file__),
    load,
    plan,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
