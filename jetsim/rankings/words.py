"""Sentences, tables and sections of a ranking."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from jetsim import findings
from jetsim.equipment.setups_table import setups_table
from jetsim.equipment.words import overrides_sentence
from jetsim.experiment.gate import HEAVY_TAIL, Rule, tail_share
from jetsim.experiment.ranking import rank
from jetsim.jet.laws import DRAG_LAWS
from jetsim.quantities import QUANTITIES, UnitSystem
from jetsim.rankings import pictures
from jetsim.rankings.question import LOGARITHM, Case, Loaded
from jetsim.rankings.runs import Results, target_words
from jetsim.report import display
from jetsim.report.document import MOST_LEAD, InputLine, ReportCard, Section
from jetsim.report.methods import stream_laws
from jetsim.report.style import ROLE_WORDS
from jetsim.report.tables import Column, Table
from jetsim.stream import Stream

QUESTION = "Which inputs move the reach, breakup, flow and reaction of this stream, and how sure is their order?"
Pair = tuple[Case, Results]


# ---------------------------------------------------------------------------------------------------------
# The first paragraphs


def notices(loaded: Loaded, pairs: Sequence[Pair], system: UnitSystem) -> list[str]:
    """What a reader must know before the findings."""
    own = [text for case, found in pairs for text in case_notices(case, found, len(pairs) > 1)]
    return [text for text in (overrides_sentence(loaded.asked, system), *own) if text]


def case_notices(case: Case, found: Results, named: bool) -> list[str]:
    """What keeps a ranking from being quoted, with the set-up's label where there are several."""
    idle = findings.idle_sentence(found.idle, findings.whole_labels(case.space))
    texts = [text for text in (findings.unsettled_notice(found.gate), *tail_sentences(case, found), idle) if text]
    return [f"{case.label}: {text}" if named else text for text in texts]


def tail_sentences(case: Case, found: Results) -> list[str]:
    """Outputs whose shares did not settle because of a heavy tail, each with what to rank instead."""
    said = []
    for output, width in found.gate.half_width.items():
        reached = (found.sample["outcome"].values == 0).astype(float)
        values = found.sample[output].values.astype(float) if output in found.sample else reached
        share = tail_share(values)
        if width > Rule().half_width and share > HEAVY_TAIL:
            said.append(findings.tail_sentence(output, share, tail_remedy(output, values)))
    return said


def tail_remedy(output: str, values: np.ndarray) -> str:
    """What to ask instead of shares that a heavy tail keeps from settling."""
    if output in QUANTITIES and np.nanmin(values) > 0:
        return f'rank its logarithm ({LOGARITHM} = ["{output}"] in the file)'
    return "take more base samples, or ask for an output without such a tail"


def lead(pairs: Sequence[Pair], system: UnitSystem) -> list[str]:
    """The findings for a briefing: what each output of one stream depends on, or the main one of each of several."""
    outside = findings.outside_sentence(np.concatenate([found.runs["validity"].values for _, found in pairs]))
    if len(pairs) == 1:
        case, found = pairs[0]
        reached = reaching_sentences(case, found, system)
        main, *others = (leading_sentence(case, found, output) for output in found.outputs)
        said = [*reached, main, outside, *others]
        said[0] = labelled(case, said[0])
    else:
        named = [labelled(case, leading_sentence(case, found, found.outputs[0])) for case, found in pairs]
        said = [*named[: MOST_LEAD - bool(outside)], outside]
    return [text for text in said if text][:MOST_LEAD]


def labelled(case: Case, sentence: str) -> str:
    """A sentence with the set-up that it is about, where that has a label."""
    return f"{case.label}: {sentence[:1].lower()}{sentence[1:]}" if case.label else sentence


def leading_sentence(case: Case, found: Results, output: str) -> str:
    """What an output depends on most, with one number."""
    names = findings.whole_labels(case.space)
    if output in found.ranked:
        return findings.leading_sentence(found.indices, found.ranking, output, names)
    if str(found.among["reason"].sel(output=output).item()):
        return f"What matters for {findings.output_words(output)} cannot be said: too few throws reach the target."
    sentence = findings.leading_sentence(found.among, rank(found.among, "S1"), output, names, "S1")
    return f"Among the throws that reach the target, {sentence[:1].lower()}{sentence[1:]}"


def further(pairs: Sequence[Pair], system: UnitSystem) -> list[str]:
    """What else is found of a single stream; several have it in their own parts."""
    return case_further(*pairs[0], system) if len(pairs) == 1 else []


def case_further(case: Case, found: Results, system: UnitSystem) -> list[str]:
    """What is found of one stream, in full."""
    space, names = case.space, findings.whole_labels(case.space)
    among = [str(name) for name in found.among["output"].values]
    said = [
        *(output_sentence(case, found, output) for output in among),
        among_sentence(case, found),
        *(output_sentence(case, found, output) for output in found.ranked),
        findings.wholes_sentence(space, names) if found.ranked else "",
        roles_sentence(found),
        findings.ignorance_sentence(space, names, found.idle),
        findings.standing_sentence({names[p.name]: p for p in space.parameters}),
        middle_sentence(case, found, system),
    ]
    return [sentence for sentence in said if sentence]


