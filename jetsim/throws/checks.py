"""What the throws of a test may be: its plan, and readings that cannot be together by physics."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np

from jetsim import units
from jetsim.experiment.cells import Cell
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.throws import model
from jetsim.throws.columns import EVERY
from jetsim.throws.predicted import BY_FORMULA, Predictor
from jetsim.throws.question import FieldTest
from jetsim.throws.sheet import Row, SheetRules

# A reading clashes when it lies farther from its prediction than this many standard deviations, and than this share.
DEVIATIONS, LEAST_SHARE = 4.0, 0.2
# Farthest drops over the drag-free range: even a stream without drag cannot pass it but for wind; no stream that is
# worth a throw falls so short. Breakup lies well before the end.
FARTHEST_SHARE, NEAREST_SHARE, BREAKUP_SHARE = 1.1, 0.15, 0.6
WIDEST = 5.0  # of a width, in logarithms: where hardly any water comes nothing is told
WITHIN_PLAN = 2.0  # standard deviations of a pump pressure about what its target needs, beyond the plan's tolerance
PLAN = "the plan"
OFF_SITE, NEAR_SITE = 10.0, 2.5  # of elevation and bearing from their site's [deg]
TURNED = 45.0  # bearing of all throws off the ground's [deg]
_MANY = 4  # clashes of one kind that are told once for the column
_TRIED = 8  # rows in which a remedy is sought
_SHOWN = {"flow": "flow_rate", "reaction": "reaction_force", "pump_pressure": "supply.pump_pressure",
          "farthest_drops": "extreme_reach", "breakup_distance": "breakup_distance",
          "target_nozzle_pressure": "nozzle_pressure"}  # fmt: skip
_DISTANCES = ("breakup_distance", "last_continuous_water", "farthest_drops")


def sheet_rules(test: FieldTest) -> SheetRules:
    """What the plan lets a throw be, and what physics does."""
    question = test.question
    targets = model.target_pressures(test)
    return SheetRules(
        targets,
        question.match.tolerance,
        question.largest_wind,
        test.ground.last_mark,
        {label: name for name, label in test.labels.items()},
        test.ground.throw_bearing,
        partial(physics_lines, test, targets),
    )


Numbers = Mapping[str, float]


@dataclass(frozen=True)
class Clash:
    """A reading that does not fit: its cell, what it must be beside, and between which values it would fit, SI."""

    cell: Cell
    column: str
    beside: str
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Checker:
    """The physics of a test's throws."""

    test: FieldTest
    targets: Mapping[str, float]

    @cached_property
    def predictor(self) -> Predictor:
        """Draws of what is believed."""
        return Predictor.of(self.test)

    def allowed(self, setup: str, numbers: Numbers) -> dict[str, tuple[float, float, str]]:
        """Ends between which each reading of a throw fits, SI, and the column that says so.

        Parameters
        ----------
        setup : str
        numbers : mapping of column to float
            SI; columns that were not read are left out.
        """
        nozzle, pump = (numbers.get(name, np.nan) for name in ("nozzle_pressure", "pump_pressure"))
        found: dict[str, tuple[float, float, str]] = {}
        tolerance = self.test.question.match.tolerance
        target = self.targets[setup]
        found["target_nozzle_pressure"] = (target * (1 - tolerance), target * (1 + tolerance), PLAN)
        if np.isnan(nozzle) and np.isnan(pump):
            return found
        by = "nozzle_pressure" if not np.isnan(nozzle) else "pump_pressure"
        if by == "pump_pressure":
            found[by] = self._pump_for_the_plan(setup)
        for column, (middle, spread) in self.predictor.shown(setup, nozzle, pump).items():
            if column == by or np.isnan(middle):
                continue
            width = min(max(DEVIATIONS * spread, float(np.log1p(LEAST_SHARE))), WIDEST)
            found[column] = (middle * np.exp(-width), middle * np.exp(width), by)
        elevation = numbers.get("elevation", self.test.elevation)
        reach, time = self.predictor.drag_free(setup, nozzle, pump, elevation)
        if not np.isnan(reach):
            far = FARTHEST_SHARE * reach + numbers.get("wind_speed", 0.0) * time
            found["farthest_drops"] = (NEAREST_SHARE * reach, far, by)
            found["breakup_distance"] = (0.0, BREAKUP_SHARE * reach, by)
        return found

    def _pump_for_the_plan(self, setup: str) -> tuple[float, float, str]:
        """Pump pressures [Pa] that may give the set-up its target at the nozzle, where nobody read it there."""
        middle, spread = self.predictor.shown(setup, self.targets[setup], np.nan)["pump_pressure"]
        if np.isnan(middle):
            return 0.0, np.inf, PLAN
        width = np.log1p(self.test.question.match.tolerance) + WITHIN_PLAN * spread
        return middle * float(np.exp(-width)), middle * float(np.exp(width)), PLAN

    def clashing(self, setup: str, numbers: Numbers) -> dict[str, tuple[float, float, str]]:
        """Readings of a throw that do not fit, with where they would."""
        ends = self.allowed(setup, numbers)
        return {name: end for name, end in ends.items() if name in numbers and not end[0] <= numbers[name] <= end[1]}

    def off_site(self, numbers: Numbers) -> dict[str, float]:
        """Angles of a throw that are not the site's, with those of the site [deg]."""
        site = {"elevation": self.test.elevation, "throw_bearing": self.test.ground.throw_bearing}
        return {name: at for name, at in site.items() if name in numbers and _apart(numbers[name], at) > OFF_SITE}


