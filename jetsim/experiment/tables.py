"""Reading of a study file's tables: every value is checked where it is taken, and every error names its place."""

import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jetsim import units
from jetsim.errors import InputError, shown
from jetsim.quantities import check_range, did_you_mean, quantity

_DEEPEST = 30
_TOO_DEEP = f"tables or lists stand inside each other more than {_DEEPEST} deep"
_ENDLESS = re.compile(r"[0-9_]{4301}")
_CURLY = ("“", "”", "„", "‟", "«", "»", "‘", "’", "‚")
_STRAIGHT = str.maketrans({sign: '"' if sign in "“”„‟«»" else "'" for sign in _CURLY})


@dataclass(frozen=True)
class Table:
    """One table of a study file.

    Attributes
    ----------
    path : str
        Dotted name of the table, for example ``parameters.nozzle_pressure``; empty at the top.
    content : mapping
        Its keys and raw values.
    """

    path: str
    content: Mapping[str, Any]

    def place(self, key: str) -> str:
        """Dotted name of a key."""
        return f"{self.path}.{key}" if self.path else key

    def refuse(self, key: str, problem: str) -> InputError:
        """An error that names the key, its value and the problem."""
        return InputError(f"{self.place(key)} = {shown(self.content[key])}: {problem}")

    def __contains__(self, key: str) -> bool:
        return key in self.content

    def only(self, known: Iterable[str]) -> None:
        """Refuse keys that are not known, naming the nearest known one."""
        known = list(known)
        for key in self.content:
            if key not in known:
                raise InputError(f"unknown key {self.place(key)!r}{did_you_mean(key, known)}")

    def get(self, key: str) -> Any:
        """A raw value that must be there."""
        if key not in self.content:
            raise InputError(f"{self.place(key)} is missing")
        return self.content[key]

    def text(self, key: str, default: str | None = None) -> str:
        """A text that is not blank."""
        if key not in self.content and default is not None:
            return default
        value = self.get(key)
        if not isinstance(value, str):
            raise self.refuse(key, "must be a text in quotes")
        if not value.strip():
            raise self.refuse(key, "must not be empty")
        return value.strip()

    def option(self, key: str, options: Sequence[str], default: str | None = None) -> str:
        """A text that is one of `options`."""
        value = self.text(key, default)
        if value not in options:
            raise self.refuse(key, f"must be one of {', '.join(options)}{_nearest(value, options)}")
        return value

    def integer(self, key: str, low: int, high: int, default: int | None = None) -> int:
        """A whole number from `low` to `high`."""
        if key not in self.content and default is not None:
            return default
        value = self.get(key)
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.refuse(key, f"must be a whole number from {low} to {high}")
        if not low <= value <= high:
            raise self.refuse(key, f"allowed is {low} to {high}")
        return value

    def sequence(self, key: str) -> list[Any]:
        """A list that is not empty."""
        value = self.get(key)
        if not isinstance(value, list):
            raise self.refuse(key, "must be a list in square brackets")
        if not value:
            raise self.refuse(key, "must not be empty")
        return value

    def table(self, key: str) -> "Table":
        """A table inside this one."""
        value = self.get(key)
        if not isinstance(value, Mapping):
            raise self.refuse(key, f"must be a table, [{self.place(key)}]")
        return Table(self.place(key), value)

    def tables(self, key: str) -> list["Table"]:
        """All tables inside the table `key`; none where that is missing."""
        if key not in self.content:
            return []
        outer = self.table(key)
        return [outer.table(name) for name in outer.content]

    def measure(self, key: str, dimension: str) -> "Measure":
        """A number with its unit."""
        return read_measure(self.place(key), self.get(key), dimension)

    def number(self, key: str) -> float:
        """A plain number or a percentage."""
        return self.measure(key, "ratio").si


def _nearest(value: str, options: Sequence[str]) -> str:
    hint = did_you_mean(value, options)
    return hint if hint.startswith("; did you mean") else ""


@dataclass(frozen=True)
class Measure:
    """A number as it was written: its place in the file, the raw value, the number, and the unit."""

    place: str
    raw: Any
    number: float
    unit: str

    @property
    def si(self) -> float:
        """The value in SI."""
        return float(units.to_si(self.number, self.unit))

    @property
    def interval(self) -> float:
        """The value in SI, read as a difference (a standard deviation, say)."""
        return float(units.interval_to_si(self.number, self.unit))

    def check(self, name: str) -> float:
        """The SI value, refused outside the allowed range of quantity `name`."""
        check_range(name, self.si, self.unit, field=self.place)
        return self.si


