"""Sentences of a study of assumptions: they say what was found and compute nothing but counts."""

import json
from collections.abc import Mapping, Sequence

import numpy as np
import xarray as xr

from jetsim import findings
from jetsim.assumptions.moves import LEADER, Shift, Swap, largest_swap, leader_survives, pairs, shifts
from jetsim.assumptions.question import VALVE, Laws, Plan
from jetsim.assumptions.runs import Combination, Found, Mapped
from jetsim.experiment.ranking import rank
from jetsim.experiment.readings import Fall
from jetsim.experiment.space import ParameterSpace
from jetsim.jet.laws import DRAG_LAWS
from jetsim.quantities import QUANTITIES, UnitSystem
from jetsim.report import display
from jetsim.report.display import percent
from jetsim.report.document import MOST_LEAD

Labels = Mapping[str, str]
_CHANGE = f"{100 * LEADER:.0f}"
_MOST_NAMED = 3
# A total share below this in every output needs no remark on what it rests on.
_REMARKABLE = 0.03
_LAW_WORDS = {
    "factor": "shutoff by its measured factor",
    "upstream factor": "shutoff by its assumed factor",
    "clear": "shutoff without effect",
    "loss": "shutoff by its loss",
    "decaying loss": "shutoff by its decaying loss",
    "two_regime": "two breakup regimes",
    "atomization": "atomization",
    "surface": "surface breakup",
}
# What each formula that had to be chosen is for.
_FORMULAS = {"valve_model": "the shutoff", "breakup_model": "breakup", "drag_model": "flight"}


def law_words(law: str) -> str:
    """A law in words."""
    return DRAG_LAWS[law].words if law in DRAG_LAWS else _LAW_WORDS.get(law, law.replace("_", " "))


def laws_words(laws: Laws) -> str:
    """A combination of laws in words."""
    return ", ".join(law_words(law) for law in laws.values())


def labels_of(plan: Plan) -> dict[str, str]:
    """Inputs and choices of law in words, each as a whole."""
    return {**findings.whole_labels(plan.space), **{name: display.trade(name) for name in plan.choices}}


def interval(indices: xr.Dataset, output: str, name: str, index: str) -> str:
    """A share with its interval in percent."""
    at = indices.sel(output=output, parameter=name)
    middle, low, high = (round(100 * float(at[key])) for key in (index, f"{index}_low", f"{index}_high"))
    return f"{middle} % ({low} to {high})"


