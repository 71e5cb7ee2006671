"""Sentences and tables of the study from the pump: says what was found, computes nothing but counts."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from jetsim import findings
from jetsim.experiment.space import ParameterSpace
from jetsim.flags import outside_sentence
from jetsim.quantities import QUANTITIES, UnitSystem
from jetsim.report import display
from jetsim.report.display import percent
from jetsim.report.document import ReportCard, ValidityCount
from jetsim.report.tables import Column, Table
from jetsim.supply.department import BREAKUP_LENGTH, Crew, Department
from jetsim.supply.found import Found, Loaded, Ranking
from jetsim.supply.model import PUMP
from jetsim.supply.pumping import Choice, Estimate, Mistakes, Pair, Spread

VALVE = ("valve_model", "valve_turbulence_factor")
VERIFY = "to be verified by in-line gauge and flowmeter"


def capital(text: str) -> str:
    """Text with a capital first letter."""
    return text[:1].upper() + text[1:]


def estimates_sentence(estimates: Sequence[Estimate], within: Sequence[float], crew: Crew, system: UnitSystem) -> str:
    """Estimated pump pressures of one line's nozzles, their spread, and what they cost in reaction.

    `within` holds, for each nozzle, the share of runs in which the crew's force is within its stated limit.
    """
    parts = [_estimate_part(found, system) for found in estimates]
    limit = f"{_one('reaction_force', crew.limit, system)} for {people(crew.firefighters)}"
    judged = {crew.limits.judgement(found.force(crew), crew.firefighters).partition(" ")[0] for found in estimates}
    formula = f"all {judged.pop()}" if len(judged) == 1 else "some within, some above"
    shares = ", ".join(percent(share) for share in within)
    return (
        f"{capital(estimates[0].pair.line.label)}, estimated pump pressures {VERIFY} (in brackets what nine cases in "
        f"ten need): {'; '.join(parts)}. By {crew.limits.stated_for}, for which the limit was stated, the forces are "
        f"{formula} the stated limit of {limit}; the nozzles' own reaction with the measured excess is within it in "
        f"{shares} of the runs, in that order."
    )


def _estimate_part(found: Estimate, system: UnitSystem) -> str:
    pressures = found.pump_pressure
    low, high = (display.number(float(display.convert(PUMP, end, system))) for end in (pressures.low, pressures.high))
    return (
        f"{found.pair.nozzle.label} {_one(PUMP, float(pressures.middle), system)} ({low} to {high}) for "
        f"{_one('flow_rate', float(found.stated.point.flow_rate), system)} at "
        f"{_one('reaction_force', found.reaction, system)} of steady reaction"
    )


def _one(name: str, value: float, system: UnitSystem) -> str:
    """A value in the edition's own unit."""
    return f"{display.number(float(display.convert(name, value, system)))} {display.unit_label(name, system)}"


def people(count: int) -> str:
    """A number of firefighters in words."""
    return "1 firefighter" if count == 1 else f"{count} firefighters"


def maximum_notices(found: Found) -> list[str]:
    """Pairs whose target is above a stated maximum pressure."""
    notices = []
    for estimate in found.estimates:
        point = estimate.stated.point
        over = [part for part in ("hose", "nozzle") if bool(getattr(point, f"above_{part}_maximum"))]
        if over:
            notices.append(
                f"{capital(estimate.pair.words)} is above the stated maximum pressure of {' and '.join(over)}."
            )
    return notices


def choice_sentence(choice: Choice, loaded: Loaded, system: UnitSystem) -> str:
    """The operating choice in words."""
    crew, plan = loaded.department.crew, loaded.plan
    target = display.both("flow_rate", plan.target_flow, system)
    limit = f"the stated limit for {people(crew.firefighters)}"
    both = percent(float(choice.chances.both[choice.place]))
    point = f"{choice.swept.pair.words}, pumped at {display.both(PUMP, choice.pump_pressure, system)}"
    if not choice.met:
        return (
            f"On {choice.swept.pair.line.label} no nozzle meets {target} and {limit} together with the wanted chance "
            f"of {percent(plan.probability)}; nearest comes the {point}: both in {both} of the runs."
        )
    return (
        f"The most reach at {target} within {limit}: the {point}. Both are met in {both} of the runs, and "
        f"{_reach_words(choice.reach, system)}."
    )


def _reach_words(reach: float, system: UnitSystem) -> str:
    if not np.isfinite(reach):
        return "fewer than half of the runs reach the target height"
    return f"the median reach is {display.both('extreme_reach', reach, system)}"


