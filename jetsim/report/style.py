"""What every figure shares: colours that the colour-blind and a grey copy can tell apart, and `Plot`.

Colours are those of Okabe and Ito (2008, "Color Universal Design", from memory); markers, line styles and
hatches carry the same distinction without colour.
"""

import io
import pickle
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache, wraps
from pathlib import Path
from typing import Any, ClassVar, NamedTuple, ParamSpec, Self, TypeVar

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from jetsim.quantities import QUANTITIES
from jetsim.report import display
from jetsim.report.plaintext import clean, clean_lines
from jetsim.report.tables import check_name, write_csv

BLACK, ORANGE, SKY, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
BLUE, VERMILION, PURPLE, GREY = "#0072B2", "#D55E00", "#CC79A7", "#767676"
PAGE, COLUMN = 7.0, 3.4  # inches; widths of a figure across a page, and in one of two columns
_STYLE_FILE = Path(__file__).with_name("jetsim.mplstyle")
# What each format may say of itself: nothing that differs between equal runs.
METADATA: dict[str, dict[str, Any]] = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None},
}
_COMPRESSION = 3  # of PNG files: twice as fast as the default, for a seventh more bytes
_PLACES = 9  # decimals of positions, in parts of the figure


class Look(NamedTuple):
    """Colour, marker, line style and hatch of one series."""

    colour: str
    marker: str
    line: Any
    hatch: str


SERIES = (
    Look(BLUE, "o", "-", ""),
    Look(VERMILION, "s", (0, (5, 1.5)), "////"),
    Look(GREEN, "^", (0, (1, 1)), "||||"),
    Look(PURPLE, "D", (0, (6, 1.5, 1, 1.5)), "xxxx"),
    Look(ORANGE, "v", (0, (3, 1, 1, 1, 1, 1)), "\\\\\\\\"),
    Look(SKY, "P", (0, (8, 2)), "----"),
    Look(BLACK, "X", (0, (2, 2)), "++++"),
    Look(GREY, "*", (0, (10, 2, 2, 2)), "//"),
)
ROLES = {
    "controllable": Look(BLUE, "o", "-", ""),
    "environment": Look(GREEN, "^", (0, (1, 1)), "||||"),
    "unknown": Look(VERMILION, "s", (0, (5, 1.5)), "////"),
    "structural": Look(PURPLE, "D", (0, (6, 1.5, 1, 1.5)), "xxxx"),
}
ROLE_WORDS = {
    "controllable": "what the crew controls",
    "environment": "weather and site",
    "unknown": "what we do not know",
    "structural": "choice of model",
}


def series(number: int) -> Look:
    """Look of the n-th series, counted from 0."""
    return SERIES[number % len(SERIES)]


def role_look(role: str | None) -> Look:
    """Look of a role; grey where there is none."""
    return ROLES.get(role or "", Look(GREY, "x", "-", ""))


@dataclass(frozen=True)
class Words:
    """What a figure says: file name, title (the finding) and caption (the conditions); and how wide it is, inches."""

    name: str
    title: str
    caption: str = ""
    width: float = PAGE


@cache
def _settings() -> dict[Any, Any]:
    """Those of the file, and matplotlib's own for all others but windows, which nobody opens."""
    return {name: value for name, value in mpl.rc_params_from_file(_STYLE_FILE).items() if name != "backend"}


@contextmanager
def jetsim_style() -> Iterator[None]:
    """Matplotlib settings of the package, whatever the user's own settings are."""
    with mpl.rc_context(_settings()):
        yield


P = ParamSpec("P")
R = TypeVar("R")


def styled(draw: Callable[P, R]) -> Callable[P, R]:
    """Run a drawing function under the package's settings."""

    @wraps(draw)
    def under_style(*args: P.args, **kwargs: P.kwargs) -> R:
        with jetsim_style():
            return draw(*args, **kwargs)

    return under_style


