"""Figures of a ranking: the stream, the shares, what each input does, the sweep, and how the shares settled."""

from dataclasses import replace

import numpy as np

from jetsim import findings
from jetsim.quantities import UnitSystem
from jetsim.rankings.question import Case
from jetsim.rankings.runs import Results
from jetsim.report import display, figures
from jetsim.report.document import Section
from jetsim.report.figures import Words

BEST = "effective_reach_at_best"
EFFECTS = 9  # panels of the figure of effects


def side_view(case: Case, found: Results, system: UnitSystem) -> tuple[list[str], list[figures.Plot]]:
    """The flown stream with its band, of the throws that reach the target; a sentence if there are none."""
    paths = found.paths
    landed = np.flatnonzero(paths["outcome"].values == 0)
    if not landed.size:
        return [f"None of {paths.sizes['sample']} throws reaches the target, so none is drawn."], []
    along, height = paths["path_along"].values[:, landed], paths["path_height"].values[:, landed]
    distance = np.linspace(0.0, float(np.quantile(along[-1], 0.99)), 161)
    heights = np.array([np.interp(distance, x, z) for x, z in zip(along.T, height.T, strict=True)])
    low, middle, high = np.quantile(heights, [0.05, 0.5, 0.95], axis=0)
    spread = {name: spread_of(found, name) for name in ("breakup_distance", "extreme_reach")}
    top = int(middle.argmax())
    view = figures.StreamView(
        distance,
        middle,
        low,
        high,
        breakup=spread["breakup_distance"],
        reach=spread["extreme_reach"],
        apex=(float(distance[top]), float(middle[top])),
        nozzle_height=float(height[0].mean()),
        target_height=float({**case.space.medians(), **case.space.fixed}.get("target_height", 0.0)),
        effective=spread_of(found, BEST) if BEST in found.sample else None,
    )
    reach = spread["extreme_reach"]
    shorter = "the stream is effective over less, shown at its best elevation"
    effective = shorter if view.effective else "a good stream ends well before"
    words = Words(
        "side_view",
        f"Nine in ten throws reach {display.span('extreme_reach', reach.low, reach.high, system)} in all",
        f"Middle path and band of nine in ten of {len(landed)} simulated throws over all uncertain inputs"
        f"{'' if len(landed) == paths.sizes['sample'] else ', those that reach the target'}. The farthest drops reach "
        f"this far; {effective}.",
    )
    return [], [figures.stream_side_view(words, view, system)]


def spread_of(found: Results, name: str) -> figures.Spread:
    """Middle and ends of nine in ten, from the runs that the findings quote if they hold this output."""
    values = (found.sample if name in found.sample else found.paths)[name].values
    return figures.Spread(*(float(q) for q in np.nanquantile(values, [0.05, 0.5, 0.95])))


def index_figure(case: Case, found: Results) -> figures.Plot:
    """Shares of variance per output, of those that have whole shares."""
    space, names = case.space, findings.whole_labels(case.space)
    first = found.ranked[0]
    words = Words(
        "indices",
        findings.leaders_title(found.indices, found.ranking, first, names),
        f"Shares with 95 % intervals over {space.replicates} repeats of {space.base_samples} base samples. "
        "Brackets join inputs that the runs cannot tell apart.",
    )
    roles = {parameter.name: parameter.role for parameter in space.parameters}
    return figures.index_bars(words, figures.IndexView(found.indices, roles, names, found.ranking), found.ranked)


def effects_figure(case: Case, found: Results, system: UnitSystem) -> figures.Plot:
    """Mean and spread of the first output along each input."""
    output = found.outputs[0]
    reached = (found.sample["outcome"].values == 0).astype(float)
    values = found.sample[output].values if output in found.sample else reached
    among = output not in found.ranked
    order = findings.by_total(found.among, output, "S1") if among else findings.by_total(found.indices, output)
    shown = order[:EFFECTS]
    effects = [findings.control_effect(case.space, c, values, found.sample, found.probabilities) for c in shown]
    band = "; band: eight in ten throws"
    if output not in found.sample:  # a yes or no has a share, and no band
        effects, band = [replace(effect, low=effect.mean, high=effect.mean) for effect in effects], ""
    words = Words(
        "effects",
        f"How {findings.output_words(output)} answers the inputs that move it most, all others varying",
        f"The {len(shown)} largest {'first-order shares among the throws that reach' if among else 'total shares'}. "
        f"Line: mean{band}, in bins of equal count along each input's range.",
    )
    return figures.control_effects(words, output, effects, system)


def sweep_section(found: Results, system: UnitSystem) -> list[Section]:
    """The contour figure; a sentence instead where no point of the sweep reaches the target."""
    if found.sweep is None:
        return []
    x, y = (display.trade(str(name)) for name in found.sweep["extreme_reach"].dims)
    title = f"{x[:1].upper()}{x[1:]} and {y}"
    if not np.isfinite(found.sweep["extreme_reach"].values).any():
        return [Section(title, ["With all other inputs at their medians, no point of the sweep reaches the target."])]
    return [Section(title, [], [sweep_figure(found, system)])]


def sweep_figure(found: Results, system: UnitSystem) -> figures.Plot:
    """Reach over two swept inputs."""
    assert found.sweep is not None
    x, y = (str(name) for name in found.sweep["extreme_reach"].dims)
    words = Words(
        "sweep",
        f"Extreme reach over {display.trade(x)} and {display.trade(y)}, with flow and reaction",
        "All other inputs at their medians. Steady reaction only: opening, closing and slipping add to it."
        f"{' White: the target is not reached.' if np.isnan(found.sweep['extreme_reach'].values).any() else ''}",
    )
    return figures.sweep_contour(words, found.sweep, figures.SweepAxes(x, y), system)


def convergence_figure(case: Case, found: Results) -> figures.Plot:
    """Total indices against the number of base samples."""
    history = found.history.sel(output=found.ranked)
    words = Words("convergence", found.gate.sentence.partition(":")[0], "Total shares of the leaders, 95 % intervals.")
    return figures.convergence_lines(words, figures.ConvergenceView(history, findings.whole_labels(case.space)))
