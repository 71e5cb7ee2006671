"""What every figure shares: colours that the colour-blind and a grey copy can tell apart, and `Plot`.

Colours are those of Okabe and Ito (2008, "Color Universal Design", from memory); markers, line styles and
hatches carry the same distinction without colour.
"""

import io
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
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
_METADATA: dict[str, dict[str, Any]] = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None},
}


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
        figure.draw_without_rendering()
        figure.set_layout_engine(None)  # otherwise every file format works it out again
        for legend in figure.legends:  # they would move to the edge of the frame that holds title and caption
            legend.set_bbox_to_anchor((0, 0, 1, 1), figure.transFigure)
        return cls(words.name, words.title, words.caption, figure, data)

    @styled
    def svg(self) -> bytes:
        """The figure without title and caption as SVG; the same figure gives the same bytes."""
        buffer = io.BytesIO()
        self.figure.savefig(buffer, format="svg", metadata=_METADATA["svg"])
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
        kinds = ["png"] if quick and not self.to_print else list(_METADATA)
        paths = [folder / f"{self.name}.{kind}" for kind in kinds]
        with _headed(self) as frame:
            for path, kind in zip(paths, kinds, strict=True):
                self.figure.savefig(path, format=kind, metadata=_METADATA[kind], bbox_inches=frame)
        return (*paths, write_csv(folder / f"{self.name}.csv", self.data))


@contextmanager
def _headed(plot: Plot) -> Iterator[Bbox]:
    """Draw title and caption above and below the figure; gives the frame, in inches, that holds them too."""
    width, height = plot.figure.get_size_inches()
    title = textwrap.wrap(plot.title, int(width * 9.6))
    caption = textwrap.wrap(plot.caption, int(width * 15.5))
    above, below = 0.18 + 0.23 * len(title), 0.12 + 0.17 * len(caption)
    at: dict[str, Any] = {"ha": "left", "va": "top", "in_layout": False, "linespacing": 1.3}
    left, top = 0.1 / width, 1 + (above - 0.1) / height
    texts = [
        plot.figure.text(left, top, "\n".join(title), fontsize=12, fontweight="bold", **at),
        plot.figure.text(left, -0.04 / height, "\n".join(caption), fontsize=8.5, color="#444444", **at),
    ]
    try:
        yield Bbox.from_extents(0, -below, width, height + above)
    finally:
        for text in texts:
            text.remove()
