"""Flow against staffing: what each set-up flows within the limits that are stated for crews, and how it is pumped.

Run ``python studies/fit_the_crew.py``; ``--department mine.toml`` takes your own department.
"""

import signal
import sys
from pathlib import Path

if __name__ == "__main__":  # Ctrl-C while the modules load; `run` takes over from there
    signal.signal(signal.SIGINT, lambda *_: sys.exit(print("interrupted: nothing had begun", file=sys.stderr) or 130))

from jetsim.equipment.questions import Asked, load_question
from jetsim.equipment.setups_table import setups_table
from jetsim.equipment.words import laws
from jetsim.findings import flag_counts
from jetsim.quantities import UnitSystem
from jetsim.report.document import Report, Section
from jetsim.staffing import pictures, runs, words
from jetsim.staffing.question import CrewQuestion
from jetsim.study import Findings, Options, Study, run

Loaded = Asked[CrewQuestion]


def load(options: Options) -> Loaded:
    """Read the question and its department."""
    asked = load_question(options.inputs, CrewQuestion, options.department, options.setups)
    runs.crews_of(asked)
    return asked.quick() if options.quick else asked


def plan(asked: Loaded, options: Options) -> str:
    """What would be run."""
    count, crews, draws = len(asked.setups), len(runs.crews_of(asked)), asked.question.base_samples
    return (
        f"{asked.question.title}\n{count} set-ups and {crews} crews; {count} set-ups in 2 matches on {draws} common "
        f"draws: {2 * count * draws:,} runs"
    )


def compute(asked: Loaded, options: Options) -> Findings:
    """Run everything and write it up."""
    with options.executor() as executor:
        found = runs.find(asked, executor)
    return written(asked, found, options.system(asked.units))


def written(asked: Loaded, found: runs.Found, system: UnitSystem) -> Findings:
    """What was found, written up."""
    probability = asked.question.probability
    staffing = Section(
        "Flow against staffing",
        ["Steady reaction against stated limits, and no more: no number here shows that a crew can hold a line."],
        [pictures.chart(found, system)],
        [words.staffing_table(found, probability, system)],
    )
    rings = [Section("Rings, setting by setting", tables=[words.settings_table(found)])] if found.settings else []
    report = Report(
        asked.question.title,
        words.lead(found, system),
        [
            staffing,
            Section("Over- and under-pumping", tables=[words.window_table(found)]),
            *rings,
            Section("Set-ups matched", tables=[words.match_table(asked, found)]),
        ],
        words.report_card(asked, found, system),
        system,
        validity=flag_counts(found.validity),
        subtitle=asked.scenario,
        further=words.further(asked, found, system),
        laws=laws(asked, "effective reach"),
    )
    table = setups_table(asked.department, asked.setups, asked.learnt)
    return Findings(report, {"results": runs.results_of(found)}, tables=[table], data_files=asked.files)


STUDY = Study(
    "fit_the_crew",
    "Flow against staffing: the highest flow within each crew's stated limit, and the pump pressures that give it.",
    Path(__file__),
    load,
    plan,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
