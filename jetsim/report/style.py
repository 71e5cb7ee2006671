"""What every figure shares: colours that the colour-blind and a grey copy can tell apart, and `Plot`.

Colours are those of Okabe and Ito (2008, "Color Universal Design", from memory); markers, line styles and
hatches carry the same distinction without colour.
"""

import io
import re
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property, wraps
from pathlib import Path
from typing import Any, NamedTuple, ParamSpec, TypeVar

import matplotlib as mpl
from matplotlib import style as mpl_style
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from jetsim.quantities import QUANTITIES
from jetsim.report import display
from jetsim.report.tables import check_name, write_csv

BLACK, ORANGE, SKY, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
BLUE, VERMILION, PURPLE, GREY = "#0072B2", "#D55E00", "#CC79A7", "#767676"
WIDTH = 8.0  # inches; the width of the report's column
_STYLE_FILE = Path(__file__).with_name("jetsim.mplstyle")
# What each format may say of itself: nothing that differs between equal runs.
METADATA: dict[str, dict[str, Any]] = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None},
}
# Drawn last, so that no other part of an SVG leans on what is defined inside the heading.
_TITLE, _CAPTION, _TOPMOST = "title", "caption", 1000.0
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
    """What a figure says: file name, title (the finding) and caption (the conditions)."""

    name: str
    title: str
    caption: str = ""


@contextmanager
def jetsim_style() -> Iterator[None]:
    """Matplotlib settings of the package, whatever the user's own settings are."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl_style.use(_STYLE_FILE)
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


def new_figure(height: float, width: float = WIDTH) -> Figure:
    """An empty figure of its own, outside pyplot's state. Sizes in inches."""
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def wrapped(text: str, width: int) -> str:
    """Text broken into lines of at most `width` characters."""
    return "\n".join(textwrap.wrap(text, width)) or text


def plain(text: str, width: int = 26) -> str:
    """A name or words in lines of `width`, underscores as spaces; a unit stays with its word."""
    return wrapped(text.replace("_", " ").replace(" [", "\N{NO-BREAK SPACE}["), width)


def named(name: str, labels: Mapping[str, str], width: int = 26) -> str:
    """A parameter's label for an axis: the given one, the quantity's short name, or the name itself."""
    return plain(labels.get(name) or (display.short_label(name) if name in QUANTITIES else name), width)


