"""Figures for many questions: curves with bands and limits, labelled matrices, rank lines, stacked shares."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.patches import Patch
from matplotlib.ticker import PercentFormatter
from numpy.typing import NDArray

from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.style import (
    COLUMN,
    GREY,
    Look,
    Plot,
    Words,
    legend_outside,
    named,
    new_figure,
    plain,
    role_look,
    series,
    styled,
)
from jetsim.report.tables import both_units

_LINE = 0.085  # height of a line of text, in parts of a panel's height
_CHARACTER, _CELLS = 0.085, 0.6  # inch; part of a figure's width that the cells of a matrix take
_FEW_CELLS = 4  # a matrix of so few numbers is a sentence
_MANY_ROWS = 16  # of a matrix: more stand closer
_LIGHT_TO_DARK = LinearSegmentedColormap.from_list("jetsim_dark", ("#ffffff", "#b9d7ea", "#0072B2", "#00324f"))


@dataclass(frozen=True, eq=False)
class Line:
    """One curve, SI: `x` and `y` of shape (n,), and the ends of its band where it has one."""

    label: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    low: NDArray[np.float64] | None = None
    high: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class Limit:
    """A labelled limit on the vertical axis, SI: a line, or a band up to `high`."""

    label: str
    value: float
    high: float | None = None


@dataclass(frozen=True)
class Window:
    """A shaded stretch of the horizontal axis, SI."""

    label: str
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Panel:
    """One panel of `line_bands`: the quantity on its vertical axis, its curves, limits and windows."""

    quantity: str
    lines: Sequence[Line]
    limits: Sequence[Limit] = ()
    windows: Sequence[Window] = ()
    title: str = ""


@styled
def line_bands(words: Words, x: str, panels: Sequence[Panel], system: UnitSystem = "us") -> Plot:
    """Curves with bands of uncertainty, shaded windows and labelled limits, one panel per quantity.

    A label keeps its colour, marker and line style in every panel.

    Parameters
    ----------
    words : Words
    x : str
        Quantity (or plain words) on the horizontal axis.
    panels : sequence of Panel
    system : {"us", "si"}, optional

    Returns
    -------
    Plot
    """
    columns = min(2 if words.width > COLUMN else 1, len(panels))
    rows = -(-len(panels) // columns)
    figure = new_figure(0.6 + (3.1 if columns == 1 else 2.5) * rows, words.width)
    grid = figure.subplots(rows, columns, squeeze=False)
    looks: dict[str, Look] = {}
    for panel in panels:
        for line in panel.lines:
            looks.setdefault(line.label, series(len(looks)))
    for axes, panel in zip(grid.flat, panels, strict=False):
        _draw_panel(axes, x, panel, looks, system)
    for axes in grid.flat[len(panels) :]:
        axes.set_visible(False)
    shown = [pair for axes in grid.flat for pair in zip(*axes.get_legend_handles_labels(), strict=True)]
    once = {text: handle for handle, text in shown}
    legend_outside(figure, list(once.values()), list(once), 3)
    return Plot.of(words, figure, _line_data(x, panels))


def _draw_panel(axes: Axes, x: str, panel: Panel, looks: Mapping[str, Look], system: UnitSystem) -> None:
    for line in panel.lines:
        _draw_line(axes, x, panel.quantity, line, looks[line.label], system)
    for window in panel.windows:
        ends = display.convert(x, (window.low, window.high), system)
        axes.axvspan(*ends, facecolor="#efe9d9", linewidth=0, zorder=0, label=window.label)
    axes.margins(x=0.02)
    draw_limits(axes, panel.quantity, panel.limits, system)
    axes.grid(axis="y")
    axes.set_xlabel(display.axis_label(x, system))
    axes.set_ylabel(plain(display.axis_label(panel.quantity, system), 34))
    if panel.title:
        axes.set_title(panel.title)


def _draw_line(axes: Axes, x: str, y: str, line: Line, look: Look, system: UnitSystem) -> None:
    at, values = display.convert(x, line.x, system), display.convert(y, line.y, system)
    if line.low is not None and line.high is not None:
        low, high = (display.convert(y, end, system) for end in (line.low, line.high))
        axes.fill_between(at, low, high, color=look.colour, alpha=0.18, linewidth=0)
    every = max(1, len(at) // 6)
    axes.plot(at, values, color=look.colour, marker=look.marker, linestyle=look.line, markevery=every, label=line.label)


def draw_limits(axes: Axes, name: str, limits: Sequence[Limit], system: UnitSystem) -> None:
    """Draw limits of quantity `name` across the axes, whose view of `name` is final then.

    Labels stand right of the panel, where they hide no curve, pushed apart where limits lie close.
    """
    for limit in limits:
        value = float(display.convert(name, limit.value, system))
        if limit.high is None:
            axes.axhline(value, color="#333333", linewidth=1.0, linestyle=(0, (6, 2)))
        else:
            axes.axhspan(value, float(display.convert(name, limit.high, system)), facecolor="#cccccc", alpha=0.4,
                         linewidth=0)  # fmt: skip
    _label_limits(axes, name, [limit for limit in limits if limit.label], system)


def _label_limits(axes: Axes, name: str, named: Sequence[Limit], system: UnitSystem) -> None:
    limits = sorted(named, key=lambda limit: limit.value)
    bottom, top = axes.get_ylim()
    at = [(float(display.convert(name, limit.value, system)) - bottom) / (top - bottom) for limit in limits]
    texts = [plain(limit.label, 15) for limit in limits]
    places = apart(at, [_LINE * (1 + text.count("\n")) for text in texts])
    for text, value, place in zip(texts, at, places, strict=True):
        axes.annotate(
            text, (1.0, value), (1.05, place), xycoords="axes fraction", textcoords="axes fraction", va="center",
            color="#222222", linespacing=1.05, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": "#333333", "linewidth": 0.7, "shrinkA": 1, "shrinkB": 0},
        )  # fmt: skip
    axes.set_ylim(bottom, top)


def apart(wanted: Sequence[float], heights: Sequence[float]) -> list[float]:
    """Places of labels near the wanted ones, without overlap, the highest kept at 1 or below where that is possible.

    Parameters
    ----------
    wanted : sequence of float
        Rising.
    heights : sequence of float
        Of the labels.

    Returns
    -------
    list of float
    """
    places: list[float] = []
    gaps = [(one + other) / 2 for one, other in pairwise(heights)]
    for number, at in enumerate(wanted):
        places.append(max(at, places[-1] + gaps[number - 1]) if places else at)
    most = max(1.0, wanted[-1]) if places else 1.0
    for number in range(len(places) - 1, -1, -1):  # down again from the top
        places[number] = min(places[number], most)
        most = places[number] - (gaps[number - 1] if number else 0.0)
    return places


def _line_data(x: str, panels: Sequence[Panel]) -> dict[str, list[Any]]:
    """One row a point; a panel's quantity has its own columns, empty in the other panels' rows."""
    rows = [(panel, line, n) for panel in panels for line in panel.lines for n in range(len(line.x))]
    data: dict[str, list[Any]] = {"panel": [panel.title or panel.quantity for panel, _, _ in rows],
                                  "line": [line.label for _, line, _ in rows]}  # fmt: skip
    at = both_units(x, [float(line.x[n]) for _, line, n in rows])
    data |= {header: list(values) for header, values in at.items()}
    for name in dict.fromkeys(panel.quantity for panel in panels):
        for key in ("y", "low", "high"):
            values = [_point(line, key, n) if panel.quantity == name else np.nan for panel, line, n in rows]
            header = name if key == "y" else f"{name}_{key}"
            data |= {text: list(column) for text, column in both_units(name, values, header).items()}
    return data


def _point(line: Line, key: str, number: int) -> float:
    values = getattr(line, key)
    return np.nan if values is None else float(values[number])


@dataclass(frozen=True, eq=False)
class Matrix:
    """A labelled matrix: `values` of shape (rows, columns), what they are, and the ends of the scale."""

    values: NDArray[np.float64]
    rows: Sequence[str]
    columns: Sequence[str]
    measure: str
    low: float | None = None
    high: float | None = None
    shown: Callable[[float], str] = field(default=lambda value: f"{value:.2f}")


@styled
def heat_map(words: Words, matrix: Matrix) -> Plot:
    """A matrix as shaded cells, each with its number.

    Parameters
    ----------
    words : Words
    matrix : Matrix
        NaN cells stay white and marked with a dash.

    Returns
    -------
    Plot
    """
    values = np.asarray(matrix.values, dtype=float)
    turned = _crowded(matrix.columns, words.width)
    pitch = 0.36 if len(matrix.rows) <= _MANY_ROWS else 0.27  # many rows share a page with letters of full size
    figure = new_figure(1.5 + turned * 0.6 + pitch * len(matrix.rows), words.width)
    axes = figure.add_subplot()
    low = float(np.nanmin(values)) if matrix.low is None else matrix.low
    high = float(np.nanmax(values)) if matrix.high is None else matrix.high
    image = axes.pcolormesh(values, cmap=_LIGHT_TO_DARK, vmin=low, vmax=high, edgecolors="white", linewidth=1)
    for (row, column), value in np.ndenumerate(values):
        dark = np.isfinite(value) and value > low + 0.5 * (high - low)
        text = matrix.shown(float(value)) if np.isfinite(value) else display.MISSING
        axes.text(column + 0.5, row + 0.5, text, ha="center", va="center",
                  color="white" if dark else "#111111")  # fmt: skip
    axes.invert_yaxis()
    axes.set_xticks(np.arange(len(matrix.columns)) + 0.5, [plain(n, 22 if turned else 12) for n in matrix.columns],
                    rotation=90 * turned)  # fmt: skip
    axes.set_yticks(np.arange(len(matrix.rows)) + 0.5, [plain(name, 34) for name in matrix.rows], linespacing=0.95)
    axes.tick_params(length=0, top=True, labeltop=True, bottom=False, labelbottom=False)
    axes.spines[:].set_visible(False)
    # 0.083 in a character along the bar, which is a little shorter than the cells.
    label = plain(matrix.measure, max(12, int(pitch * len(matrix.rows) / 0.083)))
    figure.colorbar(image, ax=axes, pad=0.015, aspect=24).set_label(label)
    instead = matrix_sentence(matrix) if values.size <= _FEW_CELLS else ""
    return replace(Plot.of(words, figure, _matrix_data(matrix)), instead=instead)


def _crowded(names: Sequence[str], width: float) -> bool:
    """Whether names side by side above the cells of a matrix of some width [inch] would run into each other."""
    longest = max(len(line) for name in names for line in plain(name, 12).split("\n"))
    return longest * _CHARACTER > _CELLS * width / len(names)


def matrix_sentence(matrix: Matrix) -> str:
    """All numbers of a small matrix in one sentence, those of a symmetric one once; cells without one are left out."""
    values = np.asarray(matrix.values, dtype=float)
    same = list(matrix.rows) == list(matrix.columns) and np.array_equal(values, values.T, equal_nan=True)
    word = "with" if same else "against"
    cells = [
        f"{matrix.rows[row]} {word} {matrix.columns[column]} {matrix.shown(float(value))}"
        for (row, column), value in np.ndenumerate(values)
        if np.isfinite(value) and (column >= row or not same)
    ]
    return f"{matrix.measure[:1].upper()}{matrix.measure[1:]}: {'; '.join(cells) or 'none'}."


def _matrix_data(matrix: Matrix) -> dict[str, list[Any]]:
    values = np.asarray(matrix.values, dtype=float)
    columns = {str(name): list(values[:, number]) for number, name in enumerate(matrix.columns)}
    return {matrix.measure: list(matrix.rows), **columns}


@dataclass(frozen=True, eq=False)
class RankFlow:
    """Ranks across assumptions.

    Attributes
    ----------
    ranks : ndarray, shape (assumption, parameter)
        1 is the leader; equal numbers are ties.
    assumptions, parameters : sequence of str
    roles : mapping of parameter to role, optional
    labels : mapping of parameter to words, optional
    """

    ranks: NDArray[np.float64]
    assumptions: Sequence[str]
    parameters: Sequence[str]
    roles: Mapping[str, str] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)


@styled
def rank_flow(words: Words, flow: RankFlow) -> Plot:
    """How each input's rank moves from assumption to assumption; tied inputs lie side by side in one box.

    Parameters
    ----------
    words : Words
    flow : RankFlow

    Returns
    -------
    Plot
    """
    ranks = np.asarray(flow.ranks, dtype=float)
    places, ties = _places(ranks)
    figure = new_figure(1.2 + 0.34 * len(flow.parameters), words.width)
    axes = figure.add_subplot()
    at = np.arange(len(flow.assumptions))
    for column, top, bottom in ties:
        axes.plot((column, column), (top, bottom), color="#dcdcdc", linewidth=15, solid_capstyle="round", zorder=1)
    for number, name in enumerate(flow.parameters):
        look = _flow_look(flow, name, number)
        axes.plot(at, places[:, number], color=look.colour, marker=look.marker, linestyle=look.line, markersize=6,
                  linewidth=2, zorder=3)  # fmt: skip
        axes.annotate(named(name, flow.labels), (at[-1], places[-1, number]), (14, 0),
                      textcoords="offset points", va="center")  # fmt: skip
    width = min(16, 60 // len(flow.assumptions))  # so that neighbours do not run into each other
    axes.set_xticks(at, [plain(text, max(width, *map(len, text.split()))) for text in flow.assumptions])
    axes.set_yticks(np.arange(1, len(flow.parameters) + 1))
    axes.set_ylim(len(flow.parameters) + 0.6, 0.4)
    axes.set_ylabel("place (1 matters most)")
    axes.spines["bottom"].set_visible(False)
    axes.tick_params(axis="x", length=0)
    if ties:
        legend_outside(figure, [Patch(color="#dcdcdc", label="tie: the runs do not tell these apart")])
    return Plot.of(words, figure, _flow_data(flow))


def _flow_look(flow: RankFlow, name: str, number: int) -> Look:
    """Colour by role where roles are given, marker and line by number, so that no two lines look alike."""
    own = series(number)
    return own._replace(colour=role_look(flow.roles.get(name)).colour) if flow.roles else own


def _places(ranks: NDArray[np.float64]) -> tuple[NDArray[np.float64], list[tuple[int, float, float]]]:
    """Places 1..n on each column with tied inputs next to each other, and the ties' ends."""
    order = np.argsort(ranks, axis=1, kind="stable")
    places = np.empty_like(ranks)
    np.put_along_axis(places, order, np.arange(1.0, ranks.shape[1] + 1)[None, :], axis=1)
    ties = []
    for column, row in enumerate(ranks):
        for value in np.unique(row):
            tied = places[column, row == value]
            if len(tied) > 1:
                ties.append((column, float(tied.min()), float(tied.max())))
    return places, ties


