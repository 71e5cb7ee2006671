"""Broken departments end in lines that name the place, never in anything else; lawful ones in finite numbers."""

import math
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from benchmarks.fuzz import WRONG, counted, kinds
from jetsim.equipment.department import read_department
from jetsim.equipment.setups_table import middle_of
from jetsim.errors import InputError, InputFileError
from jetsim.toml import load_toml
from tests.fuzzing import as_toml, spoilt

DEMO = load_toml(Path(__file__).parents[1] / "studies" / "inputs" / "department.toml")


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(spoilt(DEMO))
def test_a_spoilt_department_is_refused_in_lines_or_read(content):
    try:
        read_department(content, "d.toml")
    except InputError as error:
        lines = error.lines if isinstance(error, InputFileError) else [str(error)]
        for line in lines:
            assert line.startswith("d.toml: ")
            assert "\n" not in line
            assert "«here»" not in line
            assert len(line) < 1000


@pytest.fixture(scope="module")
def spoiled(tmp_path_factory):
    """What is spoilt besides departments, and what is done with it."""
    return kinds(tmp_path_factory.mktemp("spoilt"))


@pytest.mark.parametrize("examples", [24, pytest.param(100, marks=pytest.mark.slow)])
@pytest.mark.parametrize("kind", ["department", "question", "sheet"])
def test_what_is_spoilt_is_refused_in_lines_or_used(spoiled, kind, examples):
    counts = counted(examples, *spoiled[kind])
    assert counts["refused"] > examples / 3
    assert not {*counts} & {*WRONG}


def test_a_file_of_spoilt_content_is_the_content_that_was_spoilt(tmp_path):
    file = tmp_path / "d.toml"
    file.write_text(as_toml(DEMO), encoding="utf-8")
    assert load_toml(file) == DEMO


@pytest.mark.parametrize("name", ["a", "f", "g"])
def test_what_is_read_is_told_in_numbers(name):
    (setup,) = read_department(DEMO).chosen([name])
    assert all(math.isfinite(value) for value in middle_of(setup, None).values())