def outside_sentences(found: Found) -> str:
    """Nozzles of which many runs at the estimated pump pressures, on all lines, lie outside a fit; empty for none."""
    flags: dict[str, list[NDArray[np.int16]]] = {}
    for estimate, delivered in zip(found.estimates, found.delivered, strict=True):
        flags.setdefault(estimate.pair.nozzle.label, []).append(delivered["validity"].values)
    said = (outside_sentence(np.concatenate(own), f"the runs of the {label}") for label, own in flags.items())
    return " ".join(filter(None, said))


def waterway_sentence(loaded: Loaded) -> str:
    """Which turbulence of a shutoff the streams carry."""
    space, nozzles = loaded.space, loaded.department.nozzles
    measured = [entry.label for entry in nozzles if entry.breakup_length is not None]
    if len(measured) == len(nozzles) or BREAKUP_LENGTH in (*space.fixed, *space.names):
        return "Breakup lengths were measured, so whatever turbulence the shutoff adds is in them."
    but = f" but that of the {' and the '.join(measured)}, whose breakup length was measured," if measured else ""
    stated = [name for name in VALVE if name in space.fixed or name in space.names]
    adds_nothing = stated == ["valve_turbulence_factor"] and space.fixed.get("valve_turbulence_factor") == 1.0
    if not stated or space.fixed.get("valve_model") == "clear" or adds_nothing:
        return (
            f"Every stream here{but} flies as from a clear waterway, as if the shutoff added no turbulence: behind a "
            "real one it breaks up sooner and falls shorter."
        )
    return (
        f"Every stream here{but} carries the turbulence that the study file states for the shutoff "
        f"({'; '.join(_stated(space, name) for name in stated)})."
    )


def _stated(space: ParameterSpace, name: str) -> str:
    if name in space.fixed:
        return f"{display.label(name)}: {space.fixed[name]}"
    return f"{display.label(name)}: {space.parameter(name).describe()}"


def mistake_sentence(mistakes: Mistakes, system: UnitSystem) -> str:
    """The mistake that costs most flow."""
    change = mistakes.change("flow_rate")
    worst = int(change.argmin())
    if worst == 0:
        return f"No mistake tried costs the {mistakes.pair.nozzle.label} any flow."
    flow, meant = (float(mistakes.results["flow_rate"][row]) for row in (worst, 0))
    reaction, reach = (float(mistakes.change(name)[worst]) for name in ("reaction_force", "extreme_reach"))
    farther = f" and reach by {signed(reach)}" if np.isfinite(reach) else ""
    return (
        f"The {mistakes.pair.words} believed to flow {display.both('flow_rate', meant, system)} delivers "
        f"{display.both('flow_rate', flow, system)} with {mistakes.labels[worst]}: {percent(-change[worst])} less "
        f"flow, while reaction changes by {signed(reaction)}{farther}."
    )


def signed(change: float) -> str:
    """A change in whole percent with its sign."""
    return f"{100 * change:+.0f} %".replace("-", "\N{MINUS SIGN}")


def leaders(ranking: Ranking, output: str) -> list[str]:
    """The inputs in first place: several where the runs do not tell them apart, none where there is no index."""
    ranks = ranking.ranks["rank"].sel(output=output)
    return [str(name) for name in ranks["parameter"].values[ranks.values == 1]]


def ranking_sentence(ranking: Ranking) -> str:
    """What moves flow and reach most."""
    long_names = {column.name: display_name(column.long_name) for column in ranking.space.column_details}
    parts = []
    for output, long_name in ranking.outputs.items():
        noun = {"flow_rate": "delivered flow", "extreme_reach": "reach"}.get(output, long_name)
        first = leaders(ranking, output)
        if not first:
            parts.append(f"{noun} has no ranking (constant, or undefined in too many runs)")
            continue
        share = float(ranking.indices["ST"].sel(output=output, parameter=first).mean())
        tie = " (a tie)" if len(first) > 1 else ""
        named = " and ".join(long_names[name] for name in first)
        parts.append(f"{noun} is moved most by {named}{tie}, {percent(share)} of its variance")
    return f"{capital(ranking.estimate.pair.nozzle.label)}: {'; '.join(parts)}."


def display_name(words: str) -> str:
    """A long name without its remark in brackets."""
    return words.partition(" (")[0]


# --------------------------------------------------------------------------------------------------------
# Tables


def estimate_table(found: Found) -> Table:
    """Pump pressures for the targets, with their spread."""
    rows = found.estimates
    return Table(
        "estimated_pump_pressures",
        f"Estimated pump pressure of each nozzle and line, {VERIFY}",
        (
            *_names(rows),
            Column("stated", [float(r.stated.pump_pressure) for r in rows], PUMP, "By stated coefficients"),
            Column(PUMP, [float(r.pump_pressure.middle) for r in rows], label="Estimate (median)"),
            Column("low", [float(r.pump_pressure.low) for r in rows], PUMP, "One case in 20 below"),
            Column("high", [float(r.pump_pressure.high) for r in rows], PUMP, "One in 20 above"),
        ),
        "By stated coefficients: no kinks, no wear, hose as stated. The estimate and its spread take the hose's "
        "scatter, kinks and the opening as the study file lets them vary.",
    )


