"""Rank what controls the reach and flow of a stream, from a study file to a report.

Run ``python studies/rank_controls.py``; your own numbers go into a copy of ``inputs/rank_controls.toml``.
"""

import sys
from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from jetsim import findings
from jetsim.errors import InputError
from jetsim.experiment.ensemble import Design, evaluate, grid_design, grid_results, plain_design, sobol_design
from jetsim.experiment.gate import Gate, convergence_gate
from jetsim.experiment.outputs import REACHING, independent_runs
from jetsim.experiment.ranking import rank
from jetsim.experiment.sensitivity import convergence, sobol_indices
from jetsim.experiment.space import ParameterSpace
from jetsim.experiment.tables import read_field
from jetsim.jet.turbulence import VALVE_STYLES
from jetsim.quantities import QUANTITIES, UnitSystem, did_you_mean
from jetsim.report import display, figures
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.figures import Words
from jetsim.report.tables import Column, Table
from jetsim.simulation import StreamModel, simulate
from jetsim.stream import Stream
from jetsim.study import Findings, Options, Study, run

RULE_WORDS = {
    "refuse": "",
    "rank reaching": " The shares of its reach speak only of throws that reach it.",
    "probability of reaching": " What is ranked is whether a throw reaches it.",
}
QUESTION = "Which inputs move the reach, breakup, flow and reaction of this stream, and how sure is their order?"


# ---------------------------------------------------------------------------------------------------------
# Loading, planning, running


def load(options: Options) -> ParameterSpace:
    """Read the study file; a shutoff style may stand for the distribution of its turbulence factor."""
    named = {s.name: {**s.factor, "basis": s.basis, "source": s.source} for s in VALVE_STYLES.values()}
    space = ParameterSpace.from_toml(options.inputs, named=named, extra=("scenario", "sweep"))
    try:
        ranked.check(space)
    except InputError as error:
        raise InputError(f"{options.inputs}: {error}") from None
    return space.quick() if options.quick else space


def plan(space: ParameterSpace, options: Options) -> str:
    """What would be run."""
    design, roles = ranked_design(space), roles_design(space)
    grid = SWEEP_POINTS**2 if sweep_axes(space) else 0
    return (
        f"{space.title}\n{design.layout.runs:,} runs to rank {len(space.columns)} inputs "
        f"({space.base_samples} base samples x {space.replicates} replicates x {design.layout.block}), "
        f"{roles.layout.runs:,} for their roles, {PATHS + grid:,} for the figures"
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
        notices=[] if found.gate.passed else [found.gate.sentence],
        validity=findings.validity_counts(found.runs),
        subtitle=str(space.extra.get("scenario", "")),
    )
    return Findings(report, {"results": found.runs, "indices": found.indices}, tables=[sample_table(space, found)])


# ---------------------------------------------------------------------------------------------------------
# Words


def lead(space: ParameterSpace, found: ranked.Results, system: UnitSystem) -> list[str]:
    """The findings in plain words."""
    names, outputs = findings.labels_of(space), found.outputs
    return [
        *reaching_sentences(space, found, system),
        *(findings.leaders_sentence(found.indices, found.ranking, output, names) for output in outputs),
        findings.roles_sentence(found.roles, outputs[0]),
        findings.ignorance_sentence(space, names),
        middle_sentence(found, system),
    ]


def reaching_sentences(space: ParameterSpace, found: ranked.Results, system: UnitSystem) -> list[str]:
    """How many throws reach the target; nothing if all do."""
    reached = float((found.sample["outcome"].values == 0).mean())
    if reached == 1.0:
        return []
    percent = f"{100 * reached:.0f} %" if 0.01 <= reached <= 0.99 else f"{100 * reached:.2g} %"
    share = f"{percent} of the throws reach the target height of {ranked.target_words(space, system)}."
    return [share + RULE_WORDS[space.undefined]]


def middle_sentence(found: ranked.Results, system: UnitSystem) -> str:
    """What the stream does, with its spread."""
    parts = []
    for name in (n for n in found.outputs if n in found.sample):
        low, middle, high = np.nanquantile(found.sample[str(name)].values, [0.05, 0.5, 0.95])
        spread = display.span(str(name), low, high, system)
        parts.append(
            f"{display.short_label(str(name))} {display.both(str(name), middle, system)}, from {spread}"
        )
    return f"Middle of all throws, and the range of nine in ten: {'; '.join(parts)}."


# ---------------------------------------------------------------------------------------------------------
# Figures and tables


