"""What every study script shares: options, the results folder, messages and exit status.

A script describes itself as a `Study` and ends with ``sys.exit(run(STUDY))``.
"""

import argparse
import gc
import os
import signal
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path
from types import FrameType
from typing import Any, Generic, NoReturn, TypeVar

import xarray as xr

from jetsim import kept
from jetsim.errors import InputError, InputFileError, placed
from jetsim.kept import Ledger
from jetsim.options import MOST_WORKERS, Options, Parser, add_options, options_of
from jetsim.report import cautions
from jetsim.report.document import Report, render
from jetsim.report.figures import Plot
from jetsim.report.folder import StudyFolder, check_room
from jetsim.report.plaintext import clean, clean_lines
from jetsim.report.provenance import (
    Record,
    package_digest,
    sha256,
    source_commit,
    timestamp,
    versions,
    write_manifest,
)
from jetsim.report.tables import Table, check_name
from jetsim.toml import told_with_line

_NETCDF = 1 << 17  # bytes that a file takes besides its values
__all__ = ["MOST_WORKERS", "Findings", "Options", "Study", "run", "run_commands"]

AGAIN = "the same command starts again"
QUICK_NOTICE = "Quick look with few computed throws: good for trying things out, too coarse to quote."
P = TypeVar("P")


@dataclass(frozen=True, eq=False)
class Findings:
    """What a study hands over to be written.

    Attributes
    ----------
    report : Report
        Its plots and tables are written too; its card gives seed, runs and failures.
    results : mapping of str to xarray.Dataset
        File name without its ending to dataset; ``{"results": ...}`` becomes ``results.nc``.
    plots, tables : sequence
        Further ones that the report does not show.
    data_files : sequence of Path
        Further files that were read; the manifest holds their hashes.
    texts : mapping of str to str
        Further text files (UTF-8): file name with its ending to content.
    files : mapping of str to bytes
        Further files as they are, such as a book of pages: file name with its ending to content.
    following : str
        A command to run next, as it can be run; printed on a line of its own.
    """

    report: Report
    results: Mapping[str, xr.Dataset] = field(default_factory=dict)
    plots: Sequence[Plot] = ()
    tables: Sequence[Table] = ()
    data_files: Sequence[Path] = ()
    texts: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, bytes] = field(default_factory=dict)
    following: str = ""


@dataclass(frozen=True)
class Study(Generic[P]):
    """A study script.

    Attributes
    ----------
    name : str
        Also names the default study file and the default results folder.
    description : str
    script : Path
        ``Path(__file__)``; the default study file is ``inputs/NAME.toml`` beside it.
    load : callable
        ``load(options)`` reads the study file, and makes it small for ``options.quick``.
    plan : callable
        ``plan(loaded, options)``: what would be run, in words with the run count, for ``--dry-run``.
    compute : callable
        ``compute(loaded, options)`` gives the `Findings`.
    add_options : callable, optional
        Adds the study's own options to the parser; they arrive in ``options.extra``.
    inputs : str, optional
        Name of the default study file without its ending; `name` by default.
    """

    name: str
    description: str
    script: Path
    load: Callable[[Options], P]
    plan: Callable[[P, Options], str]
    compute: Callable[[P, Options], Findings]
    add_options: Callable[[argparse.ArgumentParser], None] | None = None
    inputs: str = ""

    def __post_init__(self) -> None:
        check_name(self.name)

    @property
    def default_inputs(self) -> Path:
        """The study file beside the script."""
        return self.script.parent / "inputs" / f"{self.inputs or self.name}.toml"


def run(study: Study[Any], argv: Sequence[str] | None = None) -> int:
    """Run a study script.

    Parameters
    ----------
    study : Study
    argv : sequence of str, optional
        The command line by default.

    Returns
    -------
    int
        Exit status: 0, 2 for input that cannot be used (one line on stderr), 130 after Ctrl-C.
    """
    parser = Parser(description=study.description, allow_abbrev=False)
    _add_options(parser, study)
    return _guarded(lambda: _run_parsed(study, parser.parse_args(argv)))


