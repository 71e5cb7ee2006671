"""A department's field test: plan it, read it in, learn from it.

Run ``python studies/field_test.py plan``; your own department goes into a copy of ``inputs/field_test.toml``.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

from jetsim.experiment.calibration import QUICK, Sampling
from jetsim.experiment.fieldsheet import Sheet, read_sheet
from jetsim.study import Findings, Options, Study, run_commands
from jetsim.trials import emulated, learning, learnt, model, planning, posterior, reading, tested
from jetsim.trials.fieldfile import FieldTest, read_field_test
from jetsim.trials.throws import sheet_rules

SCRIPT = Path(__file__)
DESCRIPTION = "A field test of handline set-ups: plan it, read it in, learn from it."


def load(options: Options) -> FieldTest:
    """Read the study file."""
    return read_field_test(options.inputs)


def plan_words(test: FieldTest, options: Options) -> str:
    """What would be simulated to plan."""
    blocks = planning.QUICK_BLOCKS if options.quick else planning.BLOCKS
    return f"{test.title}\n{blocks:,} blocks of {len(test.setups)} throws: {planning.runs(test, blocks):,} runs"


def plan(test: FieldTest, options: Options) -> Findings:
    """Plan the test and write the run sheet."""
    made = planning.make_plan(test, planning.QUICK_BLOCKS if options.quick else planning.BLOCKS)
    system = options.system(test.units)
    sheet = {"run_sheet.csv": planning.run_sheet(test, made, system)}
    return Findings(planning.plan_report(test, made, system), texts=sheet)


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
    demo = SCRIPT.parent / "inputs" / "field_test_throws.csv"
    parser.add_argument("--sheet", type=Path, metavar="FILE.csv", default=demo,
                        help="the filled run sheet (default: the invented department's)")  # fmt: skip


def load_throws(options: Options) -> tuple[FieldTest, Sheet]:
    """Read the study file and the sheet; everything wrong with the sheet is told at once."""
    test = read_field_test(options.inputs)
    return test, read_sheet(options.extra["sheet"], sheet_rules(test))


def read_words(loaded: tuple[FieldTest, Sheet], options: Options) -> str:
    """What would be simulated to lay the prediction over the throws."""
    test, sheet = loaded
    draws = reading.QUICK_DRAWS if options.quick else reading.DRAWS
    count = len(sheet.accepted.setups)
    runs = (draws + 2) * count + tested.BLOCKS * len(test.setups)
    return f"{test.title}\n{count} throws that count, {draws} draws of the priors: {runs:,} runs"


def read(loaded: tuple[FieldTest, Sheet], options: Options) -> Findings:
    """Lay the prediction over the throws."""
    test, sheet = loaded
    rng = np.random.default_rng(test.seed)
    values = model.drawn(test, reading.QUICK_DRAWS if options.quick else reading.DRAWS, rng)
    made = reading.overlay(test, sheet, values, rng)
    report = reading.reading_report(test, made, options.system(test.units))
    return Findings(report, data_files=[options.extra["sheet"]])


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


def calibrate_words(loaded: tuple[FieldTest, Sheet], options: Options) -> str:
    """What would be simulated and sampled."""
    test, sheet = loaded
    count, sizes = len(sheet.accepted.setups), sampling(options)
    steps = sizes.ensembles * sizes.walkers * (sizes.burn + sizes.steps)
    return (
        f"{test.title}\n{count} throws, {len(model.unknowns(test))} unknowns: {2 * emulated.RUNS * count:,} runs for "
        f"the emulators, {steps:,} evaluations of the likelihood"
    )


def sampling(options: Options) -> Sampling:
    """Sizes of the sampler."""
    return QUICK if options.quick else Sampling()


def calibrate(loaded: tuple[FieldTest, Sheet], options: Options) -> Findings:
    """Sample the posterior, lay it over the throws, and write study files for the other studies."""
    test, sheet = loaded
    found = learning.learn(test, sheet, sampling(options))
    rng = np.random.default_rng(test.seed)
    chosen = rng.choice(len(found.values["gauge_error"]), reading.QUICK_DRAWS)
    after = reading.overlay(test, sheet, {name: value[chosen] for name, value in found.values.items()}, rng)
    report = learnt.learnt_report(test, found, after, options.system(test.units))
    return Findings(
        report,
        {"posterior": found.posterior.values.assign_attrs({posterior.DEFINITION: test.definition})},
        tables=[learnt.unknown_table(test, found, found.learnt)],
        data_files=[options.extra["sheet"]],
        texts=learnt.study_files(test, found),
    )


CALIBRATE = Study(
    "field_test_calibrate",
    "Learn shutoffs, nozzles, hose and flight from the throws, and write calibrated study files.",
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
