"""A small teaching page: few draws, narrow controls, a tip, a ring, and a nozzle without a line."""

import copy
from functools import cache
from pathlib import Path

from jetsim.equipment.department import read_department
from jetsim.equipment.questions import Asked
from jetsim.teaching import lesson
from jetsim.teaching.question import TeachingQuestion
from jetsim.toml import load_toml
from studies.teaching_page import STUDY

FILE = STUDY.default_inputs
SCRIPT = Path(STUDY.script)
DEMO = FILE.with_name("department.toml")
QUESTION = {
    "study": "teaching_page", "title": "Move the pump <b>&</b> see", "seed": 3, "base_samples": 16,
    "elevation": ["20 deg", "41 deg"], "wind_along": ["-5 mph", "5 mph"], "lengths": ["100 ft", "300 ft"],
    "floors": [-1, 4], "least_nozzle_pressure": "30 psi",
}  # fmt: skip


def without_line(content):
    """Set-up A without its line, as Z."""
    bare = dict(content["setups"]["a"], label="Z: tip </script><i> alone")
    del bare["line"]
    content["setups"]["z"] = bare


def weak_pump(content):
    """And a pump that a longer line asks too much of."""
    without_line(content)
    content["pumps"]["engine"]["maximum_pressure"] = "160 psi"


@cache
def taught():
    """The small page's question, and all that it teaches; a process computes it once."""
    given = asked(["a", "f", "z"], weak_pump)
    return given, lesson.prepared(given)


def asked(names, change=without_line, **question):
    """The question asked of a changed demo department."""
    content = copy.deepcopy(load_toml(DEMO))
    change(content)
    owner = read_department(content, path=DEMO)
    return Asked(TeachingQuestion.model_validate(QUESTION | question), owner, owner.chosen(names), None, FILE)
