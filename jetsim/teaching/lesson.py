"""From a question to the finished page: tables, situations, checks, and the file they make."""

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from jetsim.equipment.questions import Asked
from jetsim.errors import InputError
from jetsim.quantities import UnitSystem
from jetsim.report.provenance import sha256, source_commit, versions
from jetsim.report.teaching import TeachingPage, render_page
from jetsim.teaching import words
from jetsim.teaching.accuracy import Check, checks_of
from jetsim.teaching.page import page_data
from jetsim.teaching.question import TeachingQuestion
from jetsim.teaching.runs import Rig, built, one_low, rigs_of
from jetsim.teaching.situations import Situation, situations_of
from jetsim.teaching.tables import Tables

MOST_BYTES = 6_000_000
Question = Asked[TeachingQuestion]


@dataclass(frozen=True, eq=False)
class Lesson:
    """Everything that a page teaches.

    Attributes
    ----------
    rigs : sequence of Rig
    tables : sequence of Tables
        Of the rigs.
    low : mapping of int to Tables
        Of rigs with a ring, by number, one setting low.
    situations : sequence of Situation
    checks : sequence of Check
    """

    rigs: Sequence[Rig]
    tables: Sequence[Tables]
    low: Mapping[int, Tables]
    situations: Sequence[Situation]
    checks: Sequence[Check]

    @property
    def runs(self) -> int:
        """Streams flown for the tables."""
        every = [*self.tables, *self.low.values()]
        return sum(table.flags.size + table.departures["extreme_reach"].size for table in every)


def prepared(asked: Question, executor: Executor | None = None) -> Lesson:
    """Compute everything; each set-up's tables on a thread of `executor`, if there is one."""
    rigs = rigs_of(asked)
    ringed = [number for number, rig in enumerate(rigs) if rig.lined and rig.has_ring]
    every = built([*rigs, *(one_low(rigs[number]) for number in ringed)], executor)
    tables, low = every[: len(rigs)], dict(zip(ringed, every[len(rigs) :], strict=True))
    checks = checks_of(rigs, tables, asked.question.seed)
    return Lesson(rigs, tables, low, situations_of(asked, rigs), checks)


def page(asked: Question, lesson: Lesson, system: UnitSystem, inputs: Path, script: Path) -> str:
    """The page as one HTML file.

    Raises
    ------
    InputError
        It would be too large to hand around.
    """
    found = versions()
    commit = source_commit(script)
    made = {
        "jetsim": found["jetsim"] + (f" (commit {commit[:12]})" if commit else ""),
        "study file": f"{inputs.name} (SHA-256 {sha256(inputs)[:16]}…)",
        "department": f"(SHA-256 {asked.department.digest[:16]}…)",
        **{name: found[name] for name in ("python", "numpy", "scipy", "xarray")},
    }
    data = page_data(asked, lesson.rigs, lesson.tables, lesson.low, lesson.situations, lesson.checks)
    text = render_page(
        TeachingPage(
            asked.question.title, asked.scenario, {**data, "edition": system}, words.remarks(asked, lesson.checks), made
        )
    )
    size = len(text.encode())
    if size > MOST_BYTES:
        raise InputError(
            f"{asked.path}: the page would have {size / 1e6:.1f} MB with {len(asked.setups)} set-ups and "
            f"base_samples = {asked.question.base_samples}; at most {MOST_BYTES / 1e6:.0f} MB: name fewer of either"
        )
    return text