def sections(space: ParameterSpace, found: ranked.Results, system: UnitSystem) -> list[Section]:
    """The report's parts."""
    names = findings.labels_of(space)
    return [
        Section("The stream", [], [side_view(space, found, system)]),
        Section(
            "What moves it",
            [
                "First-order share: what an input does alone. Total share: alone and together with others. Inputs that "
                "share a cause are split into the shared part and their own."
            ],
            [index_figure(space, found)],
            [
                findings.shares_table("indices", "Shares of variance", found.indices, names, found.ranking),
                findings.shares_table("roles", "Crew, weather and ignorance", found.roles, findings.ROLE_WORDS),
            ],
        ),
        Section("What each input does to reach", [], [effects_figure(space, found, system)]),
        *([] if found.sweep is None else [Section("Pressure and tip", [], [sweep_figure(found, system)])]),
        Section("Have the shares settled?", [found.gate.sentence], [convergence_figure(space, found)]),
    ]


def side_view(space: ParameterSpace, found: ranked.Results, system: UnitSystem) -> figures.Plot:
    """The flown stream with its band."""
    paths, target = found.paths, float(space.fixed.get("target_height", 0.0))
    landed = np.flatnonzero(paths["outcome"].values == 0)
    along, height = paths["path_along"].values[:, landed], paths["path_height"].values[:, landed]
    distance = np.linspace(0.0, float(np.quantile(along[-1], 0.99)), 161)
    heights = np.array([np.interp(distance, x, z, right=target) for x, z in zip(along.T, height.T, strict=True)])
    low, middle, high = np.quantile(heights, [0.05, 0.5, 0.95], axis=0)
    spread = {
        name: figures.Spread(*(float(q) for q in np.nanquantile(paths[name].values, [0.05, 0.5, 0.95])))
        for name in ("breakup_distance", "extreme_reach")
    }
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
        target_height=target,
    )
    reach = spread["extreme_reach"]
    words = Words(
        "side_view",
        f"Nine in ten throws reach {display.span('extreme_reach', reach.low, reach.high, system)} in all",
        f"Middle path and band of nine in ten of {len(landed)} simulated throws over all uncertain inputs. The "
        "farthest drops reach this far; a good stream ends well before.",
    )
    return figures.stream_side_view(words, view, system)


def index_figure(space: ParameterSpace, found: ranked.Results) -> figures.Plot:
    """Shares of variance per output."""
    names = findings.labels_of(space)
    first = str(found.indices["output"].values[0])
    words = Words(
        "indices",
        findings.leaders_title(found.indices, found.ranking, first, names),
        f"Sobol' indices with 95 % intervals over {space.replicates} replicates of {space.base_samples} base samples. "
        "Brackets join inputs that the runs cannot tell apart.",
    )
    roles = {column.name: column.role for column in space.column_details}
    return figures.index_bars(words, figures.IndexView(found.indices, roles, names, found.ranking))


def effects_figure(space: ParameterSpace, found: ranked.Results, system: UnitSystem) -> figures.Plot:
    """Mean and spread of the first output along each input."""
    output = str(found.indices["output"].values[0])
    reached = (found.sample["outcome"].values == 0).astype(float)
    values = found.sample[output].values if output in found.sample else reached
    effects = [findings.control_effect(space, c, values, found.sample, found.probabilities) for c in space.columns]
    words = Words(
        "effects",
        f"How {display.short_label(output)} answers each input, all others varying",
        "Line: mean; band: eight in ten of the runs, in bins of equal count along each input's range.",
    )
    return figures.control_effects(words, output, effects, system)


def sweep_figure(found: ranked.Results, system: UnitSystem) -> figures.Plot:
    """Reach over two swept inputs."""
    assert found.sweep is not None
    x, y = (str(name) for name in found.sweep["extreme_reach"].dims)
    words = Words(
        "sweep",
        f"Extreme reach over {display.short_label(x)} and {display.short_label(y)}, with flow and reaction",
        "All other inputs at their medians. Steady reaction only: opening, closing and slipping add to it.",
    )
    return figures.sweep_contour(words, found.sweep, figures.SweepAxes(x, y), system)


def convergence_figure(space: ParameterSpace, found: ranked.Results) -> figures.Plot:
    """Total indices against the number of base samples."""
    words = Words("convergence", found.gate.sentence.partition(":")[0], "Total shares of the leaders, 95 % intervals.")
    return figures.convergence_lines(words, figures.ConvergenceView(found.history, findings.labels_of(space)))


def sample_table(space: ParameterSpace, found: ranked.Results) -> Table:
    """Mean and quantiles of the outputs."""
    outputs = [str(n) for n in space.outputs]
    values = [found.sample[n].values for n in outputs]
    columns = [Column("output", [display.short_label(n) for n in outputs], "", "output")]
    columns.append(Column("mean", [float(np.nanmean(v)) for v in values], outputs))
    for q in (5, 50, 95):
        columns.append(Column(f"q{q:02d}", [float(np.nanquantile(v, q / 100)) for v in values], outputs, f"{q} %"))
    return Table("outputs", "Outputs over all uncertain inputs", columns)


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
