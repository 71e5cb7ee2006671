"""Figures of a sensitivity study: index bars, and what each control does."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import PercentFormatter
from numpy.typing import NDArray

from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.style import (
    COLUMN,
    GREY,
    ROLE_WORDS,
    ROLES,
    Plot,
    Words,
    legend_outside,
    named,
    new_figure,
    plain,
    role_look,
    styled,
)  # fmt: skip
from jetsim.report.tables import both_units

NOTHING = 0.005  # a share of which the whole interval lies below this has no bar and no row


@dataclass(frozen=True, eq=False)
class IndexView:
    """What the index bars show.

    Attributes
    ----------
    indices : xarray.Dataset
        Dimensions output and parameter; ``S1``, ``ST`` and their ``_low`` and ``_high`` ends.
    roles : mapping of parameter to role
        Unlisted parameters are grey.
    labels : mapping of parameter to words, optional
        The quantity's name by default.
    ranking : xarray.Dataset, optional
        ``tied`` along output, parameter and other_parameter: what the runs cannot tell apart; ``label`` along
        output and parameter, such as ``"2 to 4"``.
    most : int, optional
        Bars per output. Smaller totals, and those that are surely nothing, are counted in one line below the bars;
        the data file holds all.
    """

    indices: xr.Dataset
    roles: Mapping[str, str]
    labels: Mapping[str, str] = field(default_factory=dict)
    ranking: xr.Dataset | None = None
    most: int = 9

    def order(self, output: str) -> list[str]:
        """Parameters by falling total index, those worth a bar; the leader always."""
        at = self.indices.sel(output=output)
        order = np.argsort(-np.nan_to_num(at["ST"].values), kind="stable")
        upper = _upper(at)
        worth = [n for n in order if not upper[n] < NOTHING] or list(order[:1])
        return [str(name) for name in self.indices["parameter"].values[worth[: self.most]]]

    def others(self, output: str) -> str:
        """How many inputs have no bar, and what their shares stay below; empty where all have one."""
        left = self.indices.sel(output=output).drop_sel(parameter=self.order(output))
        count = left.sizes["parameter"]
        if not count:
            return ""
        most = float(_upper(left).max())
        bound = "under 0.5 %" if most < NOTHING else f"at most {100 * most:.1f} %"
        return f"{display.number_words(count)} other{'s' if count > 1 else ''}: {bound}{' each' if count > 1 else ''}"


def _upper(indices: xr.Dataset) -> NDArray[np.float64]:
    """Upper ends of the totals' intervals, or the totals where they lie above."""
    return np.asarray(np.fmax(indices["ST"].values, indices["ST_high"].values))


@styled
def index_bars(words: Words, view: IndexView, outputs: Sequence[str] | None = None) -> Plot:
    """First-order and total Sobol indices with their intervals, one panel per output, sorted.

    The pale bar is the total index, the full bar inside it the first-order one; brackets join ties.

    Parameters
    ----------
    words : Words
    view : IndexView
    outputs : sequence of str, optional
        All by default.

    Returns
    -------
    Plot
    """
    shown = [str(name) for name in (view.indices["output"].values if outputs is None else outputs)]
    columns = 1 if len(shown) == 1 or words.width <= COLUMN else 2
    rows = -(-len(shown) // columns)
    bars = [len(view.order(output)) + bool(view.others(output)) for output in shown]
    tallest = [max(bars[at : at + columns]) + 0.2 for at in range(0, len(bars), columns)]
    figure = new_figure(rows * 0.38 + 0.265 * sum(tallest) + 1.0, words.width)
    grid = figure.subplots(rows, columns, squeeze=False, height_ratios=tallest)
    for axes, output in zip(grid.flat, shown, strict=False):
        _index_panel(axes, view, output)
    for axes in grid.flat[max(0, len(shown) - columns) : len(shown)]:  # the lowest of each column
        axes.set_xlabel("share of all that moves it\nor leaves it in doubt")
    for axes in grid.flat[len(shown) :]:
        axes.set_visible(False)
    used = [role for role in ROLES if role in view.roles.values()]
    handles = _index_handles(used)
    legend_outside(figure, list(handles), list(handles.values()), 3)
    return Plot.of(words, figure, _index_data(view, shown))


def _index_panel(axes: Axes, view: IndexView, output: str) -> None:
    order = view.order(output)
    indices = view.indices.sel(output=output, parameter=order)
    if np.isnan(indices["ST"].values).all():
        reason = str(view.indices["reason"].sel(output=output).item()) if "reason" in view.indices else ""
        axes.text(0.5, 0.5, plain(f"no index: {reason or 'undefined'}", 30), ha="center", transform=axes.transAxes)
    looks = [role_look(view.roles.get(name)) for name in order]
    at = np.arange(len(order))
    hatches = [look.hatch for look in looks]
    colours = [look.colour for look in looks]
    pale = axes.barh(at, indices["ST"].values, height=0.72, color="white", edgecolor=colours, linewidth=1.0)
    for bar, hatch in zip(pale, hatches, strict=True):
        bar.set_hatch(hatch)
        bar.set_alpha(0.75)
    axes.barh(at, indices["S1"].values, height=0.36, color=colours, zorder=3)
    _whiskers(axes, indices, "ST", at - 0.25)
    _whiskers(axes, indices, "S1", at + 0.25)
    axes.set_yticks(at, [named(name, view.labels) for name in order], linespacing=0.95)
    others = view.others(output)
    axes.annotate(others, (1, len(order)), xycoords=("axes fraction", "data"), ha="right", va="center", color="#444444",
                  bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5}, zorder=5)  # fmt: skip
    axes.set_ylim(len(order) - 0.4 + bool(others), -0.6)
    axes.axvline(0, color="#555555", linewidth=0.8)
    axes.grid(axis="x")
    axes.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0, symbol=" %"))
    axes.set_title(plain(display.heading(output), 34), x=0 if len(display.heading(output)) < 26 else -0.3)
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    if view.ranking is not None:
        tied = view.ranking["tied"].sel(output=output, parameter=order, other_parameter=order)
        large = indices["ST"].values >= NOTHING  # a tie of nothing with nothing says nothing
        matrix = tied.transpose("parameter", "other_parameter").values & large & large[:, None]
        _tie_brackets(axes, tie_groups(matrix), indices)


