"""A set-up's card: one page to print and pin to the wall, legible in grey at arm's length; and a book of them."""

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Polygon, Rectangle
from matplotlib.ticker import MultipleLocator
from numpy.typing import NDArray

from jetsim import units
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.figures_stream import FIREFIGHTER
from jetsim.report.plaintext import clean_lines
from jetsim.report.style import METADATA, Plot, jetsim_style, styled, wrapped
from jetsim.report.tables import Table

Array = NDArray[np.float64]

# Paper by edition: US Letter, and A4 (ISO 216); width and height in inches.
PAPER: dict[UnitSystem, tuple[float, float]] = {"us": (8.5, 11.0), "si": (210 / 25.4, 297 / 25.4)}
MARGIN = 0.5  # inches
_INK, _SOFT, _RULE, _BAND = "#000000", "#333333", "#777777", "#d6d6d6"
_MARKS: dict[UnitSystem, float] = {"us": float(units.to_si(20.0, "ft")), "si": 5.0}
# Where each part begins, inches below the top, and sizes of type in points.
_WHAT, _BIG, _NUMBERS, _VIEW, _TABLES = 1.02, 1.66, 3.0, 5.42, 7.72
_TITLE_SIZE, _BIG_SIZE, _TEXT_SIZE, _SMALL_SIZE = 21.0, 34.0, 11.5, 10.0
_LINE = 0.27
_CAPITAL = 0.76  # height of a capital over the size of type


class Page(Plot):
    """A page of fixed size: its file holds the page and nothing around it."""

    dots = (120, 120)  # all that a page in a document needs, for the page to print is its PDF

    def _kinds(self, quick: bool) -> tuple[str, ...]:
        return ("pdf",)


def book(pages: Iterable[Page]) -> bytes:
    """Pages as one PDF document; the same pages give the same bytes."""
    buffer = io.BytesIO()
    with jetsim_style(), PdfPages(buffer, metadata=METADATA["pdf"]) as pdf:
        for page in pages:
            pdf.savefig(page.figure)
    return buffer.getvalue()


@dataclass(frozen=True)
class Big:
    """A number to be read from afar: what it is, the number with its unit, and what stands below it."""

    heading: str
    number: str
    below: str


@dataclass(frozen=True)
class Grid:
    """A small table of texts: its title, headings, and rows; a remark below."""

    title: str
    headings: Sequence[str]
    rows: Sequence[Sequence[str]]
    remark: str = ""


@dataclass(frozen=True, eq=False)
class SideView:
    """The stream from the side; lengths in m.

    Attributes
    ----------
    distance, height, low, high : ndarray, shape (n,)
        Middle height, NaN beyond its landing, and the heights of nine in ten.
    whole : float
        Distance at which the stream breaks up.
    nozzle_height : float
    marks : mapping of str to float
        What lies where on the ground.
    """

    distance: Array
    height: Array
    low: Array
    high: Array
    whole: float
    nozzle_height: float
    marks: Sequence[tuple[str, float]]


@dataclass(frozen=True, eq=False)
class CardWords:
    """All texts and the drawing of a card.

    Attributes
    ----------
    name : str
        Of the file.
    title : str
    what : sequence of str
        Lines below the title.
    big : sequence of Big
    numbers : Grid
    verdict : str
        The force beside the stated limit.
    view : SideView
    grids : sequence of Grid
        Pump chart and mistakes, side by side.
    cautions : sequence of str
        Two lines.
    footer : str
    data : Table
        What the card tells, for its file.
    """

    name: str
    title: str
    what: Sequence[str]
    big: Sequence[Big]
    numbers: Grid
    verdict: str
    view: SideView
    grids: Sequence[Grid]
    cautions: Sequence[str]
    footer: str
    data: Table
    caption: str = field(default="")


