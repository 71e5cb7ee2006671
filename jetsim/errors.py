"""The errors that a user of jetsim can cause, each mistake told in one line.

Every room of the house raises these, so they stand below all of them.
"""

import os
from collections.abc import Iterable
from pathlib import Path
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


class WorkerLostError(OSError):
    """A process that worked for this one was killed; what it was not computing stays finished."""


def placed(error: InputError, file: Path) -> InputError:
    """An error that begins with the file it comes from: as it is where it begins with a file or an option already.

    Examples
    --------
    >>> placed(InputError("setups.a: blown back"), Path("mine.toml"))
    InputError('mine.toml: setups.a: blown back')
    >>> placed(InputError("--cluster far: no scheduler answers there"), Path("mine.toml"))
    InputError('--cluster far: no scheduler answers there')
    """
    place = str(error).partition(": ")[0]
    named = isinstance(error, InputFileError) or place.startswith("--") or os.path.isfile(place)
    return error if named else InputError(f"{file}: {error}")
