"""What a calibrated test taught: words, figures, tables, and study files for the other studies."""

import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from jetsim.equipment.department import LEARNT
from jetsim.equipment.learnt import BELIEVED, HALF, MEASURED, write_draws
from jetsim.equipment.spaces import FACTOR, UPSTREAM, own_key
from jetsim.experiment.calibration import Learnt
from jetsim.throws import model
from jetsim.throws.learning import Learning
from jetsim.throws.question import DAY, DEPARTURE, SPREAD, FieldTest
from jetsim.toml import without_table

Array = NDArray[np.float64]

KEPT_DRAWS = 4096
POSTERIOR = "posterior.nc"
STANDING = {"learnt": MEASURED, "partly learnt": HALF, "not learnt": BELIEVED}
MODEL_SOURCE = "a field test whose throws were made by this very model"


# --------------------------------------------------------------------------------------------------------
# The department with what was learnt


def department_files(test: FieldTest, learning: Learning) -> tuple[str, bytes]:
    """The department's file as its owner wrote it, with what was learnt behind it; and the file of joint draws."""
    department = test.asked.department
    assert department.path is not None
    draws, standing = taught(test, learning)
    source = MODEL_SOURCE if learning.made_by_model else "the field test of this department"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / POSTERIOR
        digest = write_draws(path, draws, standing, department, source)
        data = path.read_bytes()
    text = without_table(department.path.read_bytes().decode("utf-8-sig"), LEARNT)
    table = f'[{LEARNT}] # made by field_test.py calibrate\nposterior = "{POSTERIOR}"\nhash = "{digest}"\n'
    return f"{text.rstrip()}\n\n{table}", data


def taught(test: FieldTest, learning: Learning) -> tuple[dict[str, Array], dict[str, str]]:
    """Joint draws for other studies, and the standing of each.

    A set-up that was thrown has its shutoff's factor with its own departure; the shutoff's own entry stands for a
    set-up that was not thrown, so it departs afresh in every draw.
    """
    rng = np.random.default_rng(test.seed)
    size = len(learning.values[model.GAUGE])
    rows = rng.choice(size, min(size, KEPT_DRAWS), replace=False)
    after = {key: column[rows] for key, column in learning.values.items()}
    before = model.drawn(test, KEPT_DRAWS, test.seed)
    gone = {one.name: one.contraction for one in learning.learnt}
    fresh = [rng.standard_normal(len(values[model.GAUGE])) for values in (after, before)]
    draws: dict[str, Array] = {}
    for key, column in after.items():
        name = key.partition("[")[0]
        if name in (DEPARTURE, DAY):
            continue
        draws[key] = column
        if name in (FACTOR, UPSTREAM) and SPREAD in after:
            ends = [v[key] * np.exp(v[SPREAD] * z) for v, z in zip((after, before), fresh, strict=True)]
            draws[key], gone[key] = ends[0], narrowed(*ends)
    for setup in test.setups:
        if DEPARTURE not in test.inputs[setup.name].owners:
            continue
        (name,) = {FACTOR, UPSTREAM} & {p.name for p in test.inputs[setup.name].parameters}
        ends = [model.inputs_at(test, setup, values)[name] for values in (after, before)]
        key = own_key(name, setup.name)
        draws[key], gone[key] = ends[0], narrowed(*ends)
    return draws, {key: STANDING[Learnt(key, gone[key]).words] for key in draws}


def narrowed(after: Array, before: Array) -> float:
    """Share of the variance of the logarithm that is gone."""
    return 1 - float(np.var(np.log(after)) / np.var(np.log(before)))
