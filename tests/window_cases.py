"""A small question of the study of a target, and the department that it is asked of."""

import copy
from pathlib import Path

from jetsim.equipment.department import load_department
from jetsim.equipment.questions import Asked
from jetsim.equipment.reading import read_model
from jetsim.window.question import WindowQuestion

INPUTS = Path(__file__).parents[1] / "studies" / "inputs"
DEMO = INPUTS / "department.toml"
CONTENT = {
    "study": "reach_a_target", "title": "t", "seed": 1, "base_samples": 4,
    "target": {
        "stand_off": "50 ft", "storey": 2, "sill": "3 ft", "height": "4 ft", "width": "3 ft",
        "storey_height": "10 ft", "flow": "100 gpm", "probability": 0.8,
    },
    "search": {"pressures_about_target": ["10 psi", "-10 psi"], "elevations": ["10 deg", "70 deg"]},
    "map": {"stand_offs": ["30 ft", "90 ft"], "storeys": [1, 3]},
}  # fmt: skip


def content(**changes):
    """The question's tables, with changes such as ``target__flow``; a value of None leaves a key out."""
    tables = copy.deepcopy(CONTENT)
    for place, value in changes.items():
        *tables_, key = place.split("__")
        table = tables
        for name in tables_:
            table = table.setdefault(name, {})
        table[key] = value
    return tables


def question(**changes):
    """The question as it is read."""
    return read_model(content(**changes), WindowQuestion, "street.toml")


def asked(*names, department=DEMO, **changes):
    """The question, asked of set-ups of a department (the demo's by default)."""
    owner = load_department(department)
    return Asked(question(**changes), owner, owner.chosen(names or None), None, Path("street.toml"))
