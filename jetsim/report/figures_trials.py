"""Figures of a field test: the tally to take to the drill ground, throws against prediction, odds and priors."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.style import GREY, Plot, Words, legend_outside, new_figure, plain, series, styled
from jetsim.report.tables import both_units

Array = NDArray[np.float64]
_FEW = 14  # rows of bands that stand wide apart


@dataclass(frozen=True)
class Tally:
    """One page of the run sheet: a row for each throw, a box for each distance mark.

    Attributes
    ----------
    throws : sequence of str
        What is thrown, in order.
    marks : sequence of str
        Distances, nearest first.
    unit : str
        Of the marks.
    blanks : sequence of str
        Headings of boxes to write in, left of the marks.
    """

    throws: Sequence[str]
    marks: Sequence[str]
    unit: str
    blanks: Sequence[str]


@styled
def tally_page(words: Words, tally: Tally) -> Plot:
    """A page to print: per throw, boxes to write in and one box for each mark to tick.

    Parameters
    ----------
    words : Words
    tally : Tally

    Returns
    -------
    Plot
    """
    figure = new_figure(0.7 + 0.3 * len(tally.throws), words.width)
    axes = figure.add_subplot()
    widths = [4.6, *[1.5] * len(tally.blanks), *[0.8] * len(tally.marks)]
    edges = np.concatenate([[0.0], np.cumsum(widths)])
    headings = ["Throw", *tally.blanks, *tally.marks]
    for left, width, text in zip(edges, widths, headings, strict=False):
        axes.text(left + width / 2, -0.1, plain(text, 8), ha="center", va="bottom", fontsize=6.5)
    middle = (edges[1 + len(tally.blanks)] + edges[-1]) / 2
    axes.text(middle, -0.75, f"mark reached [{tally.unit}]", ha="center", va="bottom", fontsize=6.5)
    for row, throw in enumerate(tally.throws):
        axes.text(0.1, row + 0.5, throw, va="center", fontsize=6.5)
    rows = np.arange(len(tally.throws) + 1)
    axes.hlines(rows, edges[0], edges[-1], colors=GREY, linewidths=0.6)
    axes.vlines(edges, rows[0], rows[-1], colors=GREY, linewidths=0.6)
    axes.set_xlim(-0.05, edges[-1] + 0.05)
    axes.set_ylim(len(tally.throws) + 0.1, -1.2)
    axes.axis("off")
    data: dict[str, list[Any]] = {"throw": list(tally.throws)}
    data |= {f"{mark} {tally.unit}": [""] * len(tally.throws) for mark in tally.marks}
    return Plot.of(words, figure, data)


@dataclass(frozen=True, eq=False)
class Ranges:
    """One row of `range_rows`, SI: its label, a middle with its band, and points beside it."""

    label: str
    middle: float
    low: float
    high: float
    points: Array = field(default_factory=lambda: np.array([]))
    second: tuple[float, float, float] | None = None


@styled
def range_rows(
    words: Words, quantity: str, rows: Sequence[Ranges], keys: Sequence[str], system: UnitSystem = "us",
    reference: float | None = None,
) -> Plot:  # fmt: skip
    """Bands in rows, each with its middle, its points, and a second band where there is one.

    Parameters
    ----------
    words : Words
    quantity : str
        Quantity or plain words on the horizontal axis.
    rows : sequence of Ranges
    keys : sequence of str
        Legend of first band, points, second band; an empty text leaves one out.
    system : {"us", "si"}, optional
    reference : float, optional
        A vertical line, SI.

    Returns
    -------
    Plot
    """
    # Many rows stand closer, each with its label on one line, so that a page holds them with letters of full size.
    pitch, line = (0.42, 38) if len(rows) <= _FEW else (0.225, 66)
    figure = new_figure(1.2 + pitch * len(rows), words.width)
    axes = figure.add_subplot()
    for number, row in enumerate(rows):
        _draw_range(axes, quantity, number, row, keys, system)
    if reference is not None:
        axes.axvline(float(display.convert(quantity, reference, system)), color=GREY, linewidth=1.0)
    axes.set_yticks(np.arange(len(rows)), [plain(row.label, line) for row in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="x")
    # At the right end, for beside long labels it may be wider than the axes.
    axes.set_xlabel(display.axis_label(quantity, system), loc="right")
    handles, texts = axes.get_legend_handles_labels()
    once = dict(zip(texts, handles, strict=True))
    legend_outside(figure, list(once.values()), list(once), 3)
    return Plot.of(words, figure, _range_data(quantity, rows))


def _draw_range(axes: Axes, quantity: str, place: int, row: Ranges, keys: Sequence[str], system: UnitSystem) -> None:
    def shown(value: Any) -> Array:
        return np.asarray(display.convert(quantity, value, system))

    shift = 0.16 if row.second is not None else 0.0
    bands = [((row.middle, row.low, row.high), 0, -shift, keys[0])]
    if row.second is not None:
        bands.append((row.second, 1, shift, keys[2]))
    for (middle, low, high), number, offset, key in bands:
        look = series(number)
        axes.plot(shown([low, high]), [place + offset] * 2, color=look.colour, linewidth=5, alpha=0.45,
                  solid_capstyle="butt", label=key or None)  # fmt: skip
        axes.plot(shown([middle]), [place + offset], color=look.colour, marker=look.marker, markersize=6, linestyle="")
    if row.points.size:
        spread = place + np.linspace(-0.25, 0.25, row.points.size)
        axes.plot(shown(row.points), spread, color="#222222", marker="x", markersize=4.5, linestyle="",
                  label=keys[1] or None)  # fmt: skip


def _range_data(quantity: str, rows: Sequence[Ranges]) -> dict[str, list[Any]]:
    entries = [(row.label, kind, value) for row in rows for kind, value in _entries(row)]
    columns: dict[str, list[Any]] = {"row": [e[0] for e in entries], "value": [e[1] for e in entries]}
    shown = both_units(quantity, [e[2] for e in entries])
    return columns | {header: list(values) for header, values in shown.items()}


def _entries(row: Ranges) -> list[tuple[str, float]]:
    found = [("middle", row.middle), ("low", row.low), ("high", row.high)]
    if row.second is not None:
        found += list(zip(("second middle", "second low", "second high"), row.second, strict=True))
    return found + [("point", float(point)) for point in row.points]


@dataclass(frozen=True, eq=False)
class Cloud:
    """One series of `agreement`, SI: measured values, and middle and ends of the prediction of each."""

    label: str
    measured: Array
    middle: Array
    low: Array
    high: Array


@styled
def agreement(words: Words, panels: Mapping[str, Sequence[Cloud]], system: UnitSystem = "us") -> Plot:
    """Predicted against measured, one panel a quantity, with bands and the line of perfect agreement.

    Parameters
    ----------
    words : Words
    panels : dict of quantity to sequence of Cloud
    system : {"us", "si"}, optional

    Returns
    -------
    Plot
    """
    figure = new_figure(0.6 + 0.5 * words.width, words.width)
    grid = figure.subplots(1, len(panels), squeeze=False)
    for axes, (quantity, clouds) in zip(grid.flat, panels.items(), strict=True):
        for number, cloud in enumerate(clouds):
            _draw_cloud(axes, quantity, cloud, number, system)
        ends = [min(axes.get_xlim()[0], axes.get_ylim()[0]), max(axes.get_xlim()[1], axes.get_ylim()[1])]
        axes.plot(ends, ends, color=GREY, linewidth=1.0, zorder=0)
        unit = display.unit_label(quantity, system)
        axis = f"{display.trade(quantity)} [{unit}]"
        axes.set_xlabel(plain(f"measured {axis}", 40))
        axes.set_ylabel(plain(f"predicted {axis}", 40))
    handles, texts = grid.flat[0].get_legend_handles_labels()
    legend_outside(figure, handles, texts, 2)
    return Plot.of(words, figure, _agreement_data(panels))


def _draw_cloud(axes: Axes, quantity: str, cloud: Cloud, number: int, system: UnitSystem) -> None:
    at, middle, low, high = (
        display.convert(quantity, values, system) for values in (cloud.measured, cloud.middle, cloud.low, cloud.high)
    )
    look = series(number)
    axes.vlines(at, low, high, color=look.colour, alpha=0.25, linewidth=1.2)
    axes.plot(at, middle, color=look.colour, marker=look.marker, markersize=4, linestyle="", label=cloud.label)


def _agreement_data(panels: Mapping[str, Sequence[Cloud]]) -> dict[str, list[Any]]:
    entries = [(q, c, n) for q, clouds in panels.items() for c in clouds for n in range(len(c.measured))]
    columns: dict[str, list[Any]] = {"quantity": [q for q, _, _ in entries], "series": [c.label for _, c, _ in entries]}
    for key in ("measured", "middle", "low", "high"):
        values = [float(getattr(cloud, key)[n]) for _, cloud, n in entries]
        shown = both_units("extreme_reach", values, key)
        columns |= {header: list(column) for header, column in shown.items()}
    return columns