def new_figure(height: float, width: float = PAGE) -> Figure:
    """An empty figure of its own, outside pyplot's state. Sizes in inches."""
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def wrapped(text: str, width: int) -> str:
    """Text broken into lines of at most `width` characters, without control characters."""
    return "\n".join(textwrap.wrap(clean(text), width)) or clean(text)


def plain(text: str, width: int = 26) -> str:
    """A name or words in lines of `width`, underscores as spaces; a unit stays with its word."""
    return wrapped(text.replace("_", " ").replace(" [", "\N{NO-BREAK SPACE}["), width)


def named(name: str, labels: Mapping[str, str], width: int = 26) -> str:
    """A parameter's label for an axis: the given one, what the trade calls it, or the name itself."""
    return plain(labels.get(name) or (display.trade(name) if name in QUANTITIES else name), width)


@styled
def drawing(figure: Figure, kind: str, dots: int) -> bytes:
    """A figure as a file of one kind, with so many dots to an inch of a PNG; the same figure gives the same bytes."""
    buffer = io.BytesIO()
    pixels = {"dpi": dots, "pil_kwargs": {"compress_level": _COMPRESSION}}
    more: dict[str, Any] = pixels if kind == "png" else {}
    figure.savefig(buffer, format=kind, metadata=METADATA[kind], **more)
    return buffer.getvalue()


def _unpacked_drawing(figure: bytes, kind: str, dots: int) -> bytes:
    return drawing(pickle.loads(figure), kind, dots)


# Processes that draw, and whether for a quick run.
_HANDS: list[tuple[Executor, bool]] = []


@contextmanager
def drawn_by(executor: Executor, quick: bool) -> Iterator[None]:
    """Let an executor in other processes begin with the files of each plot as soon as that is made."""
    _HANDS.append((executor, quick))
    try:
        yield
    finally:
        _HANDS.pop()


@dataclass(frozen=True, eq=False)
class Plot:
    """A finished figure with its words and the plotted data.

    Attributes
    ----------
    name, title, caption : str
        File name without its ending, the finding, the conditions.
    figure : matplotlib.figure.Figure
        Bare: documents set title and caption as text.
    data : mapping of str to sequence
        The plotted data: header with unit to column; both unit systems.
    to_print : bool, optional
        A page that is made to be printed: written as PDF even in a quick run.
    instead : str, optional
        All that a small figure would show, as a sentence: documents print it in the figure's place.
    """

    name: str
    title: str
    caption: str
    figure: Figure
    data: Mapping[str, Sequence[Any]]
    to_print: bool = False
    instead: str = ""
    # What was drawn so far, or is being drawn, by format and whether in a quick run: page, paper and folder share it.
    _files: dict[tuple[str, bool], bytes | Future[bytes]] = field(default_factory=dict, repr=False)
    # To an inch of a PNG: as paper shows them, and as many as a screen does.
    dots: ClassVar[tuple[int, int]] = (300, 150)

    def __post_init__(self) -> None:
        check_name(self.name)

    @classmethod
    def of(cls, words: Words, figure: Figure, data: Mapping[str, Any]) -> "Plot":
        """A plot from the words handed to a drawing function; its layout is worked out once, here."""
        for text in _texts(figure):
            text.set_text(clean_lines(text.get_text()))
        work_out_layout(figure)
        figure.set_layout_engine(None)  # otherwise every file format works it out again
        return cls(words.name, words.title, words.caption, figure, data).begun()

    @property
    def alternative_text(self) -> str:
        """What someone is told who cannot see the figure."""
        return ". ".join(clean(part).rstrip(".") for part in (self.title, self.caption) if part) + "."

    def svg(self) -> bytes:
        """The figure as SVG; the same figure gives the same bytes."""
        return self._drawn("svg")

    def png(self, quick: bool = False) -> bytes:
        """The figure as PNG, in a `quick` run with fewer dots; the same figure gives the same bytes."""
        return self._drawn("png", quick)

    def begun(self) -> Self:
        """This plot, which the processes that draw begin with, if there are any."""
        if _HANDS:
            executor, quick = _HANDS[-1]
            figure = pickle.dumps(self.figure)
            for kind in sorted({*self._kinds(quick), "png", *([] if quick else ["svg"])}):
                key = kind, quick and kind == "png"
                self._files[key] = executor.submit(_unpacked_drawing, figure, kind, self.dots[key[1]])
        return self

    def _kinds(self, quick: bool) -> tuple[str, ...]:
        """Formats of the files in the results folder."""
        return ("png",) if quick and not self.to_print else tuple(METADATA)

    def _drawn(self, kind: str, quick: bool = False) -> bytes:
        if (kind, quick) not in self._files:
            self._files[kind, quick] = drawing(self.figure, kind, self.dots[quick])
        content = self._files[kind, quick]
        return content if isinstance(content, bytes) else content.result()

    def save(self, folder: Path, quick: bool = False) -> tuple[Path, ...]:
        """Write ``NAME.png``, ``NAME.svg``, ``NAME.pdf`` without title and caption, and the data as ``NAME.csv``.

        Parameters
        ----------
        folder : Path
            Must exist.
        quick : bool, optional
            Leave out SVG and PDF, unless the figure is a page to print.

        Returns
        -------
        tuple of Path
            The files written, the data last.
        """
        kinds = self._kinds(quick)
        paths = [folder / f"{self.name}.{kind}" for kind in kinds]
        for path, kind in zip(paths, kinds, strict=True):
            path.write_bytes(self._drawn(kind, quick and kind == "png"))
        return (*paths, write_csv(folder / f"{self.name}.csv", self.data))