@styled
def card_page(words: CardWords, system: UnitSystem = "us") -> Page:
    """Draw a card on one page.

    Parameters
    ----------
    words : CardWords
    system : {"us", "si"}, optional
        Letter or A4, and marks every 20 ft or 5 m.

    Returns
    -------
    Page
    """
    sheet = _Sheet(PAPER[system])
    sheet.text(0, MARGIN, words.title, size=_fitting(_TITLE_SIZE, words.title, 42), weight="bold")
    for number, line in enumerate(words.what):
        sheet.text(0, _WHAT + 0.24 * number, line, size=_fitting(_TEXT_SIZE, line, 80))
    for number, big in enumerate(words.big):
        _draw_big(sheet, 0.5 * number, big)
    _draw_numbers(sheet, words)
    _draw_view(sheet, words.view, system)
    for number, grid in enumerate(words.grids):
        _draw_grid(sheet, grid, (0, 0.46) if number == 0 else (0.5, 0.5))
    bottom = sheet.height - MARGIN
    sheet.rule(bottom - 0.62)
    for number, line in enumerate(words.cautions):
        sheet.text(0, bottom - 0.56 + 0.19 * number, line, size=_SMALL_SIZE)
    sheet.text(0, bottom - 0.12, words.footer, size=8, color=_SOFT)
    return Page(words.name, words.title, words.caption, sheet.figure, words.data.csv_columns(), to_print=True).begun()


def _fitting(size: float, text: str, letters: int) -> float:
    """Size of type at which a line of more than so many letters still fits."""
    return size * min(1.0, letters / max(len(text), 1))


class _Sheet:
    """A figure of the paper's size that is written on in inches from its top; across, in parts of the text's width."""

    def __init__(self, size: tuple[float, float]) -> None:
        self.width, self.height = size
        self.figure = Figure(figsize=size)
        FigureCanvasAgg(self.figure)

    def across(self, part: float) -> float:
        """A place across the text as a part of the page."""
        return (MARGIN + part * (self.width - 2 * MARGIN)) / self.width

    def down(self, inches: float) -> float:
        """A place below the top as a part of the page."""
        return 1 - inches / self.height

    def text(self, part: float, inches: float, text: str, **look: Any) -> None:
        """Write; a capital's top is at the place, whatever letters there are."""
        given: dict[str, Any] = {"va": "top", "ha": "left", "color": _INK, "linespacing": 1.25} | look
        if "\n" not in text:
            given["va"], inches = "baseline", inches + _CAPITAL * given["size"] / 72
        self.figure.text(self.across(part), self.down(inches), clean_lines(text), **given)

    def rule(self, inches: float, ends: tuple[float, float] = (0, 1), color: str = _RULE, weight: float = 0.8) -> None:
        """Draw a line across."""
        at = [self.across(end) for end in ends]
        self.figure.add_artist(Line2D(at, [self.down(inches)] * 2, color=color, linewidth=weight))

    def axes(self, top: float, bottom: float) -> Axes:
        """Axes over the text's width."""
        wide = self.across(1) - self.across(0)
        return self.figure.add_axes((self.across(0), self.down(bottom), wide, (bottom - top) / self.height))


def _draw_big(sheet: _Sheet, left: float, big: Big) -> None:
    if left == 0:
        at = (sheet.across(0) - 0.008, sheet.down(_BIG + 1.2))
        wide, high = sheet.across(1) - sheet.across(0) + 0.016, 1.24 / sheet.height
        sheet.figure.add_artist(Rectangle(at, wide, high, facecolor="none", edgecolor=_INK, linewidth=1.6))
    sheet.text(left + 0.01, _BIG + 0.05, big.heading, size=_SMALL_SIZE + 0.5, weight="bold")
    sheet.text(left + 0.01, _BIG + 0.26, big.number, size=_BIG_SIZE if len(big.number) < 10 else 20, weight="bold")
    sheet.text(left + 0.01, _BIG + 0.78, big.below, size=_SMALL_SIZE + 0.5)


def _draw_numbers(sheet: _Sheet, words: CardWords) -> None:
    grid, columns = words.numbers, (0.0, 0.44, 0.58, 0.86)
    for place, heading in zip(columns, grid.headings, strict=True):
        sheet.text(place, _NUMBERS, heading, size=_SMALL_SIZE, color=_SOFT)
    sheet.rule(_NUMBERS + 0.21)
    for number, row in enumerate(grid.rows):
        at = _NUMBERS + 0.26 + _LINE * number
        for place, text in zip(columns, row, strict=True):
            weight = "bold" if place == columns[1] else "normal"
            sheet.text(place, at, text, size=_TEXT_SIZE, weight=weight)
    sheet.rule(_NUMBERS + 0.28 + _LINE * len(grid.rows))
    sheet.text(0, _NUMBERS + 0.34 + _LINE * len(grid.rows), wrapped(words.verdict, 92), size=_SMALL_SIZE + 0.5)


