"""Figures and tables of a study of assumptions."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim import findings
from jetsim.assumptions.moves import shifts
from jetsim.assumptions.question import Measurement, Plan, Reading
from jetsim.assumptions.runs import Combination, Found
from jetsim.assumptions.words import (
    ROLE_PARTS,
    interaction_sentence,
    labels_of,
    law_words,
    laws_words,
    shift_noun,
)
from jetsim.quantities import UnitSystem
from jetsim.report import display, figures
from jetsim.report.figures import ROLES, Words
from jetsim.report.tables import Column, Table

Array = NDArray[np.float64]
# Inputs whose total share stays below this with every combination are left out of figures, never of files.
_SHOWN, _MOST_SHOWN = 0.05, 8


def shown_inputs(studied: Sequence[Combination], output: str) -> list[str]:
    """Inputs worth a line: by their largest total share over the combinations."""
    totals = _totals(studied, output)
    names = [str(name) for name in studied[0].indices["parameter"].values]
    largest = np.nan_to_num(totals).max(axis=0)
    order = [n for n in np.argsort(-largest, kind="stable") if largest[n] >= _SHOWN][:_MOST_SHOWN]
    by_first = sorted(order, key=lambda n: -np.nan_to_num(totals[0, n]))
    return [names[n] for n in by_first]


def _totals(studied: Sequence[Combination], output: str) -> Array:
    return np.array([c.indices["ST"].sel(output=output).values for c in studied])


def roles_of(plan: Plan) -> dict[str, str]:
    """Role of each input."""
    return {parameter.name: parameter.role for parameter in plan.space.parameters}


def one_by_one(plan: Plan, found: Found) -> list[Combination]:
    """The reference and the combinations that differ from it in one assumption."""
    return [c for c in found.combinations if len(plan.changed(c.laws)) < 2]


def flow_figure(plan: Plan, found: Found, output: str) -> figures.Plot:
    """How ranks move as one assumption after another is changed."""
    studied = [c for c in one_by_one(plan, found) if c.defined(output)]
    names = shown_inputs(studied, output)
    labels = ["reference" if not plan.changed(c.laws) else law_words(c.laws[plan.changed(c.laws)[0]]) for c in studied]
    ranks = np.array([c.ranking["rank"].sel(output=output, parameter=names).values for c in studied], dtype=float)
    led = {tuple(c.leaders(output)) for c in studied}
    noun = findings.output_words(output)
    words = Words(
        f"rank_flow_{output}{plan.suffix}",
        f"{noun.capitalize()}: {'the same input leads' if len(led) == 1 else 'the leaders change places'} "
        "as one assumption after another is changed",
        f"Places by total share. Reference: {laws_words(plan.reference)}; each further place changes one of them.",
    )
    return figures.rank_flow(words, figures.RankFlow(ranks, labels, names, roles_of(plan), labels_of(plan)))


def heat_figure(plan: Plan, found: Found, output: str) -> figures.Plot:
    """Total indices of the leading inputs with every combination."""
    names = shown_inputs(found.combinations, output)
    values = np.array([c.indices["ST"].sel(output=output, parameter=names).values for c in found.combinations])
    labels = labels_of(plan)
    low, high = np.nanmin(values, axis=0), np.nanmax(values, axis=0)
    widest = int((high - low).argmax())
    words = Words(
        f"totals_{output}{plan.suffix}",
        f"{findings.output_words(output).capitalize()}: the total share of {labels[names[widest]]} runs from "
        f"{100 * low[widest]:.0f} to {100 * high[widest]:.0f} % by what is assumed",
        "Total share of each input with each combination of laws; 0 where the laws never read it.",
    )
    rows = [laws_words(c.laws) for c in found.combinations]
    matrix = figures.Matrix(
        100 * values, rows, [labels[name] for name in names], "total share, %", 0.0, 100.0, lambda v: f"{v:.0f}"
    )
    return figures.heat_map(words, matrix)


def shares_figure(plan: Plan, found: Found) -> figures.Plot | None:
    """Variance owed to structure, physics, weather and crew; None where no output has shares."""
    bars, values = [], []
    editions = [("", found.joint.roles)]
    if plan.contrasts:
        editions.append((" (without contrast laws)", found.expected))
    roles = [role for role in ROLE_PARTS if role in plan.space.roles]
    for output in plan.headline:
        for words_, shares in editions if output in plan.reaches else editions[:1]:
            alone = [
                float(shares["S1"].sel(output=output, parameter=r)) if r in shares["parameter"].values else 0.0
                for r in roles
            ]
            if np.isfinite(alone).all():
                bars.append(findings.output_words(output).capitalize() + words_)
                values.append([*np.clip(alone, 0, 1), max(0.0, 1 - sum(alone))])
    if not bars:
        return None
    words = Words(
        f"structure_physics_weather{plan.suffix}",
        _shares_title(plan, found),
        "What each explains alone, all of its inputs together. Laws are equally likely. Estimates below zero are drawn "
        "as zero; the table shows them.",
    )
    parts = [*(ROLE_PARTS[role] for role in roles), "together"]
    looks = [*(ROLES[role] for role in roles), figures.Look("#bbbbbb", "x", "-", "....")]
    return figures.share_bars(words, figures.Shares(np.array(values), bars, parts, "share of variance", looks))


def _shares_title(plan: Plan, found: Found) -> str:
    """The largest part of the first output's variance, with and without the laws of contrast."""
    output = plan.headline[0]
    noun, parts = findings.output_words(output), []
    for shares, words in ((found.joint.roles, ""), (found.expected, " without the contrast laws")):
        alone = shares["S1"].sel(output=output, parameter=[role for role in ROLE_PARTS if role in shares["parameter"]])
        if alone.notnull().all():
            name = str(alone["parameter"].values[int(alone.values.argmax())])
            parts.append(f"{100 * float(alone.max()):.0f} % {ROLE_PARTS[name]}{words}")
    both = ", ".join(parts[: 2 if plan.contrasts else 1])
    return f"Largest part of the variance of {noun}: {both}" if parts else f"{noun.capitalize()} has no shares"


