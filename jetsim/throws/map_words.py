"""What a sheet was understood to say, in words: its columns, and its first rows with their units."""

from dataclasses import dataclass

import numpy as np

from jetsim.experiment.cells import Cell
from jetsim.experiment.sheets import Grid
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.card import NOT_APPLICABLE
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.tables import Column, Table
from jetsim.throws.columns import EVERY, PLAIN, Layout
from jetsim.throws.mapping import SHOWN_ROWS, Proposal
from jetsim.throws.question import FieldTest

QUESTION = "What does each column of this sheet mean, and in which unit?"
# A quantity that is shown in the units of a column's dimension.
_QUANTITY = {"pressure": "nozzle_pressure", "flow": "flow_rate", "force": "reaction_force", "angle": "elevation",
             "speed": "wind_along", "length": "extreme_reach"}  # fmt: skip


def understood(row: dict[str, Cell], system: UnitSystem) -> str:
    """One row of a sheet in words: ``farthest drops '38,1' m: 125 ft``."""
    return "; ".join(f"{name.replace('_', ' ')} {_value(name, cell, system)}" for name, cell in row.items())


def _value(name: str, cell: Cell, system: UnitSystem) -> str:
    dimension = EVERY[name].dimension
    if cell.bad:
        return f"NOT READ ({cell.text})"
    if cell.empty:
        return "empty"
    if dimension in PLAIN or np.isnan(cell.number):
        return cell.text if dimension != "count" else f"{cell.number:.0f}"
    unit = "" if not cell.unit or cell.text.casefold().endswith(cell.unit.casefold()) else f" {cell.unit}"
    said = f"{cell.text!r}{unit}: {display.value(_QUANTITY[dimension], cell.number, system)}"
    if cell.spread:
        said += f", give or take {display.value('wind_along', cell.spread, system, interval=True)}"
    return said


def row_lines(rows: list[dict[str, Cell]], system: UnitSystem) -> list[str]:
    """The first rows as understood."""
    return [f"Row {n} below the header: {understood(row, system)}." for n, row in enumerate(rows[:SHOWN_ROWS], 1)]


@dataclass(frozen=True, eq=False)
class Understood:
    """A sheet with what is proposed of it: its layout, its rows so read, and what cannot be read yet."""

    grid: Grid
    proposal: Proposal
    layout: Layout
    rows: list[dict[str, Cell]]
    lines: list[str]


def mapping_report(test: FieldTest, found: Understood, system: UnitSystem) -> Report:
    """What was understood, and what is left to do."""
    return Report(
        f"Columns of a sheet for: {test.title}",
        lead(test, found),
        [
            Section("Columns", tables=[column_table(found.proposal, found.layout)]),
            Section("First rows, as understood", row_lines(found.rows, system)),
            *([Section("What cannot be read yet", found.lines)] if found.lines else []),
        ],
        ReportCard(QUESTION, "Names of the columns by likeness, units by header, cells or plausible size; nothing is "
                   "read before a person has checked it", 0, test.seed, 0, NOT_APPLICABLE, NOT_APPLICABLE),
        system,
        subtitle=test.scenario,
        further=further(found),
    )  # fmt: skip


def lead(test: FieldTest, found: Understood) -> list[str]:
    """What seems to mean something, what is guessed, what cannot be read, and what comes next."""
    proposal, mapped = found.proposal, found.proposal.mapped
    count = display.number_words(len(mapped.sources))
    guesses = [f"{name.replace('_', ' ')} in {mapped.sources[name].unit}" for name in proposal.guessed]
    guesses += [f"{text!r} as {test.labels[name]}" for text, name in mapped.setups.items()]
    said = [
        f"Of the sheet's columns, {count} seem to mean something (row {proposal.header + 1} is its header).",
        f"GUESSED, so ask whoever wrote the sheet: {', '.join(guesses)}." if guesses else "",
        f"Say under [columns.setups] which set-up this is: {', '.join(proposal.unknown_setups)}."
        if proposal.unknown_setups
        else "",
        f"So mapped, {len(found.lines)} things cannot be read yet, the first: {found.lines[0].rstrip('.')}."
        if found.lines
        else "",
        "When every line of columns.toml is right, paste it into your question, or read with question.toml beside it.",
    ]
    return [text for text in said if text]


def further(found: Understood) -> list[str]:
    """What is not read, and where the table to paste stands."""
    unread = found.proposal.unread
    return [
        f"Read as {found.grid.how}.",
        *([f"Not read: {', '.join(unread)}."] if unread else []),
        *(f"Of the sheet: {notice}." for notice in found.grid.notices),
        "The table to paste into your question is columns.toml in this folder; question.toml is the question with it.",
    ]


def column_table(proposal: Proposal, layout: Layout) -> Table:
    """Each column with its header and unit, and what the unit rests on."""
    placed = [one for one in layout.placed if one is not None]
    units = [one.form.unit or ("none" if one.column.dimension in PLAIN else "in each cell") for one in placed]
    rests = ["guessed from its size" if one.column.name in proposal.guessed else
             "needs none" if one.column.dimension in PLAIN else "as the sheet states" for one in placed]  # fmt: skip
    return Table(
        "columns",
        "What each column seems to mean",
        (
            Column("column", [one.column.name for one in placed]),
            Column("header", [one.header for one in placed]),
            Column("unit", units),
            Column("rests_on", rests, label="Unit rests on"),
        ),
        "A proposal: check it.",
    )
