"""The table ``[columns]`` of a field test's question: where another sheet than ours keeps what."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from jetsim.equipment.reading import Name, Part, Text
from jetsim.errors import InputError
from jetsim.experiment.cells import Decimal
from jetsim.throws.columns import EVERY, Mapped, Source

SIGNS: dict[str | None, Decimal] = {None: "", "point": ".", "comma": ","}
_OWN = ("worksheet", "decimal", "setups")


class ColumnEntry(Part):
    """A column: its header with the unit of bare numbers, or what always holds."""

    column: Text | None = None
    unit: Text | None = None
    always: Text | None = None

    @model_validator(mode="after")
    def _one_place(self) -> "ColumnEntry":
        if (self.column is None) == (self.always is None):
            raise InputError("give either column, a header of the sheet, or always, what holds for every throw")
        if self.always is not None and self.unit is not None:
            raise InputError(f"unit = {self.unit!r}: always states its own unit, as in always = '50 psi'")
        return self


def _short(value: Any) -> Any:
    """A header alone stands for the table that names it."""
    return {"column": value} if isinstance(value, str) else value


Where = Annotated[
    ColumnEntry | None,
    BeforeValidator(_short),
    WithJsonSchema({"anyOf": [{"type": "string"}, ColumnEntry.model_json_schema()]}),
]


class ColumnsEntry(Part):
    """Columns of a sheet, by the names of a run sheet of ours.

    Attributes
    ----------
    worksheet : str or None
        Of a workbook.
    decimal : {"point", "comma"} or None
        The sheet's sign of decimals; a number that may mean two is refused where it is not stated.
    setups : dict of str to str
        What the sheet calls a set-up to its name.
    """

    worksheet: Text | None = None
    decimal: Literal["point", "comma"] | None = None
    setups: Annotated[dict[Text, Name], Field(default_factory=dict)]
    run_order: Where = None
    day: Where = None
    block: Where = None
    setup: Where = None
    target_nozzle_pressure: Where = None
    nozzle_pressure: Where = None
    pump_pressure: Where = None
    flow: Where = None
    reaction: Where = None
    elevation: Where = None
    throw_bearing: Where = None
    wind_speed: Where = None
    wind_gust: Where = None
    wind_from: Where = None
    breakup_distance: Where = None
    last_continuous_water: Where = None
    farthest_drops: Where = None
    observer: Where = None
    excluded: Where = None
    exclusion_reason: Where = None
    notes: Where = None

    def mapped(self) -> Mapped:
        """The table as the sheet's reader takes it."""
        entries = {name: getattr(self, name) for name in EVERY}
        sources = {n: Source(e.column, e.unit, e.always) for n, e in entries.items() if e is not None}
        return Mapped(sources, self.setups, self.worksheet, SIGNS[self.decimal])


assert {*ColumnsEntry.model_fields} == {*EVERY, *_OWN}, "every column of a sheet can be mapped"
