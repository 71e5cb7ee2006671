"""What the assumed effect of the shutoff does to a ranking of inputs, and which assumption matters most.

Run ``python studies/valve_assumptions.py``; your own question goes into a copy of ``inputs/valve_assumptions.toml``,
your equipment into a copy of ``inputs/department.toml``.
"""

import signal
import sys
from collections.abc import Sequence
from pathlib import Path

if __name__ == "__main__":  # Ctrl-C while the modules load; `run` takes over from there
    signal.signal(signal.SIGINT, lambda *_: sys.exit(print("interrupted: nothing had begun", file=sys.stderr) or 130))

import numpy as np
from numpy.typing import NDArray

from jetsim import findings
from jetsim.assumptions import pictures, question, words
from jetsim.assumptions.question import Loaded, Plan
from jetsim.assumptions.runs import Found, find, planned_runs
from jetsim.equipment.setups_table import setups_table
from jetsim.equipment.words import overrides_sentence
from jetsim.errors import InputError
from jetsim.quantities import UnitSystem
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.methods import stream_laws
from jetsim.report.tables import Table
from jetsim.study import Findings, Options, Study, run

QUESTION = "How much does the assumed effect of the shutoff decide what moves breakup, reach and flow?"


def load(options: Options) -> Loaded:
    """Read the question, or a whole space."""
    return question.load(options.inputs, options.department, options.setups, options.quick)


def planned(loaded: Loaded, options: Options) -> str:
    """What would be run."""
    lines = [loaded.title]
    for plan in loaded.streams:
        runs, name = planned_runs(plan), f"{plan.label}: " if plan.label else ""
        lines.append(
            f"{name}{len(plan.combinations)} combinations of laws: at most {runs['combinations']:,} runs; "
            f"{runs['joint']:,} with the laws as factors, {runs['readings']:,} for readings"
        )
    return "\n".join(lines)


def compute(loaded: Loaded, options: Options) -> Findings:
    """Run everything and write it up."""
    with options.executor() as executor:
        founds = [find(plan, executor) for plan in loaded.streams]
    if not any(found.reference.defined(o) for p, found in zip(loaded.streams, founds, strict=True) for o in p.headline):
        raise InputError(f"{options.inputs}: no output can be ranked: undefined in too many runs, or constant")
    return written(loaded, founds, options.system(loaded.units))


def written(loaded: Loaded, founds: Sequence[Found], system: UnitSystem) -> Findings:
    """What was found, written up."""
    pairs = list(zip(loaded.streams, founds, strict=True))
    flags = flags_of(founds)
    otherwise = overrides_sentence(loaded.asked, system)
    report = Report(
        loaded.title,
        words.lead(loaded.streams, founds, findings.outside_sentence(flags)),
        [*setups_section(loaded), *(section for p, f in pairs for section in sections(p, f, system))],
        card(loaded, founds, system),
        system,
        notices=[*([otherwise] if otherwise else []), *(t for p, f in pairs for t in words.gate_notices(p, f))],
        validity=findings.flag_counts(flags),
        subtitle=loaded.scenario,
        further=words.further(loaded.streams, founds),
        laws=laws(loaded),
        limits=[findings.OF_RANGES],
    )
    results = {f"results{p.suffix}": f.joint.runs for p, f in pairs}
    results |= {f"indices{p.suffix}": f.joint.indices for p, f in pairs}
    tables = [pictures.totals_table(plan, found) for plan, found in pairs]
    return Findings(report, results, tables=tables, data_files=loaded.asked.files if loaded.asked else [])


def laws(loaded: Loaded) -> list[str]:
    """Keys of the laws in use, for the methods."""
    tried = [laws for plan in loaded.streams for laws in plan.combinations]
    decays = ["valve decay"] if any("decaying loss" in laws.values() for laws in tried) else []
    supplied = ["nozzle kinds", "supply"] if loaded.asked is not None else []
    drag = dict.fromkeys(str(one["drag_model"]) for one in tried if "drag_model" in one)
    return stream_laws(drag, *decays, *supplied, "sobol", "ranking")


def flags_of(founds: Sequence[Found]) -> NDArray[np.int64]:
    """`validity` of every ranked run of the combinations: what the lead and the limits of the study count."""
    flagged = [combination.flagged for found in founds for combination in found.combinations]
    return np.concatenate([np.repeat([*counts], [*counts.values()]) for counts in flagged])


# ---------------------------------------------------------------------------------------------------------
# Parts of the report


def setups_section(loaded: Loaded) -> list[Section]:
    """The set-ups at their targets; nothing for a whole space."""
    if loaded.asked is None:
        return []
    asked = loaded.asked
    return [Section("The set-ups", [], [], [setups_table(asked.department, asked.setups, asked.learnt)])]


def sections(plan: Plan, found: Found, system: UnitSystem) -> list[Section]:
    """The report's parts about one stream; of several, what one reads first."""
    reaches = [reach for reach in plan.reaches if found.reference.defined(reach)]
    shown = reaches[:1] if plan.one_by_one or plan.suffix else reaches
    parts = [
        Section(
            "How the order moves",
            [text for text in (words.same_sentence(plan, found),) if text],
            [pictures.flow_figure(plan, found, reach) for reach in shown],
        ),
        Section(
            "Every combination",
            [words.idle_words(found)],
            [] if plan.suffix else [pictures.heat_figure(plan, found, reach) for reach in shown],
            [pictures.combination_table(plan, found), pictures.shift_table(plan, found)],
        ),
        Section(
            "Structure, physics, weather, crew",
            ["Laws, unknown constants, weather and controls, each moved together."],
            [plot for plot in (pictures.shares_figure(plan, found),) if plot is not None],
            shares_tables(plan, found),
        ),
        *measurements(plan, found, system),
    ]
    more = [] if plan.suffix else details(plan, found, shown, system)
    return [Section(f"{plan.label}: {s.title}" if plan.suffix else s.title, s.paragraphs, s.plots, s.tables)
            for s in (*parts, *more)]  # fmt: skip


