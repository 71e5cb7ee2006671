"""Broken files for fuzzing: a good file with one to three places spoilt, for tests and ``benchmarks/fuzz.py``."""

import copy
import datetime
import math
from typing import Any

from hypothesis import strategies as st

TEXTS = (
    "", " ", "50", "50 psi", "-50 psi", "1e400 psi", "1e-400 in", "nan psi", "50 PSI", "7,0 bar", "1,500 gpm",
    "50 furlong", "1 1/2 in", "1\t1/2 in", "1\u00a01/2 in", "1/0 in", "½ in", "½½ in",
    "15/16", "-0 in", "0 in", "3000 gpm", "\uff11\uff15 in",
    "$x_{$", "\x00", "a\nb", "=1+1", "\u202e50 psi", "grimwood", "bore_15_16", "full ball", "smooth bore", "x" * 5000,
    "100 %", "-1 %", "30 deg", "95 deg", "-300 degF", "1 mm", "250 mm", "12.5 C", "12.5 kPa/(100 L/min)2/100 m",
)  # fmt: skip
NUMBERS = (0, -1, 1, 2, 7, 10**30, -(10**30), 0.5, 0.975, 1.0, 1.5, 1e-300, 1e308, math.inf, -math.inf, math.nan)
OTHERS: tuple[Any, ...] = (
    True, False, [], [[]], {}, {"": 1}, [1, "2"], {"distribution": "normal"}, datetime.date(2020, 1, 1),
    {"distribution": "normal", "mean": 1.0, "sd": 0.0}, {"distribution": "uniform", "low": 0.9, "high": 0.8},
    {"distribution": "uniform", "low": 0.94, "high": 0.97, "Source": "x"},
    {"distribution": "uniform", "low": 0.94, "high": 0.97, "basis": "guess"},
    {"distribution": "uniform", "low": "10 psi", "high": "90 psi"}, {"distribution": "choice", "values": []},
    {"distribution": "lognormal", "median": "1 in", "ln_sd": 0.1}, {"distribution": "named", "name": "plunger"},
)  # fmt: skip


def places(content: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place of a nested file."""
    items = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    return [found for key, value in items for found in [(*path, key), *places(value, (*path, key))]]


@st.composite
def spoilt(draw: st.DrawFn, content: dict[str, Any]) -> dict[str, Any]:
    """A copy of a good file with one to three places spoilt: another value, a lost key or a misspelt one."""
    found = copy.deepcopy(content)
    for _ in range(draw(st.integers(1, 3))):
        *outer, key = draw(st.sampled_from(places(found) or [("study",)]))
        table = found
        for part in outer:
            table = table[part]
        how = draw(st.sampled_from(("value", "value", "value", "lost", "misspelt", "copied")))
        if how == "lost":
            del table[key]
        elif how == "misspelt" and isinstance(table, dict):
            table[f"{key}x"] = table.pop(key)
        elif how == "copied" and isinstance(table, dict):
            table[f"{key}_2"] = copy.deepcopy(table[key])
        else:
            value = draw(st.one_of(*map(st.sampled_from, (TEXTS, NUMBERS, OTHERS)), st.text()))
            table[key] = copy.deepcopy(value)  # what spoils a file may be spoilt itself
    return found


def as_toml(content: dict[str, Any]) -> str:
    """A file of the content, each entry of the top on a line of its own."""
    return "".join(f"{_key(key)} = {_value(value)}\n" for key, value in content.items())


def _key(key: Any) -> str:
    return _value(str(key))


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(key)} = {_value(part)}" for key, part in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(c):08x}" if ord(c) < 32 or c in '"\\\x7f' else c for c in value) + '"'
    return value.isoformat() if isinstance(value, datetime.date) else repr(value)


CELLS = (
    "", " ", "a", "A", "yes", "no", "maybe", "0", "-1", "1e999", "nan", "1.0", "01", "1,5", "7 psi", "=1+1", "12;13",
    "360", "361", "-0", "1" * 400, "\u00bd", "\uff11", "\x00", "a\nb", "'", "1e-300", "2024-05-01", "unknown set-up",
)  # fmt: skip


@st.composite
def spoilt_sheet(draw: st.DrawFn, rows: list[list[str]]) -> list[list[str]]:
    """A copy of a good sheet with one to four cells, headers, rows or columns spoilt."""
    found = [list(row) for row in rows]
    for _ in range(draw(st.integers(1, 4))):
        how = draw(
            st.sampled_from(("cell", "cell", "cell", "header", "lost row", "doubled row", "column", "short row"))
        )
        at = draw(st.integers(1, len(found) - 1)) if len(found) > 1 else 0
        column = draw(st.integers(0, max(len(found[0]) - 1, 0)))
        cell = draw(st.one_of(st.sampled_from(CELLS), st.text(max_size=8)))
        if how == "lost row" and len(found) > 1:
            del found[at]
        elif how == "doubled row":
            found.append(list(found[at]))
        elif how == "column":
            found = [row[:column] + row[column + 1 :] for row in found]
        elif how == "short row":
            found[at] = found[at][:column]
        else:
            row = found[0] if how == "header" else found[at]
            row[column : column + 1] = [cell]
    return found