def _flow_data(flow: RankFlow) -> dict[str, list[Any]]:
    ranks = np.asarray(flow.ranks, dtype=float)
    columns = {name: list(ranks[:, number]) for number, name in enumerate(flow.parameters)}
    return {"assumption": list(flow.assumptions), **columns}


@dataclass(frozen=True, eq=False)
class Shares:
    """Stacked shares: `values` of shape (bars, parts), between 0 and 1, and what they are shares of."""

    values: NDArray[np.float64]
    bars: Sequence[str]
    parts: Sequence[str]
    measure: str
    looks: Sequence[Look] = ()


@styled
def share_bars(words: Words, shares: Shares) -> Plot:
    """Stacked horizontal bars of shares, the larger ones with their percentage inside.

    Parameters
    ----------
    words : Words
    shares : Shares

    Returns
    -------
    Plot
    """
    values = np.asarray(shares.values, dtype=float)
    figure = new_figure(1.15 + 0.42 * len(shares.bars), words.width)
    axes = figure.add_subplot()
    at = np.arange(len(shares.bars))
    left = np.zeros(len(shares.bars))
    for number, part in enumerate(shares.parts):
        look = shares.looks[number] if shares.looks else series(number)
        axes.barh(at, values[:, number], left=left, height=0.66, facecolor=look.colour, hatch=look.hatch,
                  edgecolor="white", linewidth=1.2, label=part)  # fmt: skip
        for place, value in enumerate(values[:, number]):
            if value >= 0.06:
                axes.text(left[place] + value / 2, place, f"{value:.0%}".replace("%", " %"), ha="center", va="center",
                          bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5})  # fmt: skip
        left = left + values[:, number]
    axes.set_yticks(at, [plain(text, 34) for text in shares.bars])
    axes.invert_yaxis()
    axes.set_xlim(0, max(1.0, float(left.max())))
    axes.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0, symbol=" %"))
    axes.set_xlabel(shares.measure)
    axes.axvline(1.0, color=GREY, linewidth=0.8)
    axes.tick_params(axis="y", length=0)
    legend_outside(figure, *axes.get_legend_handles_labels())
    return Plot.of(words, figure, _share_data(shares))


def _share_data(shares: Shares) -> dict[str, list[Any]]:
    values = np.asarray(shares.values, dtype=float)
    columns = {part: list(values[:, number]) for number, part in enumerate(shares.parts)}
    return {shares.measure: list(shares.bars), **columns}
