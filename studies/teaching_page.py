"""A page to teach with: one HTML file whose controls move pump, hose, floor, nozzle and wind, and the stream follows.

Run ``python studies/teaching_page.py`` and open ``results/teaching_page/teaching_page.html``;
``--department mine.toml`` takes your own department.
"""

import signal
import sys
from pathlib import Path

if __name__ == "__main__":  # Ctrl-C while the modules load; `run` takes over from there
    signal.signal(signal.SIGINT, lambda *_: sys.exit(print("interrupted: nothing had begun", file=sys.stderr) or 130))

from jetsim.equipment.questions import Asked, load_question
from jetsim.equipment.setups_table import setups_table
from jetsim.equipment.words import laws, overrides_sentence
from jetsim.report.document import Report, Section
from jetsim.study import Findings, Options, Study, run
from jetsim.teaching import lesson, words
from jetsim.teaching.question import TeachingQuestion

Loaded = Asked[TeachingQuestion]


def load(options: Options) -> Loaded:
    """Read the question and its department."""
    asked = load_question(options.inputs, TeachingQuestion, options.department, options.setups)
    return asked.quick() if options.quick else asked


def plan(asked: Loaded, options: Options) -> str:
    """What would be run."""
    count, draws = len(asked.setups), asked.question.base_samples
    return f"{asked.question.title}\n{count} set-ups on {draws} common draws, over nozzle pressure, elevation and wind"


def compute(asked: Loaded, options: Options) -> Findings:
    """Fill the tables, hold them against the model, and write the page."""
    system = options.system(asked.units)
    with options.executor() as executor:
        taught = lesson.prepared(asked, executor)
    page = lesson.page(asked, taught, system, options.inputs, Path(__file__))
    otherwise = overrides_sentence(asked, system)
    report = Report(
        asked.question.title,
        words.lead(asked, taught.situations, taught.checks),
        [
            Section("Situations to teach with", tables=[words.situations_table(taught.situations, system)]),
            Section("How true the page is", tables=[words.accuracy_table(taught.checks)]),
        ],
        words.report_card(asked, taught.runs, system),
        system,
        notices=[otherwise] if otherwise else [],
        subtitle=asked.scenario,
        further=words.further(asked, taught.situations, taught.checks, system),
        laws=laws(asked, "effective reach"),
    )
    table = setups_table(asked.department, asked.setups, asked.learnt)
    return Findings(report, tables=[table], data_files=asked.files, texts={words.PAGE: page})


STUDY = Study(
    "teaching_page",
    "One HTML file for the classroom: move the pump and see the stream, without a network.",
    Path(__file__),
    load,
    plan,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