def _whiskers(axes: Axes, indices: xr.Dataset, name: str, at: Any) -> None:
    axes.hlines(at, indices[f"{name}_low"].values, indices[f"{name}_high"].values, color="#111111", linewidth=1.1,
                zorder=4)  # fmt: skip


def tie_groups(tied: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last of each longest stretch of neighbours that are all tied with each other.

    Stretches may overlap: A may be tied with B, and B with C, while A and C are told apart.

    Parameters
    ----------
    tied : ndarray of bool, shape (n, n)
        In the order of the bars.

    Returns
    -------
    list of (int, int)
    """
    groups: list[tuple[int, int]] = []
    for first in range(len(tied)):
        last = first
        while last + 1 < len(tied) and tied[first : last + 1, last + 1].all():
            last += 1
        if last > first and (not groups or last > groups[-1][1]):
            groups.append((first, last))
    return groups


def _tie_brackets(axes: Axes, groups: Sequence[tuple[int, int]], indices: xr.Dataset) -> None:
    """A bracket right of the bars of each tie; overlapping ones stand side by side."""
    ends = np.nan_to_num(np.maximum(indices["ST_high"].values, indices["ST"].values))
    step = 0.025 * float(ends.max(initial=1e-9))
    taken: list[tuple[int, float]] = []  # last bar and right edge of the brackets drawn so far
    for first, last in groups:
        beside = [edge for below, edge in taken if below >= first]
        start = max([float(ends[first : last + 1].max()), *beside]) + step
        x, top, bottom = start + step, first - 0.3, last + 0.3
        axes.plot((start, x, x, start), (top, top, bottom, bottom), color=GREY, linewidth=1.0)
        axes.text(x + 0.5 * step, (top + bottom) / 2, "tie", va="center", color="#444444")
        taken.append((last, x + 3.5 * step))


def _index_handles(roles: Sequence[str]) -> dict[Any, str]:
    """Legend entries: one miniature bar a role, then what the parts of a bar mean."""
    handles: dict[Any, str] = {}
    for role in roles:
        look = ROLES[role]
        pale = Patch(facecolor="white", edgecolor=look.colour, hatch=look.hatch)
        handles[pale, Line2D([], [], color=look.colour, linewidth=3.5, solid_capstyle="butt")] = ROLE_WORDS[role]
    handles[Line2D([], [], color=GREY, linewidth=3.5, solid_capstyle="butt"),] = "inner bar: first-order share (alone)"
    handles[Patch(facecolor="white", edgecolor=GREY),] = "outer bar: total share (with others)"
    handles[Line2D([], [], color="#111111", linewidth=1.1),] = "95 % interval"
    return handles


def _index_data(view: IndexView, outputs: Sequence[str]) -> dict[str, list[Any]]:
    names = [f"{index}{end}" for index in ("S1", "ST") for end in ("", "_low", "_high")]
    parameters = [str(name) for name in view.indices["parameter"].values]
    pairs = [(output, parameter) for output in outputs for parameter in parameters]
    data: dict[str, list[Any]] = {
        "output": [output for output, _ in pairs],
        "parameter": [parameter for _, parameter in pairs],
        "role": [view.roles.get(parameter, "") for _, parameter in pairs],
    }
    chosen = view.indices[names].sel(output=list(outputs))
    data |= {name: list(chosen[name].transpose("output", "parameter").values.ravel()) for name in names}
    if view.ranking is not None:
        places = view.ranking["label"].sel(output=list(outputs), parameter=parameters)
        data["rank"] = [str(place) for place in places.transpose("output", "parameter").values.ravel()]
    return data


@dataclass(frozen=True, eq=False)
class ControlEffect:
    """What one input does to an output: mean and 10-90 % spread in bins along the input's range.

    Attributes
    ----------
    parameter : str
    position : sequence, shape (n,)
        Centres of the bins, SI; texts for an input that is a choice.
    mean, low, high : sequence of float, shape (n,)
        Of the output, SI.
    role : str, optional
    label : str, optional
    """

    parameter: str
    position: Sequence[Any]
    mean: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]
    role: str = ""
    label: str = ""

    @property
    def is_choice(self) -> bool:
        """Whether the input is a choice among texts."""
        return np.asarray(self.position).dtype.kind not in "biuf"


@styled
def control_effects(
    words: Words, output: str, effects: Sequence[ControlEffect], system: UnitSystem = "us", columns: int = 3
) -> Plot:
    """Small multiples: an output against each input, all on one vertical scale.

    Parameters
    ----------
    words : Words
    output : str
        The quantity on the vertical axis.
    effects : sequence of ControlEffect
        In the order of the panels.
    system : {"us", "si"}, optional
    columns : int, optional

    Returns
    -------
    Plot
    """
    columns = columns if words.width > COLUMN else 1
    rows = -(-len(effects) // columns)
    figure = new_figure(0.55 + 1.65 * rows, words.width)
    grid = figure.subplots(rows, columns, squeeze=False, sharey=True)
    for axes, effect in zip(grid.flat, effects, strict=False):
        _effect_panel(axes, output, effect, system)
    for axes in grid.flat[len(effects) :]:
        axes.set_visible(False)
    figure.supylabel(display.axis_label(output, system))
    look = Line2D([], [], color=GREY, marker="o", label="mean of the throws")
    banded = any(np.any(np.asarray(effect.high) > np.asarray(effect.low)) for effect in effects)
    band = [Patch(color=GREY, alpha=0.25, label="eight in ten throws")] if banded else []
    legend_outside(figure, [look, *band, *_role_marks(effects)])
    return Plot.of(words, figure, _effect_data(output, effects))


def _role_marks(effects: Sequence[ControlEffect]) -> list[Line2D]:
    used = [role for role in ROLES if any(effect.role == role for effect in effects)]
    return [
        Line2D([], [], color=ROLES[role].colour, marker=ROLES[role].marker, linestyle="", label=ROLE_WORDS[role])
        for role in used
    ]


def _effect_panel(axes: Axes, output: str, effect: ControlEffect, system: UnitSystem) -> None:
    look = role_look(effect.role)
    mean, low, high = (display.convert(output, values, system) for values in (effect.mean, effect.low, effect.high))
    name = effect.label or display.trade(effect.parameter)
    if effect.is_choice:
        places = np.arange(len(mean))
        axes.vlines(places, low, high, color=look.colour, alpha=0.35, linewidth=9)
        axes.plot(places, mean, color=look.colour, marker=look.marker, linestyle="")
        axes.set_xticks(places, [plain(str(text), 12) for text in effect.position])
        axes.set_xlim(-0.6, len(mean) - 0.4)
        axes.set_xlabel(name)
    else:
        at = display.convert(effect.parameter, effect.position, system)
        axes.fill_between(at, low, high, color=look.colour, alpha=0.22, linewidth=0)
        axes.plot(at, mean, color=look.colour, marker=look.marker, markersize=3.5)
        unit = display.unit_label(effect.parameter, system)
        axes.set_xlabel(plain(name + (f" [{unit}]" if unit else ""), 32))
    axes.grid(axis="y")


def _effect_data(output: str, effects: Sequence[ControlEffect]) -> dict[str, list[Any]]:
    """One row a bin: the input's values as text, because inputs differ in unit."""
    rows = [(effect, number) for effect in effects for number in range(len(effect.position))]
    data: dict[str, list[Any]] = {"parameter": [effect.parameter for effect, _ in rows]}
    for system in ("us", "si"):
        word = "US" if system == "us" else "metric"
        data[f"position [{word}]"] = [_position(effect, number, system) for effect, number in rows]
        data[f"unit [{word}]"] = [display.unit_label(effect.parameter, system) for effect, _ in rows]
    for key in ("mean", "low", "high"):
        values = [float(getattr(effect, key)[number]) for effect, number in rows]
        data |= {header: list(column) for header, column in both_units(output, values, f"{output}_{key}").items()}
    return data


def _position(effect: ControlEffect, number: int, system: UnitSystem) -> Any:
    if effect.is_choice:
        return str(effect.position[number])
    return float(display.convert(effect.parameter, effect.position[number], system))