def _apart(one: float, other: float) -> float:
    return abs((one - other + 180) % 360 - 180)


# --------------------------------------------------------------------------------------------------------
# A whole sheet


def physics_lines(test: FieldTest, targets: Mapping[str, float], rows: Sequence[Row]) -> Iterable[str]:
    """Everything in the throws that count that cannot be together.

    Parameters
    ----------
    test : FieldTest
    targets : mapping of set-up to float
        Nozzle pressures of the plan [Pa].
    rows : sequence of Row
    """
    checker = Checker(test, targets)
    sound = [(row, row["setup"].text, _numbers(row)) for row in rows if "setup" in row and row["setup"].text in targets]
    yield from _without_line(test, rows)
    clashes: dict[str, list[tuple[Clash, Row]]] = {}
    for row, setup, numbers in sound:
        for column, (low, high, beside) in checker.clashing(setup, numbers).items():
            clashes.setdefault(column, []).append((Clash(row[column], column, beside, low, high), row))
    for column, found in clashes.items():
        yield from _told(checker, column, found, sum(column in numbers for _, _, numbers in sound))
    yield from _angles(checker, sound)
    yield from _still_gauge(sound)


def _numbers(row: Row) -> dict[str, float]:
    return {name: cell.number for name, cell in row.items() if not np.isnan(cell.number)}


def _without_line(test: FieldTest, rows: Sequence[Row]) -> Iterable[str]:
    bare = {setup.name for setup in test.setups if setup.line is None}
    for row in rows:
        nozzle, pump = row.get("nozzle_pressure"), row.get("pump_pressure")
        silent = nozzle is None or nozzle.empty
        if silent and pump is not None and not pump.empty and "setup" in row and row["setup"].text in bare:
            yield pump.line(f"tells nothing of the nozzle, for set-up {row['setup'].text!r} has no line; give "
                            "nozzle_pressure, or state its line in the department")  # fmt: skip


def _told(checker: Checker, column: str, found: Sequence[tuple[Clash, Row]], read: int) -> Iterable[str]:
    """A line for each clash of a column, or one for the column where most of its readings clash alike."""
    remedies = [_remedy(checker, clash, row) for clash, row in found[:_TRIED]]
    system = checker.test.units
    if len(found) >= _MANY and len(found) > read / 2:
        first = found[0]
        best = max(remedies, key=remedies.count)
        yield (f"column {column}: {len(found)} of {read} readings do not fit; the first: "
               f"{_clash_words(first[0], first[1], system)}{best}")  # fmt: skip
        return
    remedies += [""] * (len(found) - len(remedies))
    for (clash, row), remedy in zip(found, remedies, strict=True):
        yield f"{_clash_words(clash, row, system)}{remedy}"


def _clash_words(clash: Clash, row: Row, system: UnitSystem) -> str:
    name = _SHOWN[clash.column]
    span = display.span(name, clash.low, clash.high, system)
    given = f"{clash.beside} = {row[clash.beside].text!r}" if clash.beside in row else PLAN
    return clash.cell.line(f"does not fit {given} of set-up {row['setup'].text!r}, beside which {span} would fit")


def _remedy(checker: Checker, clash: Clash, row: Row) -> str:
    """What would make a throw fit: another unit, or two cells swapped."""
    numbers, setup, beside = _numbers(row), row["setup"].text, clash.beside
    for column in (clash.column, beside):
        if column not in EVERY:  # the plan itself
            continue
        if unit := _other_unit(checker, setup, numbers, row.get(column), column):
            return f"; is {column} in {unit}?"
        for other in _swappable(row, column):
            changed = _swapped(row, numbers, column, other)
            if changed is not None and _fits(checker, setup, changed):
                return f"; swapped with {other}?" if column == clash.column else f"; {column} swapped with {other}?"
    return "; correct one of them, or the set-up, or exclude the throw with a reason"


