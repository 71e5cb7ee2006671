"""What every ranking study says in the same words: leaders and ties, tables of shares, inputs, warnings.

Joins experiment (indices, spaces) to report (sentences, tables); computes nothing that is not a mean, a quantile
or a count.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from jetsim.experiment import parameters
from jetsim.experiment.gate import Gate
from jetsim.experiment.space import Parameter, ParameterSpace
from jetsim.flags import VALIDITY, trade_words
from jetsim.hydraulics.crew import HandlingLimits
from jetsim.quantities import QUANTITIES, UnitSystem
from jetsim.report import display, glossary
from jetsim.report.document import InputLine, ValidityCount
from jetsim.report.figures import NOTHING, ROLE_WORDS, ControlEffect
from jetsim.report.tables import Column, Table

BINS = 12
ESTIMATES = "Sobol' indices by replicated scrambled sequences, estimators of Azzini, Mara & Rosati 2021"
OF_RANGES = "Shares hold for the ranges that are stated for the inputs: with other ranges the order may be another."
# What a share is a part of, in a lead.
OF_ALL = "of all that moves it or leaves it in doubt"
# A total share below this is not worth a word.
_WORTH_NAMING = 0.03
# More inputs than these in first place are no finding but a lack of runs.
_MOST_LEADERS = 3
_GROUPS = {"valve": "shutoff and waterway", "flight": "flight after breakup"}
# More of the runs than this outside a fit, and the first paragraph of a report says so.
MANY = 0.1


# The formula of handbooks by its constants, in the units of each edition.
_HANDBOOK: Mapping[UnitSystem, str] = {
    "us": "1.57 d^2 P for a smooth bore, 0.0505 Q sqrt(P) for fog; lbf, in, psi, gpm",
    "si": "0.157 d^2 P for a smooth bore, 0.226 Q sqrt(P) for fog; N, mm, bar, L/min",
}


def formula_words(limits: HandlingLimits, system: UnitSystem) -> str:
    """The formula that handling limits were stated for, with its constants if it is that of the handbooks."""
    return f"{limits.stated_for} ({_HANDBOOK[system]})" if limits.formula == "handbook" else limits.stated_for


def output_words(name: str) -> str:
    """An output as the trade calls it."""
    return glossary.trade(name) if name in QUANTITIES else name.replace("_", " ")


def labels_of(space: ParameterSpace) -> dict[str, str]:
    """Technical name of each column of a design; own parts of tied inputs are marked."""
    tied = {parameter.name for parameter in space.parameters if parameter.loadings}
    words = {}
    for column in space.column_details:
        name = column.long_name.partition(" (")[0]
        words[column.name] = f"{name} (own part)" if column.name in tied else name
    return words


def whole_labels(space: ParameterSpace) -> dict[str, str]:
    """What the trade calls each input, as a whole."""
    return {name: glossary.trade(name) if name in QUANTITIES else name for name in space.names}


def technical_labels(space: ParameterSpace) -> dict[str, str]:
    """What the methods and the fine tables call each input, as a whole."""
    return {parameter.name: parameter.long_name.partition(" (")[0] for parameter in space.parameters}


def group_words(name: str) -> str:
    """What a group of inputs is called."""
    return _GROUPS.get(name, name.replace("_", " "))


def wholes_sentence(space: ParameterSpace, labels: Mapping[str, str]) -> str:
    """That inputs with a cause in common overlap; empty where none is tied."""
    tied = [labels[parameter.name] for parameter in space.parameters if parameter.loadings]
    if not tied:
        return ""
    return (
        f"Taken as wholes, with all that they share: {', '.join(tied)}. Wholes that share a cause overlap, so their "
        "shares must not be added."
    )


def share_words(
    indices: xr.Dataset, output: str, name: str, labels: Mapping[str, str], of: str = "", index: str = "ST"
) -> str:
    """An input with its share, the total one by default (of what may be said), and its interval in percent."""
    low, middle, high = _percents(indices, output, name, index)
    return f"{labels.get(name, name)} ({middle} %{of}, {low} to {high})"


def _percents(indices: xr.Dataset, output: str, name: str, index: str) -> list[str]:
    """Low end, middle and high end of a share in percent, with a decimal where the ends would else be one."""
    at = indices.sel(output=output, parameter=name)
    ends = [100 * float(at[f"{index}{end}"]) for end in ("_low", "", "_high")]
    decimals = 0 if round(ends[0]) < round(ends[2]) else 1
    return [f"{end:.{decimals}f}" for end in ends]


def leaders(indices: xr.Dataset, ranking: xr.Dataset, output: str, index: str = "ST") -> tuple[list[str], list[str]]:
    """Inputs that lead an output (several where the runs cannot tell them apart), and up to three that follow."""
    totals = indices[index].sel(output=output)
    falling = totals.isel(parameter=np.argsort(-totals.values, kind="stable"))
    order = [str(n) for n in falling["parameter"].values]
    large = [n for n, share in zip(order[1:], falling.values[1:], strict=True) if share >= _WORTH_NAMING]
    tied = ranking["tied"].sel(output=output, parameter=order[0], other_parameter=large).values
    first = [order[0], *(n for n, as_well in zip(large, tied, strict=True) if as_well)]
    return first, [n for n in large if n not in first][:3]


def leaders_title(indices: xr.Dataset, ranking: xr.Dataset, output: str, labels: Mapping[str, str]) -> str:
    """The leaders of an output without numbers, for the title of a figure."""
    if indices["ST"].sel(output=output).isnull().any():
        return f"{output_words(output).capitalize()}: no ranking"
    first, _ = leaders(indices, ranking, output)
    if len(first) > _MOST_LEADERS:
        return f"{output_words(output).capitalize()}: too few computed throws to name a leader"
    tie = ", a tie" if len(first) > 1 else ""
    return f"{output_words(output).capitalize()} is moved most by {' and '.join(labels.get(n, n) for n in first)}{tie}"


def leading_sentence(
    indices: xr.Dataset, ranking: xr.Dataset, output: str, labels: Mapping[str, str], index: str = "ST"
) -> str:
    """What a result depends on most, for a lead: one share with its interval; ties are called ties."""
    heading = output_words(output).capitalize()
    if indices[index].sel(output=output).isnull().any():
        return f"{heading}: no ranking ({indices['reason'].sel(output=output).item()})."
    first, _ = leaders(indices, ranking, output, index)
    if len(first) > _MOST_LEADERS:
        return f"{heading}: too few computed throws to say what it depends on most."
    tie, this = (", too close to call", labels.get(first[0], first[0])) if len(first) > 1 else ("", "this")
    low, middle, high = _percents(indices, output, first[0], index)
    named = " and ".join(labels.get(name, name) for name in first)
    share = f"{OF_ALL}, {this} is {middle} % ({low} to {high})"
    return f"{heading} depends most on {named}{tie}: {share}."


def leaders_sentence(
    indices: xr.Dataset, ranking: xr.Dataset, output: str, labels: Mapping[str, str], index: str = "ST"
) -> str:
    """What moves an output most, with shares (total ones by default) and intervals; ties are called ties."""
    heading = output_words(output).capitalize()
    if indices[index].sel(output=output).isnull().any():
        return f"{heading}: no ranking ({indices['reason'].sel(output=output).item()})."
    first, rest = leaders(indices, ranking, output, index)
    shares = [share_words(indices, output, n, labels, "" if i else f" {OF_ALL}", index) for i, n in enumerate(first)]
    if len(first) > _MOST_LEADERS:
        largest = ", ".join(shares[:_MOST_LEADERS])
        return f"{heading}: too few computed throws to tell {len(first)} inputs apart. The largest shares: {largest}."
    shown = " and ".join(shares)
    tie = ", too close to call" if len(first) > 1 else ""
    then = f"; then {', '.join(share_words(indices, output, n, labels, index=index) for n in rest)}" if rest else ""
    tied_rest = ranking["tied"].sel(output=output, parameter=rest, other_parameter=rest).values
    if np.triu(tied_rest, 1).any():
        then += ", not all of which can be told apart"
    return f"{heading} is moved most by {shown}{tie}{then}."


def roles_sentence(roles: xr.Dataset, output: str) -> str:
    """How the variance of an output falls to crew, weather and ignorance, each moved together."""
    at = roles["ST"].sel(output=output)
    if at.isnull().any():
        return f"How much of {output_words(output)} falls to crew, weather and ignorance cannot be said."
    parts = [f"{100 * float(at.sel(parameter=r)):.0f} % to {w}" for r, w in ROLE_WORDS.items() if r in at["parameter"]]
    shared = f"{parts[0].replace(' % to ', ' % falls to ')}{''.join(f', {part}' for part in parts[1:])}"
    whole = f"Of all that moves {output_words(output)} or leaves it in doubt"
    return f"{whole}, {shared} (parts that act together count with each)."


def ignorance_sentence(space: ParameterSpace, labels: Mapping[str, str], idle: Collection[str] = ()) -> str:
    """What must not be read as the behaviour of a valve; inputs that move no output have no share to speak of."""
    unknown = [p for p in space.parameters if p.role == "unknown" and p.name not in idle]
    if not unknown:
        return "No input that is not known moves any output of this study."
    assumed = [p.name for p in unknown if p.basis == "assumption"]
    if not assumed:
        habit = ", a published value or common practice" if any(p.basis == "common practice" for p in unknown) else ""
        return f"Every input that is not known rests on a measurement{habit or ' or a published value'}."
    listed = "; ".join(labels[name] for name in assumed)
    what = "One input is assumed" if len(assumed) == 1 else f"{len(assumed)} inputs are assumed"
    return (
        f"{what}: {listed}. Such shares describe what is not known, not how this equipment behaves; a field test can "
        "settle them, this study cannot."
    )


def standing_sentence(parameters: Mapping[str, Parameter]) -> str:
    """Which inputs are measured, half learnt in a field test or believed; what weather and crew do is none of these.

    Parameters
    ----------
    parameters : mapping of str to Parameter
        By their labels.
    """
    unknown = {label: p for label, p in parameters.items() if p.role == "unknown"}
    measured = [label for label, p in unknown.items() if p.basis == "measured"]
    half = [label for label, p in unknown.items() if label not in measured and p.source.startswith("half learnt")]
    if not measured and not half:
        return f"None of the {len(unknown)} inputs that nobody sets was measured: all are as believed."
    told = [f"{word}: {'; '.join(names)}" for word, names in (("Measured", measured), ("Half learnt", half)) if names]
    rest = len(unknown) - len(measured) - len(half)
    return f"{'. '.join(told)}. As believed: the other {rest} inputs that nobody sets."


def unsettled_notice(gate: Gate) -> str:
    """What keeps an order from being quoted, for a first page; the gate's own sentence has every number."""
    if gate.passed:
        return ""
    output, width = max(gate.half_width.items(), key=lambda item: item[1], default=("", np.nan))
    known = (
        f" (least known is what moves {output_words(output)}: shares to within {100 * width:.2g} points of a hundred)"
        if np.isfinite(width)
        else ""
    )
    return f"Too few throws were computed to settle the order of what matters, so do not quote it{known}."


