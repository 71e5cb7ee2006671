"""A proposal of what the columns of a sheet mean, for a person to check: by names, units and plausible sizes.

Nothing is read by it: it becomes the table ``[columns]`` of a question only by the hand of whoever has checked it.
"""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from functools import cache
from importlib import import_module

import numpy as np
from numpy.typing import NDArray

from jetsim import units
from jetsim.errors import InputError
from jetsim.experiment.cells import Cell, Decimal, Form, read_number
from jetsim.experiment.sheets import Grid, Raw
from jetsim.throws.columns import (
    BEAUFORT,
    EVERY,
    PLAIN,
    Mapped,
    SheetColumn,
    Source,
    dimension_of,
    mixed_signs,
    units_below,
    words_of,
)
from jetsim.throws.sheet import SheetRules
from jetsim.throws.wind import read_direction, read_wind
from jetsim.toml import without_table

# Other names of the columns, as sheets head them.
_ALSO = {
    "run_order": "no nr number throw run order test # wurf,lfd nr,throw number,run number,throw no,test no",
    "day": "date datum tag session,test day",
    "block": "round set replicate durchgang runde",
    "setup": "set-up nozzle setting equipment configuration tip rig aufbau strahlrohr düse,set up,nozzle used",
    "target_nozzle_pressure": "target solldruck,target pressure,wanted pressure",
    "nozzle_pressure": "np pitot strahlrohrdruck,tip pressure,nozzle gauge,druck strahlrohr,druck am rohr,druck düse,"
    "pressure at nozzle,nozzle psi",
    "pump_pressure": "pdp pump ep pumpendruck ausgangsdruck,engine pressure,discharge pressure,pump discharge pressure,"
    "druck pumpe,pressure at pump",
    "flow": "gpm lpm discharge flowmeter durchfluss volumenstrom wassermenge,flow rate",
    "reaction": "force kickback rückstoss rückstoß reaktionskraft kraft nr,nozzle reaction,"
    "reaction force,scale reading",
    "elevation": "angle winkel neigung,elevation angle,nozzle angle",
    "throw_bearing": "bearing compass heading wurfrichtung,throw direction,direction of throw",
    "wind_speed": "wind windspeed windgeschwindigkeit windstärke,wind velocity,wind force",
    "wind_gust": "gust gusts böen böe,wind gusts,max wind,peak wind",
    "wind_from": "from windrichtung,wind direction,wind dir,direction of wind,wind bearing",
    "breakup_distance": "breakup break-up zerfall aufbruch,break up,breakup point,stream breaks up",
    "last_continuous_water": "continuous,continuous water,last water,solid water,good stream,geschlossener strahl",
    "farthest_drops": "reach distance farthest range furthest wurfweite weite reichweite,max reach,throw distance,"
    "farthest water,furthest drops,maximum reach,total reach,length of throw",
    "observer": "name who beobachter recorder spotter,read by",
    "excluded": "exclude void discard ungültig,bad throw",
    "exclusion_reason": "reason grund,why excluded",
    "notes": "note remarks remark comment comments bemerkung bemerkungen",
}
# What is usual on a drill ground, SI: a unit nobody states is guessed so that readings come nearest.
_USUAL = {"nozzle_pressure": 4.5e5, "target_nozzle_pressure": 4.5e5, "pump_pressure": 1.0e6, "flow": 0.01,
          "reaction": 330.0, "wind_speed": 2.5, "wind_gust": 4.0, "breakup_distance": 4.0,
          "last_continuous_water": 28.0, "farthest_drops": 38.0}  # fmt: skip
_UNITS = ("psi", "bar", "kPa", "gpm", "L/min", "L/s", "ft", "m", "mph", "m/s", "km/h", "kn", "lbf", "N", "deg")
_LEAST = 0.62  # of a match by name
_SHARED = 0.5  # words of a set-up
SHOWN_ROWS = 3


@dataclass(frozen=True, eq=False)
class Proposal:
    """What the columns of a sheet seem to mean.

    Attributes
    ----------
    mapped : Mapped
    header : int
        Row of the header, counted from 0.
    guessed : mapping of column to str
        Columns whose unit no header and no cell states: what it was guessed from.
    unread : list of str
        Headers that seem to mean nothing that is asked for.
    unknown_setups : list of str
        What the sheet calls set-ups that no name comes near.
    """

    mapped: Mapped
    header: int
    guessed: Mapping[str, str] = field(default_factory=dict)
    unread: list[str] = field(default_factory=list)
    unknown_setups: list[str] = field(default_factory=list)


