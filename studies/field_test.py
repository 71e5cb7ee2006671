"""A department's field test: plan it, read it in, learn from it.

Run ``python studies/field_test.py plan``; your own department goes into a copy of ``inputs/department.toml``, your own
match and ground into a copy of ``inputs/field_test.toml``.
"""

import argparse
import shlex
import signal
import sys
from pathlib import Path

if __name__ == "__main__":  # Ctrl-C while the modules load; `run` takes over from there
    signal.signal(signal.SIGINT, lambda *_: sys.exit(print("interrupted: nothing had begun", file=sys.stderr) or 130))

import numpy as np

from jetsim.equipment.questions import load_question
from jetsim.errors import InputError
from jetsim.experiment.calibration import QUICK, Sampling
from jetsim.experiment.sheets import Grid, read_grid
from jetsim.study import Findings, Options, Study, run_commands
from jetsim.throws import emulated, learning, learnt, mapping, model, planning, reading, tested
from jetsim.throws.checks import sheet_rules
from jetsim.throws.columns import mapped_layout
from jetsim.throws.doubt_words import with_doubts
from jetsim.throws.learnt_words import learnt_report, unknown_table
from jetsim.throws.map_words import Understood, mapping_report, row_lines
from jetsim.throws.plan_words import plan_report
from jetsim.throws.question import (
    FieldTest,
    FieldTestQuestion,
    check_instruments,
    check_pairs,
    field_test,
    setups_of,
    with_days,
)
from jetsim.throws.read_words import reading_report
from jetsim.throws.sheet import Sheet, checked, read_sheet

SCRIPT = Path(__file__)
DESCRIPTION = "A field test of handline set-ups: plan it, read it in, learn from it."
DEMO_SHEET = SCRIPT.parent / "inputs" / "field_test_throws.csv"
SYNTHETIC = SCRIPT.parents[1] / "benchmarks" / "simulation_based_calibration.csv"


def load(options: Options) -> FieldTest:
    """Read the question and the department; what an earlier test taught takes no part, or throws would count twice."""
    test = field_test(load_question(options.inputs, FieldTestQuestion, options.department, options.setups))
    check_instruments(test)
    return test


def load_plan(options: Options) -> FieldTest:
    """Read question and department of a test that compares set-ups."""
    test = load(options)
    check_pairs(test)
    return test


def plan_sizes(options: Options) -> tuple[int, int]:
    """Blocks, and draws of what is believed."""
    return (planning.QUICK_BLOCKS, planning.QUICK_DRAWS) if options.quick else (planning.BLOCKS, planning.DRAWS)


def plan_words(test: FieldTest, options: Options) -> str:
    """What would be simulated to plan."""
    blocks, draws = plan_sizes(options)
    runs = planning.runs(test, blocks, draws)
    return f"{test.title}\n{blocks:,} blocks of {len(test.setups)} throws: {runs:,} runs"


def plan(test: FieldTest, options: Options) -> Findings:
    """Plan the test and write the run sheet."""
    with options.executor() as executor:
        made = planning.make_plan(test, *plan_sizes(options), executor)
    system = options.system(test.units)
    sheet = {"run_sheet.csv": planning.run_sheet(test, made, system)}
    report = plan_report(test, made, system)
    return Findings(report, tables=[setups_of(test)], texts=sheet, data_files=test.asked.files)


PLAN = Study(
    "field_test_plan",
    "Plan a field test: throws, order, run sheet, and what it can and cannot decide.",
    SCRIPT,
    load_plan,
    plan_words,
    plan,
    inputs="field_test",
)


# ---------------------------------------------------------------------------------------------------------
# Reading a filled sheet


def add_sheet(parser: argparse.ArgumentParser) -> None:
    """Options that name the filled sheet."""
    words = "the filled sheet, .csv or .xlsx (the invented department alone has one by default)"
    parser.add_argument("--sheet", type=Path, metavar="FILE", help=words)
    _add_worksheet(parser)