def _texts(artist: Artist) -> Iterator[Text]:
    """Every text but those at ticks, which are written anew each time that they are placed."""
    for part in artist.get_children():
        if isinstance(part, Axis):
            yield part.label
        elif isinstance(part, Text):
            yield part
        else:
            yield from _texts(part)


def legend_outside(
    figure: Figure, handles: Sequence[Any], texts: Sequence[str] = (), columns: int = 4, above: bool = False
) -> None:
    """A legend below or above a figure, in as many columns (at most `columns`) as its width holds."""
    labels = [clean(text) for text in (texts or [str(handle.get_label()) for handle in handles])]
    room = figure.get_figwidth() - 0.2
    for count in range(min(columns, len(labels)) or 1, 0, -1):
        # 0.075 in a character at this size, 0.55 in for the sign and the gap; matplotlib fills column by column, the
        # first ones with one more.
        columns_of = np.array_split(np.array([len(text) for text in labels]), count)
        widest = [int(lengths.max()) for lengths in columns_of if lengths.size]
        if sum(0.075 * width + 0.55 for width in widest) <= room or count == 1:
            figure.legend(handles, labels, loc="outside upper left" if above else "outside lower left", ncols=count)
            return


def work_out_layout(figure: Figure) -> None:
    """Give all axes their places, without drawing anything.

    The solver adds in an order that depends on addresses in memory, so its last digits vary from run to run;
    places are rounded, far below what can be seen, so that files are the same bytes.
    """
    engine = figure.get_layout_engine()
    if engine is None:
        return
    _leave_out_spines(figure)
    engine.execute(figure)
    for inner in figure.subfigs:
        inner.bbox_relative.set_points(inner.bbox_relative.get_points().round(_PLACES))
    for axes in figure.axes:
        axes.set_position(Bbox(axes.get_position(original=True).get_points().round(_PLACES)))
        axes.set_in_layout(True)  # what has been placed by hand would be left out of the next layout


def _leave_out_spines(figure: Figure) -> None:
    """Measure no spine, whose every measure places all ticks anew, where labels reach farther than its ticks."""
    for axes in figure.axes:
        shown = axes.xaxis.get_tick_params() | axes.yaxis.get_tick_params()
        for side, spine in axes.spines.items():
            spine.set_in_layout(side in shown and shown[side] and not shown[f"label{side}"])