def output_sentence(case: Case, found: Results, output: str) -> str:
    """What moves an output most; among the throws that reach where the others leave it undefined."""
    names = findings.whole_labels(case.space)
    if output in found.ranked:
        return findings.leaders_sentence(found.indices, found.ranking, output, names)
    reason = str(found.among["reason"].sel(output=output).item())
    if reason:
        words = findings.output_words(output).capitalize()
        return (
            f"{words} is not ranked among the throws that reach: {reason}; take more base samples, a lower target, or "
            'undefined = "probability of reaching".'
        )
    sentence = findings.leaders_sentence(found.among, rank(found.among, "S1"), output, names, "S1")
    return f"Among the throws that reach the target: {sentence[:1].lower()}{sentence[1:]}"


def among_sentence(case: Case, found: Results) -> str:
    """What shares among the throws that reach are, and are not; empty where none is told."""
    if not found.among.sizes["output"] or (found.among["reason"] != "").all():
        return ""
    tied = [words for name, words in findings.whole_labels(case.space).items() if case.space.parameter(name).loadings]
    of_tied = f" A share of {', '.join(tied)} counts all that the value tells of inputs with the same cause."
    used = float(found.among["used_share"].min())
    return (
        f"These shares are estimated from the {display.percent(used)} of the throws that reach: how much less these "
        "would differ, on average, if the input alone were known. Total shares are left out, for among the throws that "
        f"reach the inputs are no longer independent.{of_tied if tied else ''}"
    )


def roles_sentence(found: Results) -> str:
    """How the variance of the main output falls to crew, weather and ignorance."""
    first = found.outputs[0]
    if first in found.ranked:
        return findings.roles_sentence(found.roles, first)
    return (
        f"How {findings.output_words(first)} falls to crew, weather and ignorance cannot be said of the throws that "
        "reach, in which they depend on each other."
    )


def reaching_sentences(case: Case, found: Results, system: UnitSystem) -> list[str]:
    """How many throws reach the target; nothing if all do."""
    reached = float((found.sample["outcome"].values == 0).mean())
    if reached == 1.0:
        return []
    ranked = case.space.undefined == "probability of reaching"
    target = target_words(case.space, system)
    asked = "; what is asked is what decides whether a throw reaches it" if ranked else ""
    return [f"The target height ({target}) is reached in {display.counted(reached)}{asked}."]


def middle_sentence(case: Case, found: Results, system: UnitSystem) -> str:
    """What the stream does, with its spread."""
    parts = []
    for name in case.space.outputs:
        values = found.sample[name].values
        low, middle, high = np.nanquantile(values, [0.05, 0.5, 0.95])
        where = " where the target is reached" if np.isnan(values).any() else ""
        spread = display.span(name, low, high, system)
        parts.append(f"{findings.output_words(name)} {display.value(name, middle, system)}, from {spread}{where}")
    return f"Middle of all throws, and the range of nine in ten: {'; '.join(parts)}."


# ---------------------------------------------------------------------------------------------------------
# Sections and tables


def sections(loaded: Loaded, pairs: Sequence[Pair], system: UnitSystem) -> list[Section]:
    """The report's parts: those of each stream, and the set-ups at their targets."""
    parts = [part for case, found in pairs for part in named_sections(case, found, system, len(pairs) > 1)]
    if loaded.asked is None:
        return parts
    table = setups_table(loaded.asked.department, loaded.asked.setups, loaded.asked.learnt)
    return [*parts, Section("The set-ups at their targets", [], [], [table])]


def named_sections(case: Case, found: Results, system: UnitSystem, named: bool) -> list[Section]:
    """A stream's parts; of several streams each with its label, its own findings, and its own names of files."""
    parts = case_sections(case, found, system)
    if not named:
        return parts
    parts = [Section("What was found", [*lead([(case, found)], system), *case_further(case, found, system)]), *parts]
    return [
        Section(
            f"{case.label}. {part.title}",
            part.paragraphs,
            [replace(plot, name=f"{plot.name}_{case.name}") for plot in part.plots],
            [replace(table, name=f"{table.name}_{case.name}") for table in part.tables],
        )
        for part in parts
    ]