def _add_worksheet(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--worksheet", metavar="NAME", help="which sheet of a workbook, where several hold cells")


def sheet_of(options: Options, test: FieldTest) -> Path:
    """The sheet to read: the invented one belongs to the invented question and department alone."""
    given: Path | None = options.extra.get("sheet")
    if given is not None:
        return given
    department = test.asked.department.path
    demo = (SCRIPT.parent / "inputs" / name for name in ("field_test.toml", "department.toml"))
    used = (options.inputs, department or Path())
    if options.setups is not None or any(a.resolve() != b.resolve() for a, b in zip(used, demo, strict=True)):
        raise InputError("--sheet is missing: give the filled run sheet; the invented one is read with the invented "
                         "question and department alone")  # fmt: skip
    return DEMO_SHEET


def load_throws(options: Options) -> tuple[FieldTest, Sheet, Path]:
    """Read question, department and sheet; everything wrong with the sheet is told at once."""
    test = load(options)
    path = sheet_of(options, test)
    sheet = read_sheet(path, sheet_rules(test), test.mapped, options.extra.get("worksheet"))
    return with_days(test, sheet.accepted.texts.get("day", [])), sheet, path


def next_command(command: str, options: Options, inputs: Path | None = None, department: Path | None = None) -> str:
    """A command of this script as it can be run next, on the same files.

    Parameters
    ----------
    command : str
    options : Options
        Of the command that ran.
    inputs, department : Path, optional
        Go before those of `options`.
    """
    words = ["python", "studies/field_test.py", command]
    own = inputs or options.inputs
    if own.resolve() != READ.default_inputs.resolve():
        words += ["--inputs", str(own)]
    if (owner := department or options.department) is not None:
        words += ["--department", str(owner)]
    if options.setups is not None:
        words += ["--setups", ",".join(options.setups)]
    for name in ("sheet", "worksheet"):
        if options.extra.get(name) is not None:
            words += [f"--{name}", str(options.extra[name])]
    return shlex.join(words)


Loaded = tuple[FieldTest, Sheet, Path]


def read_words(loaded: Loaded, options: Options) -> str:
    """What would be simulated to lay the prediction over the throws."""
    test, sheet, _ = loaded
    draws = reading.QUICK_DRAWS if options.quick else reading.DRAWS
    count = len(sheet.accepted.setups)
    runs = (draws + 2) * count + tested.BLOCKS * len(test.setups)
    return f"{test.title}\n{count} throws that count, {draws} draws of what is believed: {runs:,} runs"


def read(loaded: Loaded, options: Options) -> Findings:
    """Lay the prediction over the throws."""
    test, sheet, path = loaded
    values = model.drawn(test, reading.QUICK_DRAWS if options.quick else reading.DRAWS, test.seed)
    with options.executor() as executor:
        made = reading.overlay(test, sheet, values, np.random.default_rng(test.seed), executor)
    system, following = options.system(test.units), next_command("calibrate", options)
    return Findings(
        with_doubts(reading_report(test, made, following, system), test, made, system),
        tables=[setups_of(test)],
        data_files=[path, *test.asked.files],
        following=following,
    )


READ = Study(
    "field_test_read",
    "Read a filled run sheet, check every cell, and lay the prediction over the throws.",
    SCRIPT,
    load_throws,
    read_words,
    read,
    add_sheet,
    inputs="field_test",
)


# ---------------------------------------------------------------------------------------------------------
# What the columns of another sheet mean


def add_mapped(parser: argparse.ArgumentParser) -> None:
    """The sheet to be understood."""
    parser.add_argument("sheet", type=Path, nargs="?", metavar="SHEET", help="a sheet of throws, .csv or .xlsx")
    _add_worksheet(parser)


def load_grid(options: Options) -> tuple[FieldTest, Grid, Path]:
    """Read the question and the cells of the sheet."""
    test = load(options)
    path = sheet_of(options, test)
    return test, read_grid(path, options.extra.get("worksheet")), path


def map_words(loaded: tuple[FieldTest, Grid, Path], options: Options) -> str:
    """What would be proposed."""
    test, grid, path = loaded
    return f"{test.title}\nColumns of {path.name} ({grid.how}, {len(grid.rows)} rows) proposed, nothing run"


def map_columns(loaded: tuple[FieldTest, Grid, Path], options: Options) -> Findings:
    """Propose what the columns mean, and write the table to paste and the question with it."""
    test, grid, path = loaded
    try:
        made = mapping.propose(grid, sheet_rules(test), options.extra.get("worksheet"))
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
    layout = mapped_layout(grid, made.mapped)
    found = Understood(grid, made, layout, *checked(grid, layout, sheet_rules(test), made.mapped))
    table, system = mapping.columns_toml(made), options.system(test.units)
    print(table, *row_lines(found.rows, system), "", sep="\n")
    following = next_command("read", options, options.output / "question.toml", test.asked.department.path)
    return Findings(
        mapping_report(test, found, system),
        data_files=[path, *test.asked.files],
        texts={
            "columns.toml": table,
            "question.toml": mapping.with_columns(options.inputs.read_text(encoding="utf-8-sig"), table),
        },
        following=following,
    )


MAP = Study(
    "field_test_map",
    "Propose what the columns of any sheet of throws mean, and show its first rows as understood.",
    SCRIPT,
    load_grid,
    map_words,
    map_columns,
    add_mapped,
    inputs="field_test",
)


# ---------------------------------------------------------------------------------------------------------
# Learning from the throws


def calibrate_words(loaded: Loaded, options: Options) -> str:
    """What would be simulated and sampled."""
    test, sheet, _ = loaded
    count = len(sheet.accepted.setups)
    return (
        f"{test.title}\n{count} throws, {len(test.priors)} unknowns: {2 * emulated.RUNS * count:,} runs or more for "
        f"the emulators, {sampling(options).evaluations:,} evaluations of the likelihood"
    )


def use_command(test: FieldTest, options: Options) -> str:
    """A command that uses what was learnt."""
    study = "setup_cards" if len(test.setups) == 1 else "compare_nozzles"
    department, names = str(options.output / "department.toml"), ",".join(test.labels)
    return shlex.join(["python", f"studies/{study}.py", "--department", department, "--setups", names])


def sampling(options: Options) -> Sampling:
    """Sizes of the sampler."""
    return QUICK if options.quick else Sampling()


def synthetic_tests() -> int:
    """Stored synthetic tests of the calibration, one a line below the head."""
    return len(SYNTHETIC.read_text(encoding="utf-8").splitlines()) - 1 if SYNTHETIC.exists() else 0


def calibrate(loaded: Loaded, options: Options) -> Findings:
    """Sample the posterior, lay it over the throws, and write the department with what was learnt."""
    test, sheet, path = loaded
    rng = np.random.default_rng(test.seed)
    with options.executor() as executor:
        found = learning.learn(test, sheet, sampling(options), executor=executor)
        chosen = rng.choice(len(found.values[model.GAUGE]), reading.QUICK_DRAWS)
        after = reading.overlay(test, sheet, {n: value[chosen] for n, value in found.values.items()}, rng, executor)
    text, draws = learnt.department_files(test, found)
    system = options.system(test.units)
    following = use_command(test, options)
    report = learnt_report(test, found, after, following, synthetic_tests(), system)
    return Findings(
        with_doubts(report, test, after, system),
        tables=[unknown_table(test, found, found.learnt), setups_of(test)],
        data_files=[path, *test.asked.files],
        texts={"department.toml": text},
        files={learnt.POSTERIOR: draws},
        following=following,
    )


CALIBRATE = Study(
    "field_test_calibrate",
    "Learn shutoffs, nozzles, hose and flight from the throws, and write the department with what was learnt.",
    SCRIPT,
    load_throws,
    calibrate_words,
    calibrate,
    add_sheet,
    inputs="field_test",
)
COMMANDS = {"plan": PLAN, "map": MAP, "read": READ, "calibrate": CALIBRATE}

if __name__ == "__main__":
    sys.exit(run_commands(DESCRIPTION, COMMANDS))