def run_commands(description: str, studies: Mapping[str, Study[Any]], argv: Sequence[str] | None = None) -> int:
    """Run a script with subcommands, each a study of its own with its own options and results folder.

    Parameters
    ----------
    description : str
    studies : mapping of command to Study
    argv : sequence of str, optional

    Returns
    -------
    int
        As `run`.
    """
    parser = Parser(description=description, allow_abbrev=False)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for command, study in studies.items():
        words = study.description
        _add_options(commands.add_parser(command, help=words, description=words, allow_abbrev=False), study)

    def start() -> None:
        parsed = parser.parse_args(argv)
        _run_parsed(studies[parsed.command], parsed)

    return _guarded(start)


def _add_options(parser: argparse.ArgumentParser, study: Study[Any]) -> None:
    add_options(parser, study.name, study.default_inputs)
    if study.add_options is not None:
        study.add_options(parser)


class _Terminated(BaseException):
    """The process was asked to end."""


def _terminate(_signal: int, _frame: FrameType | None) -> NoReturn:
    raise _Terminated


@contextmanager
def _ending_cleanly() -> Iterator[None]:
    """Let Ctrl-C and a termination signal unwind, so that nothing half-written stays behind."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    wanted = {signal.SIGINT: signal.default_int_handler, signal.SIGTERM: _terminate}
    before = {sign: signal.signal(sign, handler) for sign, handler in wanted.items()}
    try:
        yield
    finally:
        for sign, handler in before.items():
            signal.signal(sign, handler)


def _guarded(start: Callable[[], None]) -> int:
    """Run, and turn what a user can cause into one line and an exit status."""
    if not gc.get_freeze_count():
        gc.freeze()  # what was loaded stays: searching it for garbage takes a tenth of the time of drawing
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal without the letters must not stop a study
    try:
        with _ending_cleanly():
            start()
    except InputFileError as errors:
        return max(_complain(f"error: {told_with_line(line)}", 2) for line in errors.lines)
    except InputError as error:
        return _complain(f"error: {told_with_line(str(error))}", 2)
    except BrokenPipeError:  # the reader of stdout has left, as in `... | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        place = f": {error.filename}" if error.filename else ""
        notes = "".join(f"; {note}" for note in getattr(error, "__notes__", ()))
        return _complain(f"error: {error.strerror or error}{place}{notes}", 2)
    except KeyboardInterrupt as stop:
        return _complain(f"interrupted: no half-written results were left; {str(stop) or AGAIN}", 130)
    except _Terminated as stop:
        return _complain(f"terminated: no half-written results were left; {str(stop) or AGAIN}", 143)
    except SystemExit as ended:  # --help
        return int(ended.code or 0)
    return 0


def _complain(text: str, status: int) -> int:
    print(clean(" ".join(text.split())), file=sys.stderr)
    return status


def _run_parsed(study: Study[Any], parsed: argparse.Namespace) -> None:
    options = options_of(parsed)
    loaded = study.load(options)
    plan = clean_lines(study.plan(loaded, options))
    if options.dry_run:
        print(plan)
        return
    needed = (study.script, Path(__file__), *(given for given in options.extra.values() if isinstance(given, Path)))
    folder = StudyFolder(options.output, study.name, options.inputs, options.overwrite, needed)
    folder.check()
    with _held(study, options, loaded, folder) as ledger:
        folder.clear()
        taken = f"Taken up: {ledger.taken} finished pieces\n" if options.resume else ""
        print(f"{plan}\n{taken}Workers: {options.workers}", file=sys.stderr)
        clock = _Clock(timestamp(), time.perf_counter())
        with options.hands():
            finished = _written(study, options, loaded, folder, clock)
    _tell(finished, options, clock.seconds())


def _written(study: Study[P], options: Options, loaded: P, folder: StudyFolder, clock: "_Clock") -> Findings:
    """Compute, write the folder, and give the findings as they were written."""
    digest = sha256(options.inputs)
    try:
        findings = study.compute(loaded, options)
    except InputError as error:
        raise placed(error, options.inputs) from None
    record = _record(study, options, findings, folder, digest)
    finished = replace(findings, report=_completed(findings.report, study, options, record))
    with folder.writing() as place:
        _write(place, finished, options)
        write_manifest(replace(record, started=clock.started, wall_time=clock.seconds()), place)
    return finished


@contextmanager
def _held(study: Study[P], options: Options, loaded: P, folder: StudyFolder) -> Iterator[Ledger]:
    """Hold the folder against other runs, and keep finished pieces beside it until its results are whole."""
    identity = {
        "study": study.name,
        "study file": sha256(options.inputs),
        "size": "quick" if options.quick else "full",
        "version": f"{package_digest(Path(__file__).parent)} {sha256(study.script)} {versions()}",
    }
    ledger = Ledger(folder.unfinished, identity, options.resume)
    done = False
    try:
        with kept.keeping(ledger):
            yield ledger
        done = True
    except (KeyboardInterrupt, _Terminated) as stop:
        raise type(stop)(_how_to_go_on(ledger)) from None
    except OSError as error:
        error.add_note(_how_to_go_on(ledger))
        raise
    except InputError:
        done = True
        raise
    finally:
        ledger.close(remove=done)


def _how_to_go_on(ledger: Ledger) -> str:
    pieces = f"finished pieces are kept ({ledger.count}): the same command with --resume goes on"
    return pieces if ledger.count else AGAIN


@dataclass(frozen=True)
class _Clock:
    started: str
    counter: float

    def seconds(self) -> float:
        return time.perf_counter() - self.counter


def _record(study: Study[Any], options: Options, findings: Findings, folder: StudyFolder, digest: str) -> Record:
    card = findings.report.card
    return Record(
        study=study.name,
        study_file=folder.relative_study_file(),
        study_file_sha256=digest,
        seed=card.seed,
        runs=card.runs,
        failures=card.failures,
        quick=options.quick,
        units=findings.report.units,
        commit=source_commit(study.script),
        started="",
        wall_time=0.0,
        workers=options.workers,
        data_files={path.name: sha256(path) for path in findings.data_files},
    )


def _completed(report: Report, study: Study[Any], options: Options, record: Record) -> Report:
    """The report with what only the runner knows: nothing that differs between equal runs."""
    found = versions()
    made = {
        "jetsim": found.pop("jetsim") + (f" (commit {record.commit[:12]})" if record.commit else ""),
        "study file": f"{options.inputs.name} (SHA-256 {record.study_file_sha256[:16]}…)",
        **found,
    }
    notices = (QUICK_NOTICE, *report.notices) if options.quick else report.notices
    rerun = {
        "command": _command(study, options, record),
        "commit": record.commit or "not known",
        "seed": str(record.seed),
        "study file": f"{options.inputs.name}, SHA-256 {record.study_file_sha256}",
        **{name: f"SHA-256 {digest}" for name, digest in record.data_files.items()},
    }
    return replace(report, notices=notices, provenance={**made, **report.provenance}, rerun={**rerun, **report.rerun})


def _command(study: Study[Any], options: Options, record: Record) -> str:
    """The command that gives the same results again, without paths of this machine."""
    words = ["python", f"studies/{study.script.name}", "--inputs", options.inputs.name, "--units", record.units]
    return " ".join([*words, *(["--quick"] if options.quick else [])])


def _write(place: Path, findings: Findings, options: Options) -> None:
    """Write everything but the manifest."""
    plots = [*findings.report.plots, *findings.plots]
    tables = [*findings.report.tables, *findings.tables]
    for items in (plots, tables):
        names = [item.name for item in items]
        if len(set(names)) < len(names):
            raise ValueError(f"names must differ, got {sorted(names)}")
    for name, dataset in findings.results.items():
        path = place / f"{check_name(name)}.nc"
        check_room(path, int(1.05 * dataset.nbytes) + _NETCDF)
        dataset.to_netcdf(path, engine="h5netcdf")
    (place / "figures").mkdir()
    for plot in plots:
        plot.save(place / "figures", options.quick)
    (place / "tables").mkdir()
    for table in tables:
        table.save(place / "tables")
    encoded = {name: text.encode("utf-8") for name, text in findings.texts.items()}
    for name, content in {**encoded, **findings.files}.items():
        (place / name).write_bytes(content)
    (place / "report.html").write_bytes(render(findings.report, options.quick).encode("utf-8"))
    if options.writes_paper:
        (place / "white_paper.docx").write_bytes(import_module("jetsim.report.paper").white_paper(findings.report))


def _tell(findings: Findings, options: Options, seconds: float) -> None:
    """Print the findings, where the report is, and the cautions as the last lines."""
    report = findings.report
    lines = [textwrap.fill(clean(sentence), 88) for sentence in (*report.notices, *report.lead)]
    lines += ["", f"Report: {options.output / 'report.html'} ({report.card.runs:,} runs, {seconds:.1f} s)", ""]
    lines += [f"Next: {findings.following}", ""] if findings.following else []
    print("\n".join((*lines, cautions.printed())), flush=True)