def listed(words: Sequence[str], joint: str = "and") -> str:
    """Words as a list in a sentence."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {joint} {words[-1]}"


# ---------------------------------------------------------------------------------------------------------
# Leading control, and whether it survives


def lead(plans: Sequence[Plan], founds: Sequence[Found], outside: str) -> list[str]:
    """The findings for a briefing; `outside` says what lies outside the tests."""
    plan, found = plans[0], founds[0]
    if len(plans) > 1:
        each = [f"{one.label}: {_uncapital(verdict(one, of))}" for one, of in zip(plans, founds, strict=True)]
        return [text for text in (overview(plans, founds), outside, *each) if text][:MOST_LEAD]
    combination, reach = found.reference, plan.reaches[0]
    said = [
        f"{plan.label}: {_uncapital(verdict(plan, found))}" if plan.label else verdict(plan, found),
        findings.leading_sentence(combination.indices, combination.ranking, reach, labels_of(plan)),
        outside,
        best_reading(plan, found),
        largest_assumption(plan, found),
    ]
    return [text for text in said if text]


def _uncapital(text: str) -> str:
    return text[:1].lower() + text[1:]


def best_reading(plan: Plan, found: Found) -> str:
    """The reading that is expected to take away most; empty where none was asked for."""
    output = plan.reaches[0]
    told = [(m.falls[output], m.measurement.label) for m in found.measured if np.isfinite(m.falls[output].share)]
    if not told:
        return ""
    fall, label = max(told, key=lambda pair: pair[0].share)
    near = [other for one, other in told if other != label and one.high >= fall.low]
    close = f", too close to call with {listed(near)}" if near else ""
    return (
        f"The measurement that would teach most about {findings.output_words(output)} is {label}{close}: "
        f"it should settle {fall_words(fall)} {findings.OF_ALL}."
    )


def largest_assumption(plan: Plan, found: Found) -> str:
    """The choice of law that moves reach most of those that are expected to hold, or a tie; empty without any."""
    reach = plan.reaches[0]
    names = [name for name in plan.choices if name in found.expected["parameter"].values]
    if not names or found.expected["ST"].sel(output=reach).isnull().any():
        return ""
    shares = found.expected.sel(parameter=names)
    first = findings.leaders(shares, rank(shares), reach)[0]
    largest = first[0]
    meant = ", which says nothing of how much a shutoff itself does" if largest == VALVE else ""
    named = [_FORMULAS.get(name, display.trade(name)) for name in first]
    those, tie, which = f"the one for {named[0]} matters", "", ""
    if len(first) > 1:
        those, tie, which = f"those for {listed(named)} matter", ", too close to call", f" for {named[0]}"
    return (
        f"Of the formulas that had to be assumed, {those} most for {findings.output_words(reach)}{tie}: not knowing "
        f"the right one{which} is {interval(found.expected, reach, largest, 'ST')} {findings.OF_ALL}{meant}."
    )


def further(plans: Sequence[Plan], founds: Sequence[Found]) -> list[str]:
    """What else was found: all about one stream, a paragraph about each of several."""
    if len(plans) > 1:
        return [short_lead(plan, found) for plan, found in zip(plans, founds, strict=True)]
    return case_further(plans[0], founds[0])


def case_further(plan: Plan, found: Found) -> list[str]:
    """The findings about one stream in full."""
    reach = plan.reaches[0]
    said = [
        headline(plan, found),
        assumption_sentence(plan, found),
        shares_sentence(plan, found, reach),
        groups_sentence(found, reach),
        everywhere(plan, found),
        shift_sentence(plan, found, reach),
        measurement_sentence(plan, found),
        f"{ignorance_sentence(plan, found)} {standing(plan)}",
    ]
    return [sentence for sentence in said if sentence]


def short_lead(plan: Plan, found: Found) -> str:
    """The findings about one of several streams, in a paragraph."""
    said = [verdict(plan, found), measurement_sentence(plan, found), standing(plan)]
    return f"{plan.label}: {' '.join(sentence for sentence in said if sentence)}"


def idle_words(found: Found) -> str:
    """How many inputs the laws of a combination never read."""
    counts = sorted(len(c.idle) for c in found.combinations)
    span = f"{counts[0]} to {counts[-1]}" if counts[0] < counts[-1] else str(counts[0])
    return (
        f"Each input was first moved alone: {span} of them, depending on the combination, changed no output, because "
        "its laws never read them. They were held at their medians; their shares are exactly zero."
    )


def headline(plan: Plan, found: Found) -> str:
    """The first paragraph: what leads each output, and whether that holds whatever is assumed of the shutoff."""
    labels = labels_of(plan)
    led = "; ".join(_led(plan, found.reference, output, labels) for output in plan.headline)
    valve = found.varied(VALVE)
    fates = [_survival(valve, output, labels) for output in plan.headline]
    return (
        f"By the first law of each choice ({laws_words(plan.reference)}), in total shares of variance with 95 % "
        f"intervals: {led}. "
        f"{' '.join(filter(None, (verdict(plan, found), *fates)))}"
    )


def _led(plan: Plan, combination: Combination, output: str, labels: Labels) -> str:
    """What leads an output, and what the crew can do most with."""
    name = findings.output_words(output)
    if not combination.defined(output):
        return f"{name} has no ranking"
    first = combination.leaders(output)
    shown = [findings.share_words(combination.indices, output, n, labels) for n in first[:_MOST_NAMED]]
    tie = ", too close to call" if len(first) > 1 else ""
    control = _leading_control(plan.space, combination, output)
    crew = "" if control in first or control is None else (
        f" and, of what the crew controls, by {findings.share_words(combination.indices, output, control, labels)}"
    )  # fmt: skip
    return f"{name} is led by {listed(shown)}{tie}{crew}"


def _leading_control(space: ParameterSpace, combination: Combination, output: str) -> str | None:
    controls = [p.name for p in space.parameters if p.role == "controllable"]
    if not controls:
        return None
    totals = combination.indices["ST"].sel(output=output, parameter=controls)
    return controls[int(totals.values.argmax())]


def verdict(plan: Plan, found: Found) -> str:
    """Whether leaders stay, and what follows them nearly so, whatever is assumed of the shutoff, in one sentence."""
    valve = found.varied(VALVE)
    ranked = [o for o in plan.headline if found.reference.defined(o)]
    moved = [o for o in ranked if not leader_survives(valve, o) or largest_swap(valve, o)]
    kept = [findings.output_words(o) for o in ranked if o not in moved]
    if not ranked:
        return "Whether an order survives cannot be said."
    sure = "" if all(c.gate.passed for c in valve) else ", as far as these computed throws can tell"
    if not moved:
        return (
            f"Whatever is assumed of the shutoff, what matters most for {listed(kept)} stays the same{sure} (behind "
            f"it only near-equals change places, less than {_CHANGE} points of a hundred apart before or after)."
        )
    noun = listed([findings.output_words(o) for o in moved])
    stays = f"; for {listed(kept)} it does not{sure}" if kept else ""
    return (
        f"What matters for {noun} depends on what is assumed of the shutoff{stays} (another leads, or others change "
        f"places that are {_CHANGE} points of a hundred or more apart both before and after)."
    )


def _survival(studied: Sequence[Combination], output: str, labels: Labels) -> str:
    """What happens to the leader and to the order of an output when something else is assumed of the shutoff."""
    name = findings.output_words(output).capitalize()
    if not studied[0].defined(output):
        return ""
    swap = largest_swap(studied, output)
    if leader_survives(studied, output):
        first = studied[0].leaders(output)[0]
        ends = [c.total(output, first) for c in studied if c.defined(output)]
        text = f"{name} keeps its leader, {labels[first]}, at {percent(min(ends))} to {percent(max(ends))}"
        return f"{text}{_swap_words(swap, output, labels)}."
    parts = []
    for combination in studied[1:]:
        if combination.defined(output) and not set(combination.leaders(output)) & set(studied[0].leaders(output)):
            now = combination.leaders(output)[0]
            share = findings.share_words(combination.indices, output, now, labels)
            parts.append(f"to {share} with {law_words(combination.laws[VALVE])}")
    return f"{name} changes its leader from {labels[studied[0].leaders(output)[0]]} {listed(parts)}."


def _swap_words(swap: Swap | None, output: str, labels: Labels) -> str:
    if swap is None:
        return ""
    here, there = (law_words(c.laws[VALVE]) for c in (swap.here, swap.there))
    return (
        f", but {labels[swap.first]} ahead of {labels[swap.second]} with {here} falls behind it with {there} "
        f"({percent(swap.there.total(output, swap.first))} against {percent(swap.there.total(output, swap.second))})"
    )


def everywhere(plan: Plan, found: Found) -> str:
    """How often each output keeps its leader over all combinations."""
    parts = []
    for output in plan.headline:
        defined = [c for c in found.combinations if c.defined(output)]
        if not found.reference.defined(output):
            continue
        first = set(found.reference.leaders(output))
        kept = sum(bool(first & set(c.leaders(output))) for c in defined)
        parts.append(f"{findings.output_words(output)} in {kept} of {len(defined)}")
    laws = "formulas for shutoff, breakup and flight"
    return f"Over the combinations of {laws}, the leader stays: {', '.join(parts)}." if parts else ""


def same_sentence(plan: Plan, found: Found) -> str:
    """Pairs of laws that give the same runs for this stream."""
    alike = []
    for name, laws in plan.choices.items():
        for one, other in ((a, b) for i, a in enumerate(laws) for b in laws[i + 1 :]):
            # The reference has more runs than the others, so it cannot be compared run by run.
            wanted = [
                (a, b) for a, b in pairs(found.combinations[1:], name) if {a.laws[name], b.laws[name]} == {one, other}
            ]
            if wanted and all(a.indices["ST_replicates"].equals(b.indices["ST_replicates"]) for a, b in wanted):
                alike.append(f"{law_words(one)} and {law_words(other)} give the same runs")
    return f"For this stream {listed(alike)}: the choice between them decides nothing here." if alike else ""


# ---------------------------------------------------------------------------------------------------------
# Which assumption, whose share


def assumption_sentence(plan: Plan, found: Found) -> str:
    """Which assumption matters most, as a factor in the joint design, with and without the laws of contrast."""
    labels = labels_of(plan)
    parts = []
    for reach in plan.reaches:
        if found.joint.indices["ST"].sel(output=reach).isnull().any():
            continue
        ordered = _ordered(found.joint.indices, reach, list(plan.choices))
        shares = [f"{labels[n]} {interval(found.joint.indices, reach, n, 'ST')}" for n in ordered]
        parts.append(f"for {findings.output_words(reach)} {', '.join(shares)}")
    if not parts:
        return "Which assumption matters most cannot be said: reach has no ranking with all laws together."
    text = f"With every law equally likely, choices of law move, in total shares of variance: {'; '.join(parts)}."
    return f"{text} {_expected_words(plan, found)}".strip()


def _ordered(indices: xr.Dataset, output: str, names: Sequence[str]) -> list[str]:
    totals = indices["ST"].sel(output=output)
    return sorted(names, key=lambda name: -float(totals.sel(parameter=name)))


def _expected_words(plan: Plan, found: Found) -> str:
    if not plan.contrasts:
        return ""
    labels, reach = labels_of(plan), plan.reaches[0]
    names = [name for name in plan.choices if name in found.expected["parameter"].values]
    left_out = listed([law_words(law) for laws in plan.contrasts.values() for law in laws])
    if not names or found.expected["ST"].sel(output=reach).isnull().any():
        return ""
    shares = [f"{labels[n]} {interval(found.expected, reach, n, 'ST')}" for n in _ordered(found.expected, reach, names)]
    return (
        f"Without {left_out}, which is not expected to hold here, for {findings.output_words(reach)}: "
        f"{', '.join(shares)}."
    )


def shares_sentence(plan: Plan, found: Found, output: str) -> str:
    """What of the variance is owed to structure, ignorance, weather and crew, each alone."""
    with_all, without = (_role_shares(roles, output) for roles in (found.joint.roles, found.expected))
    if not with_all:
        return f"The variance of {findings.output_words(output)} cannot be shared out."
    also = f" (without the laws of contrast: {without})" if plan.contrasts and without else ""
    return (
        f"Of the variance of {findings.output_words(output)}, each alone explains: {with_all}{also}; the rest is "
        "owed to them together."
    )


ROLE_PARTS = {
    "structural": "structure (choice of laws)",
    "unknown": "physics (unknown constants)",
    "environment": "weather",
    "controllable": "crew controls",
}


def _role_shares(roles: xr.Dataset, output: str) -> str:
    if roles["S1"].sel(output=output).isnull().any():
        return ""
    known = [role for role in ROLE_PARTS if role in roles["parameter"].values]
    return ", ".join(f"{ROLE_PARTS[role]} {interval(roles, output, role, 'S1')}" for role in known)


def shift_sentence(plan: Plan, found: Found, output: str) -> str:
    """Which assumption moves the ranking most when it alone is changed."""
    moved = [shift for shift in shifts(plan, found, output) if shift.pairs and np.isfinite(shift.share)]
    if not moved:
        return ""
    shown = [f"{shift_noun(s)} {100 * s.share:.0f} points (leader changes in {percent(s.leader)})" for s in moved]
    return (
        f"Changing one assumption alone moves the most-moved input's total share of {findings.output_words(output)}, "
        f"on average, by: {', '.join(shown)}."
    )


def shift_noun(shift: Shift) -> str:
    """What is changed: a law, or the meaning of reach."""
    return display.trade(shift.assumption) if shift.assumption in QUANTITIES else shift.assumption


def groups_sentence(found: Found, output: str) -> str:
    """What would go if all inputs of a stated group were known."""
    shares = found.joint.groups
    if not shares.sizes["parameter"] or shares["S1"].sel(output=output).isnull().any():
        return ""
    ordered = sorted((str(n) for n in shares["parameter"].values), key=lambda n: -_closed_share(shares, output, n))
    shown = [f"{findings.group_words(name)} {interval(shares, output, name, 'S1')}" for name in ordered]
    return (
        f"Were all inputs of a group known, this much of the variance of {findings.output_words(output)} would go: "
        f"{', '.join(shown)}."
    )


def _closed_share(shares: xr.Dataset, output: str, name: str) -> float:
    return float(shares["S1"].sel(output=output, parameter=name))


def measurement_sentence(plan: Plan, found: Found) -> str:
    """What each measurement is expected to take away."""
    output = plan.reaches[0]
    told = [(m.measurement.label, m.falls[output]) for m in found.measured if np.isfinite(m.falls[output].share)]
    if not told:
        return ""
    bare = ", laws of contrast left out" if plan.contrasts else ""
    shown = [f"{label} {fall_words(fall)}" for label, fall in sorted(told, key=lambda pair: -pair[1].share)]
    return (
        f"One reading, with its stated error, is expected to take away this much of the variance of "
        f"{findings.output_words(output)}{bare}: {'; '.join(shown)}."
    )


def fall_words(fall: Fall) -> str:
    """An expected fall with its interval in percent."""
    share, low, high = (round(100 * value) for value in fall)
    return f"{share} % ({low} to {high})"


def ignorance_sentence(plan: Plan, found: Found) -> str:
    """What must not be read as the behaviour of a shutoff; of inputs that move something."""
    largest = found.joint.indices["ST"].max("output")
    small = [n for n in plan.inputs if not float(largest.sel(parameter=n)) >= _REMARKABLE]
    return findings.ignorance_sentence(plan.space, labels_of(plan), small)


def interaction_sentence(plan: Plan, found: Found, output: str) -> str:
    """Which two inputs act together most; empty where no pair surely does."""
    at = found.joint.interactions.sel(output=output)
    values = np.where(at["significant"].values, at["S2"].values, np.nan)
    if np.isnan(values).all():
        return ""
    row, column = np.unravel_index(int(np.nanargmax(values)), values.shape)
    names, labels = at["parameter"].values, {**findings.labels_of(plan.space), **labels_of(plan)}
    return (
        f"{findings.output_words(output).capitalize()}: {labels[str(names[row])]} and {labels[str(names[column])]} act "
        f"together most ({100 * values[row, column]:.1f} % of the variance)."
    )


# ---------------------------------------------------------------------------------------------------------
# What has not settled, and what a study states for itself


def gate_notices(plan: Plan, found: Found) -> list[str]:
    """What the runs are too few for."""
    joint = findings.unsettled_notice(found.joint.gate)
    said = [f"All formulas together: {joint[:1].lower()}{joint[1:]}"] if joint else []
    unsettled = [c for c in found.combinations if not c.gate.passed]
    if unsettled:
        worst = max((width for c in unsettled for width in c.gate.half_width.values()), default=np.nan)
        said.append(
            f"In {len(unsettled)} of {len(found.combinations)} combinations of formulas too few throws were computed "
            f"to settle the order: shares are known to within {max(100 * worst, 2.1):.2g} points of a hundred, and "
            "within 2 is wanted."
        )
    return [f"{plan.label}: {text}" if plan.suffix else text for text in said]


def standing(plan: Plan) -> str:
    """What the inputs of a plan rest on."""
    labels = labels_of(plan)
    return findings.standing_sentence({labels[p.name]: p for p in plan.space.parameters})


def overview(plans: Sequence[Plan], founds: Sequence[Found]) -> str:
    """For how many set-ups the leader stays the same whatever is assumed of the shutoff."""
    output = plans[0].reaches[0]
    kept = sum(leader_survives(found.varied(VALVE), output) for found in founds)
    return (
        f"Whatever is assumed of the shutoff, what matters most for {findings.output_words(output)} stays the same in "
        f"{display.number_words(kept)} of {display.number_words(len(plans))} set-ups."
    )


# ---------------------------------------------------------------------------------------------------------
# Conditions behind a limit


def mapped_sentence(mapped: Mapped, labels: Labels, system: UnitSystem) -> str:
    """Which conditions lead beyond a limit."""
    limit = mapped.limit
    words = (
        f"{findings.output_words(limit.output).capitalize()} {limit.side} "
        f"{display.value(limit.output, limit.value, system)}"
    )
    if mapped.regions is None:
        return f"{words}: nothing can be said, too few computed throws lie on one side of it."
    regions = mapped.regions
    sure = [str(n) for n in regions["parameter"].values if float(regions["p_value"].sel(parameter=n)) <= LEADER]
    choices = json.loads(regions.attrs["choices"])
    causes = [_cause(regions, n, choices, labels, system) for n in sure[:_MOST_NAMED]]
    share = f"{words}: {display.counted(float(regions['share']))}"
    return f"{share}, mostly with {listed(causes)}." if causes else f"{share}; no input decides it surely."


def _cause(regions: xr.Dataset, name: str, choices: Mapping[str, object], labels: Labels, system: UnitSystem) -> str:
    """Where an input lies inside of a region."""
    if name in choices:
        shares: Mapping[str, Sequence[float]] = choices[name]  # type: ignore[assignment] # JSON of factor_mapping
        law = max(shares, key=lambda text: shares[text][0] - shares[text][1])
        return f"{law_words(law)} as {labels.get(name, display.trade(name))} ({percent(shares[law][0])} of them)"
    inside, outside = (
        float(regions["value"].sel(parameter=name, region=r, quantile=0.5)) for r in ("inside", "outside")
    )
    side = "low" if inside < outside else "high"
    label = labels.get(name, display.trade(name))
    return f"{label} on the {side} side (median {display.value(name, inside, system)})"