def tail_sentence(output: str, share: float, remedy: str) -> str:
    """That an output's shares did not settle because a few runs carry its variance, and what to do."""
    return (
        f"Of the variance of {output_words(output)}, one computed throw in a hundred carries {display.percent(share)} "
        f"(a heavy tail), so its shares have not settled: {remedy}."
    )


def outside_sentence(flags: ArrayLike, which: str = "") -> str:
    """What the first paragraph of a report says of runs outside the range of a fit.

    Parameters
    ----------
    flags : array_like of int
        `validity` of all runs.
    which : str, optional
        Which of the study's runs they are, such as ``"with the fog nozzle"``.

    Returns
    -------
    str
        How many of the runs lie outside any fit, and in trade words the two most frequent flags of those that more
        than a tenth of the runs carry (or else the most frequent one); empty where no more than a tenth lies outside.

    Examples
    --------
    >>> outside_sentence([0, 0, 0, 32])
    'In 25 of 100 computed throws the nozzle is held flatter or steeper than in the throws tested, so breakup and reach there are less sure.'
    """  # noqa: E501 - the example prints one line
    given = np.asarray(flags, dtype=np.int64).ravel()
    share = float(np.mean(given != 0)) if given.size else 0.0
    if share <= MANY:
        return ""
    words = trade_words()
    shares = {bit: float(np.mean(given & bit != 0)) for bit in VALIDITY}
    by_share = sorted(shares, key=lambda bit: -shares[bit])
    often = [bit for bit in by_share[:2] if shares[bit] > MANY] or by_share[:1]
    first, *others = (words[bit] for bit in often)
    throws = display.counted(share, " ".join(filter(None, ("computed throws", which))))
    if not others and shares[often[0]] == share:
        return f"In {throws} {first}, so breakup and reach there are less sure."
    where = ", and where ".join((first, *others))
    return f"In {throws} breakup and reach are less sure than for throws like those tested, above all where {where}."