def case_sections(case: Case, found: Results, system: UnitSystem) -> list[Section]:
    """The parts on one stream."""
    moved = [pictures.index_figure(case, found)] if found.ranked else []
    return [
        Section("The stream", *pictures.side_view(case, found, system)),
        Section(
            "What moves it",
            [
                "First-order share: what an input does alone. Total share: alone and together with others. Inputs that "
                "share a cause count as wholes here, with all that would go if they were known."
            ],
            moved,
            shares_tables(case, found),
        ),
        Section(
            f"What each input does to {findings.output_words(found.outputs[0])}",
            [],
            [pictures.effects_figure(case, found, system)],
        ),
        *pictures.sweep_section(found, system),
        Section(
            "Have the shares settled?",
            [found.gate.sentence],
            [pictures.convergence_figure(case, found)] if found.ranked else [],
        ),
        Section("All numbers", [], [], all_tables(case, found)),
    ]


def shares_tables(case: Case, found: Results) -> list[Table]:
    """Shares of roles and of stated groups, what tied inputs share, and shares among the throws that reach."""
    labels = findings.labels_of(case.space)
    groups = {name: findings.group_words(name) for name in case.space.groups}
    whole = [("roles", "Crew, weather and ignorance", found.roles, ROLE_WORDS)]
    whole.append(("groups", "Groups of inputs, each known together", found.groups, groups))
    whole.append(("parts", "Tied inputs, split into what they share and their own parts", found.parts, labels))
    each = [(name, title, indices.sel(output=found.ranked), words) for name, title, indices, words in whole]
    each.append(("among", "Among the throws that reach the target", found.among, findings.whole_labels(case.space)))
    return [findings.shares_table(*one) for one in each if one[2].sizes["parameter"] and one[2].sizes["output"]]


def all_tables(case: Case, found: Results) -> list[Table]:
    """Outputs over all runs, and the shares of every input."""
    names, whole = findings.technical_labels(case.space), found.indices.sel(output=found.ranked)
    shares = [findings.shares_table("indices", "Shares of every input", whole, names, found.ranking)]
    return [sample_table(case, found), *(shares if found.ranked else [])]


def sample_table(case: Case, found: Results) -> Table:
    """Mean and quantiles of the outputs."""
    outputs = list(case.space.outputs)
    values = [found.sample[n].values for n in outputs]
    columns = [Column("output", [findings.output_words(n) for n in outputs], "", "output")]
    columns.append(Column("mean", [float(np.nanmean(v)) for v in values], outputs))
    for q, words in ((5, "one in 20 below"), (50, "middle"), (95, "one in 20 above")):
        columns.append(Column(f"q{q:02d}", [float(np.nanquantile(v, q / 100)) for v in values], outputs, words))
    caption = "Of the simulated throws."
    return Table("outputs", "Outputs over all uncertain inputs", tuple(columns), caption)


# ---------------------------------------------------------------------------------------------------------
# Report card


def drag_laws(pairs: Sequence[Pair]) -> list[str]:
    """Laws of flight in use."""
    return sorted({str(case.model.fixed.get("drag_model", Stream.drag_model)) for case, _ in pairs})


def laws(loaded: Loaded, pairs: Sequence[Pair]) -> list[str]:
    """Keys of the laws in use, for the methods."""
    supplied = ("nozzle kinds", "supply") if loaded.asked is not None else ()
    return stream_laws(drag_laws(pairs), *supplied, "sobol", "ranking")


def card(pairs: Sequence[Pair], system: UnitSystem) -> ReportCard:
    """What a reader needs to judge the study."""
    space = pairs[0][0].space
    named = len(pairs) > 1
    sums = {
        f"{case.label}: {output}" if named else output: total
        for case, found in pairs
        for output, total in findings.sums_of_first_order(found.indices.sel(output=found.ranked)).items()
    }
    return ReportCard(
        question=QUESTION,
        method=f"{findings.ESTIMATES}: {space.base_samples} base samples x {space.replicates} replicates",
        runs=sum(found.count for _, found in pairs),
        seed=space.seed,
        failures=0,
        intervals=f"95 %, Student's t over {space.replicates} replicates",
        convergence=" ".join(f"{case.label}: {f.gate.sentence}" if named else f.gate.sentence for case, f in pairs),
        sum_of_first_order=sums,
        negative_estimates="; ".join(
            f"{case.label}: {findings.negative_words(f.indices)}" if named else findings.negative_words(f.indices)
            for case, f in pairs
        ),
        structural_alternatives=[],
        inputs=input_lines(pairs, system),
        fixed={words: value for case, _ in pairs for words, value in findings.fixed_words(case.space, system).items()},
        more={"Flight law": ", ".join(DRAG_LAWS[law].words for law in drag_laws(pairs))},
    )


def input_lines(pairs: Sequence[Pair], system: UnitSystem) -> list[InputLine]:
    """Every uncertain input once; those that differ between set-ups with the set-up's label."""
    each = [findings.space_lines(case.space, system) for case, _ in pairs]
    common = [line for line in each[0] if all(line in lines for lines in each)]
    own = [
        replace(line, name=f"{line.name} ({case.label})")
        for (case, _), lines in zip(pairs, each, strict=True)
        for line in lines
        if line not in common
    ]
    return [*common, *own]