def joint_figure(plan: Plan, found: Found) -> figures.Plot:
    """Index bars of the joint design."""
    labels = labels_of(plan)
    view = figures.IndexView(found.joint.indices, roles_of(plan), labels, found.joint.ranking, most=8)
    words = Words(
        f"joint_indices{plan.suffix}",
        "Assumptions among the inputs: shares of variance, all laws together",
        f"Shares with 95 % intervals over {plan.space.replicates} repeats of {plan.space.base_samples} base samples; "
        "every law equally likely. Brackets join inputs that the runs cannot tell apart.",
    )
    return figures.index_bars(words, view, list(plan.headline))


def interaction_figure(plan: Plan, found: Found, output: str) -> figures.Plot | None:
    """Which inputs act together, in the joint design; None where a sentence tells all: two, or next to nothing."""
    at = found.joint.interactions.sel(output=output)
    names = [str(n) for n in at["parameter"].values]
    strength = np.nan_to_num(np.where(at["significant"].values, at["S2"].values, 0.0)).max(axis=1)
    chosen = [names[n] for n in np.argsort(-strength, kind="stable")[:8] if strength[n] > 0]
    if len(chosen) < 3 or strength.max() < figures.NOTHING:
        return None
    pairs = at.sel(parameter=chosen, other_parameter=chosen)
    values = np.where(pairs["significant"].values, pairs["S2"].values, np.nan)
    labels = {**findings.labels_of(plan.space), **labels_of(plan)}
    words = Words(
        f"interactions_{output}{plan.suffix}",
        interaction_sentence(plan, found, output).rstrip("."),
        "Share of the variance that two inputs move only together (their second-order share), all laws varied; shown "
        "where it surely differs from zero (adjusted for all pairs).",
    )
    wide = [labels[name] for name in chosen]
    shown = figures.Matrix(values, wide, wide, "second-order share", 0.0, shown=lambda value: f"{value:.3f}")
    return figures.heat_map(words, shown)


def convergence_figure(plan: Plan, found: Found) -> figures.Plot:
    """Total indices of the joint design against its size."""
    words = Words(
        f"convergence{plan.suffix}",
        f"All laws together: {found.joint.gate.sentence.partition(':')[0].rstrip('.').lower()}",
        "Total shares of the leaders, 95 % intervals.",
    )
    return figures.convergence_lines(words, figures.ConvergenceView(found.joint.history, labels_of(plan)))


# ---------------------------------------------------------------------------------------------------------
# Tables


