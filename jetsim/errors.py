"""The errors that a user of jetsim can cause, each mistake told in one line.

Every room of the house raises these, so they stand below all of them.
"""

from collections.abc import Iterable
from typing import Any

_LONGEST = 60


def shown(value: Any) -> str:
    """A raw value as an error shows it: on one line, and not endless."""
    try:
        text = repr(value)
    except ValueError:  # Python refuses to print whole numbers of thousands of digits
        return "a huge number"
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


class InputError(ValueError):
    """A value that a user gave cannot be used.

    The message is one line that names the field, the value, the allowed range and the unit. Study scripts
    print it as it is and end with exit status 2.
    """


class UnitError(InputError):
    """A text is not a number with a unit of the wanted dimension."""


class InputFileError(InputError):
    """Everything found wrong with one file, a line each.

    Attributes
    ----------
    lines : tuple of str
        One line for each mistake.
    """

    def __init__(self, lines: Iterable[str]) -> None:
        self.lines = tuple(lines)
        super().__init__("; ".join(self.lines))
