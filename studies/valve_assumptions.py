"""What the assumed effect of the shutoff valve does to a ranking of inputs, and which assumption matters most.

Run ``python studies/valve_assumptions.py``; your own numbers go into a copy of ``inputs/valve_assumptions.toml``.
"""

import sys
from pathlib import Path

from jetsim import findings
from jetsim.assumptions import plan as plans
from jetsim.assumptions import plots, words
from jetsim.assumptions.found import Found, find, planned_runs
from jetsim.assumptions.plan import Plan, law_words, laws_words
from jetsim.errors import InputError
from jetsim.experiment.gate import width_words
from jetsim.experiment.space import ParameterSpace
from jetsim.quantities import UnitSystem
from jetsim.report.document import Report, ReportCard, Section, ValidityCount
from jetsim.simulation import VALIDITY
from jetsim.stream import Stream
from jetsim.study import Findings, Options, Study, run

QUESTION = "How much does the assumed effect of the valve decide what moves breakup, reach and flow?"


def load(options: Options) -> Plan:
    """Read the study file."""
    space = ParameterSpace.from_toml(options.inputs, extra=("scenario", *plans.TABLES))
    try:
        plan = plans.read_plan(space)
        for laws in plan.combinations:
            Stream.from_values({**space.fixed, **space.medians(), **laws})
    except InputError as error:
        raise InputError(f"{options.inputs}: {error}") from None
    return plan.quick() if options.quick else plan


def planned(plan: Plan, options: Options) -> str:
    """What would be run."""
    runs = planned_runs(plan)
    return (
        f"{plan.space.title}\n{len(plan.combinations)} combinations of laws: at most {runs['combinations']:,} runs; "
        f"{runs['joint']:,} with the laws as factors, {runs['groups']:,} for roles, assumptions and measurements"
    )


def compute(plan: Plan, options: Options) -> Findings:
    """Run everything and write it up."""
    with options.executor() as executor:
        found = find(plan, executor)
    if not any(found.reference.defined(output) for output in plan.headline):
        raise InputError(f"{options.inputs}: no output can be ranked: undefined in too many runs, or constant")
    system = options.system(plan.space.units)
    report = Report(
        plan.space.title,
        lead(plan, found),
        sections(plan, found, system),
        card(plan, found),
        system,
        notices=notices(plan, found),
        validity=validity(found),
        subtitle=str(plan.space.extra.get("scenario", "")),
    )
    return Findings(
        report, {"results": found.joint.runs, "indices": found.joint.indices}, tables=[plots.totals_table(plan, found)]
    )


def lead(plan: Plan, found: Found) -> list[str]:
    """The findings in plain words."""
    reach = plan.reaches[0]
    sentences = [
        f"{words.headline(plan, found)} {findings.outside_sentence(found.joint.runs['validity'].values)}".strip(),
        words.assumption_sentence(plan, found),
        words.shares_sentence(plan, found, reach),
        words.everywhere(plan, found),
        words.shift_sentence(plan, found, reach),
        words.measurement_sentence(plan, found),
        words.ignorance_sentence(plan),
    ]
    return [sentence for sentence in sentences if sentence]


def notices(plan: Plan, found: Found) -> list[str]:
    """What has not converged."""
    said = [] if found.joint.gate.passed else [f"Joint design: {found.joint.gate.sentence}"]
    unsettled = [c for c in found.combinations if not c.gate.passed]
    if unsettled:
        worst = max(width for c in unsettled for width in c.gate.half_width.values())
        swapped = sum(bool(c.gate.moved) for c in unsettled)
        said.append(
            f"{len(unsettled)} of {len(found.combinations)} combinations have not passed the convergence gate (widest "
            f"total-order interval {width_words(worst, 0.02)}, wanted ±0.02; leaders of "
            f"{swapped} of them changed places when the samples were last doubled): their ties may hide an order."
        )
    return said


def validity(found: Found) -> list[ValidityCount]:
    """How many runs of the combinations use a law outside the range of its fit."""
    total = sum(c.ranked_runs for c in found.combinations)
    counts = {bit: sum(c.flagged[bit] for c in found.combinations) for bit in VALIDITY}
    return [ValidityCount(VALIDITY[bit], count, total) for bit, count in counts.items() if count]


# ---------------------------------------------------------------------------------------------------------
# Figures and tables


