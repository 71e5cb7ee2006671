"""Seconds that a user waits for each command, beside those of an earlier commit and the change of the numbers.

`benchmarks/study_speed.py` prints it. Every command runs in a process of its own, from its start to the written report,
here and in a copy of the earlier commit, in turns; both must show the same set-ups, so that the largest change of a
number in ``tables/setups.csv`` can stand beside the times.
"""

import csv
import io
import subprocess
import sys
import tarfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

import numpy as np

from benchmarks.command import ROOT, environment
from jetsim.errors import InputError

BEFORE = "HEAD~1"
# Seconds wanted of a full run on two cores; of a quick one it is `QUICK` throughout.
WANTED = {
    "rank_controls": 6.0, "reach_a_target": 15.0, "valve_assumptions": 20.0, "pump_and_crew": np.nan,
    "fit_the_crew": np.nan, "compare_nozzles": np.nan, "setup_cards": 6.0, "teaching_page": 30.0,
    "field_test plan": np.nan, "field_test read": np.nan, "field_test calibrate": 10.0,
}  # fmt: skip
QUICK = 4.0


class Timed(NamedTuple):
    """One line of the table."""

    command: str
    seconds: float
    before: float
    wanted: float
    change: float

    def __str__(self) -> str:
        change = "" if np.isnan(self.change) else f"{self.change:.1e}"
        wanted = "" if np.isnan(self.wanted) else f"{self.wanted:g}"
        before = "" if np.isnan(self.before) else f"{self.before:8.2f} {self.seconds / self.before:6.2f}"
        return f"{self.command:34s} {self.seconds:8.2f} {before:15s} {wanted:>7s} {change:>9s}".rstrip()


HEADING = f"{'command':34s} {'seconds':>8s} {'before':>8s} {'ratio':>6s} {'wanted':>7s} {'change':>9s}"


def table(commands: Sequence[str], against: str, show: Callable[[object], None], quick: bool = False) -> list[Timed]:
    """Time the commands, each shown when it ends.

    Parameters
    ----------
    commands : sequence of str
        Script without suffix, then its words.
    against : str
        Commit to compare with; none if empty.
    show : callable
        Told each line.
    quick : bool, optional
        With ``--quick`` only; by default each command runs in full and then so.

    Raises
    ------
    InputError
        No such commit, or a command failed.
    """
    lines = []
    show(HEADING)
    with TemporaryDirectory() as folder, earlier(against, Path(folder) / "earlier") as other:
        for words in (f"{command}{more}" for command in commands for more in _extents(quick)):
            now, then = (_run(tree, words, Path(folder)) for tree in (ROOT, other))
            wanted = QUICK if words.endswith("--quick") else WANTED[words]
            lines.append(Timed(words, now[0], then[0], wanted, change(now[1], then[1])))
            show(lines[-1])
    return lines


def _extents(quick: bool) -> tuple[str, ...]:
    return (" --quick",) if quick else ("", " --quick")


@contextmanager
def earlier(commit: str, place: Path) -> Iterator[Path | None]:
    """The tree of a commit, unpacked; none where none is named."""
    if not commit:
        yield None
        return
    packed = subprocess.run(["git", "archive", commit], cwd=ROOT, capture_output=True, check=False)
    if packed.returncode:
        raise InputError(f"--against = {commit!r}: {packed.stderr.decode().strip().splitlines()[-1]}")
    with tarfile.open(fileobj=io.BytesIO(packed.stdout)) as archive:
        archive.extractall(place, filter="data")
    yield place


def _run(tree: Path | None, words: str, folder: Path) -> tuple[float, str]:
    """Seconds that a command takes in a tree, and its table of set-ups; nothing without a tree."""
    if tree is None:
        return np.nan, ""
    script, *more = words.split()
    with TemporaryDirectory(dir=folder) as place:
        output = Path(place) / "results"
        command = [sys.executable, f"studies/{script}.py", *more, "--output", str(output)]
        started = time.perf_counter()
        done = subprocess.run(
            command, cwd=tree, env=environment(tree), capture_output=True, text=True, encoding="utf-8", check=False
        )
        seconds = time.perf_counter() - started
        if done.returncode:
            raise InputError(f"{words}: exit status {done.returncode}, {done.stderr.strip().splitlines()[-1:]}")
        setups = output / "tables" / "setups.csv"
        return seconds, setups.read_text(encoding="utf-8") if setups.exists() else ""


def change(one: str, other: str) -> float:
    """Largest change of a number between two tables of set-ups, over the number; NaN where they do not match."""
    tables = [list(csv.reader(io.StringIO(text))) for text in (one, other)]
    cells = [[cell for row in table for cell in row] for table in tables]
    if not cells[0] or len(cells[0]) != len(cells[1]):
        return np.nan
    pairs = [(a, b) for a, b in zip(*cells, strict=True) if a != b]
    return max((_apart(*pair) for pair in pairs), default=0.0)


def _apart(one: str, other: str) -> float:
    try:
        a, b = float(one), float(other)
    except ValueError:
        return np.inf
    return abs(a - b) / max(abs(b), 1e-12)