def details(plan: Plan, found: Found, shown: Sequence[str], system: UnitSystem) -> list[Section]:
    """What a reader of a single stream's study finds behind its first parts."""
    labels = words.labels_of(plan)
    plots = [plot for reach in shown if (plot := pictures.interaction_figure(plan, found, reach)) is not None]
    drawn = {plot.name.removeprefix("interactions_") for plot in plots}
    said = [text for reach in shown if reach not in drawn and (text := words.interaction_sentence(plan, found, reach))]
    return [
        Section("Assumptions as factors", [findings.wholes_sentence(plan.space, labels)],
                [pictures.joint_figure(plan, found)]),
        Section("What acts together", said if said or plots else ["No pair of inputs surely acts together."], plots),
        Section(
            "Which conditions lead there?",
            [
                *(words.mapped_sentence(mapped, labels, system) for mapped in found.mapped),
                "An input may ride along with another that shares its cause.",
            ],
            tables=[pictures.mapping_table(plan, found)],
        ),
        Section(
            "Beyond variance",
            tables=[t for t in (pictures.pawn_table(plan, found), pictures.screening_table(plan, found)) if t],
        ),
        Section("Have the shares settled?", [found.joint.gate.sentence], [pictures.convergence_figure(plan, found)]),
    ]  # fmt: skip


def shares_tables(plan: Plan, found: Found) -> list[Table]:
    """Shares of roles, of stated groups, of what tied inputs share, and of assumptions without the laws of contrast."""
    labels = {**words.labels_of(plan), **words.ROLE_PARTS}
    groups = {name: findings.group_words(name) for name in plan.space.groups}
    stated = [
        ("roles", "Structure, physics, weather and crew", found.joint.roles, words.ROLE_PARTS),
        ("groups", "Groups of inputs, each known together", found.joint.groups, groups),
        ("parts", "Tied inputs, split into what they share and their own parts", found.joint.parts,
         findings.labels_of(plan.space)),
        ("assumptions", "Without the laws of contrast", found.expected, labels),
    ]  # fmt: skip
    shown = stated[:2] if plan.suffix else stated
    return [findings.shares_table(f"{name}{plan.suffix}", title, indices, known)
            for name, title, indices, known in shown if indices.sizes["parameter"]]  # fmt: skip


def measurements(plan: Plan, found: Found, system: UnitSystem) -> list[Section]:
    """What one reading in the field would take away."""
    if not found.measured:
        return []
    return [Section("What one reading would take away", [], [], [pictures.measurement_table(plan, found, system)])]


def card(loaded: Loaded, founds: Sequence[Found], system: UnitSystem) -> ReportCard:
    """What a reader needs to judge the study."""
    pairs = list(zip(loaded.streams, founds, strict=True))
    plan, space = loaded.streams[0], loaded.streams[0].space
    sums = {
        f"{name} ({which}{', ' + p.label if p.suffix else ''})": value
        for p, f in pairs
        for which, indices in (("reference", f.reference.indices), ("all laws", f.joint.columns))
        for name, value in findings.sums_of_first_order(indices).items()
        if not p.suffix
    }
    combinations = [combination for found in founds for combination in found.combinations]
    passed = sum(c.gate.passed for c in combinations)
    lines = [line for p in loaded.streams for line in findings.space_lines(p.space, system)]
    return ReportCard(
        question=QUESTION,
        method=f"{findings.ESTIMATES}, tied inputs as wholes: all laws together and reference "
        f"{space.base_samples} base samples x {space.replicates} replicates, each further combination "
        f"{plan.base_samples} x {plan.replicates}, doubled at most {plan.doublings} times until it has settled, all "
        "outputs from the same runs. Readings: share of the variance carried by planes in cells of equal count, "
        "corrected for their number",
        runs=sum(found.runs for found in founds),
        seed=space.seed,
        failures=0,
        intervals=f"95 %, Student's t over {space.replicates} replicates (further combinations: {plan.replicates}); "
        "of readings by the jackknife over replicates",
        convergence=f"{founds[0].joint.gate.sentence} Of the combinations, {passed} of {len(combinations)} have "
        "settled.",
        sum_of_first_order=sums,
        negative_estimates=f"all laws: {findings.negative_words(founds[0].joint.indices)}; reference: "
        f"{findings.negative_words(founds[0].reference.indices)}",
        structural_alternatives=[words.laws_words(c.laws) for c in founds[0].combinations[1:]],
        inputs=list(dict.fromkeys(lines)),
        fixed=findings.fixed_words(space, system),
        more={
            "Reference": words.laws_words(plan.reference),
            "Laws of contrast": ", ".join(words.law_words(law) for laws in plan.contrasts.values() for law in laws)
            or "none",
            "Meaning of reach": ", ".join(findings.output_words(reach) for reach in plan.reaches),
        },
    )


STUDY = Study(
    "valve_assumptions",
    "What the assumed effect of the shutoff does to the ranking of inputs, and which assumption matters most.",
    Path(__file__),
    load,
    planned,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
