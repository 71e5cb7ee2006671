"""Reach a target: can this stream put a stated flow through that window, how, and with what probability.

Run ``python studies/reach_a_target.py``; your own street goes into a copy of ``inputs/reach_a_target.toml``.
"""

import sys
from pathlib import Path

from jetsim import findings
from jetsim.errors import InputError
from jetsim.experiment.space import ParameterSpace
from jetsim.experiment.tables import load_toml
from jetsim.quantities import UnitSystem
from jetsim.report.document import Report, Section
from jetsim.study import Findings, Options, Study, run
from jetsim.target import plots, words
from jetsim.target.found import Found, Loaded, find, throws
from jetsim.target.streams import EXTRA, read_candidates
from jetsim.target.task import read_task
from jetsim.target.throwing import CLASSES

QUICK_DRAWS = 16


def load(options: Options) -> Loaded:
    """Read the study file."""
    content = load_toml(options.inputs)
    space = ParameterSpace.from_mapping(content, extra=EXTRA, where=str(options.inputs))
    try:
        task = read_task(space.extra)
    except InputError as error:
        raise InputError(f"{options.inputs}: {error}") from None
    candidates = read_candidates(content, task, str(options.inputs))
    if options.quick:
        return Loaded(candidates, task.quick(), min(QUICK_DRAWS, space.base_samples))
    return Loaded(candidates, task, space.base_samples)


def planned(loaded: Loaded, options: Options) -> str:
    """What would be run."""
    task = loaded.task
    streams = "; ".join(f"{c.name}: {c.pressures.size} nozzle pressures" for c in loaded.candidates)
    return (
        f"{loaded.first.space.title}\n{throws(loaded):,} throws: {loaded.draws} draws x {task.flown.size} elevations, "
        f"with {CLASSES} classes of drops each, for every nozzle pressure and change\n{streams}"
    )


def compute(loaded: Loaded, options: Options) -> Findings:
    """Run everything and write it up."""
    with options.executor() as executor:
        found = find(loaded, executor)
    space = loaded.first.space
    system = options.system(space.units)
    report = Report(
        space.title,
        words.lead(found, system),
        sections(found, system),
        words.card(loaded),
        system,
        validity=findings.validity_counts(found.first.flown),
        subtitle=str(space.extra.get("scenario", "")),
    )
    names = ("results", "comparison")
    return Findings(report, {n: outcome.flown for n, outcome in zip(names, found.outcomes, strict=False)})


def sections(found: Found, system: UnitSystem) -> list[Section]:
    """The report's parts."""
    first = found.first
    return [
        Section("The throw", [], [plots.side_view(first, system)], [words.streams_table(found)]),
        Section("The aim", [], [plots.aim(found, system)], words.pressure_tables(found)),
        Section("From where, to which storey", [], plots.charts(found, system), [words.aims_table(first)]),
        Section("What would help", [], tables=[words.help_table(found)]),
        Section("Without the wall", [], [plots.carried(found, system), plots.ground(first, system)]),
    ]


STUDY = Study(
    "reach_a_target",
    "Can this stream put a stated flow through that window, how, and with what probability.",
    Path(__file__),
    load,
    planned,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
