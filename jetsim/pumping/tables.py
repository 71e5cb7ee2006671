"""Tables of the study from the pump."""

from collections.abc import Sequence

import numpy as np

from jetsim import findings
from jetsim.equipment.model import DELIVERED, FORCE, PUMP
from jetsim.pumping.question import BEST
from jetsim.pumping.runs import Choice, Estimate, Found, Loaded, Mistakes, Ranking, Spread
from jetsim.pumping.subject import Subject
from jetsim.pumping.words import VERIFY, capital, deviation_words, limit_sources
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.tables import Column, Table


def set_up_columns(subjects: Sequence[Subject]) -> tuple[Column, Column]:
    """Set-up and line."""
    return (
        Column("setup", [subject.setup.label for subject in subjects], label="Set-up"),
        Column("line", [capital(subject.line_label) for subject in subjects]),
    )


def estimate_table(found: Found) -> Table:
    """Pump pressures for the targets, with their spread."""
    rows = found.estimates
    return Table(
        "estimated_pump_pressures",
        f"Estimated pump pressure of each set-up, {VERIFY}",
        (
            *set_up_columns([row.subject for row in rows]),
            Column("without_kinks", [r.middle["pump_pressure"] for r in rows], PUMP, "Without kinks"),
            Column(PUMP, [float(r.pump_pressure.middle) for r in rows], label="Estimate (middle)"),
            Column("low", [float(r.pump_pressure.low) for r in rows], PUMP, "One case in 20 below"),
            Column("high", [float(r.pump_pressure.high) for r in rows], PUMP, "One in 20 above"),
        ),
        "Without kinks: everything at its median, as on the wall cards and in the table of the set-ups. The estimate "
        "and its spread take the hose's scatter, kinks and the nozzle as the department and the question let them "
        "vary; kinks can only raise it.",
    )


def cost_table(found: Found, system: UnitSystem) -> Table:
    """What the targets cost in reaction."""
    rows = found.estimates
    points = [row.stated.point for row in rows]
    return Table(
        "cost_in_reaction",
        "What each target costs in steady reaction",
        (
            Column("setup", [row.subject.setup.label for row in rows], label="Set-up"),
            Column("nozzle_pressure", [float(p.nozzle_pressure) for p in points], label="Nozzle pressure"),
            Column("flow_rate", [float(p.flow_rate) for p in points], label="Flow"),
            Column("reaction_force", [r.reaction for r in rows], label="Reaction (steady)"),
            Column("stated_for", [_stated_for(row) for row in rows], label="Within the limit stated for"),
            Column("crew", [str(r.subject.setup.crew.firefighters) if r.subject.setup.crew else "none" for r in rows],
                   label="Its crew"),
            Column("within [%]", [100 * r.share_within for r in rows], label="Within for its crew, of 100 throws",
                   decimals=0),
        ),
        f"{limit_sources(found, system)} The last column is for the set-up's own crew and "
        "counts the measured excess of force over the formula, pumped at the estimate as hose, kinks and gauge may be "
        "(a wall card counts it at exactly the target). Opening, closing and slipping come on top.",
    )  # fmt: skip


def _stated_for(row: Estimate) -> str:
    """Least number of firefighters whose stated limit the target is within."""
    if row.subject.limits is None:
        return "no limit stated"
    return str(int(row.subject.limits.firefighters_stated(row.force)) or "none")


def short_chart(loaded: Loaded, found: Found, system: UnitSystem) -> Table:
    """The pump chart to read off: a row for each set-up and storey, a column for each length."""
    asked = loaded.question.chart
    at = [(n, j) for n in range(len(found.charts)) for j in range(len(asked.storeys))]

    def cell(chart: Spread, i: int, j: int) -> str:
        ends = (chart.middle, chart.low, chart.high)
        middle, low, high = (display.number(float(display.convert(PUMP, end[i, j], system))) for end in ends)
        return f"{middle} ({low} to {high})"

    lengths = [
        Column(words, [cell(found.charts[n], i, j) for n, j in at])
        for i, words in enumerate(_lengths(asked.lengths, system))
    ]
    return Table(
        "pump_chart_by_length",
        f"Pump chart in {display.unit_label(PUMP, system)} by length of the line's last section, {VERIFY}",
        (
            *set_up_columns([found.estimates[n].subject for n, _ in at]),
            Column("storeys", [asked.storeys[j] for _, j in at]),
            *lengths,
        ),
        "Middle, and in brackets what nine cases in ten need. Storeys count from the height at which the line is "
        "laid. Pressures above the pump's maximum are shown, not cut. Both units: tables/pump_chart.csv.",
        most=100,
    )


