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