def idle_sentence(idle: Sequence[str], labels: Mapping[str, str]) -> str:
    """Which inputs change none of a study's outputs in any run, from `unmoving`; empty where there is none."""
    if not idle:
        return ""
    named = ", ".join(labels[name] for name in idle)
    return f"These inputs change none of the outputs of this study; its laws may never read them: {named}."


def control_effect(
    space: ParameterSpace, column: str, values: NDArray[np.float64], sample: xr.Dataset, unit: NDArray[np.float64]
) -> ControlEffect:
    """An output in bins of equal count along one column of a design.

    Parameters
    ----------
    space : ParameterSpace
    column : str
    values : ndarray, shape (n,)
        The output, SI; runs of which it is undefined are left out.
    sample : xarray.Dataset
        The parameters of the same runs.
    unit : ndarray, shape (n, columns)
        Probabilities behind them: the position of a latent, which has no value of its own.
    """
    known: list[parameters.Column | Parameter] = [*space.column_details, *space.parameters]
    details = {item.name: item for item in known}[column]
    has_values = column in space.names and sample[column].dtype.kind in "fiu"
    position = sample[column].values if has_values else unit[:, space.columns.index(column)]
    order = np.argsort(position, kind="stable")
    bins = [b for b in np.array_split(order[np.isfinite(values[order])], BINS) if b.size]
    name = column if has_values else f"{details.long_name}, quantile"
    return ControlEffect(
        name,
        [float(np.median(position[b])) for b in bins],
        [float(values[b].mean()) for b in bins],
        [float(np.quantile(values[b], 0.1)) for b in bins],
        [float(np.quantile(values[b], 0.9)) for b in bins],
        details.role,
        glossary.trade(column) if column in QUANTITIES else display.short_label(name),
    )