def _lengths(lengths: Sequence[float], system: UnitSystem) -> list[str]:
    """Lengths in the edition's own unit, with more digits only where it takes them to tell two apart."""
    short = [display.value("supply.hose_length", length, system) for length in lengths]
    if len({*short}) == len(short):
        return short
    unit = display.unit_label("supply.hose_length", system)
    return [f"{float(display.convert('supply.hose_length', length, system)):.6g} {unit}" for length in lengths]


def chart_table(loaded: Loaded, found: Found) -> Table:
    """The whole pump chart in both units."""
    asked = loaded.question.chart
    sizes = (len(found.charts), len(asked.lengths), len(asked.storeys))
    at = list(np.ndindex(*sizes))
    ends = (("low", "low"), (PUMP, "middle"), ("high", "high"))
    return Table(
        "pump_chart",
        "Pump chart",
        (
            *set_up_columns([found.estimates[n].subject for n, _, _ in at]),
            Column("supply.hose_length", [asked.lengths[i] for _, i, _ in at]),
            Column("storeys", [asked.storeys[j] for _, _, j in at]),
            *(Column(key, [float(getattr(found.charts[n], end)[i, j]) for n, i, j in at], PUMP) for key, end in ends),
        ),
    )


_CHANGED = ("flow_rate", "reaction_force", "extreme_reach")


def mistake_table(
    mistakes: Sequence[Mistakes], name: str, system: UnitSystem = "us", everything: bool = False
) -> Table:
    """Believed against delivered; with the pressure at the nozzle and by how much if everything is wanted."""
    rows = [(one, row) for one in mistakes for row in range(len(one.labels))]
    columns = [
        Column("setup", [one.subject.setup.label for one, _ in rows], label="Set-up"),
        Column("what is wrong", [capital(one.labels[row]) for one, row in rows]),
    ]
    for result in (*_CHANGED, *((DELIVERED,) if everything else ())):
        columns.append(Column(result, [float(one.results[result][row]) for one, row in rows]))
        if result in _CHANGED:
            change = [100 * float(one.change(result)[row]) for one, row in rows]
            columns.append(Column(f"{result}_change [%]", change, label="Change, %", digits=2))
    if everything:
        wrong = [deviation_words(one.deviations[row], system) for one, row in rows]
        columns.append(Column("by how much", wrong))
    return Table(
        name,
        "What is delivered when something is not as believed",
        tuple(columns),
        "Pumped for each target by the stated coefficients. A fixed opening that loses a quarter of its flow to hose "
        "or pump loses 44 % of its pressure and reaction; a wrong setting changes the opening itself. With the "
        "pressure at the nozzle and by how much each is wrong: tables/believed_against_delivered_all.csv.",
        most=100,
    )


_CHANCES = (
    ("target_flow", "flow", "Flow met, of 100"),
    ("stated_limit", "limit", "Limit met, of 100"),
    ("both", "both", "Both, of 100"),
)


def choice_table(found: Found) -> Table | None:
    """The best point of each set-up with a stated limit; None where there is none."""
    rows = [choice for choice in found.choices if choice is not None]
    if not rows:
        return None
    return Table(
        "operating_choice",
        "The best pump pressure of each set-up",
        (
            Column("setup", [c.swept.subject.setup.label for c in rows], label="Set-up"),
            Column(PUMP, [c.pump_pressure for c in rows], label="Pump at"),
            *(_middle(name, label, rows) for name, label in (("flow_rate", "Flow"), (FORCE, "Force"),
                                                             (BEST, "Effective reach, best elevation"),
                                                             ("extreme_reach", "Farthest drops"))),
            *(
                Column(f"{key} [%]", [100 * float(getattr(c.chances, part)[c.place]) for c in rows], label=label,
                       decimals=0)
                for key, part, label in _CHANCES
            ),
            Column("wanted chance", ["yes" if c.met else "no" for c in rows], label="Met"),
        ),
        "Medians of flow, of the force on the crew, of effective reach at the best elevation and of the farthest "
        "drops at the crew's; in how many of 100 throws the target flow is met, the crew's stated limit, and both. "
        "Met: both as often as is wanted. Where they do not, the pump "
        "pressure with the best chance.",
    )  # fmt: skip


def _middle(name: str, label: str, rows: Sequence[Choice]) -> Column:
    return Column(name, [float(c.swept.spread(name).middle[c.place]) for c in rows], label=label)


def ranking_table(ranking: Ranking) -> Table:
    """Indices and ranks of a set-up's inputs."""
    setup = ranking.estimate.subject.setup
    title = f"{setup.label}: what moves delivered flow and reach"
    labels = findings.technical_labels(ranking.space)
    return findings.shares_table(f"ranking_{setup.name}", title, ranking.indices, labels, ranking.ranks)
