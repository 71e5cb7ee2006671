"""The demo's teaching page, read from itself in a headless browser, against the model.

Run ``python benchmarks/teaching_page.py``; it needs Chromium, and its driver of the extra ``test``. At random settings
of all controls the numbers that the page shows are held against the model's own: the largest departure of each result,
in the middle and at the ends of nine in ten. Effective reach is judged where the page tells it.
"""

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from playwright.sync_api import sync_playwright

from benchmarks.command import run
from benchmarks.page_reading import chromium, departures_on
from jetsim.equipment.questions import load_question
from jetsim.errors import InputError
from jetsim.teaching import lesson
from jetsim.teaching.accuracy import random_settings
from jetsim.teaching.question import TeachingQuestion
from studies.teaching_page import STUDY


def main() -> int:
    """Build the page, move it, and print how far its numbers are from the model."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--settings", type=int, default=200, help="settings in all (default: 200)")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    found = chromium()
    if found is None:
        raise InputError("no Chromium on this machine to open the page in")
    asked = load_question(STUDY.default_inputs, TeachingQuestion)
    taught = lesson.prepared(asked)
    each = -(-options.settings // len(taught.rigs))
    parts = []
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        path = Path(folder) / "teaching_page.html"
        path.write_text(lesson.page(asked, taught, "us", STUDY.default_inputs, STUDY.script), encoding="utf-8")
        browser = play.chromium.launch(executable_path=found, args=["--no-sandbox"])
        page = browser.new_page()
        page.goto(path.as_uri())
        for number, (rig, tables) in enumerate(zip(taught.rigs, taught.tables, strict=True)):
            page.select_option("#first", str(number))
            settings = random_settings(rig, tables, np.random.default_rng([options.seed, number]), each)
            parts.append((rig.setup.label, departures_on(page, rig, settings)))
        browser.close()
    print(f"{each * len(parts)} settings; largest departures from the model: middle, ends; settings beyond 1 % and 3 %")
    for label, found_here in parts:
        print(label)
        for name, rows in found_here.items():
            told = np.abs(rows[np.isfinite(rows).all(axis=1)])
            middle, ends = told[:, 0], told[:, 1:].max(axis=1)
            print(f"  {name:<24} {100 * middle.max():5.2f} % {100 * ends.max():5.2f} %   {(middle > 0.01).sum():2d} "
                  f"{(ends > 0.03).sum():2d} of {len(told)}")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(run(main))
