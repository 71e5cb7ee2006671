"""The options of a study script: what they are, what a command line gives them, and who does the work."""

import argparse
from collections.abc import Iterator, Mapping
from concurrent.futures import Executor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

import xarray as xr

from jetsim import kept
from jetsim.cluster import cluster
from jetsim.errors import InputError
from jetsim.processors import processors
from jetsim.quantities import UnitSystem
from jetsim.report.style import drawn_by
from jetsim.workers import one_thread_each, processes, threads

MOST_WORKERS = 256


@dataclass(frozen=True)
class Options:
    """The options of a study script.

    Attributes
    ----------
    inputs, output : Path
        Study file, and folder of the results.
    quick, dry_run, overwrite : bool
    cluster : str or None
        ``"local"``, or the address of a scheduler; None: processes of this machine.
    resume : bool
        Take up the finished pieces of a run that was interrupted.
    paper : bool or None
        Write the white paper too; None: in a full run only.
    units : {"us", "si"} or None
        None: as the study file says.
    workers : int
    department : Path or None
        Goes before the department that the question file names.
    setups : tuple of str or None
        Go before the set-ups that the question file names.
    extra : mapping of str to object
        Options that the study added.
    """

    inputs: Path
    output: Path
    quick: bool = False
    units: UnitSystem | None = None
    workers: int = 1
    dry_run: bool = False
    overwrite: bool = False
    resume: bool = False
    cluster: str | None = None
    department: Path | None = None
    setups: tuple[str, ...] | None = None
    paper: bool | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)

    @property
    def writes_paper(self) -> bool:
        """Whether the white paper is written: as asked, or else in a full run."""
        return not self.quick if self.paper is None else self.paper

    def system(self, of_study_file: UnitSystem) -> UnitSystem:
        """Edition to show: the option's, or else the study file's."""
        return self.units or of_study_file

    @property
    def _alone(self) -> bool:
        return self.cluster is None and self.workers == 1

    @contextmanager
    def hands(self) -> Iterator[None]:
        """Processes that compute pieces of work and draw figures while this one goes on; a cluster only computes.

        One worker is this process. On an error or Ctrl-C the processes are ended.
        """
        with ExitStack() as stack:
            stack.enter_context(one_thread_each())
            if self.cluster is not None:
                stack.enter_context(kept.sent_to(stack.enter_context(cluster(self.cluster, self.workers))))
            elif not self._alone:
                xr.Variable((), 0.0)  # what the first one loads is loaded once, before processes are forked
                pool = stack.enter_context(processes(self.workers))
                stack.enter_context(kept.sent_to(pool))
                stack.enter_context(drawn_by(pool, self.quick))
            yield

    @contextmanager
    def executor(self) -> Iterator[Executor | None]:
        """Threads for `evaluate`, each of which waits for a piece of work; None for one worker.

        On an error or Ctrl-C the waiting pieces are dropped instead of computed.
        """
        if self._alone:
            yield None
            return
        with threads(self.workers if self.cluster is None else MOST_WORKERS) as pool:
            try:
                yield pool
            except BaseException:
                kept.stop()
                raise


class Parser(argparse.ArgumentParser):
    """A parser whose complaints are one line, like every other complaint."""

    def error(self, message: str) -> NoReturn:
        """End with the line that every mistake ends with."""
        raise InputError(f"{message} (--help lists the options)")


def add_options(parser: argparse.ArgumentParser, name: str, inputs: Path) -> None:
    """Add what every study takes; `name` is that of its results folder, `inputs` its default study file."""
    add = parser.add_argument
    add("--inputs", type=Path, metavar="FILE.toml", default=inputs, help="study file with your numbers")
    add("--department", type=Path, metavar="FILE.toml", help="department file (default: as the question file says)")
    add("--setups", type=_names, metavar="A,B", help="set-ups by name (default: as the question file says, else all)")
    add("--output", type=Path, metavar="DIR", default=Path("results") / name,
        help=f"folder of the results (default: results/{name})")  # fmt: skip
    add("--quick", action="store_true", help="few runs, figures as png only, to try things out")
    add("--units", choices=("us", "si"), help="units shown first (default: as the study file says)")
    add("--workers", type=_workers, metavar="N", default=min(processors(), MOST_WORKERS),
        help="processes (default: one for each processor)")  # fmt: skip
    add("--cluster", metavar="local|ADDRESS", help="use a dask cluster instead: N processes here, or a scheduler")
    add("--dry-run", action="store_true", help="say what would be run and write nothing")
    add("--overwrite", action="store_true",
        help="replace a folder that holds something else; files that no study wrote are kept beside it")  # fmt: skip
    add("--resume", action="store_true", help="go on with a run that was interrupted: what it had finished was kept")
    add("--paper", action=argparse.BooleanOptionalAction, help="write white_paper.docx (default: unless --quick)")


def _names(text: str) -> tuple[str, ...]:
    names = tuple(part.strip() for part in text.split(","))
    if not all(names):
        raise argparse.ArgumentTypeError(f"{text!r}: give names of set-ups with commas between them, as in a,b")
    return names


def _workers(text: str) -> int:
    if not text.strip().isdecimal() or not 1 <= int(text) <= MOST_WORKERS:
        raise argparse.ArgumentTypeError(f"{text!r}: allowed is a whole number from 1 to {MOST_WORKERS}")
    return int(text)


def options_of(parsed: argparse.Namespace) -> Options:
    """The options of a command line; those of one study go to ``extra``."""
    given = {name: value for name, value in vars(parsed).items() if name != "command"}
    own = {name: given.pop(name) for name in tuple(given) if name in Options.__dataclass_fields__}
    return Options(**own, extra=given)