def combination_table(plan: Plan, found: Found) -> Table:
    """What leads each headline output with each combination, its total share, and the mean of reach."""
    labels, studied = labels_of(plan), found.combinations
    columns = [Column("laws", [laws_words(c.laws) for c in studied], "", "laws")]
    for output in plan.headline:
        noun = findings.output_words(output)
        leaders = [_leaders_words(c, output, labels) for c in studied]
        columns.append(Column(f"{output}_leader", leaders, "", f"{noun}: leader"))
        columns.append(Column(f"{output}_total", [_leading(c, output, "ST") for c in studied], "", "share", decimals=2))
    reach = plan.reaches[0]
    means = [_moment(c, reach, "mean") for c in studied]
    columns.append(Column(f"{reach}_mean", means, reach, f"mean {findings.output_words(reach)}"))
    return Table(
        f"combinations{plan.suffix}",
        "What leads with each combination of laws, and its total share",
        tuple(columns),
        caption="Several names are a tie; the share is that of the first. Intervals are in the file of all indices.",
        most=len(studied),
    )


def _leaders_words(combination: Combination, output: str, labels: dict[str, str]) -> str:
    first = combination.leaders(output)
    if len(first) > 3:
        return f"{len(first)} inputs, not told apart"
    return " and ".join(labels[name] for name in first) or "no ranking"


def _leading(combination: Combination, output: str, key: str) -> float:
    first = combination.leaders(output)
    return combination.total(output, first[0], key) if first else np.nan


def _moment(combination: Combination, output: str, key: str) -> float:
    return float(combination.indices[key].sel(output=output))


def totals_table(plan: Plan, found: Found) -> Table:
    """Every first-order and total index with its interval and place, of every combination."""
    one = found.reference.indices
    outputs, inputs = ([str(name) for name in one[key].values] for key in ("output", "parameter"))
    size = len(outputs) * len(inputs)
    columns = [Column(n, [c.laws[n] for c in found.combinations for _ in range(size)], "") for n in plan.choices]
    columns.append(Column("output", [o for _ in found.combinations for o in outputs for _ in inputs], ""))
    columns.append(Column("input", inputs * (len(outputs) * len(found.combinations)), ""))
    places = [str(text) for c in found.combinations for text in _flat(c.ranking["label"])]
    columns.append(Column("place", places, ""))
    for key in ("S1", "S1_low", "S1_high", "ST", "ST_low", "ST_high"):
        columns.append(Column(key, np.concatenate([_flat(c.indices[key]) for c in found.combinations]), ""))
    return Table(f"all_indices{plan.suffix}", "All indices of all combinations", tuple(columns), "With 95 % intervals.")


def _flat(values: xr.DataArray) -> NDArray[Any]:
    """Values by output, then by input."""
    return np.asarray(values.transpose("output", "parameter").values.ravel())


def shift_table(plan: Plan, found: Found) -> Table:
    """How far each assumption moves the ranking."""
    rows = [(output, shift) for output in plan.reaches for shift in shifts(plan, found, output)]
    columns = (
        Column("output", [findings.output_words(o) for o, _ in rows], "", "output"),
        Column("assumption", [shift_noun(s) for _, s in rows], "", "assumption that is changed"),
        Column("share", [s.share for _, s in rows], "", "mean largest change of a total share", decimals=3),
        Column("leader", [s.leader for _, s in rows], "", "part of pairs whose leader changes", decimals=3),
        Column("pairs", [s.pairs for _, s in rows], "", "pairs of combinations"),
    )
    caption = (
        "Over all pairs of combinations that differ in this assumption alone: the change of the most-moved input's "
        "total share, on average, and how often another input leads."
    )
    return Table(
        f"shifts{plan.suffix}", "How far a ranking moves when one assumption alone is changed", columns, caption
    )


def measurement_table(plan: Plan, found: Found, system: UnitSystem) -> Table:
    """What each measurement is expected to take away of each output."""
    rows = [(m.measurement, o, fall) for m in found.measured for o, fall in m.falls.items()]
    columns = [
        Column("measurement", [m.label for m, _, _ in rows], "", "measurement"),
        Column("output", [findings.output_words(o) for _, o, _ in rows], "", "output"),
    ]
    for key, words in (("share", "expected to go"), ("low", "low"), ("high", "high")):
        columns.append(Column(key, [float(getattr(fall, key)) for _, _, fall in rows], "", words, decimals=3))
    columns.append(Column("read", [_readings_words(m, system) for m, _, _ in rows], "", "what is read"))
    caption = (
        "Share of the output's variance that is expected to go once the reading is known, with its 95 % interval over "
        "independent samples. The unknowns are the same for reading and output; controls and weather stand at their "
        "medians while one reads. What an eye calls breakup is taken as the law's."
    )
    return Table(f"measurements{plan.suffix}", "What one reading would take away", tuple(columns), caption)


