"""A department's field test: plan it, read it in, learn from it.

Run ``python studies/field_test.py plan``; your own department goes into a copy of ``inputs/department.toml``, your own
match and ground into a copy of ``inputs/field_test.toml``.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

from jetsim.equipment.questions import load_question
from jetsim.errors import InputError
from jetsim.experiment.calibration import QUICK, Sampling
from jetsim.study import Findings, Options, Study, run_commands
from jetsim.throws import emulated, learning, learnt, model, planning, reading, tested
from jetsim.throws.expected import sheet_rules
from jetsim.throws.learnt_words import learnt_report, unknown_table
from jetsim.throws.plan_words import plan_report
from jetsim.throws.question import FieldTest, FieldTestQuestion, check_instruments, field_test, setups_of
from jetsim.throws.read_words import reading_report
from jetsim.throws.sheet import Sheet, read_sheet

SCRIPT = Path(__file__)
DESCRIPTION = "A field test of handline set-ups: plan it, read it in, learn from it."
DEMO_SHEET = SCRIPT.parent / "inputs" / "field_test_throws.csv"
SYNTHETIC = SCRIPT.parents[1] / "benchmarks" / "simulation_based_calibration.csv"


def load(options: Options) -> FieldTest:
    """Read the question and the department; what an earlier test taught takes no part, or throws would count twice."""
    test = field_test(load_question(options.inputs, FieldTestQuestion, options.department, options.setups))
    check_instruments(test)
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
    made = planning.make_plan(test, *plan_sizes(options))
    system = options.system(test.units)
    sheet = {"run_sheet.csv": planning.run_sheet(test, made, system)}
    report = plan_report(test, made, system)
    return Findings(report, tables=[setups_of(test)], texts=sheet, data_files=test.asked.files)


PLAN = Study(
    "field_test_plan",
    "Plan a field test: throws, order, run sheet, and what it can and cannot decide.",
    SCRIPT,
    load,
    plan_words,
    plan,
    inputs="field_test",
)


# ---------------------------------------------------------------------------------------------------------
# Reading a filled sheet


def add_sheet(parser: argparse.ArgumentParser) -> None:
    """The option that names the filled sheet."""
    parser.add_argument("--sheet", type=Path, metavar="FILE.csv",
                        help="the filled run sheet (the invented department alone has one by default)")  # fmt: skip


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
    return test, read_sheet(path, sheet_rules(test)), path


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
    made = reading.overlay(test, sheet, values, np.random.default_rng(test.seed))
    report = reading_report(test, made, options.system(test.units))
    return Findings(report, tables=[setups_of(test)], data_files=[path, *test.asked.files])


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
# Learning from the throws


def calibrate_words(loaded: Loaded, options: Options) -> str:
    """What would be simulated and sampled."""
    test, sheet, _ = loaded
    count = len(sheet.accepted.setups)
    return (
        f"{test.title}\n{count} throws, {len(test.priors)} unknowns: {2 * emulated.RUNS * count:,} runs or more for the "
        f"emulators, {sampling(options).evaluations:,} evaluations of the likelihood"
    )


def sampling(options: Options) -> Sampling:
    """Sizes of the sampler."""
    return QUICK if options.quick else Sampling()


def synthetic_tests() -> int:
    """Stored synthetic tests of the calibration, one a line below the head."""
    return len(SYNTHETIC.read_text(encoding="utf-8").splitlines()) - 1 if SYNTHETIC.exists() else 0


def calibrate(loaded: Loaded, options: Options) -> Findings:
    """Sample the posterior, lay it over the throws, and write the department with what was learnt."""
    test, sheet, path = loaded
    found = learning.learn(test, sheet, sampling(options))
    rng = np.random.default_rng(test.seed)
    chosen = rng.choice(len(found.values[model.GAUGE]), reading.QUICK_DRAWS)
    after = reading.overlay(test, sheet, {name: value[chosen] for name, value in found.values.items()}, rng)
    text, draws = learnt.department_files(test, found)
    return Findings(
        learnt_report(test, found, after, options.system(test.units), synthetic_tests()),
        tables=[unknown_table(test, found, found.learnt), setups_of(test)],
        data_files=[path, *test.asked.files],
        texts={"department.toml": text},
        files={learnt.POSTERIOR: draws},
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
COMMANDS = {"plan": PLAN, "read": READ, "calibrate": CALIBRATE}

if __name__ == "__main__":
    sys.exit(run_commands(DESCRIPTION, COMMANDS))