def shares_table(name: str, title: str, indices: xr.Dataset, labels: Mapping[str, str], ranking: Any = None) -> Table:
    """First-order and total shares with their intervals, largest first; ranks where a ranking is given.

    Without total shares, first-order shares alone.
    """
    kinds = {key: words for key, words in (("S1", "alone"), ("ST", "total")) if key in indices}
    last = [*kinds][-1]
    pairs = [(o, p) for o in indices["output"].values for p in by_total(indices, o, last)]
    outputs, inputs = (xr.DataArray([str(name) for name in names], dims="row") for names in zip(*pairs, strict=True))

    def each(data: xr.Dataset, variable: str) -> list[Any]:
        return list(data[variable].sel(output=outputs, parameter=inputs).values.tolist())

    columns = [
        Column("output", [output_words(str(o)) for o, _ in pairs], "", "output"),
        Column("input", [labels.get(str(p), str(p)) for _, p in pairs], "", "input"),
    ]
    if ranking is not None:
        columns.append(Column("rank", [str(label) for label in each(ranking, "label")], "", "rank"))
    for key, words in kinds.items():
        columns.append(Column(key, each(indices, key), "", words, decimals=3))
        columns += [
            Column(f"{key}_{end}", each(indices, f"{key}_{end}"), "", end, decimals=3) for end in ("low", "high")
        ]
    caption = "Share of all that moves the output or leaves it in doubt (of its variance), with 95 % intervals: what "
    caption += "the input does alone"
    caption += ", and in total." if "ST" in kinds else "."
    if ranking is not None:
        caption += " A rank such as 3 to 5 is a tie."
    nothing = [high < NOTHING for high in each(indices, f"{last}_high")]  # an undefined share is not nothing
    words = f"a {'total ' if last == 'ST' else ''}share surely under {100 * NOTHING:g} %"
    return Table(name, title, tuple(columns), caption, most=100, nothing=nothing, nothing_words=words)