def propose(grid: Grid, rules: SheetRules, worksheet: str | None = None) -> Proposal:
    """Propose what a sheet's columns mean.

    Parameters
    ----------
    grid : Grid
    rules : SheetRules
        Names, labels and targets of the set-ups.
    worksheet : str, optional
        As it was named for the reader.

    Raises
    ------
    InputError
        No row looks like a header.
    """
    scores = {row: _scores(grid, row) for row in grid.candidates}
    best = {row: float(matrix.max(axis=1, initial=0.0).sum()) for row, matrix in scores.items()}
    header = max(best, key=lambda row: best[row], default=0)
    if not best or best[header] == 0:
        raise InputError("no row near its top looks like a header: write what each column holds above the throws")
    texts, below = grid.texts(header), units_below(grid, header)
    first = header + (2 if below else 1)
    names, places = list(EVERY), {}
    pairs = import_module("scipy.optimize").linear_sum_assignment(-scores[header])
    for position, column in zip(*pairs, strict=True):
        if scores[header][position, column] >= _LEAST:
            places[names[column]] = int(position)
    sources, guessed = {}, {}
    for name in sorted(places, key=lambda name: places[name]):
        at = places[name]
        said = words_of(texts[at])[1] or (below[at] if below else None)
        cells = [row[at] for row in grid.rows[first:] if at < len(row) and not row[at].empty]
        unit = None if said or EVERY[name].dimension in PLAIN else _guessed(EVERY[name], cells, rules)
        if unit is not None:
            guessed[name] = f"no unit is stated; in {unit} the readings come nearest to what is usual"
        sources[name] = Source(texts[at], unit)
    if "setup" not in sources and len(rules.targets) == 1:
        sources["setup"] = Source(always=next(iter(rules.targets)))
    called, unknown = _setups(grid, places.get("setup"), first, rules)
    unread = [text for at, text in enumerate(texts) if text and at not in places.values()]
    decimal: Decimal = "," if mixed_signs(grid) else ""
    return Proposal(Mapped(sources, called, worksheet, decimal), header, guessed, unread, unknown)


# --------------------------------------------------------------------------------------------------------
# Names


def _scores(grid: Grid, row: int) -> NDArray[np.float64]:
    """How well each cell of a row heads each column, 0 to 1."""
    found = np.zeros((len(grid.rows[row]), len(EVERY)))
    below = units_below(grid, row)
    for at, text in enumerate(grid.texts(row)):
        if not any(sign.isalpha() or sign == "#" for sign in text) or len(text) > 60:
            continue
        name, unit = words_of(text)
        unit = unit or (below[at] if below else None)
        for k, column in enumerate(EVERY.values()):
            fit = _fits(unit, column)
            found[at, k] = fit * max(_alike(name, column.name), _alike(text, column.name)) if fit else 0.0
    return found


def _fits(unit: str | None, column: SheetColumn) -> float:
    """Whether a header's unit is one of the column; a little less sure where it states none."""
    if column.dimension in PLAIN:
        return 1.0 if unit is None else 0.0
    if unit is None:
        return 0.95
    return 1.0 if dimension_of(unit) == column.dimension else 0.0


@cache
def _alike(header: str, column: str) -> float:
    """Likeness of a header's words to any name of a column."""
    said = _folded(header)
    return max(_likeness(said, name) for name in _names(column))


def _likeness(said: str, name: str) -> float:
    if said == name:
        return 1.0
    inside = 0.9 if len(name) > 3 and set(name.split()) <= set(said.split()) else 0.0
    # Of two names inside a header the longer one means more: "nozzle pressure" against "nozzle".
    return max(inside * (0.9 + 0.1 * len(name) / max(len(said), 1)), 0.9 * SequenceMatcher(None, said, name).ratio())


@cache
def _names(column: str) -> tuple[str, ...]:
    words, *phrases = _ALSO[column].split(",")
    return (column.replace("_", " "), *words.split(), *phrases)


def _folded(text: str) -> str:
    return " ".join(text.replace("_", " ").replace(".", " ").replace(":", " ").casefold().split())


# --------------------------------------------------------------------------------------------------------
# Units


