"""Figures of delivered water: shares of the flow as shade, from the side or from above."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from numpy.typing import NDArray

from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.style import VERMILION, Plot, Words, new_figure, plain, styled
from jetsim.report.tables import both_units

_WATER = LinearSegmentedColormap.from_list("jetsim_water", ("#ffffff", "#cfe3f1", "#6aaed6", "#0072B2", "#00324f"))
# Square root of the share: a tenth of the greatest one is still well seen.
_POWER = 0.5
_FLATTEST = 0.8  # inch, height of a field below which it is drawn taller than its scale


@dataclass(frozen=True)
class Opening:
    """A wall seen from the side and the opening in it, SI: stand-off, lower and upper edge, height of the wall."""

    distance: float
    low: float
    high: float
    wall: float
    label: str


@dataclass(frozen=True, eq=False)
class Field:
    """Shares of the flow in cells.

    Attributes
    ----------
    x, y : str
        Quantities of the axes.
    x_edges, y_edges : ndarray, shape (columns + 1,), (rows + 1,)
        Edges of the cells, SI.
    share : ndarray, shape (rows, columns)
        Share of the flow in each cell, or of its column [-].
    measure : str
        What the shade is, in words.
    opening : Opening, optional
    marks : sequence of (label, x, y)
        Marked points, SI.
    """

    x: str
    y: str
    x_edges: NDArray[np.float64]
    y_edges: NDArray[np.float64]
    share: NDArray[np.float64]
    measure: str
    opening: Opening | None = None
    marks: Sequence[tuple[str, float, float]] = ()

    def data(self) -> dict[str, Any]:
        """All cells that hold water, one a row."""
        columns, rows = ((edges[1:] + edges[:-1]) / 2 for edges in (self.x_edges, self.y_edges))
        row, column = np.nonzero(self.share > 1e-6)
        return {
            **both_units(self.x, columns[column]),
            **both_units(self.y, rows[row]),
            "share of the flow": self.share[row, column],
        }


@styled
def shaded_field(words: Words, field: Field, system: UnitSystem = "us") -> Plot:
    """Shares of the flow as shade, true to scale.

    Parameters
    ----------
    words : Words
    field : Field
    system : {"us", "si"}, optional

    Returns
    -------
    Plot
    """
    x, y = (display.convert(n, e, system) for n, e in ((field.x, field.x_edges), (field.y, field.y_edges)))
    width = words.width - 1.7
    drawn = width * float(np.ptp(y) / np.ptp(x))
    is_flat = drawn < _FLATTEST
    figure = new_figure(float(np.clip(drawn + 1.4, 2.6, 7.5)), words.width)
    axes = figure.add_subplot()
    axes.set_aspect("auto" if is_flat else "equal")
    percent = 100 * field.share
    image = axes.pcolormesh(x, y, percent**_POWER, cmap=_WATER, vmin=0, rasterized=True)
    _bar(figure.colorbar(image, ax=axes, pad=0.015, aspect=24, shrink=0.9), float(percent.max()), field.measure)
    if field.opening is not None:
        _draw_opening(axes, field, field.opening, system)
    for label, at_x, at_y in field.marks:
        point = (float(display.convert(field.x, at_x, system)), float(display.convert(field.y, at_y, system)))
        axes.plot(*point, marker="v", color=VERMILION, markersize=7, markeredgecolor="white")
        axes.annotate(label, point, (0, 8), textcoords="offset points", ha="center")
    axes.set_xlim(x[0], x[-1])
    axes.set_ylim(y[0], y[-1])
    axes.set_xlabel(display.axis_label(field.x, system))
    across = display.axis_label(field.y, system).replace(" above ground", "")
    axes.set_ylabel(plain(f"{across} (stretched)", 20) if is_flat else across)
    return Plot.of(words, figure, field.data())


def _bar(bar: Any, most: float, measure: str) -> None:
    """Percent on a scale that is drawn as its root."""
    ticks = [t for t in (0.1, 0.5, 1, 2, 5, 10, 20, 50, 100) if most / 60 <= t <= most]
    bar.set_ticks([0.0, *(t**_POWER for t in ticks)], labels=["0", *(f"{t:g}" for t in ticks)])
    bar.set_label(plain(measure, int(12 * bar.ax.figure.get_figheight() - 16)))


def _draw_opening(axes: Axes, field: Field, opening: Opening, system: UnitSystem) -> None:
    """The wall as a line with the window left open between two marks."""
    at = float(display.convert(field.x, opening.distance, system))
    low, high, top = (float(display.convert(field.y, v, system)) for v in (opening.low, opening.high, opening.wall))
    for start, end in ((0.0, low), (high, top)):
        axes.plot((at, at), (start, end), color="#444444", linewidth=3, solid_capstyle="butt")
    axes.plot((at, at), (low, high), color=VERMILION, linewidth=2, linestyle=(0, (1, 1)))
    axes.annotate(opening.label, (at, (low + high) / 2), (9, 0), textcoords="offset points", va="center")
