"""The two errors that a user of jetsim can cause, each told in one line.

Every room of the house raises these, so they stand below all of them.
"""


class InputError(ValueError):
    """A value that a user gave cannot be used.

    The message is one line that names the field, the value, the allowed range and the unit. Study scripts
    print it as it is and end with exit status 2.
    """


class UnitError(InputError):
    """A text is not a number with a unit of the wanted dimension."""
