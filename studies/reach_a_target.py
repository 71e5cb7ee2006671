"""Reach a target: can this set-up put a stated flow through that window, how, and with what probability.

Run ``python studies/reach_a_target.py``; your own street goes into a copy of ``inputs/reach_a_target.toml``.
"""

import signal
import sys
from dataclasses import replace
from pathlib import Path

if __name__ == "__main__":  # Ctrl-C while the modules load; `run` takes over from there
    signal.signal(signal.SIGINT, lambda *_: sys.exit(print("interrupted: nothing had begun", file=sys.stderr) or 130))

from jetsim import findings
from jetsim.equipment.questions import load_question
from jetsim.equipment.setups_table import setups_table
from jetsim.equipment.words import in_trade_words, laws
from jetsim.quantities import UnitSystem
from jetsim.report.document import Report, Section
from jetsim.study import Findings, Options, Study, run
from jetsim.window import pictures, words
from jetsim.window.question import WindowQuestion
from jetsim.window.runs import Found, Loaded, find, loaded_from, throws
from jetsim.window.throwing import CLASSES


def load(options: Options) -> Loaded:
    """Read the question and the department that it is asked of."""
    asked = load_question(options.inputs, WindowQuestion, options.department, options.setups)
    if options.quick:
        asked = replace(asked, question=asked.question.quick())
    system = options.system(asked.units)
    return loaded_from(asked, asked.question.task(options.quick, system), system)


def planned(loaded: Loaded, options: Options) -> str:
    """What would be run."""
    task = loaded.task
    tried = "; ".join(f"{c.name}: {c.pressures.size} nozzle pressures" for c in loaded.candidates)
    return (
        f"{loaded.asked.question.title}\n{throws(loaded):,} throws: {loaded.draws} draws x {task.flown.size} "
        f"elevations, with {CLASSES} classes of drops each, for every nozzle pressure and change\n{tried}"
    )


def compute(loaded: Loaded, options: Options) -> Findings:
    """Run everything and write it up."""
    with options.executor() as executor:
        found = find(loaded, executor)
    return written(loaded, found, loaded.system)


def written(loaded: Loaded, found: Found, system: UnitSystem) -> Findings:
    """What was found, written up."""
    asked = loaded.asked
    setups = setups_table(asked.department, asked.setups, asked.learnt)
    report = Report(
        asked.question.title,
        words.lead(found, system),
        [*sections(found, system), Section("The set-ups", tables=[setups])],
        words.card(loaded, system),
        system,
        notices=words.notices(loaded, system),
        validity=findings.validity_counts(found.first.flown),
        subtitle=asked.scenario,
        further=words.further(found, findings.standing_sentence(in_trade_words(asked)), system),
        laws=laws(asked, "effective reach"),
    )
    results = {f"results_{o.candidate.setup.name}": o.flown for o in found.outcomes}
    return Findings(report, results, data_files=asked.files)


def sections(found: Found, system: UnitSystem) -> list[Section]:
    """The report's parts."""
    first = found.first
    return [
        Section("The throw", [], [pictures.side_view(first, system)], [words.throws_table(found)]),
        Section("The aim", [], [pictures.aim(found, system)], [words.pressure_table(found)]),
        Section("From where, to which storey", [], pictures.charts(found, system), [words.aims_table(first)]),
        Section("What would help", [], tables=[words.help_table(found)]),
        Section("Without the wall", [], [pictures.carried(found, system), pictures.ground(first, system)]),
    ]


STUDY = Study(
    "reach_a_target",
    "Can this set-up put a stated flow through that window, how, and with what probability.",
    Path(__file__),
    load,
    planned,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