def cost_table(found: Found, within: Sequence[float], crew: Crew) -> Table:
    """What the targets cost in reaction; `within` as for `estimates_sentence`."""
    rows = found.estimates
    points = [row.stated.point for row in rows]
    least = crew.limits.firefighters_stated([row.force(crew) for row in rows])
    return Table(
        "cost_in_reaction",
        "What each target costs in steady reaction",
        (
            *_names(rows),
            Column("nozzle_pressure", [float(p.nozzle_pressure) for p in points], label="Nozzle pressure"),
            Column("flow_rate", [float(p.flow_rate) for p in points], label="Flow"),
            Column("reaction_force", [r.reaction for r in rows], label="Reaction by the formula"),
            Column(
                "stated_for", [str(n) if n else "none" for n in least.tolist()], label="Within the limit stated for"
            ),
            Column("within [%]", [100 * share for share in within], label="Within for this crew, % of runs", digits=2),
        ),
        f"Limits: {crew.limits.source}, stated for {crew.limits.stated_for}, by which each force is held against them. "
        f"The last column is for {people(crew.firefighters)} and counts the measured "
        "excess of force over the formula. Opening, closing and slipping come on top.",
    )


def _names(rows: Sequence[Estimate]) -> tuple[Column, Column]:
    return _pair_columns([row.pair for row in rows])


def _pair_columns(pairs: Sequence[Pair]) -> tuple[Column, Column]:
    return (
        Column("nozzle", [capital(pair.nozzle.label) for pair in pairs]),
        Column("line", [capital(pair.line.label) for pair in pairs]),
    )


def short_chart(loaded: Loaded, found: Found, system: UnitSystem) -> Table:
    """The pump chart to read off: a row for each nozzle, line and storey, a column for each length."""
    plan = loaded.plan
    at = [(n, j) for n in range(len(found.charts)) for j in range(len(plan.storeys))]

    def cell(chart: Spread, i: int, j: int) -> str:
        ends = (chart.middle, chart.low, chart.high)
        middle, low, high = (display.number(float(display.convert(PUMP, end[i, j], system))) for end in ends)
        return f"{middle} ({low} to {high})"

    lengths = [
        Column(_one("supply.hose_length", length, system), [cell(found.charts[n], i, j) for n, j in at])
        for i, length in enumerate(plan.lengths)
    ]
    return Table(
        "pump_chart_by_length",
        f"Pump chart in {display.unit_label(PUMP, system)} by length of the line's last section, {VERIFY}",
        (
            *_pair_columns([found.estimates[n].pair for n, _ in at]),
            Column("storeys", [plan.storeys[j] for _, j in at]),
            *lengths,
        ),
        "Median, and in brackets what nine cases in ten need. Storeys count from the height at which the line is "
        "laid. Pressures above the pump's maximum are shown, not cut. Both units: tables/pump_chart.csv.",
    )


def chart_table(loaded: Loaded, found: Found) -> Table:
    """The whole pump chart in both units."""
    plan = loaded.plan
    sizes = (len(found.charts), len(plan.lengths), len(plan.storeys))
    at = list(np.ndindex(*sizes))
    ends = (("low", "low"), (PUMP, "middle"), ("high", "high"))
    return Table(
        "pump_chart",
        "Pump chart",
        (
            *_pair_columns([found.estimates[n].pair for n, _, _ in at]),
            Column("supply.hose_length", [plan.lengths[i] for _, i, _ in at]),
            Column("storeys", [plan.storeys[j] for _, _, j in at]),
            *(Column(key, [float(getattr(found.charts[n], end)[i, j]) for n, i, j in at], PUMP) for key, end in ends),
        ),
    )


_CHANGED = ("flow_rate", "reaction_force", "extreme_reach")


def mistake_table(mistakes: Sequence[Mistakes], everything: bool = False) -> Table:
    """Believed against delivered; with the line and the nozzle pressure if everything is wanted."""
    rows = [(one, row) for one in mistakes for row in range(len(one.labels))]
    pairs = _pair_columns([one.pair for one, _ in rows])
    columns: list[Column] = [*(pairs if everything else pairs[:1])]
    columns.append(Column("what is wrong", [capital(one.labels[row]) for one, row in rows]))
    for name in (*_CHANGED, *(("supply.delivered_pressure",) if everything else ())):
        columns.append(Column(name, [float(one.results[name][row]) for one, row in rows]))
        if name in _CHANGED:
            change = [100 * float(one.change(name)[row]) for one, row in rows]
            columns.append(Column(f"{name}_change [%]", change, label="Change, %", digits=2))
    return Table(
        "believed_against_delivered_all" if everything else "believed_against_delivered",
        f"{capital(mistakes[0].pair.line.label)}: what is delivered when something is not as believed",
        tuple(columns),
        "Pumped for each target by the stated coefficients. A fixed opening that loses a quarter of its flow to hose "
        "or pump loses 44 % of its pressure and reaction; a wrong setting changes the opening itself. Every line: "
        "tables/believed_against_delivered_all.csv.",
        most=60,
    )


