"""Texts that people wrote, made harmless where they are printed: control characters, cells that a spreadsheet runs."""

import unicodedata

# Control characters, those that turn the direction of writing, halves of surrogate pairs, and what is no character.
_UNWANTED = {"Cc", "Cs", "Cn"}
_TURNING = frozenset("\u200e\u200f\u061c\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff")
# A spreadsheet takes a cell that starts so for a formula.
_STARTS_FORMULA = ("=", "+", "-", "@")


def clean(text: str) -> str:
    """A text as one line without control characters; every stretch of white space that holds one is a blank.

    Examples
    --------
    >>> clean("ball \\x1b[31mvalve\\r\\nof 2024\\x00")
    'ball [31mvalve of 2024'
    """
    if text.isprintable():  # of a drawing's million characters none needs a look
        return text
    return "".join(_kept(" " if character in "\t\n\v\f\r\u2028\u2029\x85" else character) for character in
                   text.replace("\r\n", "\n"))  # fmt: skip


def clean_lines(text: str) -> str:
    """The same, line by line."""
    return "\n".join(clean(line) for line in text.split("\n"))


def _kept(character: str) -> str:
    return "" if character in _TURNING or unicodedata.category(character) in _UNWANTED else character


def inert(text: str) -> str:
    """A text as a cell that no spreadsheet runs: an apostrophe before what starts like a formula; numbers stay.

    Examples
    --------
    >>> inert("=1+1"), inert("-3.5"), inert("@SUM(A1)"), inert("ball valve")
    ("'=1+1", '-3.5', "'@SUM(A1)", 'ball valve')
    """
    shown = clean(text)
    return f"'{shown}" if shown.lstrip().startswith(_STARTS_FORMULA) and not _is_number(shown) else shown


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