def by_total(indices: xr.Dataset, output: str, index: str = "ST") -> list[str]:
    """Inputs of an output, the largest share first: the total one by default."""
    totals = np.nan_to_num(indices[index].sel(output=output).values)
    return [str(n) for n in indices["parameter"].values[np.argsort(-totals, kind="stable")]]


def space_lines(space: ParameterSpace, system: UnitSystem) -> list[InputLine]:
    """Each input of a space, shared causes first, with its distribution and what that rests on."""
    shared = [InputLine(c.long_name, "standard normal score, shared", c.role, c.basis, c.source) for c in space.latents]
    return [*shared, *input_lines({p.long_name: p for p in space.parameters}, system)]


def input_lines(inputs: Mapping[str, Parameter], system: UnitSystem) -> list[InputLine]:
    """Each input, by its label, with its distribution in the edition's units and what that rests on."""
    return [InputLine(words, _distribution(p, system), p.role, p.basis, p.source) for words, p in inputs.items()]


def _distribution(parameter: Parameter, system: UnitSystem) -> str:
    ties = (f"; tied to {name.replace('_', ' ')} by {weight:+.2g}" for name, weight in parameter.loadings.items())
    unit = display.unit_label(parameter.name, system) if parameter.name in QUANTITIES else ""
    return parameter.distribution.describe(unit or "1") + "".join(ties)


def fixed_words(space: ParameterSpace, system: UnitSystem) -> dict[str, str]:
    """Inputs that do not vary, in words."""
    return {
        display.label(name): value if isinstance(value, str) else display.value(name, value, system)
        for name, value in space.fixed.items()
    }


def negative_words(indices: xr.Dataset) -> str:
    """How many estimates are negative, and the lowest: shown, never clipped."""
    negative = [float(v) for key in ("S1", "ST") for v in indices[key].values.ravel() if v < 0]
    return f"{len(negative)}, lowest {display.number(min(negative), 2)}" if negative else "none"


def sums_of_first_order(indices: xr.Dataset) -> dict[str, float]:
    """Sum of the first-order indices of each output."""
    sums = indices["S1"].sum("parameter")
    return {output_words(str(o)): float(sums.sel(output=o)) for o in sums["output"].values}


def validity_counts(runs: xr.Dataset | Sequence[xr.Dataset]) -> list[ValidityCount]:
    """How many runs, of one study or several, use a correlation or a law outside the range of its fit."""
    several = [runs] if isinstance(runs, xr.Dataset) else runs
    return flag_counts(np.concatenate([one["validity"].values for one in several]))


def flag_counts(flags: NDArray[Any]) -> list[ValidityCount]:
    """How often each flag of validity is set among all runs, the flags that occur."""
    counts = [ValidityCount(words, int(np.count_nonzero(flags & bit)), flags.size) for bit, words in VALIDITY.items()]
    return [count for count in counts if count.count]