def _readings_words(measurement: Measurement, system: UnitSystem) -> str:
    return "; ".join(_reading_words(reading, system) for reading in measurement.readings)


def _reading_words(reading: Reading, system: UnitSystem) -> str:
    where = [law_words(v) if isinstance(v, str) else f"{display.trade(n)} {display.value(n, v, system)}"
             for n, v in reading.where.items()]  # fmt: skip
    there = f", {', '.join(where)}" if where else ""
    error = display.value(reading.of, reading.error, system, interval=True)
    return f"{display.trade(reading.of)} within {error} (standard deviation){there}"


def pawn_table(plan: Plan, found: Found) -> Table | None:
    """The moment-independent check, beside the total index; None where runs are too few."""
    if found.joint.pawn is None:
        return None
    pawn, totals, labels = found.joint.pawn, found.joint.indices["ST"], labels_of(plan)
    rows = []
    for output in plan.reaches:
        order = np.argsort(-pawn["pawn"].sel(output=output).values, kind="stable")[:8]
        rows += [(output, str(pawn["parameter"].values[n])) for n in order]
    known = set(totals["parameter"].values)
    columns = (
        Column("output", [findings.output_words(o) for o, _ in rows], "", "output"),
        Column("input", [labels.get(p, p) for _, p in rows], "", "input"),
        Column("pawn", [float(pawn["pawn"].sel(output=o, parameter=p)) for o, p in rows], "", "distance", decimals=3),
        Column("floor", [float(pawn["floor"].sel(output=o)) for o, _ in rows], "", "floor", decimals=3),
        Column("skewness", [float(pawn["skewness"].sel(output=o)) for o, _ in rows], "", "skewness", decimals=2),
        Column("ST", [float(totals.sel(output=o, parameter=p)) if p in known else np.nan for o, p in rows], "",
               "total share", decimals=3),
    )  # fmt: skip
    caption = (
        "Distance between the output's distribution within a narrow slice of the input and over all runs, 0 to 1 (PAWN "
        "index); below the floor it means nothing. Beside it, the total share."
    )
    return Table(f"moment_independent{plan.suffix}", "A check beyond variance, from the same runs", columns, caption)


def mapping_table(plan: Plan, found: Found) -> Table:
    """Which inputs decide on a side of each limit."""
    labels = labels_of(plan)
    rows = [(m.limit, m.regions.sel(parameter=p)) for m in found.mapped if m.regions is not None
            for p in m.regions["parameter"].values[:6]]  # fmt: skip
    p_values = [float(region["p_value"]) for _, region in rows]
    columns = (
        Column("limit", [limit.name.replace("_", " ") for limit, _ in rows], "", "limit"),
        Column("input", [labels[str(region["parameter"].item())] for _, region in rows], "", "input"),
        Column("distance", [float(region["distance"]) for _, region in rows], "", "distance", decimals=3),
        Column("p_value", ["under 0.001" if p < 0.001 else f"{p:.3f}" for p in p_values], "", "p-value (adjusted)"),
    )
    caption = (
        "Largest distance between the input's distributions on either side of the limit, 0 to 1, and the chance of as "
        "large a one if the input had no part in it."
    )
    return Table(f"conditions{plan.suffix}", "Inputs that decide on a side of a limit", columns, caption)


def screening_table(plan: Plan, found: Found) -> Table:
    """Morris' mean absolute effects with the reference combination."""
    effects, labels = found.effects, findings.labels_of(plan.space)
    rows = []
    for output in plan.reaches:
        values = np.nan_to_num(effects["mu_star"].sel(output=output).values)
        rows += [(output, str(effects["parameter"].values[n])) for n in np.argsort(-values, kind="stable")[:8]]
    outputs = [o for o, _ in rows]
    columns = [
        Column("output", [findings.output_words(o) for o in outputs], "", "output"),
        Column("input", [labels[p] for _, p in rows], "", "input"),
    ]
    for key, words in (("mu_star", "mean absolute effect"), ("sigma", "standard deviation of effects")):
        values = [float(effects[key].sel(output=o, parameter=p)) for o, p in rows]
        columns.append(Column(key, values, outputs, words, interval=True))
    caption = (
        "With the reference's laws: how far the output moves over the whole of an input's range (of its probability), "
        "measured over steps of half of it (Morris' elementary effects). Tied inputs are split here."
    )
    return Table(f"screening{plan.suffix}", "Elementary effects with the reference", tuple(columns), caption)
