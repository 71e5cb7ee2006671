"""What a sheet was understood to say, in words: its columns, and its first rows with their units."""

import numpy as np

from jetsim.experiment.cells import Cell
from jetsim.experiment.sheets import Grid
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.tables import Column, Table
from jetsim.throws.columns import EVERY, PLAIN, Layout
from jetsim.throws.mapping import SHOWN_ROWS, Proposal
from jetsim.throws.question import FieldTest

QUESTION = "What does each column of this sheet mean, and in which unit?"
# A quantity that is shown in the units of a column's dimension.
_QUANTITY = {"pressure": "nozzle_pressure", "flow": "flow_rate", "force": "reaction_force", "angle": "elevation",
             "speed": "wind_along", "length": "extreme_reach"}  # fmt: skip
_MOST_LINES = 8


def understood(row: dict[str, Cell], system: UnitSystem) -> str:
    """One row of a sheet in words: ``farthest drops '38,1': 125 ft = 38.1 m``."""
    return "; ".join(f"{name.replace('_', ' ')} {_value(name, cell, system)}" for name, cell in row.items())


def _value(name: str, cell: Cell, system: UnitSystem) -> str:
    dimension = EVERY[name].dimension
    if cell.bad:
        return f"NOT READ ({cell.text})"
    if cell.empty:
        return "empty"
    if dimension in PLAIN or np.isnan(cell.number):
        return cell.text if dimension != "count" else f"{cell.number:.0f}"
    said = " = ".join(display.both(_QUANTITY[dimension], cell.number, edition) for edition in _order(system))
    if cell.spread:
        said += f", give or take {display.both('wind_along', cell.spread, system, interval=True)}"
    return f"{cell.text!r}: {said}"


def _order(system: UnitSystem) -> tuple[UnitSystem, UnitSystem]:
    return ("us", "si") if system == "us" else ("si", "us")


def mapping_report(
    test: FieldTest, grid: Grid, proposal: Proposal, layout: Layout, rows: list[dict[str, Cell]], lines: list[str],
    next_command: str, system: UnitSystem,
) -> Report:  # fmt: skip
    """What was understood, and what is left to do."""
    return Report(
        f"Columns of a sheet for: {test.title}",
        lead(test, grid, proposal, rows, lines, next_command, system),
        [
            Section("Columns", tables=[column_table(proposal, layout)]),
            Section("First rows, as understood", [understood(row, system) for row in rows[:SHOWN_ROWS]]),
            *([Section("What cannot be read yet", lines)] if lines else []),
        ],
        ReportCard(QUESTION, "Names of the columns by likeness, units by header, cells or plausible size; nothing is "
                   "read before a person has checked it", 0, test.seed, 0, "does not apply", "does not apply"),
        system,
        subtitle=test.scenario,
    )  # fmt: skip


def lead(
    test: FieldTest,
    grid: Grid,
    proposal: Proposal,
    rows: list[dict[str, Cell]],
    lines: list[str],
    next_command: str,
    system: UnitSystem,
) -> list[str]:
    """The columns, the first rows, what is guessed, and what comes next."""
    count = len(proposal.mapped.sources)
    found = [
        f"Read as {grid.how}; the header is row {proposal.header + 1}; {count} columns seem to mean something, "
        f"{len(rows)} rows of throws.",
        *(f"Row {n} below the header: {understood(row, system)}." for n, row in enumerate(rows[:SHOWN_ROWS], 1)),
    ]
    if proposal.guessed:
        units = ", ".join(f"{name} in {proposal.mapped.sources[name].unit}" for name in proposal.guessed)
        found.append(f"GUESSED, for no unit is stated: {units}. Ask whoever wrote the sheet.")
    if proposal.mapped.setups:
        named = ", ".join(f"{text!r} is {test.labels[name]}" for text, name in proposal.mapped.setups.items())
        found.append(f"GUESSED by words that the names share: {named}.")
    if proposal.unknown_setups:
        named = ", ".join(proposal.unknown_setups)
        found.append(f"Say under [columns.setups] which set-up each of these is: {named}.")
    if proposal.unread:
        found.append(f"Not read: {', '.join(proposal.unread)}.")
    if lines:
        more = f" ... and {len(lines) - _MOST_LINES} more in the report" if len(lines) > _MOST_LINES else ""
        found.append(f"So mapped, {len(lines)} things cannot be read yet: {'; '.join(lines[:_MOST_LINES])}{more}.")
    found.append("The table to paste into your question is columns.toml in this folder, and question.toml is the "
                 f"question with it. When every line of it is right: {next_command}")  # fmt: skip
    return found


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
