"""How wide the columns of a table want to be, on paper and on a page that is printed."""

from collections.abc import Sequence
from math import ceil, sqrt

from jetsim.quantities import UnitSystem
from jetsim.report.style import PAGE
from jetsim.report.tables import ShownColumn, Table

_CHARACTER = 0.068  # inch, mean width of a character in a table
_BOLD = 1.25  # width of a bold character against a plain one
_PADDING = 0.16  # inch, a cell's left and right padding
_NARROWEST, _WIDEST_TEXT, _LONGEST_LINE = 0.5, 1.0, 3.5  # inch


def headings(columns: Sequence[ShownColumn]) -> list[str]:
    """Headings with their units; a second unit repeats the heading of its column, for parts may be split there."""
    headings: list[str] = []
    last = ""
    for column in columns:
        last = column.heading or last
        headings.append(f"{last} [{column.unit}]" if column.unit else last)
    return headings


def width(heading: str, cells: Sequence[str], numeric: bool) -> float:
    """Width that a column wants, inches: a number on one line, a text on as many as it needs."""
    bold = max((ceil(_BOLD * len(word)) for word in heading.split()), default=1)
    longest_word = max((len(word) for text in cells for word in text.split()), default=1)
    longest_word = max(longest_word, bold)
    longest = max((len(text) for text in cells), default=1)
    wanted = max(longest_word, longest) if numeric else max(longest_word, min(longest, _WIDEST_TEXT / _CHARACTER))
    return max(_NARROWEST, min(wanted * _CHARACTER, PAGE) + _PADDING)


def of_table(table: Table, system: UnitSystem) -> float:
    """Width that a table of the report wants, with its numbers in both systems, inches."""
    columns = table.headings(system)
    cells = list(zip(*table.rows(system), strict=True)) or [()] * len(columns)
    return sum(map(width, headings(columns), cells, (column.numeric for column in columns)))


def line(cells: Sequence[str]) -> float:
    """Width that texts of a column want to stand on one line, inches: the longest, or a typical one of long texts."""
    lengths = [len(text) for text in cells] or [1]
    typical = sqrt(sum(length * length for length in lengths) / len(lengths))  # long texts count for more
    inches = _CHARACTER * _BOLD
    return min(inches * max(lengths), max(inches * typical, _LONGEST_LINE)) + _PADDING


def parts(widths: Sequence[float], room: float, opening: int = 1) -> list[list[int]]:
    """Columns of each part of a table that has `room`, parts of about one width; the first columns open each.

    Examples
    --------
    >>> parts([1, 1, 1], 3), parts([1, 1, 1, 1, 1], 3)
    ([[0, 1, 2]], [[0, 1, 2], [0, 3, 4]])
    """
    if sum(widths) <= room:
        return [list(range(len(widths)))]
    first = list(range(opening))
    free = max(room - sum(widths[:opening]), max(widths[opening:]))
    count = ceil(sum(widths[opening:]) / free)
    share = sum(widths[opening:]) / count
    parts: list[list[int]] = []
    for number in range(opening, len(widths)):
        taken = sum(widths[n] for n in parts[-1][opening:]) if parts else 0.0
        full = len(parts) < count and taken + widths[number] / 2 > share
        if not parts or full or taken + widths[number] > free:
            parts.append(first.copy())
        parts[-1].append(number)
    return parts


def stretched(widths: Sequence[float], lines: Sequence[float], room: float) -> list[float]:
    """Widths that fill the room: long texts first, by what they lack to stand on one line; then all, by half at most.

    Examples
    --------
    >>> stretched([1.0, 1.0], [1.0, 4.0], 3.0), stretched([1.0, 1.0], [1.0, 1.0], 4.0)
    ([1.0, 2.0], [1.5, 1.5])
    """
    lacks = [max(0.0, line - width) for width, line in zip(widths, lines, strict=True)]
    given = min(1.0, max(0.0, room - sum(widths)) / (sum(lacks) or 1.0))
    grown = [width + given * lack for width, lack in zip(widths, lacks, strict=True)]
    return [width * min(room / sum(grown), 1.5) for width in grown]