def _other_unit(checker: Checker, setup: str, numbers: Numbers, cell: Cell | None, column: str) -> str:
    """The unit in which a cell would fit; empty for none."""
    for unit in units.units_of(EVERY[column].dimension) if cell is not None and cell.unit else ():
        assert cell is not None
        value = float(units.to_si(units.from_si(cell.number, cell.unit), unit))
        plausible = EVERY[column].low <= value <= EVERY[column].high
        if unit != cell.unit and plausible and _fits(checker, setup, {**numbers, column: value}):
            return unit
    return ""


def _swappable(row: Row, column: str) -> list[str]:
    return [name for name, cell in row.items() if name != column and cell.unit and column in row and row[column].unit]


def _swapped(row: Row, numbers: Numbers, one: str, other: str) -> dict[str, float] | None:
    """The numbers with two cells swapped, each read in the other's unit; None where one cannot be there."""
    a, b = row[one], row[other]
    raw_a, raw_b = (float(units.from_si(cell.number, cell.unit)) for cell in (a, b))
    new = {one: float(units.to_si(raw_b, a.unit)), other: float(units.to_si(raw_a, b.unit))}
    if not all(EVERY[name].low <= value <= EVERY[name].high for name, value in new.items()):
        return None
    return {**numbers, **new}


def _fits(checker: Checker, setup: str, numbers: Numbers) -> bool:
    """Whether a throw would be free of clashes, at its plan's pressure and at its site's angles."""
    pressure = numbers.get("nozzle_pressure", np.nan)
    tolerance = checker.test.question.match.tolerance
    on_plan = np.isnan(pressure) or abs(pressure / checker.targets[setup] - 1) <= tolerance
    distances = [
        numbers[name] for name in ("breakup_distance", "last_continuous_water", "farthest_drops") if name in numbers
    ]
    in_order = distances == sorted(distances)
    return bool(on_plan and in_order and not checker.clashing(setup, numbers) and not checker.off_site(numbers))


# --------------------------------------------------------------------------------------------------------
# Angles and gauges that never move


def _angles(checker: Checker, sound: Sequence[tuple[Row, str, dict[str, float]]]) -> Iterable[str]:
    """An elevation or bearing that another column holds; a throw may be turned on purpose, but most are not."""
    for column in ("elevation", "throw_bearing"):
        read = [(row, setup, numbers) for row, setup, numbers in sound if column in numbers]
        off = [(row, setup, numbers) for row, setup, numbers in read if column in checker.off_site(numbers)]
        if len(off) < 2 or len(off) <= len(read) / 2:
            continue
        site = checker.off_site(off[0][2])[column]
        first = off[0][0][column]
        tried = [_other_angle(row, numbers, column, site) for row, _, numbers in off[:_TRIED]]
        best = max(tried, key=tried.count)
        turned = all(_apart(numbers[column], site) > TURNED for _, _, numbers in read)
        if best or (column == "throw_bearing" and turned):
            remedy = f"swapped with {best}?" if best else f"correct the column, or ground.{column}"
            yield (f"column {column}: {len(off)} of {len(read)} readings are not the site's {site:.0f} deg; the first: "
                   f"{first.line(remedy)}")  # fmt: skip


def _other_angle(row: Row, numbers: Numbers, column: str, site: float) -> str:
    """The column whose number is the site's angle."""
    for other in _swappable(row, column):
        changed = _swapped(row, numbers, column, other)
        if changed is not None and _apart(changed[column], site) <= NEAR_SITE:
            return other
    return ""


def _still_gauge(sound: Sequence[tuple[Row, str, dict[str, float]]]) -> Iterable[str]:
    """A gauge that never moves beside a target that does: the two were swapped."""

    def moves(column: str) -> Callable[[str], bool]:
        return lambda setup: len({n[column] for _, s, n in sound if s == setup and column in n}) > 1

    setups = {setup for _, setup, numbers in sound if {"nozzle_pressure", "target_nozzle_pressure"} <= numbers.keys()}
    if setups and not any(map(moves("nozzle_pressure"), setups)) and all(map(moves("target_nozzle_pressure"), setups)):
        yield ("column nozzle_pressure: never moves within a set-up, and target_nozzle_pressure does; swapped with "
               "target_nozzle_pressure?")  # fmt: skip


assert {*BY_FORMULA} <= {*_SHOWN}, "every clash can be told"