def _draw_grid(sheet: _Sheet, grid: Grid, place: tuple[float, float]) -> None:
    """A small table: its first column as wide as two and a half of the others."""
    left, width = place
    sheet.text(left, _TABLES, grid.title, size=_SMALL_SIZE + 0.5, weight="bold")
    share = width / (len(grid.headings) + 1.5)
    edges = [left, *(left + share * (2.5 + n) for n in range(len(grid.headings) - 1))]
    for edge, heading in zip(edges, grid.headings, strict=True):
        sheet.text(edge, _TABLES + 0.27, heading, size=9.5, color=_SOFT)
    sheet.rule(_TABLES + 0.44, (left, left + width))
    for number, row in enumerate(grid.rows):
        for edge, text in zip(edges, row, strict=True):
            sheet.text(edge, _TABLES + 0.49 + 0.23 * number, text, size=_SMALL_SIZE + 0.5)
    after = _TABLES + 0.53 + 0.23 * len(grid.rows)
    sheet.text(left, after, wrapped(grid.remark, int(width * 104)), size=9, color=_SOFT)


def _draw_view(sheet: _Sheet, view: SideView, system: UnitSystem) -> None:
    """The stream true to scale as far as the place allows, with marks on the ground."""

    def shown(value: Any) -> Array:
        return display.convert("extreme_reach", value, system)

    axes = sheet.axes(_VIEW + 0.05, _VIEW + 1.72)
    x, low, high = (shown(values) for values in (view.distance, view.low, view.high))
    middle = shown(view.height)
    axes.fill_between(x, low, high, color=_BAND, linewidth=0)
    whole = view.distance <= view.whole
    axes.plot(x[whole], middle[whole], color=_INK, linewidth=3.2, solid_capstyle="butt")
    axes.plot(x[~whole], middle[~whole], color=_INK, linewidth=1.6, linestyle=(0, (4, 1.4)))
    axes.axhline(0, color=_INK, linewidth=1.0)
    _draw_thrower(axes, float(shown(view.nozzle_height)), float(shown(FIREFIGHTER)))
    _draw_marks(axes, view, shown)
    right = max(float(x[-1]), *(float(shown(at)) for _, at in view.marks)) * 1.02
    axes.set_xlim(-0.05 * right, right)
    axes.set_ylim(-0.02 * right, max(float(np.nanmax(high)) * 1.05, 0.2 * right))
    step = float(shown(_MARKS[system]))
    axes.xaxis.set_major_locator(MultipleLocator(step * (1 + int(right / step // 14))))
    axes.yaxis.set_major_locator(MultipleLocator(step))
    axes.tick_params(labelsize=_SMALL_SIZE)
    axes.grid(axis="x", color="#bbbbbb", linewidth=0.5)
    unit = display.unit_label("extreme_reach", system)
    axes.set_xlabel(f"Distance along the ground [{unit}]", fontsize=_SMALL_SIZE)


def _draw_thrower(axes: Axes, nozzle: float, size: float) -> None:
    floor, x = max(0.0, nozzle - 0.75 * size), -0.35 * size
    axes.add_patch(Circle((x, floor + 0.9 * size), 0.1 * size, color=_SOFT, linewidth=0))
    body = np.array(((-0.14, 0.78), (0.14, 0.78), (0.1, 0.4), (0.1, 0.0), (-0.1, 0.0), (-0.1, 0.4)))
    axes.add_patch(Polygon(body * size + (x, floor), color=_SOFT, linewidth=0))
    axes.plot((x, 0), (0.62 * size + floor, nozzle), color=_SOFT, linewidth=2)


def _draw_marks(axes: Axes, view: SideView, shown: Any) -> None:
    for (text, at), marker, above in zip(view.marks, "Ds^", (7, 21, 7), strict=False):
        x = float(shown(at))
        if not np.isfinite(x):
            continue
        axes.plot(x, 0, marker=marker, color=_INK, markersize=8, markeredgecolor="white", clip_on=False, zorder=5)
        side = "right" if at > 0.6 * view.distance[-1] else "left"
        axes.annotate(text, (x, 0), (-7 if side == "right" else 5, above), textcoords="offset points", ha=side,
                      fontsize=_SMALL_SIZE, zorder=6,
                      bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85})  # fmt: skip