def choice_table(found: Found) -> Table:
    """The best point of each pair."""
    rows = found.choices
    return Table(
        "operating_choice",
        "The best pump pressure of each nozzle and line",
        (
            *_pair_columns([c.swept.pair for c in rows]),
            Column(PUMP, [c.pump_pressure for c in rows], label="Pump at"),
            *(_middle(name, rows) for name in ("flow_rate", "supply.crew_force", "extreme_reach")),
            *(
                Column(
                    f"{key} [%]",
                    [100 * float(getattr(c.chances, member)[c.place]) for c in rows],
                    label=label,
                    digits=2,
                )
                for key, member, label in (
                    ("target_flow", "flow", "Target flow, %"),
                    ("stated_limit", "limit", "Stated limit, %"),
                    ("both", "both", "Both, %"),
                )
            ),
            Column("wanted chance", ["yes" if c.met else "no" for c in rows]),
        ),
        "Medians, and chances in percent of the runs. Where the wanted chance is not reached, the pump pressure with "
        "the best chance.",
    )


def _middle(name: str, rows: Sequence[Choice]) -> Column:
    return Column(name, [float(c.swept.spread(name).middle[c.place]) for c in rows])


def ranking_table(found: Found) -> Table:
    """Indices and ranks of every ranked nozzle."""
    rows = [
        (ranking, output, str(name))
        for ranking in found.rankings
        for output in ranking.outputs
        for name in ranking.indices["parameter"].values
    ]

    def values(dataset: str, name: str) -> list[float]:
        return [float(getattr(r, dataset)[name].sel(output=o, parameter=p)) for r, o, p in rows]

    return Table(
        "sobol_indices",
        "What moves delivered flow and reach: all indices and places",
        (
            Column("nozzle", [capital(r.estimate.pair.nozzle.label) for r, _, _ in rows]),
            Column("output", [capital(r.outputs[o]) for r, o, _ in rows]),
            Column("input", [capital(display.short_label(p)) if p in QUANTITIES else p for _, _, p in rows]),
            Column("S1", values("indices", "S1"), label="On its own (S1)"),
            Column("ST", values("indices", "ST"), label="With interactions (ST)"),
            Column("ST_low", values("indices", "ST_low"), label="ST, low end"),
            Column("ST_high", values("indices", "ST_high"), label="ST, high end"),
            Column("place", [str(r.ranks["label"].sel(output=o, parameter=p).item()) for r, o, p in rows]),
        ),
        "Shares of the output's variance with 95 % intervals over replicates; equal places are ties.",
        most=24,
    )


# --------------------------------------------------------------------------------------------------------
# What the reader judges the study by


def report_card(loaded: Loaded, found: Found, question: str) -> ReportCard:
    """Method, sizes, inputs and sources."""
    space, department = loaded.space, loaded.department
    negative = [float(r.indices["S1"].min()) for r in found.rankings]
    return ReportCard(
        question=question,
        method="Exact operating points of pump, line and nozzle with a simulated flight for each draw of the inputs; "
        "Sobol' indices by replicated scrambled sequences, estimators of Saltelli 2010 and Jansen 1999 averaged",
        runs=found.runs,
        seed=space.seed,
        failures=0,
        intervals=f"t-intervals (95 %) over {space.replicates} replicates; bands hold the middle 90 % of "
        f"{loaded.draws:,} draws, so a chance is known to about {percent(1 / np.sqrt(loaded.draws))}",
        convergence=" ".join(f"{capital(r.estimate.pair.nozzle.label)}: {r.convergence}" for r in found.rankings),
        negative_estimates=f"lowest first-order estimate {min(negative):.1g}" if min(negative) < 0 else "none",
        inputs=findings.input_lines(space),
        fixed=findings.fixed_words(space),
        more={"Shutoff": waterway_sentence(loaded), **sources(department)},
    )


def sources(department: Department) -> dict[str, str]:
    """Where limits and hose coefficients come from."""
    hoses = {f"Coefficient of {label}": words for label, words in department.hose_sources.items()}
    return {"Handling limits": department.crew.limits.source, **hoses}


def validity_counts(found: Found) -> list[ValidityCount]:
    """How many of the single runs lie outside the range of a fit."""
    flags = np.concatenate([dataset["validity"].values for dataset in found.datasets if "validity" in dataset])
    return findings.flag_counts(flags)
