"""TOML files: what they say, and on which line stands what an error names."""

import re
import tomllib
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from jetsim.errors import InputError

_DEEPEST = 30
_TOO_DEEP = f"tables or lists stand inside each other more than {_DEEPEST} deep"
_ENDLESS = re.compile(r"[0-9_]{4301}")
_CURLY = ("“", "”", "„", "‟", "«", "»", "‘", "’", "‚")
_STRAIGHT = str.maketrans({sign: '"' if sign in "“”„‟«»" else "'" for sign in _CURLY})
# Lines that one value may be spread over.
_LONGEST = 200
_MESSAGE = re.compile(r"(?s)(?P<file>.+?\.toml): (?P<words>.*)")
_UNKNOWN = re.compile(r"unknown key '([^']+)'")
_PLACE = re.compile(r"[\w-]+(?:\.[\w-]+|\[\d+\])*")


def load_toml(path: str | Path) -> dict[str, Any]:
    """Load a TOML file.

    Raises
    ------
    InputError
        As `text_of`; or the file is not TOML (the line is named), or nested beyond any use.
    """
    text = text_of(path)
    try:
        return _parsed(text)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def text_of(path: str | Path) -> str:
    """The text of a TOML file; line ends may be those of any system.

    Raises
    ------
    InputError
        The file is missing, a folder, unreadable, empty or not UTF-8 (the line is named).
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
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(f"{path}: is not UTF-8 text (line {line}): save it with that encoding") from None


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


# --------------------------------------------------------------------------------------------------------
# Lines


def told_with_line(message: str) -> str:
    """An error message that also names the line, where it names a file and a place in it that can be found."""
    found = _MESSAGE.match(message)
    if found is None:
        return message
    try:
        text = text_of(Path(found["file"]))
    except InputError:
        return message
    line = next((line for place in _places(found["words"]) if (line := line_of(text, place))), None)
    return message if line is None else f"{found['file']}, line {line}: {found['words']}"


def _places(words: str) -> Iterator[str]:
    """What may be a place in a message, the likeliest first; then the tables around it, for a key that is missing."""
    unknown = _UNKNOWN.match(words)
    first = re.split(r": | = ", words, maxsplit=1)[0]
    places = [unknown[1]] if unknown else _PLACE.findall(first)
    yield from places
    for place in places[:1]:
        while "." in place:
            place = place.rpartition(".")[0]
            yield place


def line_of(text: str, place: str) -> int | None:
    """The line, from 1, on which a value or a table begins; None where there is no such place, or it cannot be told.

    Parameters
    ----------
    text : str
        Of a TOML file.
    place : str
        Dotted name, as errors give it.
    """
    lines, keys = text.split("\n"), [part for part in re.split(r"[.\[\]]+", place) if part]

    @cache
    def read_up_to(number: int) -> tuple[int, Any]:
        """The most lines, up to a number, that are whole TOML, and what they say."""
        for count in range(number, max(number - _LONGEST, -1), -1):
            try:
                return count, tomllib.loads("\n".join(lines[:count]))
            except (ValueError, RecursionError):
                continue
        raise LookupError

    try:
        number = bisect_left(range(len(lines) + 1), True, key=lambda count: _holds(read_up_to(count)[1], keys))
        if number > len(lines):
            return None
        before = read_up_to(number - 1)[0]
    except LookupError:  # some value is too long to be looked through
        return None
    return next(n for n in range(before + 1, number + 1) if lines[n - 1].split("#")[0].strip())


def _holds(content: Any, keys: list[str]) -> bool:
    """Whether there is a value; names with dots may be written as one key or as tables in tables."""
    if not keys:
        return True
    if isinstance(content, list):
        return keys[0].isdigit() and int(keys[0]) < len(content) and _holds(content[int(keys[0])], keys[1:])
    if not isinstance(content, Mapping):
        return False
    starts = [".".join(keys[:count]) for count in range(1, len(keys) + 1)]
    return any(_holds(content[start], keys[n:]) for n, start in enumerate(starts, 1) if start in content)
