"""Compare set-ups under a declared match: who out-reaches whom, with what odds.

Run ``python studies/compare_nozzles.py``; after a test add ``--department`` with the ``department.toml`` that
``field_test.py calibrate`` wrote.
"""

import signal
import sys
from dataclasses import replace
from pathlib import Path

if __name__ == "__main__":  # Ctrl-C while the modules load; `run` takes over from there
    signal.signal(signal.SIGINT, lambda *_: sys.exit(print("interrupted: nothing had begun", file=sys.stderr) or 130))

from jetsim.equipment.questions import load_question
from jetsim.study import Findings, Options, Study, run
from jetsim.throws.compare_words import comparison_report, result_table
from jetsim.throws.comparing import compare
from jetsim.throws.question import CompareQuestion, FieldTest, field_test, setups_of


def load(options: Options) -> FieldTest:
    """Read the question and the department, with what was learnt."""
    asked = load_question(options.inputs, CompareQuestion, options.department, options.setups)
    return field_test(replace(asked, question=asked.question.quick()) if options.quick else asked, asked.learnt)


def plan(test: FieldTest, options: Options) -> str:
    """What would be run."""
    count = test.question.base_samples
    basis = "beliefs" if test.learnt is None else "what was learnt"
    return (
        f"{test.title}\n{len(test.setups)} set-ups on {count:,} draws of {basis}: {2 * count * len(test.setups):,} runs"
    )


def compute(test: FieldTest, options: Options) -> Findings:
    """Compare and write it up."""
    with options.executor() as executor:
        compared = compare(test, executor)
    report = comparison_report(test, compared, options.system(test.units))
    return Findings(report, tables=[setups_of(test), result_table(test, compared)], data_files=test.asked.files)


STUDY = Study(
    "compare_nozzles",
    "Compare set-ups under a declared match: odds of reach, reaction, breakup, and a weighted decision.",
    Path(__file__),
    load,
    plan,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