def sections(plan: Plan, found: Found, system: UnitSystem) -> list[Section]:
    """The report's parts."""
    labels = words.labels_of(plan)
    groups = {**labels, **words.ROLE_PARTS}
    reaches = [reach for reach in plan.reaches if found.reference.defined(reach)]
    drawn = reaches[:1] if plan.one_by_one else reaches
    interactions = [plots.interaction_figure(plan, found, reach) for reach in drawn]
    return [
        Section(
            "How the order moves",
            [text for text in (words.same_sentence(plan, found),) if text],
            [plots.flow_figure(plan, found, reach) for reach in drawn],
        ),
        Section(
            "Every combination",
            [screening_words(plan, found)],
            [plots.heat_figure(plan, found, reach) for reach in drawn],
            [plots.combination_table(plan, found), plots.shift_table(plan, found)],
        ),
        Section(
            "Structure, physics, weather, crew",
            ["Laws, unknown constants, weather and controls, each moved together in one joint design."],
            [plot for plot in (plots.shares_figure(plan, found),) if plot is not None],
            [
                findings.shares_table("roles", "Shares of groups", found.roles, words.ROLE_PARTS),
                findings.shares_table("assumptions", "Without the laws of contrast", found.expected, groups),
            ],
        ),
        Section("Assumptions as factors", [], [plots.joint_figure(plan, found)]),
        Section(
            "What acts together",
            [] if any(interactions) else ["No pair of inputs surely acts together."],
            [plot for plot in interactions if plot is not None],
        ),
        *measurements(plan, found),
        Section(
            "Which conditions lead there?",
            [
                *(words.mapped_sentence(mapped, labels, system) for mapped in found.mapped),
                "An input may ride along with another that shares its cause.",
            ],
            tables=[plots.mapping_table(found, labels)],
        ),
        Section(
            "Beyond variance",
            [
                "PAWN: the distance between an output's distribution within slices of an input and over all runs of "
                "the joint design; below its floor it means nothing. Morris' elementary effects are measured over "
                "steps of half of an input's range (of its probability) and given for the whole of it."
            ],
            tables=[t for t in (plots.pawn_table(plan, found), plots.screening_table(plan, found)) if t is not None],
        ),
        Section("Have the shares settled?", [found.joint.gate.sentence], [plots.convergence_figure(plan, found)]),
    ]


def measurements(plan: Plan, found: Found) -> list[Section]:
    """What a field measurement would settle."""
    if not found.measured:
        return []
    text = (
        "If the inputs listed for a measurement were known exactly, the variance would be expected to fall by their "
        "closed index. A reading has an error, and depends on inputs that are not listed: it may settle less or more."
    )
    return [Section("What one field measurement would settle", [text], tables=[plots.measurement_table(plan, found)])]


def screening_words(plan: Plan, found: Found) -> str:
    """What the screening set aside."""
    counts = [len(c.idle) for c in found.combinations]
    return (
        f"Each combination was screened first by {plan.trajectories} Morris trajectories; {min(counts)} to "
        f"{max(counts)} of {len(plan.columns)} inputs changed no output, because its laws never read them, and were "
        "held at their medians. Their indices are exactly zero."
    )


def card(plan: Plan, found: Found) -> ReportCard:
    """What a reader needs to judge the study."""
    space, reference = plan.space, found.reference
    sums = {
        **{f"{name} (reference)": value for name, value in findings.sums_of_first_order(reference.indices).items()},
        **{f"{name} (joint)": value for name, value in findings.sums_of_first_order(found.joint.indices).items()},
    }
    passed = sum(c.gate.passed for c in found.combinations)
    return ReportCard(
        question=QUESTION,
        method="Sobol' indices by replicated scrambled sequences, estimators of Saltelli 2010 and Jansen 1999 averaged "
        f"both ways: joint design and reference {space.base_samples} base samples x {space.replicates} replicates, "
        f"each further combination {plan.base_samples} x {plan.replicates}, doubled at most {plan.doublings} times "
        "until its gate passes, all outputs from the same runs",
        runs=found.runs,
        seed=space.seed,
        failures=0,
        intervals=f"95 %, Student's t over {space.replicates} replicates (further combinations: {plan.replicates})",
        convergence=f"{found.joint.gate.sentence} Reference: {reference.gate.sentence} Of the combinations, {passed} "
        f"of {len(found.combinations)} pass.",
        sum_of_first_order=sums,
        negative_estimates=f"joint design: {findings.negative_words(found.joint.indices)}; reference: "
        f"{findings.negative_words(reference.indices)}",
        structural_alternatives=[laws_words(c.laws) for c in found.combinations[1:]],
        inputs=findings.input_lines(space),
        fixed=findings.fixed_words(space),
        more={
            "Reference": laws_words(plan.reference),
            "Laws of contrast": ", ".join(law_words(law) for laws in plan.contrasts.values() for law in laws) or "none",
            "Meaning of reach": ", ".join(findings.output_words(reach) for reach in plan.reaches),
        },
    )


STUDY = Study(
    "valve_assumptions",
    "What the assumed effect of the shutoff valve does to the ranking of inputs, and which assumption matters most.",
    Path(__file__),
    load,
    planned,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
