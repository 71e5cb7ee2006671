"""What a sheet leaves open and what speaks against it, in sentences."""

from dataclasses import replace

from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.document import Report
from jetsim.throws.gaps import Gap, gaps, missing_numbers, unread
from jetsim.throws.hints import NARROWED, Offset, Order, WindTwist, beyond_the_pump, offsets_of, order_of, wind_twist
from jetsim.throws.question import FieldTest
from jetsim.throws.reading import Reading
from jetsim.throws.sheet import Sheet
from jetsim.throws.words import length

POINTER = "Not everything was read: what stands for it, and by how much that widens a throw, stands below the findings."
_READINGS = {"flow": "flows", "reaction": "reactions", "pump_pressure": "pump pressures"}
_CAUSES = {
    "flow": "another tip, a worn one, or a flowmeter or gauge that is off",
    "reaction": "another tip, a scale that is off, or a pull that is not the stream's",
    "pump_pressure": "a longer, kinked or other hose than the line's, or a gauge that is off",
}


def with_doubts(report: Report, test: FieldTest, reading: Reading, system: UnitSystem) -> Report:
    """A report that says what its sheet leaves open, and before all findings what speaks against them."""
    sheet = reading.sheet
    against = [*order_words(test, order_of(sheet)), *hint_words(test, reading, system)]
    missing = missing_words(test, reading, system)
    against += [POINTER] if missing else []
    noted = [f"Of the sheet: {notice}." for notice in sheet.notices]
    return replace(report, notices=[*report.notices, *against], further=[*report.further, *missing, *noted])


# --------------------------------------------------------------------------------------------------------
# What is missing


def missing_words(test: FieldTest, reading: Reading, system: UnitSystem) -> list[str]:
    """What was not read, what stands for it, and how far that widens a throw."""
    counted = reading.sheet.accepted
    lines = [_gap_words(test, gap, counted, system) for gap in gaps(test, counted, reading.thrown)]
    left = unread(test, counted, reading.thrown)
    if left.pressures:
        spreads, reaches = zip(*left.pressures.values(), strict=True)
        known = display.span("nozzle_pressure", min(spreads), max(spreads), system, interval=True)
        lines.append(
            f"No pressure was read at the nozzle of {_names([*left.pressures])}: it comes from the pump's through the "
            f"line, known to {known} (standard deviation), which is "
            f"{display.span('extreme_reach', min(reaches), max(reaches), system)} of reach that all throws of a set-up "
            "share."
        )
    if left.flows:
        widest = max(left.flows, key=lambda name: left.flows[name])
        named = ", ".join(name.upper() for name in left.flows)
        lines.append(f"No flow was read of {named}: it stays as believed, within {100 * left.flows[widest]:.1f} % "
                     f"(standard deviation) at {widest.upper()}.")  # fmt: skip
    return lines


def _gap_words(test: FieldTest, gap: Gap, sheet: Sheet, system: UnitSystem) -> str:
    counts = missing_numbers(sheet)
    adds = f"adds {length(gap.adds, system)} (standard deviation) to a throw"
    if gap.kind == "elevation":
        return (f"Elevation was not read of {gap.throws} throws: the site's {test.elevation:.0f} deg stands for it, "
                f"give or take {gap.spread:.2g} deg, which {adds}.")  # fmt: skip
    if gap.kind == "nozzle_pressure":
        return (f"Nozzle pressure was not read of {gap.throws} throws: pump and nozzle of the same set-up's other "
                f"throws stand for it, which {adds}.")  # fmt: skip
    silent = [words for name, words in (("wind_speed", "speed"), ("wind_from", "direction")) if name in counts]
    what = (
        f"Wind {' and '.join(silent)} was not read of some throws" if silent else "Wind is stated as a class or gusts"
    )
    return (f"{what}: in {gap.throws} throws the wind along the throw is known to "
            f"{display.value('wind_along', gap.spread, system, interval=True)} only, which {adds}.")  # fmt: skip


# --------------------------------------------------------------------------------------------------------
# Order


def order_words(test: FieldTest, order: Order) -> list[str]:
    """What cannot be told apart for the way in which the throws were made."""
    lines = []
    if len(test.setups) > 1 and order.in_turn:
        lines.append("Set-ups were thrown one after another, not in a random order: what changes over the afternoon "
                     "(wind, fatigue, supply) cannot be told from the set-up.")  # fmt: skip
    elif order.repeated:
        lines.append("Every block threw the set-ups in the same order: what the first throw of a block has of its own "
                     "cannot be told from its set-up.")  # fmt: skip
    if len(test.setups) > 1 and not order.stated:
        lines.append("The sheet gives no order: throws are taken in the order of its rows, and nobody can say whether "
                     "it was random.")  # fmt: skip
    for found, one in ((order.days, "day"), (order.observers, "observer")):
        if len(found) > 1:
            parts = "; ".join(f"{_names(setups)} with {_names(groups, False)} alone" for setups, groups in found)
            lines.append(f"No {one} joins these: {parts}. What differs between them may be the set-ups or the {one}s: "
                         "throw one of each together.")  # fmt: skip
    return lines


def _names(names: list[str], upper: bool = True) -> str:
    return ", ".join(name.upper() if upper else name for name in names)


# --------------------------------------------------------------------------------------------------------
# Hints


def hint_words(test: FieldTest, reading: Reading, system: UnitSystem) -> list[str]:
    """Where throws speak against the model, and what to look at."""
    drops = reading.overlays["farthest_drops"]
    twist = wind_twist(reading.thrown.setups, drops.measured, drops.wind_effect)
    lines = [] if twist is None else [_twist_words(twist, system)]
    lines += [_offset_words(found) for found in offsets_of(test, reading.sheet)]
    for name, (flow, most) in beyond_the_pump(test, reading.sheet).items():
        read, given = (display.value("flow_rate", value, system) for value in (flow, most))
        lines.append(f"Set-up {name.upper()} reads up to {read}, and its pump gives {given} at the most: look at the "
                     "flowmeter.")  # fmt: skip
    return lines


def _twist_words(twist: WindTwist, system: UnitSystem) -> str:
    turned = ""
    if twist.turned < NARROWED * twist.measured:
        turned = f"; taken from the opposite side it would narrow it to {length(twist.turned, system)}"
    return (f"Taking the wind off widens the scatter within set-ups from {length(twist.measured, system)} to "
            f"{length(twist.still, system)}{turned}: look whether throw_bearing or wind_from is turned.")  # fmt: skip


def _offset_words(found: Offset) -> str:
    side = "above" if found.share > 0 else "below"
    off, within = (f"{100 * abs(share):.0f} %" for share in (found.share, found.believed))
    return (f"The {_READINGS[found.column]} of set-up {found.setup.upper()} lie {off} {side} what its nozzle pressures "
            f"need (believed within {within}): {_CAUSES[found.column]}?")  # fmt: skip