@dataclass(frozen=True, eq=False)
class Plot:
    """A finished figure with its words and the plotted data.

    Attributes
    ----------
    name, title, caption : str
        File name without its ending, the finding, the conditions.
    figure : matplotlib.figure.Figure
        Without title and caption: the report sets them as text, the saved files get them drawn.
    data : mapping of str to sequence
        The plotted data: header with unit to column; both unit systems.
    to_print : bool, optional
        A page that is made to be printed: written as PDF even in a quick run.
    """

    name: str
    title: str
    caption: str
    figure: Figure
    data: Mapping[str, Sequence[Any]]
    to_print: bool = False

    def __post_init__(self) -> None:
        check_name(self.name)

    @classmethod
    def of(cls, words: Words, figure: Figure, data: Mapping[str, Any]) -> "Plot":
        """A plot from the words handed to a drawing function; its layout is worked out once, here."""
        work_out_layout(figure)
        figure.set_layout_engine(None)  # otherwise every file format works it out again
        for legend in figure.legends:  # they would move to the edge of the frame that holds title and caption
            legend.set_bbox_to_anchor((0, 0, 1, 1), figure.transFigure)
        return cls(words.name, words.title, words.caption, figure, data)

    def svg(self) -> bytes:
        """The figure without title and caption as SVG; the same figure gives the same bytes."""
        width, height = self.figure.get_size_inches()
        return _without_heading(self._headed_svg, (width, height), _Heading.of(self).above)

    @cached_property
    @styled
    def _headed_svg(self) -> bytes:
        """Title, figure and caption as SVG, drawn once for the file and the report."""
        buffer = io.BytesIO()
        with _headed(self) as frame:
            self.figure.savefig(buffer, format="svg", metadata=METADATA["svg"], bbox_inches=frame)
        return buffer.getvalue()

    @styled
    def save(self, folder: Path, quick: bool = False) -> tuple[Path, ...]:
        """Write ``NAME.png``, ``NAME.svg``, ``NAME.pdf`` and the plotted data as ``NAME.csv``.

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
        kinds = ["png"] if quick and not self.to_print else list(METADATA)
        paths = [folder / f"{self.name}.{kind}" for kind in kinds]
        with _headed(self) as frame:
            for path, kind in zip(paths, kinds, strict=True):
                if kind != "svg":
                    self.figure.savefig(path, format=kind, metadata=METADATA[kind], bbox_inches=frame)
        if "svg" in kinds:
            paths[kinds.index("svg")].write_bytes(self._headed_svg)
        return (*paths, write_csv(folder / f"{self.name}.csv", self.data))


class _Heading(NamedTuple):
    """Lines of the title above a figure and of the caption below it, and what each takes, in inches."""

    title: list[str]
    caption: list[str]
    above: float
    below: float

    @classmethod
    def of(cls, plot: Plot) -> "_Heading":
        width = plot.figure.get_figwidth()
        title = textwrap.wrap(plot.title, int(width * 9.6))
        caption = textwrap.wrap(plot.caption, int(width * 15.5))
        return cls(title, caption, 0.18 + 0.23 * len(title), 0.12 + 0.17 * len(caption))


@contextmanager
def _headed(plot: Plot) -> Iterator[Bbox]:
    """Draw title and caption above and below the figure; gives the frame, in inches, that holds them too."""
    width, height = plot.figure.get_size_inches()
    heading = _Heading.of(plot)
    at: dict[str, Any] = {"ha": "left", "va": "top", "in_layout": False, "linespacing": 1.3, "zorder": _TOPMOST}
    left, top = 0.1 / width, 1 + (heading.above - 0.1) / height
    title, caption = "\n".join(heading.title), "\n".join(heading.caption)
    texts = [
        plot.figure.text(left, top, title, fontsize=12, fontweight="bold", gid=_TITLE, **at),
        plot.figure.text(left, -0.04 / height, caption, fontsize=8.5, color="#444444", gid=_CAPTION, **at),
    ]
    try:
        yield Bbox.from_extents(0, -heading.below, width, height + heading.above)
    finally:
        for text in texts:
            text.remove()


def _without_heading(svg: bytes, size: tuple[float, float], above: float) -> bytes:
    """An SVG without its title and caption and with the view narrowed to the figure; lengths in inches."""
    start = re.search(rf'\n  <g id="({_TITLE}|{_CAPTION})">'.encode(), svg)
    if start is not None:  # the last groups inside the outermost one, which ends at the next such line
        svg = svg[: start.start()] + svg[svg.index(b"\n </g>\n", start.start()) :]
    width, height, top = (f"{72 * length:.6f}".rstrip("0").rstrip(".") for length in (*size, above))
    view = f'width="{width}pt" height="{height}pt" viewBox="0 {top} {width} {height}"'
    return re.sub(rb'width="[^"]+" height="[^"]+" viewBox="[^"]+"', view.encode(), svg, count=1)


def work_out_layout(figure: Figure) -> None:
    """Give all axes their places, without drawing anything.

    The solver adds in an order that depends on addresses in memory, so its last digits vary from run to run;
    places are rounded, far below what can be seen, so that files are the same bytes.
    """
    engine = figure.get_layout_engine()
    if engine is None:
        return
    engine.execute(figure)
    for inner in figure.subfigs:
        inner.bbox_relative.set_points(inner.bbox_relative.get_points().round(_PLACES))
    for axes in figure.axes:
        axes.set_position(Bbox(axes.get_position(original=True).get_points().round(_PLACES)))
        axes.set_in_layout(True)  # what has been placed by hand would be left out of the next layout
