"""Examples in the package's docstrings are what they show."""

import doctest
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SHOWN = [path for path in sorted((ROOT / "jetsim").rglob("*.py")) if ">>> " in path.read_text(encoding="utf-8")]


@pytest.mark.parametrize("path", SHOWN, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_examples_of_a_module(path):
    parts = path.relative_to(ROOT).with_suffix("").parts
    done = doctest.testmod(import_module(".".join(part for part in parts if part != "__init__")))
    assert done.attempted > 0
    assert done.failed == 0
