"""Reading of a study file's tables: every value is checked where it is taken, and every error names its place."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from jetsim import units
from jetsim.errors import InputError, shown
from jetsim.quantities import check_range, did_you_mean, quantity


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