def _guessed(column: SheetColumn, cells: list[Raw], rules: SheetRules) -> str | None:
    """The unit in which bare readings come nearest to what is usual; None where every cell states its own."""
    bare = [value for cell in cells if (value := _bare(cell, column)) is not None]
    if not bare or column.dimension == "angle":
        return None
    usual = _USUAL.get(column.name, 1.0)
    if column.name in ("nozzle_pressure", "target_nozzle_pressure"):
        usual = float(np.median(list(rules.targets.values())))
    middle = float(np.median(bare)) or 1.0
    fitting = [unit for unit in _UNITS if units.unit(unit).dimension == column.dimension]
    return min(fitting, key=lambda unit: abs(np.log(float(units.to_si(middle, unit)) / usual)))


def _bare(cell: Raw, column: SheetColumn) -> float | None:
    """The number of a cell that states no unit."""
    plain = Form("ratio", "1", (-np.inf, np.inf))
    if column.dimension == "speed" and isinstance(read_wind("", cell, Form("speed", None, (0.0, 99.0))), Cell):
        return None
    if column.name == "wind_from" and isinstance(read_direction("", cell, plain), Cell):
        return None
    read = read_number("", cell, plain)
    return read.number if isinstance(read, Cell) else None


# --------------------------------------------------------------------------------------------------------
# Set-ups


def _setups(grid: Grid, at: int | None, first: int, rules: SheetRules) -> tuple[dict[str, str], list[str]]:
    """What the sheet calls a set-up to the name whose label shares most words with it, and what shares none."""
    if at is None:
        return {}, []
    said = dict.fromkeys(row[at].shown for row in grid.rows[first:] if at < len(row))
    known = {name.casefold() for name in (*rules.labels, *rules.targets)}
    found, unknown = {}, []
    for text in said:
        if not text or text.casefold() in known:
            continue
        shares = {name: _shared_words(text, f"{name} {label}") for label, name in rules.labels.items()}
        best = [name for name, share in shares.items() if share == max(shares.values()) and share >= _SHARED]
        if len(best) == 1:
            found[text] = best[0]
        else:
            unknown.append(text)
    return found, unknown


def _shared_words(said: str, label: str) -> float:
    """Share of a text's words that a label has too."""
    words, others = (set(re.findall(r"[^\W_]+(?:/[0-9]+)?", text.casefold())) for text in (said, label))
    return len(words & others) / max(len(words), 1)


# --------------------------------------------------------------------------------------------------------
# The table to paste


def columns_toml(proposal: Proposal) -> str:
    """The proposal as the table ``[columns]`` of a question."""
    mapped = proposal.mapped
    lines = ["[columns] # proposed by field_test.py map: check every line"]
    if mapped.worksheet:
        lines.append(f"worksheet = {_quoted(mapped.worksheet)}")
    if mapped.decimal:
        lines.append(f'decimal = "{"comma" if mapped.decimal == "," else "point"}"')
    lines += [_source_line(name, source, proposal.guessed.get(name)) for name, source in mapped.sources.items()]
    lines += [f"# not read: {text}" for text in proposal.unread]
    if mapped.setups or proposal.unknown_setups:
        lines += ["", "[columns.setups] # what the sheet calls each set-up, and its name in the department file"]
        lines += [f"{_quoted(text)} = {_quoted(name)} # guessed by its words" for text, name in mapped.setups.items()]
        lines += [f"# {_quoted(text)} = which?" for text in proposal.unknown_setups]
    return "\n".join(lines) + "\n"


def _source_line(name: str, source: Source, guessed: str | None) -> str:
    if source.always is not None:
        return f"{name} = {{ always = {_quoted(source.always)} }}"
    if source.unit is None:
        return f"{name} = {_quoted(source.column or '')}"
    note = f" # {guessed}" if guessed else ""
    return f"{name} = {{ column = {_quoted(source.column or '')}, unit = {_quoted(source.unit)} }}{note}"


def _quoted(text: str) -> str:
    """A text as TOML writes it: as JSON does, but for the one control character that JSON lets through."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def with_columns(question: str, table: str) -> str:
    """A question's text with another table ``[columns]``."""
    return f"{without_table(question, 'columns').rstrip()}\n\n{table}"


assert set(_ALSO) == set(EVERY), "every column has names"
assert BEAUFORT not in _UNITS, "a class is never guessed"
