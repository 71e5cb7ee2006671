"""Spoil departments, questions and sheets and count what becomes of them: refused in lines that name a place, or used.

Run ``python benchmarks/fuzz.py [--examples N] [--kinds department question sheet]``. A spoilt question is given to its
study as a file, for a dry run. Every count of the last five columns must be zero.
"""

import argparse
import contextlib
import csv
import io
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.command import run
from jetsim import study
from jetsim.equipment.department import read_department
from jetsim.equipment.setups_table import middle_of
from jetsim.errors import InputError, InputFileError
from jetsim.throws.checks import sheet_rules
from jetsim.throws.sheet import read_sheet
from jetsim.toml import load_toml
from studies import (
    compare_nozzles,
    field_test,
    fit_the_crew,
    pump_and_crew,
    rank_controls,
    reach_a_target,
    setup_cards,
    valve_assumptions,
)
from tests.fuzzing import as_toml, spoilt, spoilt_sheet

INPUTS = Path(__file__).resolve().parents[1] / "studies" / "inputs"
DEPARTMENT = INPUTS / "department.toml"
STUDIES = {
    module.STUDY.name: module.STUDY
    for module in (compare_nozzles, fit_the_crew, pump_and_crew, rank_controls, reach_a_target, setup_cards,
                   valve_assumptions)
} | {"field_test": field_test.PLAN}  # fmt: skip
WRONG = ("other errors", "lines without a place", "refusals of over a second", "wrong status", "something written")
WORDS = ("refused", "used", *WRONG)
Outcome = list[str]


def refusal(lines: tuple[str, ...], place: str, seconds: float) -> Outcome:
    """What is wrong with a refusal."""
    bad = [line for line in lines if "\n" in line or "«here»" in line or place not in line]
    for line in bad:
        print(f"without a place: {line!r}", file=sys.stderr)
    return ["refused", *([WRONG[1]] if bad else []), *([WRONG[2]] if seconds > 1.0 else [])]


def judged(use: Callable[[], None], place: str) -> Outcome:
    """What becomes of something spoilt when it is used."""
    start = time.process_time()
    try:
        use()
    except InputError as error:
        lines = error.lines if isinstance(error, InputFileError) else (str(error),)
        return refusal(lines, place, time.process_time() - start)
    except Exception as error:  # anything else is what is looked for
        print(f"{type(error).__name__}: {error}", file=sys.stderr)
        return [WRONG[0]]
    return ["used"]


def department(content: Mapping[str, Any]) -> Outcome:
    """Of a department: it is read, and two set-ups are flown at their medians."""

    def use() -> None:
        for setup in read_department(content, "d.toml").setups[:2]:
            assert np.isfinite(middle_of(setup, None)["flow_rate"])

    return judged(use, "")


def question(name: str, place: Path, content: dict[str, Any]) -> Outcome:
    """Of a question: its study reads the file and says what it would run."""
    file = place / f"{name}.toml"
    file.write_text(as_toml(content), encoding="utf-8", errors="surrogatepass")
    argv = ["--inputs", str(file), "--department", str(DEPARTMENT), "--output", str(place / "out"), "--dry-run"]
    said, complained, start = io.StringIO(), io.StringIO(), time.process_time()
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
            status = study.run(STUDIES[name], argv)
    except Exception as error:
        print(f"{name}: {type(error).__name__}: {error}", file=sys.stderr)
        return [WRONG[0]]
    written = [WRONG[4]] if (place / "out").exists() else []
    lines = tuple(complained.getvalue().splitlines())
    if status == 0:
        return ["used", *written, *([WRONG[3]] if lines or not said.getvalue() else [])]
    wrong = status != 2 or said.getvalue() or not lines or not all(line.startswith("error: ") for line in lines)
    return [*refusal(lines, "", time.process_time() - start), *written, *([WRONG[3]] if wrong else [])]


def sheet(test: Any, place: Path, rows: list[list[str]]) -> Outcome:
    """Of a sheet: it is read."""
    file = place / "sheet.csv"
    with file.open("w", newline="", encoding="utf-8", errors="surrogatepass") as stream:
        csv.writer(stream).writerows(rows)
    return judged(lambda: read_sheet(file, sheet_rules(test)) and None, "sheet.csv")


def kinds(place: Path) -> dict[str, tuple[st.SearchStrategy[Any], Callable[[Any], Outcome]]]:
    """What is spoilt, and what is done with it."""
    asked = {name: spoilt(load_toml(INPUTS / f"{name}.toml")) for name in STUDIES}
    questions = st.one_of(*(st.tuples(st.just(name), content) for name, content in asked.items()))
    options = study.Options(INPUTS / "field_test.toml", place / "out")
    with (INPUTS / "field_test_throws.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    return {
        "department": (spoilt(load_toml(DEPARTMENT)), department),
        "question": (questions, lambda pair: question(pair[0], place, pair[1])),
        "sheet": (spoilt_sheet(rows[:12]), partial(sheet, field_test.load(options), place)),
    }


def counted(examples: int, strategy: st.SearchStrategy[Any], outcome: Callable[[Any], Outcome]) -> Counter[str]:
    """What becomes of so many examples."""
    counts: Counter[str] = Counter()

    @settings(max_examples=examples, database=None, deadline=None, phases=[Phase.generate],
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(strategy)
    def count(content: Any) -> None:
        counts.update(outcome(content))

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        count()
    return counts


def main() -> int:
    """Spoil, count and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=10_000, help="of each kind")
    parser.add_argument("--kinds", nargs="+", choices=("department", "question", "sheet"))
    parser.add_argument("--quick", action="store_true", help="20 examples of each kind")
    options = parser.parse_args()
    total: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as place:
        for kind, (strategy, outcome) in kinds(Path(place)).items():
            if options.kinds and kind not in options.kinds:
                continue
            counts = counted(20 if options.quick else options.examples, strategy, outcome)
            print(f"{kind}: {', '.join(f'{word} {counts[word]:,}' for word in WORDS)}", flush=True)
            total += counts
    return 1 if any(total[word] for word in WRONG) else 0


if __name__ == "__main__":
    sys.exit(run(main))