def read_measure(place: str, raw: Any, dimension: str) -> Measure:
    """Read a number with a unit, naming `place` in every error."""
    try:
        number, label = units.split_quantity(raw, dimension)
    except InputError as error:
        raise InputError(f"{place} = {error}") from None
    return Measure(place, raw, number, label)


def read_field(place: str, raw: Any, name: str) -> float | str:
    """Read the value of a quantity: a text for a name, else a number with a unit in its allowed range."""
    q = quantity(name)
    if q.dimension != "name":
        return read_measure(place, raw, q.dimension).check(name)
    if not isinstance(raw, str) or not raw.strip():
        raise InputError(f"{place} = {shown(raw)}: must be a name in quotes")
    return raw.strip()


def load_toml(path: str | Path) -> dict[str, Any]:
    """Load a TOML file; line ends may be those of any system.

    Raises
    ------
    InputError
        The file is missing, a folder, unreadable, empty, not UTF-8 or not TOML (the line is named), or nested beyond
        any use.
    """
    try:
        data = Path(path).read_bytes().replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder, not a study file") from None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or error})") from None
    if not data.strip():
        raise InputError(f"{path}: is empty")
    try:
        return _parsed(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(f"{path}: is not UTF-8 text (line {line}): save it with that encoding") from None
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def without_table(text: str, name: str) -> str:
    """The text of a TOML file without one table and those inside it; all other lines stay as they were written.

    Examples
    --------
    >>> without_table("a = 1\\n[b] # old\\nc = 2\\n[b.d]\\n[e]\\n", "b")
    'a = 1\\n[e]\\n'
    """
    kept, inside = [], False
    for line in text.splitlines():
        head = line.split("#")[0].strip().replace(" ", "")
        if head.startswith("["):
            inside = head == f"[{name}]" or head.startswith(f"[{name}.")
        if not inside:
            kept.append(line)
    return "\n".join(kept) + "\n"


def _parsed(text: str) -> dict[str, Any]:
    try:
        content = tomllib.loads(text)
    except RecursionError:
        raise InputError(_TOO_DEEP) from None
    except tomllib.TOMLDecodeError as error:
        if (line := _curly_line(text, error)) is not None:
            raise InputError(f"curly quotes at line {line}: write straight ones") from None
        raise InputError(f"is not valid TOML: {_one_line(error)}") from None
    except ValueError as error:  # Python refuses to read whole numbers of thousands of digits
        line = next((n for n, row in enumerate(text.split("\n"), 1) if _ENDLESS.search(row)), None)
        if line is None:
            raise InputError(f"is not valid TOML: {_one_line(error)}") from None
        raise InputError(f"the number at line {line} is too large: it has thousands of digits") from None
    if _depth(content) > _DEEPEST:
        raise InputError(_TOO_DEEP)
    return content


def _depth(content: Any) -> int:
    """How many tables and lists stand inside each other."""
    depth, level = 0, [content]
    while level := [item for item in level if isinstance(item, (dict, list))]:
        depth += 1
        level = [inner for item in level for inner in (item.values() if isinstance(item, dict) else item)]
    return depth


def _curly_line(text: str, error: Exception) -> int | None:
    """The line that a word processor's quotes spoil: there the error points at one, or straight ones move it away."""
    lines = text.split("\n")
    line, column = _position(error, lines)
    if lines[line - 1][column - 1 : column] in _CURLY:
        return line
    lines[line - 1] = lines[line - 1].translate(_STRAIGHT)
    try:
        tomllib.loads("\n".join(lines))
    except (ValueError, RecursionError) as after:
        return line if _position(after, lines)[0] > line else None
    return line


def _position(error: Exception, lines: Sequence[str]) -> tuple[int, int]:
    """Line and column of a TOML error; the end of the last line that says anything where it names none."""
    found = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
    if found:
        return int(found[1]), int(found[2])
    last = max((n for n, line in enumerate(lines, 1) if line.strip()), default=1)
    return last, len(lines[last - 1]) + 1


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())
