"""Errors about a TOML file name the line that is to be mended."""

import re
from pathlib import Path

import pytest

from jetsim.equipment.department import read_department
from jetsim.errors import InputError, InputFileError
from jetsim.toml import line_of, load_toml, told_with_line

DEMO = (Path(__file__).parents[1] / "studies" / "inputs" / "department.toml").read_text(encoding="utf-8")

TEXT = """\
title = "mine" # title
[vary]
# elevation
elevation = { low = 3, high = 4 }
supply.nozzle_pressure_error = { low = 1 }
"flight_constants.drop_ratio" = { low = 1 }

outputs = [
    "flow_rate",
    "reach",
]
[[crews]]
size = 2
[[crews]]
size = 3
"""


@pytest.mark.parametrize(
    ("place", "line"),
    [
        ("title", 1), ("vary", 2), ("vary.elevation.high", 4), ("vary.supply.nozzle_pressure_error.low", 5),
        ("vary.supply", 5), ("vary.flight_constants.drop_ratio.low", 6), ("vary.outputs", 8), ("vary.outputs[1]", 8),
        ("crews[0].size", 13), ("crews[1].size", 15), ("crews[2].size", None), ("elevation", None),
    ],
)  # fmt: skip
def test_a_place_is_found_where_it_begins(place, line):
    assert line_of(TEXT, place) == line


def test_a_line_that_cannot_be_told_is_not_guessed():
    endless = "first = 1\nlong = [\n" + "1,\n" * 700 + "]\nlast = 2\n"
    assert line_of(endless, "long") in (None, 2)
    assert line_of(endless, "last") in (None, 704)
    short = endless.replace("1,\n" * 700, "1,\n" * 100)
    assert [line_of(short, name) for name in ("first", "long", "last", "none")] == [1, 2, 104, None]


def mistakes():
    """Each line of the demo with a unit, with a unit that does not exist."""
    for number, line in enumerate(DEMO.split("\n"), 1):
        said = line.partition(" #")[0]
        spoilt = re.sub(r'"[\d/ .-]+ (?:psi|ft|gpm|in|lbf|C|deg)"', '"12 furlong"', said)
        if spoilt != said and not line.startswith("#"):
            lines = DEMO.split("\n")
            yield number, "\n".join([*lines[: number - 1], spoilt, *lines[number:]])


def test_every_wrong_unit_of_the_demo_is_found_on_its_line(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    file, tried = Path("d.toml"), list(mistakes())
    assert len(tried) > 20
    for number, text in tried:
        file.write_text(text, encoding="utf-8")
        with pytest.raises(InputError) as refused:
            read_department(load_toml(file), "d.toml")
        lines = refused.value.lines if isinstance(refused.value, InputFileError) else [str(refused.value)]
        assert told_with_line(lines[0]).startswith(f"d.toml, line {number}: ")


@pytest.mark.parametrize(
    ("message", "told"),
    [
        ("m.toml: unknown key 'vary.elevation.low'; did you mean 'lo'?", "m.toml, line 4: unknown key"),
        ("m.toml: vary.elevation.mode is missing", "m.toml, line 4: vary.elevation.mode is missing"),
        ("m.toml: target of vary.elevation = 3: no", "m.toml, line 4: target of"),
        ("m.toml: parameters is missing", "m.toml: parameters is missing"),
        ("gone.toml: title = 3: is no text", "gone.toml: title"),
        ("--setups: title", "--setups: title"),
        ("throws.csv: row 3: title", "throws.csv: row 3"),
    ],
)
def test_a_message_names_the_line_if_there_is_one(tmp_path, monkeypatch, message, told):
    monkeypatch.chdir(tmp_path)
    Path("m.toml").write_bytes(TEXT.replace("\n", "\r\n").encode())
    assert told_with_line(message).startswith(told)
