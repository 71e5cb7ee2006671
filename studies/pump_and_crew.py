"""From pump to crew: the pump pressure a target needs, what it costs in reaction, and what mistakes deliver.

Run ``python studies/pump_and_crew.py``; your own equipment goes into a copy of ``inputs/department.toml``.
"""

import signal
import sys
from pathlib import Path

if __name__ == "__main__":  # Ctrl-C while the modules load; `run` takes over from there
    signal.signal(signal.SIGINT, lambda *_: sys.exit(print("interrupted: nothing had begun", file=sys.stderr) or 130))

from jetsim import findings
from jetsim.equipment.questions import load_question
from jetsim.equipment.setups_table import told
from jetsim.equipment.words import laws
from jetsim.pumping import pictures, tables, words
from jetsim.pumping.question import PumpQuestion, check_together
from jetsim.pumping.runs import SWEEP_POINTS, Found, Loaded, find, ranked_design
from jetsim.quantities import UnitSystem
from jetsim.report.document import Report, Section
from jetsim.report.figures import Words
from jetsim.study import Findings, Options, Study, run

QUESTION = "What must the pump give for each set-up, how sure is that, and what force then acts on the crew?"


def load(options: Options) -> Loaded:
    """Read the question and the department."""
    asked = load_question(options.inputs, PumpQuestion, options.department, options.setups)
    check_together(asked)
    return Loaded(asked).quick() if options.quick else Loaded(asked)


def planned(loaded: Loaded, options: Options) -> str:
    """What would be run."""
    count = len(loaded.subjects)
    ranked = sum(ranked_design(subject, loaded.asked).runs for subject in loaded.subjects)
    return (
        f"{loaded.question.title}\n{count} set-ups: {count * loaded.draws * SWEEP_POINTS:,} runs over pump pressures, "
        f"{count * loaded.draws:,} at the estimated ones, {ranked:,} to rank the inputs"
    )


def compute(loaded: Loaded, options: Options) -> Findings:
    """Run everything and write it up."""
    with options.executor() as executor:
        found = find(loaded, executor)
    return written(loaded, found, options.system(loaded.asked.units))


def written(loaded: Loaded, found: Found, system: UnitSystem) -> Findings:
    """What was found, written up."""
    report = Report(
        loaded.question.title,
        words.lead(found, loaded.question.choice, system),
        sections(loaded, found, system),
        words.report_card(loaded, found, QUESTION, system),
        system,
        words.maximum_notices(found),
        validity=words.validity_counts(found),
        subtitle=loaded.asked.scenario,
        further=words.further(loaded, found, system),
        laws=laws(loaded.asked, "sobol", "ranking"),
        limits=[findings.OF_RANGES],
    )
    rankings = {f"ranking_{r.estimate.subject.setup.name}": r.results for r in found.rankings}
    unshown = [
        tables.chart_table(loaded, found),
        tables.mistake_table(found.mistakes, "believed_against_delivered_all", system, everything=True),
    ]
    return Findings(report, rankings, tables=unshown, data_files=loaded.asked.files)


def sections(loaded: Loaded, found: Found, system: UnitSystem) -> list[Section]:
    """Figures and tables."""
    return [
        chart_section(loaded, found, system),
        pumping_section(loaded, found, system),
        Section(
            "Believed against delivered",
            ["Each mistake alone, at the pump pressure that the stated coefficients call for."],
            tables=[tables.mistake_table(found.mistakes, "believed_against_delivered")],
        ),
        ranking_section(found),
        choice_section(loaded, found, system),
        Section("The set-ups", tables=[told({e.subject.setup.label: e.middle for e in found.estimates})]),
    ]


def chart_section(loaded: Loaded, found: Found, system: UnitSystem) -> Section:
    """The pump chart."""
    widest = max(float(e.pump_pressure.high / e.pump_pressure.low) for e in found.estimates)
    title = Words(
        "pump_chart",
        "One chart value hides a spread: the pump pressures that nine cases in ten need differ by a factor of up to "
        f"{widest:.2f}",
        "Middle and nine in ten of the pump pressures for each set-up's target, by length of the line's last section, "
        f"as hose, kinks and nozzle vary. {words.capital(words.VERIFY)}.",
    )
    shown = [tables.estimate_table(found), tables.cost_table(found, system), tables.short_chart(loaded, found, system)]
    text = f"Every pressure here is an estimate, {words.VERIFY}."
    return Section("Pump chart", [text], [pictures.pump_chart(loaded, found, title, system)], shown)


def pumping_section(loaded: Loaded, found: Found, system: UnitSystem) -> Section:
    """Over- and under-pumping of each set-up."""
    wanted, figures = loaded.question.choice, []
    for swept, choice in zip(found.sweeps, found.choices, strict=True):
        title = Words(
            f"over_and_under_{swept.subject.setup.name}",
            words.window_title(choice, swept.subject, system),
            "Middle and nine in ten over all that is uncertain, at each pump pressure as believed. Bands of force "
            "include the measured excess over the formula. Grey: the last stretch below the crew's stated limit.",
        )
        figures.append(pictures.over_and_under(swept, choice, wanted.target_flow, title, system))
    text = (
        "Too little pump pressure starves the flow, too much puts the force above the stated limit. The operating "
        f"window is where both are met in {100 * wanted.probability:.3g} of 100 throws or more."
    )
    return Section("Over- and under-pumping", [text], figures)


def ranking_section(found: Found) -> Section:
    """What moves delivered flow and reach."""
    figures = [
        pictures.ranking(
            ranking,
            Words(
                f"ranking_{ranking.estimate.subject.setup.name}",
                words.ranking_title(ranking),
                f"{words.capital(ranking.estimate.subject.words)}, pumped as believed at its estimated pressure. "
                "Shares of variance of delivered flow and of reach, 95 % intervals over replicates.",
            ),
        )
        for ranking in found.rankings
    ]
    text = (
        "Inputs that the crew or the pump operator controls stand apart from weather and from what is not known. "
        "What is not known says how little is known, not how a nozzle or a shutoff behaves."
    )
    ranked = [tables.ranking_table(ranking) for ranking in found.rankings]
    return Section("What moves delivered flow and reach", [text], figures, ranked)


def choice_section(loaded: Loaded, found: Found, system: UnitSystem) -> Section:
    """The operating choice."""
    best = [words.choice_sentence(found.choices_on(line), line, loaded, system) for line in found.lines]
    table = tables.choice_table(found)
    if table is None:
        return Section("Operating choice", best)
    title = Words(
        "operating_choice",
        best[0].partition(". ")[0].rstrip("."),
        "Middle and nine in ten of reach. The count of throws takes in all that is uncertain and the measured excess "
        "of force over the formula; opening, closing and slipping come on top.",
    )
    return Section("Operating choice", best, [pictures.choices(loaded, found, title, system)], [table])


STUDY = Study(
    "pump_and_crew",
    "From pump to crew: pump chart, over- and under-pumping, mistakes, and what force then acts on the crew.",
    Path(__file__),
    load,
    planned,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
