"""Rank what controls the reach and flow of a stream, from a question to a report.

Run ``python studies/rank_controls.py``; your own numbers go into a copy of ``inputs/department.toml``, and what you ask
into a copy of ``inputs/rank_controls.toml``.
"""

import signal
import sys
from collections.abc import Sequence
from pathlib import Path

if __name__ == "__main__":  # Ctrl-C while the modules load; `run` takes over from there
    signal.signal(signal.SIGINT, lambda *_: sys.exit(print("interrupted: nothing had begun", file=sys.stderr) or 130))

from jetsim import findings
from jetsim.quantities import UnitSystem
from jetsim.rankings import question, words
from jetsim.rankings.question import Loaded
from jetsim.rankings.runs import PATHS, layouts, results_of, settled
from jetsim.report.document import Report
from jetsim.study import Findings, Options, Study, run


def load(options: Options) -> Loaded:
    """Read the question, or the space that a researcher states whole."""
    return question.load(options.inputs, options.department, options.setups, options.quick)


def plan(loaded: Loaded, options: Options) -> str:
    """What would be run."""
    lines = [loaded.title]
    for case in loaded.streams:
        each, roles = layouts(case.space)
        space, grid = case.space, question.SWEEP_POINTS**2 if case.axes else 0
        lines.append(
            f"{f'{case.label}: ' if case.label else ''}{each.runs:,} runs to rank {len(space.columns)} inputs "
            f"({space.base_samples} base samples x {space.replicates} replicates x {each.block}"
            f"{'' if options.quick else ', twice as many where that does not settle the order'}), "
            f"{roles.runs:,} for their roles, {PATHS + grid:,} for the figures"
        )
    return "\n".join(lines)


def compute(loaded: Loaded, options: Options) -> Findings:
    """Run everything and write it up."""
    with options.executor() as executor:
        if options.quick:
            pairs = [(case, results_of(case, executor)) for case in loaded.streams]
        else:
            pairs = [settled(case, executor) for case in loaded.streams]
    return written(loaded, pairs, options.system(loaded.units))


def written(loaded: Loaded, pairs: Sequence[words.Pair], system: UnitSystem) -> Findings:
    """What was found, written up."""
    report = Report(
        loaded.title,
        words.lead(pairs, system),
        words.sections(loaded, pairs, system),
        words.card(pairs, system),
        system,
        notices=words.notices(loaded, pairs, system),
        validity=findings.validity_counts([found.runs for _, found in pairs]),
        subtitle=loaded.scenario,
        further=words.further(pairs, system),
        laws=words.laws(loaded, pairs),
        limits=[findings.OF_RANGES],
    )
    results = {}
    for case, found in pairs:
        behind = f"_{case.name}" if len(pairs) > 1 else ""
        results |= {f"results{behind}": found.runs, f"indices{behind}": found.indices}
    return Findings(report, results, data_files=loaded.asked.files if loaded.asked else ())


STUDY = Study(
    "rank_controls",
    "Rank what controls the reach and flow of a stream: from a question to figures, tables and a report.",
    Path(__file__),
    load,
    plan,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
