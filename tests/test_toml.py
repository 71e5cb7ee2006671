"""Study files as people save them: quotes, line ends, endless numbers, tables without end."""

import re

import pytest

from jetsim.errors import InputError
from jetsim.experiment.tables import Table, read_measure
from jetsim.toml import load_toml


def load(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_bytes(text.encode("utf-8"))
    return load_toml(path)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends_of_every_system(tmp_path, end):
    text = end.join(["# a comment", "[fixed]", 'tip_diameter = "1 in"', "seed = 3", ""])
    assert load(tmp_path, text) == {"fixed": {"tip_diameter": "1 in", "seed": 3}}


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_the_line_of_a_mistake_is_named_with_every_line_end(tmp_path, end):
    with pytest.raises(InputError, match="line 3"):
        load(tmp_path, end.join(["a = 1", "b = 2", "c = ", "d = 4"]))


@pytest.mark.parametrize(
    "line",
    ["title = “mine”", 'title = "mine”', "title = “mine\"", "title = ‘mine’", "“title” = 1", "title = „mine“",
     'a = { low = "1 psi", high = “2 psi” }', "title = “a “nice” fire”"],
)  # fmt: skip
def test_curly_quotes_are_named_as_such(tmp_path, line):
    with pytest.raises(InputError, match=r"mine\.toml: curly quotes at line 2: write straight ones$"):
        load(tmp_path, f"seed = 3\n{line}\nother = “x”\n")


def test_curly_quotes_at_the_end_of_the_file(tmp_path):
    with pytest.raises(InputError, match="curly quotes at line 1"):
        load(tmp_path, 'title = "mine”')


@pytest.mark.parametrize("line", ["low = 45 psi # the crew’s gauge", 'label = "crew’s" x', 'label = "crew’s', "= “"])
def test_other_mistakes_beside_curly_quotes_are_not_laid_on_them(tmp_path, line):
    with pytest.raises(InputError, match=r"is not valid TOML.*line 1"):
        load(tmp_path, f"{line}\nseed = 3\n")


def test_curly_quotes_inside_a_text_are_text(tmp_path):
    assert load(tmp_path, 'label = "crew’s “own” line"') == {"label": "crew’s “own” line"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a = 1\nb = " + "9" * 5000, "the number at line 2 is too large"),
        ("a = " + "[" * 1000 + "]" * 1000, "more than 30 deep"),
        ("a = " + "[" * 100000, "more than 30 deep"),
        ("a = " + "{ a = " * 1000 + "1" + " }" * 1000, "more than 30 deep"),
        ("[" + ".".join("a" * 1000) + "]\nb = 1", "more than 30 deep"),
        (".".join("a" * 1000) + " = 1", "more than 30 deep"),
    ],
    ids=["number", "lists", "open lists", "inline tables", "header", "dotted key"],
)
def test_monsters_are_refused_in_one_line(tmp_path, text, words):
    with pytest.raises(InputError, match=words) as caught:
        load(tmp_path, text)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize("dimension", ["ratio", "length"])
def test_a_huge_number_in_another_base_is_refused_with_its_place(tmp_path, dimension):
    table = Table("", load(tmp_path, "a = 0x" + "f" * 5000))
    with pytest.raises(InputError, match=r"^a = a huge number: "):
        table.measure("a", dimension)


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        ("1,500 gpm", "a.b = '1,500 gpm': may mean 1500 or 1.500; write one of these"),
        ("50 gmp", "a.b = '50 gmp': unknown unit 'gmp' (did you mean gpm?); "
                   "give a number with a unit of flow (m3/s, L/min, L/s, gpm)"),
        ("50 psi", "a.b = '50 psi': is a pressure: give a number with a unit of flow (m3/s, L/min, L/s, gpm)"),
        (50, "a.b = 50: has no unit: give a number with a unit of flow (m3/s, L/min, L/s, gpm)"),
    ],
)  # fmt: skip
def test_errors_name_field_value_remedy_and_nearest_unit(raw, line):
    with pytest.raises(InputError, match=f"^{re.escape(line)}$"):
        read_measure("a.b", raw, "flow")
