"""The sheet of a field test: one row for each throw; everything wrong is told in one pass, cell by cell.

Nothing is dropped silently: a throw that must not count is marked as excluded, with a reason.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from jetsim.errors import InputError, InputFileError
from jetsim.experiment.cells import Cell, Complaint, read_number, read_text
from jetsim.experiment.sheets import Grid, Raw, read_grid
from jetsim.quantities import did_you_mean
from jetsim.throws.columns import (
    DISTANCES,
    EVERY,
    PRESSURES,
    Layout,
    Mapped,
    Placed,
    mapped_layout,
    own_layout,
)
from jetsim.throws.wind import SIDES, at_least, gusting, read_direction, read_wind

Array = NDArray[np.float64]
Row = Mapping[str, Cell]

MODEL_NOTE = "made by the model"
MOST_THROWS = 1000
ALONE = "pump_alone"  # pump pressure of a throw whose nozzle pressure nobody read; it sets the throw and tests nothing
_YES, _NO = ("yes", "y", "true", "x", "ja"), ("no", "n", "false", "", "nein")
_TEXTS = ("day", "observer", "exclusion_reason", "notes")
_READERS = {"wind_speed": read_wind, "wind_gust": read_wind, "wind_from": read_direction}


@dataclass(frozen=True)
class SheetRules:
    """What the plan lets a throw be: set-ups with their target nozzle pressure [Pa], and limits, SI.

    Attributes
    ----------
    targets : mapping of set-up to float
    tolerance : float
        Largest departure of the gauge from the target, as a share of it.
    largest_wind : float
        [m/s]
    last_mark : float
        [m]
    labels : mapping of str to str
        What else a sheet may call a set-up, to its name.
    bearing : float
        Of the throw where the sheet is silent [deg].
    physics : callable, optional
        ``physics(rows)`` yields a line for all readings that cannot be together.
    """

    targets: Mapping[str, float]
    tolerance: float
    largest_wind: float
    last_mark: float
    labels: Mapping[str, str] = field(default_factory=dict)
    bearing: float = 0.0
    physics: Callable[[Sequence[Row]], Iterable[str]] | None = None


@dataclass(frozen=True, eq=False)
class Sheet:
    """A read sheet: all throws, excluded ones too.

    Attributes
    ----------
    setups : list of str
        Of each throw.
    numbers : mapping of column to ndarray, shape (throws,)
        SI; NaN where the sheet says nothing. `ALONE` among them.
    excluded : ndarray of bool, shape (throws,)
    reasons : list of str
    made_by_model : bool
        Whether a note says so (`MODEL_NOTE`).
    spreads : mapping of column to ndarray, shape (throws,)
        What the text of a cell leaves open, as a standard deviation, SI.
    texts : mapping of column to list of str
        Of each throw; columns that the sheet lacks are left out.
    notices : tuple of str
        What a reader of the results must know of how the sheet was read.
    ordered : bool
        Whether the sheet says in which order was thrown; `numbers` has that of its rows otherwise.
    """

    setups: list[str]
    numbers: Mapping[str, Array]
    excluded: NDArray[np.bool_]
    reasons: list[str]
    made_by_model: bool = False
    spreads: Mapping[str, Array] = field(default_factory=dict)
    texts: Mapping[str, list[str]] = field(default_factory=dict)
    notices: tuple[str, ...] = ()
    ordered: bool = True

    @property
    def accepted(self) -> "Sheet":
        """The throws that count."""
        keep = np.flatnonzero(~self.excluded)
        return replace(
            self,
            setups=[self.setups[n] for n in keep],
            numbers={name: values[keep] for name, values in self.numbers.items()},
            excluded=self.excluded[keep],
            reasons=[self.reasons[n] for n in keep],
            spreads={name: values[keep] for name, values in self.spreads.items()},
            texts={name: [values[n] for n in keep] for name, values in self.texts.items()},
        )

    def silent(self, column: str) -> NDArray[np.bool_]:
        """Throws of which the sheet does not give a column."""
        return np.isnan(self.numbers.get(column, np.full(len(self.setups), np.nan)))


def read_sheet(path: Path, rules: SheetRules, mapped: Mapped | None = None, worksheet: str | None = None) -> Sheet:
    """Read and check a sheet.

    Parameters
    ----------
    path : Path
        Text or a workbook.
    rules : SheetRules
    mapped : Mapped, optional
        Where another sheet than ours keeps what; None: its headers are those of our run sheet.
    worksheet : str, optional
        Goes before the one that `mapped` names.

    Raises
    ------
    InputFileError
        Everything found wrong, a line each with row, column, value and remedy.
    InputError
        The file as a whole cannot be read.
    """
    grid = read_grid(path, worksheet or (mapped.worksheet if mapped else None))
    if not any(not cell.empty for row in grid.rows[1:] for cell in row):
        raise InputError(f"{path}: holds no throws: fill in a row for each throw below the header")
    try:
        layout = own_layout(grid) if mapped is None else mapped_layout(grid, mapped)
    except InputFileError as error:
        raise InputFileError(f"{path.name}: {line}" for line in error.lines) from None
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
    rows, lines = checked(grid, layout, rules, mapped)
    if lines:
        raise InputFileError(f"{path.name}: {line}" for line in lines)
    return _sheet(rows, rules, tuple(_notices(grid, layout, rows, mapped is None)))


def checked(
    grid: Grid, layout: Layout, rules: SheetRules, mapped: Mapped | None = None
) -> tuple[list[dict[str, Cell]], list[str]]:
    """All rows, and everything that is wrong with them from top to bottom."""
    count = sum(not all(cell.empty for cell in row) for row in grid.rows[layout.first :])
    if count > MOST_THROWS:
        return [], [f"holds {count:,} throws: at most {MOST_THROWS:,} are read at once"]
    rows, lines = _read_rows(grid, layout, rules, mapped)
    lines += [line for row in rows for line in _row_rules(row, rules)]
    lines += _sheet_rules(rows, rules, own=mapped is None)
    if rules.physics is not None:
        lines += rules.physics([row for row in rows if not _is_excluded(row)])
    return rows, sorted(dict.fromkeys(lines), key=_row_of)


def _row_of(line: str) -> float:
    """The row that a complaint names, so that they can be told from top to bottom; the sheet as a whole comes last."""
    found = re.match(r"row (\d+)", line)
    return float(found[1]) if found else np.inf


# --------------------------------------------------------------------------------------------------------
# Cells


def _read_rows(
    grid: Grid, layout: Layout, rules: SheetRules, mapped: Mapped | None = None
) -> tuple[list[dict[str, Cell]], list[str]]:
    """The cells of every row that holds any, and everything that cannot be read."""
    lines = list(layout.lines)
    rows = []
    names = _setup_names(rules, mapped)
    for at in range(layout.first, len(grid.rows)):
        row = grid.rows[at]
        used = [one.at for one in layout.placed if one is not None and one.at is not None]
        if all(row[position].empty for position in used if position < len(row)) and (
            mapped is not None or all(cell.empty for cell in row)
        ):
            continue
        if at in grid.hidden_rows:
            lines.append(f"row {at + 1}: is hidden; show it or delete it, so that what is read is what is seen")
        complaints, cells = _row(at + 1, row, layout, grid)
        lines += complaints
        if "setup" in cells:
            cells["setup"] = replace(
                cells["setup"], text=names.get(cells["setup"].text.casefold(), cells["setup"].text)
            )
        rows.append(cells)
    return rows, lines


def _setup_names(rules: SheetRules, mapped: Mapped | None) -> dict[str, str]:
    """What a sheet may call a set-up, folded, to its name."""
    said = {**rules.labels, **(mapped.setups if mapped else {}), **{name: name for name in rules.targets}}
    return {" ".join(text.split()).casefold(): name for text, name in said.items()}


def _row(number: int, row: Sequence[Raw], layout: Layout, grid: Grid) -> tuple[list[str], dict[str, Cell]]:
    """The cells of one row; those that cannot be read are left out and complained about."""
    if len(row) > layout.width:  # its cells have moved to the right: no use in complaining about each
        return [f"row {number}: has {len(row)} cells, the header has {layout.width}; look for a comma inside a cell "
                "(put that cell in quotation marks)"], {}  # fmt: skip
    lines, found = [], {}
    for one in layout.placed:
        if one is None:
            continue
        raw = Raw(one.always) if one.at is None else row[one.at] if one.at < len(row) else Raw("")
        place = f"row {number}, column {one.header}"
        cell = _read(place, raw, one)
        if isinstance(cell, Complaint):
            lines.append(cell.line)
            cell = Cell(place, raw.shown, np.nan, bad=True)
        found[one.column.name] = cell
    return lines, found


def _read(place: str, raw: Raw, one: Placed) -> Cell | Complaint:
    if one.column.dimension == "text":
        return read_text(place, raw)
    return _READERS.get(one.column.name, read_number)(place, raw, one.form)


# --------------------------------------------------------------------------------------------------------
# Rules


def _row_rules(cells: Row, rules: SheetRules) -> Iterable[str]:
    """What the cells of one throw must be together."""
    yield from _exclusion(cells)
    yield from _known_setup(cells, rules)
    if _is_excluded(cells) or not cells:
        return
    yield from _enough(cells)
    yield from _order_of_distances(cells)
    yield from _within_plan(cells, rules)


def _is_excluded(cells: Row) -> bool:
    return "excluded" in cells and cells["excluded"].text.lower() in _YES


def _exclusion(cells: Row) -> Iterable[str]:
    excluded, reason = cells.get("excluded"), cells.get("exclusion_reason")
    given = reason is not None and not reason.empty
    if excluded is not None and excluded.text.lower() not in (*_YES, *_NO):
        yield excluded.line("must be yes or no")
    elif _is_excluded(cells) and excluded is not None and reason is not None and not given:
        yield excluded.line("has no reason; write it in exclusion_reason")
    elif given and reason is not None and excluded is not None and not _is_excluded(cells):
        yield reason.line("stands beside a throw that is not excluded; write yes in excluded, or move it to notes")


def _known_setup(cells: Row, rules: SheetRules) -> Iterable[str]:
    setup = cells.get("setup")
    if setup is not None and not setup.empty and setup.text not in rules.targets:
        yield setup.line(f"is no set-up of the study file{did_you_mean(setup.text, rules.targets)}")


def _enough(cells: Row) -> Iterable[str]:
    """A throw needs its set-up, a pressure and a distance."""
    for names in (("setup",), PRESSURES, DISTANCES):
        given = [cells[name] for name in names if name in cells]
        if given and all(cell.empty for cell in given):
            other = f" (or {names[1]})" if len(names) > 1 else ""
            yield given[0].line(f"is empty; fill it in{other}, or mark the throw as excluded with a reason")


def _order_of_distances(cells: Row) -> Iterable[str]:
    for near, far in (("breakup_distance", "last_continuous_water"), ("last_continuous_water", "farthest_drops"),
                      ("breakup_distance", "farthest_drops")):  # fmt: skip
        a, b = cells.get(near), cells.get(far)
        if a is not None and b is not None and a.number > b.number:
            yield a.line(f"lies beyond {far} = {b.text!r} of the same throw; one of the two is wrong")
            return


def _within_plan(cells: Row, rules: SheetRules) -> Iterable[str]:
    wind, gust, pressure, drops = (
        cells.get(n) for n in ("wind_speed", "wind_gust", "nozzle_pressure", "farthest_drops")
    )
    target = rules.targets.get(cells["setup"].text) if "setup" in cells else None
    if wind is not None and at_least(wind) > rules.largest_wind:
        yield wind.line("is above the largest wind of the plan; exclude the throw with a reason")
    if wind is not None and gust is not None and wind.number > gust.number:
        yield wind.line(f"is above the gusts of the same throw, {gust.text!r}; one of the two is wrong")
    if drops is not None and drops.number > rules.last_mark:
        yield drops.line("lies beyond the last mark; exclude the throw with a reason, or correct last_mark")
    if pressure is not None and target is not None and abs(pressure.number / target - 1) > rules.tolerance:
        yield pressure.line(
            f"is {100 * (pressure.number / target - 1):+.0f} % off the match for set-up {cells['setup'].text!r}; "
            "exclude the throw with a reason, or widen match.tolerance"
        )


def _sheet_rules(rows: Sequence[Row], rules: SheetRules, own: bool) -> Iterable[str]:
    """What the throws must be together. Of a sheet that is not ours nobody can ask for throws that are not in it."""
    first: dict[tuple[str, float], Cell] = {}
    for cells in rows:
        order = cells.get("run_order")
        if order is None or order.bad or order.empty:
            continue
        key = (cells["day"].text if "day" in cells else "", order.number)
        if key in first:
            yield order.line(f"is used before ({first[key].place}); number every throw once")
        first.setdefault(key, order)
    for day in dict.fromkeys(day for day, _ in first) if own else ():
        yield from _gaps([number for at, number in first if at == day])
    yield from _numbers_among_texts(rows)
    yield from _blocks_in_order(rows)
    for setup in rules.targets:
        thrown = sum(cells["setup"].text == setup and not _is_excluded(cells) for cells in rows if "setup" in cells)
        if thrown < 2:
            yield f"set-up {setup!r} has {thrown} throws that count; it needs 2 or more, or leave it out by --setups"


def _gaps(orders: Sequence[float]) -> Iterable[str]:
    numbers = sorted(map(int, orders))
    missing = sorted(set(range(1, numbers[-1] + 1)) - set(numbers)) if numbers else []
    if missing:
        shown = ", ".join(map(str, missing[:8])) + (" ..." if len(missing) > 8 else "")
        yield f"column run_order: {shown} missing; enter the throw, excluded with a reason if it must not count"


def _numbers_among_texts(rows: Sequence[Row]) -> Iterable[str]:
    """Notes that are numbers beside a column of numbers without any, or observers with a number for every throw."""
    silent = [name for name, column in EVERY.items() if column.dimension != "text"
              and any(name in row for row in rows) and all(row[name].empty for row in rows if name in row)]  # fmt: skip
    for name in ("notes", "observer", "exclusion_reason"):
        said = [row[name].text for row in rows if name in row and not row[name].empty]
        numbers = [text for text in said if re.fullmatch(r"[-+]?[0-9]+([.,][0-9]+)?", text)]
        if len(numbers) < max(3, len(said)):
            continue
        if silent:
            yield f"column {name}: holds numbers alone, and {silent[0]} holds none; swapped with {silent[0]}?"
        elif len(set(numbers)) > max(8, len(said) / 2):
            yield f"column {name}: holds {len(set(numbers))} different numbers and no text; swapped with another?"


def _blocks_in_order(rows: Sequence[Row]) -> Iterable[str]:
    """Blocks follow each other; where they go back and forth and another column does not, the two were swapped."""
    placed = [row for row in rows if "run_order" in row and "block" in row and not row["block"].empty]
    ordered = sorted(placed, key=lambda row: row["run_order"].number)

    def follows(name: str) -> bool:
        numbers = [row[name].text for row in ordered if name in row]
        whole = len(numbers) == len(ordered) and all(re.fullmatch("[0-9]+", text) for text in numbers)
        return whole and list(map(int, numbers)) == sorted(map(int, numbers)) and len(set(numbers)) > 1

    if len(placed) < 4 or follows("block") or "day" in placed[0]:
        return
    for name in EVERY:
        if name not in ("block", "run_order", "day") and follows(name):
            yield f"column block: goes back and forth along the order, and {name} does not; swapped with {name}?"


# --------------------------------------------------------------------------------------------------------
# What was read


def _sheet(rows: Sequence[Row], rules: SheetRules, notices: tuple[str, ...]) -> Sheet:
    names = [name for name, column in EVERY.items() if column.dimension != "text"]
    numbers = {name: np.array([row[name].number if name in row else np.nan for row in rows]) for name in names}
    spreads = {"wind_speed": np.array([row["wind_speed"].spread if "wind_speed" in row else 0.0 for row in rows])}
    _take_gusts(numbers, spreads)
    numbers["wind_from"] = _from_sides(rows, numbers, rules)
    numbers["block"] = _blocks(rows, numbers["block"])
    orders = numbers["run_order"]
    numbers["run_order"] = np.where(np.isnan(orders), np.arange(1, len(rows) + 1), orders)
    silent = np.isnan(numbers["nozzle_pressure"])
    numbers[ALONE] = np.where(silent, numbers["pump_pressure"], np.nan)
    numbers["pump_pressure"] = np.where(silent, np.nan, numbers["pump_pressure"])
    texts = {name: [row[name].text if name in row else "" for row in rows] for name in _TEXTS if name in rows[0]}
    reasons = [_reason(row) for row in rows]
    excluded = np.array([_is_excluded(row) for row in rows])
    made = MODEL_NOTE in texts.get("notes", [])
    setups, ordered = [row["setup"].text for row in rows], not np.isnan(orders).any()
    return Sheet(setups, numbers, excluded, reasons, made, spreads, texts, notices, ordered)


def _blocks(rows: Sequence[Row], blocks: Array) -> Array:
    """Blocks by number; where several days each number theirs from 1, a number for each block of each day."""
    days = [row["day"].text if "day" in row else "" for row in rows]
    pairs = {(day, block) for day, block in zip(days, blocks, strict=True) if not np.isnan(block)}
    if len({block for _, block in pairs}) == len(pairs):
        return blocks
    numbers = {pair: float(n) for n, pair in enumerate(sorted(pairs), 1)}
    return np.array([numbers.get(pair, np.nan) for pair in zip(days, blocks.tolist(), strict=True)])


def _take_gusts(numbers: dict[str, Array], spreads: dict[str, Array]) -> None:
    """Where gusts stand in a column of their own, they give the spread, and the speed too where that is missing."""
    for n, gust in enumerate(numbers["wind_gust"]):
        if not np.isnan(gust):
            mean = numbers["wind_speed"][n]
            numbers["wind_speed"][n], spreads["wind_speed"][n] = gusting(None if np.isnan(mean) else float(mean), gust)


def _from_sides(rows: Sequence[Row], numbers: Mapping[str, Array], rules: SheetRules) -> Array:
    """Directions of the wind, sides of the throw turned into bearings."""
    found = numbers["wind_from"].copy()
    for n, row in enumerate(rows):
        side = SIDES.get(row["wind_from"].text.lower()) if "wind_from" in row else None
        if side is not None:
            bearing = numbers["throw_bearing"][n]
            found[n] = ((rules.bearing if np.isnan(bearing) else bearing) + side) % 360
    return found


def _reason(row: Row) -> str:
    given = [row[name].text for name in ("exclusion_reason", "notes") if name in row and not row[name].empty]
    if not _is_excluded(row):
        return row["exclusion_reason"].text if "exclusion_reason" in row else ""
    return given[0] if given else "not stated"


def _notices(grid: Grid, layout: Layout, rows: Sequence[Row], own: bool) -> Iterable[str]:
    yield from grid.notices
    if layout.unread:
        yield f"columns that were not read: {', '.join(layout.unread)}"
    if not own:
        bare = {one.column.name for one in layout.placed if one is not None}
        orders = sorted({int(row["run_order"].number) for row in rows if not np.isnan(row["run_order"].number)}
                        if "run_order" in bare else ())  # fmt: skip
        missing = len(set(range(1, orders[-1] + 1)) - set(orders)) if orders else 0
        if missing and "day" not in bare:
            yield f"{missing} numbers of the order are missing: nothing is known of those throws"
