"""Figures of the stream itself: seen from the side, and swept over two controls."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch, Polygon
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FuncFormatter, MaxNLocator, MultipleLocator
from numpy.typing import NDArray

from jetsim import units
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.style import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    SKY,
    VERMILION,
    Plot,
    Words,
    legend_outside,
    new_figure,
    styled,
    work_out_layout,
)
from jetsim.report.tables import both_units

FIREFIGHTER = 1.75  # m, a scale for the eye only
_MARKS: dict[UnitSystem, float] = {"us": float(units.to_si(20, "ft")), "si": 5.0}
_LIGHT_BLUES = LinearSegmentedColormap.from_list("jetsim_light", ("#f7fafd", "#a9cfe6", "#4b93bf"))


@dataclass(frozen=True)
class Spread:
    """Low, middle and high value of a quantity, SI."""

    low: float
    middle: float
    high: float

    def text(self, name: str, system: UnitSystem) -> str:
        """Middle value with its unit, then the range."""
        low, high = (display.number(float(display.convert(name, end, system))) for end in (self.low, self.high))
        return f"{display.value(name, self.middle, system)}\nnine in ten: {low} to {high}"


@dataclass(frozen=True, eq=False)
class StreamView:
    """What the side view shows; all lengths in m.

    Attributes
    ----------
    distance : ndarray, shape (n,)
        Along the ground from the point below the tip, rising.
    height, height_low, height_high : ndarray, shape (n,)
        Middle, 5 % and 95 % height of the stream at each distance; a stream that has come down counts with
        the target height.
    breakup, reach : Spread
        Distances along the ground.
    apex : tuple of float
        Distance and height of the middle path's highest point.
    nozzle_height : float
    target_height : float, optional
    effective : Spread, optional
        How far the stream is effective at its best elevation.
    """

    distance: NDArray[np.float64]
    height: NDArray[np.float64]
    height_low: NDArray[np.float64]
    height_high: NDArray[np.float64]
    breakup: Spread
    reach: Spread
    apex: tuple[float, float]
    nozzle_height: float
    target_height: float = 0.0
    effective: Spread | None = None

    def data(self) -> dict[str, Any]:
        """CSV columns."""
        columns = {"path_along": self.distance, "path_height": self.height}
        rows = {key: value for name, values in columns.items() for key, value in both_units(name, values).items()}
        for key in ("low", "high"):
            values = self.height_low if key == "low" else self.height_high
            rows |= both_units("path_height", values, f"path_height_{key}")
        return rows


@styled
def stream_side_view(words: Words, view: StreamView, system: UnitSystem = "us") -> Plot:
    """The flown stream from the side, true to scale.

    Shows the middle path (thick until breakup), the band of 90 % of the runs, breakup, apex and reach with
    their spreads, the nozzle with a firefighter to scale, and marks on the ground every 20 ft or 5 m.

    Parameters
    ----------
    words : Words
    view : StreamView
    system : {"us", "si"}, optional

    Returns
    -------
    Plot
    """

    def shown(value: Any) -> NDArray[np.float64]:
        return display.convert("extreme_reach", value, system)

    frame = _Frame.around(view, shown, words.width)
    figure = new_figure(frame.figure_height, words.width)
    axes = figure.add_subplot()
    axes.set_aspect("equal")
    axes.set_xlim(frame.left, frame.right)
    axes.set_ylim(frame.bottom, frame.top)
    _draw_ground(axes, frame, system)
    _draw_path(axes, view, shown)
    _draw_firefighter(axes, view, shown)
    _draw_labels(axes, view, shown, system)
    effective = _draw_effective(axes, view, shown, system)
    legend_outside(figure, [*_side_handles(system), *effective])
    return Plot.of(words, figure, view.data())


@dataclass(frozen=True)
class _Frame:
    """Limits of the side view in display units, and the figure's height in inches."""

    left: float
    right: float
    bottom: float
    top: float
    figure_height: float
    target: float

    @property
    def soil(self) -> float:
        """Top of the soil: the ground, or a target that lies below it."""
        return min(0.0, self.target)

    @classmethod
    def around(cls, view: StreamView, shown: Callable[[Any], NDArray[np.float64]], width: float) -> "_Frame":
        far = float(shown(max(view.reach.high, np.max(view.distance[view.height_high > view.target_height]))))
        high = float(shown(max(np.nanmax(view.height_high), view.apex[1], view.nozzle_height + FIREFIGHTER / 3)))
        target = float(shown(view.target_height))
        low = min(0.0, target)
        left, right = -0.045 * far, 1.03 * far
        inch = (right - left) / (width - 0.4)
        bottom, top = low - 0.14 * inch, high + 0.85 * inch
        return cls(left, right, bottom, top, min((top - bottom) / inch + 0.95, 9.0), target)


def _draw_ground(axes: Axes, frame: _Frame, system: UnitSystem) -> None:
    """Ground strip with a mark every 20 ft or 5 m; every second one is labelled where they crowd."""
    step = float(display.convert("extreme_reach", _MARKS[system], system))
    unit = display.unit_label("extreme_reach", system)
    axes.fill_between((frame.left, frame.right), frame.bottom, frame.soil, color="#e4e0d8", linewidth=0)
    axes.axhline(0, color="#6b6459", linewidth=1)
    if frame.target:
        axes.axhline(frame.target, color="#6b6459", linewidth=1, linestyle=(0, (5, 3)))
        axes.annotate(
            "target height",
            (0.995, frame.target),
            (0, 2),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            ha="right",
            color="#444444",
        )
    every = step * (1 + int(frame.right / step // 16))
    axes.xaxis.set_major_locator(MultipleLocator(every))
    axes.xaxis.set_minor_locator(MultipleLocator(step))
    axes.xaxis.set_major_formatter(FuncFormatter(_ahead))
    axes.yaxis.set_major_locator(MultipleLocator(step / 2))
    axes.grid(axis="x", which="both")
    axes.set_xlabel(f"Distance along the ground, marks every {step:.0f} {unit}")
    axes.set_ylabel(f"Height [{unit}]")
    axes.spines["bottom"].set_visible(False)


def _ahead(distance: float, _position: int | None = None) -> str:
    """A distance mark; none behind the nozzle."""
    return f"{distance:.0f}" if distance >= 0 else ""


def _draw_path(axes: Axes, view: StreamView, shown: Callable[[Any], NDArray[np.float64]]) -> None:
    x, z = shown(view.distance), shown(view.height)
    axes.fill_between(
        x, shown(view.height_low), shown(view.height_high),
        where=(view.height_high > view.target_height) | (view.distance < view.apex[0]),
        color=SKY, alpha=0.35, linewidth=0,
    )  # fmt: skip
    before, after = view.distance <= view.breakup.middle, view.distance >= view.breakup.middle
    flying = view.distance <= view.reach.middle
    axes.plot(x[before], z[before], color=BLUE, linewidth=3.0, solid_capstyle="butt")
    axes.plot(x[after & flying], z[after & flying], color=BLUE, linewidth=1.5, linestyle=(0, (4, 1.2)))


def _draw_firefighter(axes: Axes, view: StreamView, shown: Callable[[Any], NDArray[np.float64]]) -> None:
    """A standing figure behind the nozzle, on a block where the nozzle is too high to stand on the ground."""
    size = float(shown(FIREFIGHTER))
    floor = max(0.0, float(shown(view.nozzle_height)) - 0.75 * size)
    x = -0.35 * size
    if floor:
        left = axes.get_xlim()[0]
        axes.fill_between((left, 0.1 * size), 0, floor, color="#d9d9d9", linewidth=0)
    axes.add_patch(Circle((x, floor + 0.9 * size), 0.1 * size, color="#444444", linewidth=0))
    body = np.array(((-0.14, 0.78), (0.14, 0.78), (0.1, 0.4), (0.1, 0.0), (-0.1, 0.0), (-0.1, 0.4)))
    axes.add_patch(Polygon(body * size + (x, floor), color="#444444", linewidth=0))
    axes.plot((x, 0), np.array((0.62 * size + floor, float(shown(view.nozzle_height)))), color="#444444", linewidth=2)


def _draw_labels(axes: Axes, view: StreamView, shown: Callable[[Any], NDArray[np.float64]], system: UnitSystem) -> None:
    """Three labels in the strip above the stream, each with a line down to its mark."""
    at_breakup = float(np.interp(view.breakup.middle, view.distance, view.height))
    apex = f"{display.value('apex_height', view.apex[1], system)} high"
    out = display.number(float(shown(view.apex[0])))
    marks = (
        ("Stream breaks up", view.breakup.text("breakup_distance", system), (view.breakup.middle, at_breakup), "D"),
        ("Highest point", f"{apex}\n{out} {display.unit_label('apex_distance', system)} out", view.apex, "^"),
        ("Farthest water", view.reach.text("extreme_reach", system), (view.reach.middle, view.target_height), "v"),
    )
    for (heading, text, point, marker), place, side in zip(
        marks, (0.012, 0.5, 0.988), ("left", "center", "right"), strict=True
    ):
        x, z = (float(shown(value)) for value in point)
        axes.plot(x, z, marker=marker, color=VERMILION, markersize=7, markeredgecolor="white", clip_on=False, zorder=5)
        at: dict[str, Any] = {"va": "top", "ha": side, "linespacing": 1.3, "clip_on": False, "zorder": 6}
        axes.annotate(heading, (place, 0.985), xycoords="axes fraction", fontweight="bold", **at)
        axes.annotate(
            f"\n{text}", (x, z), (place, 0.985), textcoords="axes fraction", multialignment="left",
            arrowprops={"arrowstyle": "-", "color": GREY, "linewidth": 0.8, "shrinkB": 4}, **at,
        )  # fmt: skip


def _draw_effective(
    axes: Axes, view: StreamView, shown: Callable[[Any], NDArray[np.float64]], system: UnitSystem
) -> list[Any]:
    """A bar at the target height with its middle, and what the legend says of it."""
    reach = view.effective
    if reach is None:
        return []
    height = float(shown(view.target_height))
    look: dict[str, Any] = {"color": GREEN, "linewidth": 3.0, "solid_capstyle": "butt", "clip_on": False, "zorder": 4}
    axes.plot(shown(np.array([reach.low, reach.high])), (height, height), **look)
    mark: dict[str, Any] = {"color": GREEN, "marker": "s", "markersize": 6, "markeredgecolor": "white"}
    axes.plot(float(shown(reach.middle)), height, **mark, clip_on=False, zorder=5)
    ends = display.span("effective_reach_at_best", reach.low, reach.high, system)
    words = f"effective at its best, nine in ten: {ends}"
    return [Line2D([], [], linewidth=3.0, **mark, label=words)]


def _side_handles(system: UnitSystem) -> list[Any]:
    tall = "5 ft 9 in" if system == "us" else "1.75 m"
    return [
        Line2D([], [], color=BLUE, linewidth=3.0, label="whole stream"),
        Line2D([], [], color=BLUE, linewidth=1.5, linestyle=(0, (4, 1.2)), label="broken up"),
        Patch(color=SKY, alpha=0.35, label="nine in ten throws"),
        Line2D([], [], color="#444444", marker="|", markersize=9, markeredgewidth=3, linestyle="",
               label=f"firefighter, {tall}"),
    ]  # fmt: skip


@dataclass(frozen=True)
class SweepAxes:
    """Names of the swept quantities, of the filled one and of those drawn as lines."""

    x: str = "nozzle_pressure"
    y: str = "tip_diameter"
    fill: str = "extreme_reach"
    lines: Sequence[str] = ("flow_rate", "reaction_force")


@styled
def sweep_contour(
    words: Words, sweep: xr.Dataset, axes_names: SweepAxes | None = None, system: UnitSystem = "us"
) -> Plot:
    """A quantity over two controls as filled contours, with lines of equal flow and reaction on top.

    Parameters
    ----------
    words : Words
    sweep : xarray.Dataset
        SI; dimensions and coordinates `axes_names.x` and `axes_names.y`, and the variables drawn.
    axes_names : SweepAxes, optional
    system : {"us", "si"}, optional

    Returns
    -------
    Plot
    """
    names = axes_names or SweepAxes()
    figure = new_figure(1.2 + 0.5 * words.width, words.width)
    axes = figure.add_subplot()
    x, y = (display.convert(name, sweep[name].values, system) for name in (names.x, names.y))
    values = {name: _swept(sweep, names, name, system) for name in (names.fill, *names.lines)}
    filled = axes.contourf(x, y, values[names.fill], levels=_levels(values[names.fill], 9), cmap=_LIGHT_BLUES)
    bar = figure.colorbar(filled, ax=axes, pad=0.015, aspect=28)
    bar.set_label(display.axis_label(names.fill, system))
    _name_axes(axes, names, y, system)
    work_out_layout(figure)  # the labels inside the lines need the final scale
    looks = (_Isoline(BLACK, "--", 0.3), _Isoline(VERMILION, ":", 0.65), _Isoline(GREY, "-.", 0.5))
    handles = [
        _isolines(axes, (x, y, values[name]), name, look, system)
        for name, look in zip(names.lines, looks, strict=False)
    ]
    legend_outside(figure, handles, columns=3)
    return Plot.of(words, figure, _sweep_data(sweep, names))


def _swept(sweep: xr.Dataset, names: SweepAxes, name: str, system: UnitSystem) -> Any:
    values = sweep[name].transpose(names.y, names.x).values
    return np.ma.masked_invalid(display.convert(name, values, system))


def _levels(values: Any, most: int) -> NDArray[np.float64]:
    low, high = float(values.min()), float(values.max())
    if not np.isfinite(low) or low == high:
        low, high = low - 0.5, low + 0.5
    return np.asarray(MaxNLocator(most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high))


@dataclass(frozen=True)
class _Isoline:
    """Look of lines of equal value, and where along each line its label stands."""

    colour: str
    line: Any
    label_at: float


def _isolines(axes: Axes, grid: tuple[Any, Any, Any], name: str, look: _Isoline, system: UnitSystem) -> Line2D:
    unit = display.unit_label(name, system)
    drawn = axes.contour(*grid, levels=_levels(grid[2], 7), colors=look.colour, linestyles=look.line, linewidths=1.3)
    segments = [segment for level in drawn.allsegs for segment in level if len(segment) > 4]
    places = [tuple(segment[int(look.label_at * (len(segment) - 1))]) for segment in segments]
    drawn.clabel(manual=places, fmt=f"%g {unit.replace('%', '%%')}".strip(), inline_spacing=4)
    for text in drawn.labelTexts:
        text.set_path_effects([withStroke(linewidth=2.5, foreground="white")])
    words = display.label(name) + (f" [{unit}]" if unit else "")
    return Line2D([], [], color=look.colour, linestyle=look.line, linewidth=1.3, label=words)


def _name_axes(axes: Axes, names: SweepAxes, y: NDArray[np.float64], system: UnitSystem) -> None:
    axes.set_xlabel(display.axis_label(names.x, system))
    axes.set_ylabel(display.axis_label(names.y, system))
    axes.xaxis.set_major_locator(MaxNLocator(9, steps=[1, 2, 2.5, 5, 10]))
    for axis, name in ((axes.xaxis, names.x), (axes.yaxis, names.y)):
        if display.unit_label(name, system) == "in":
            axis.set_major_locator(MultipleLocator(0.125 if np.ptp(y) > 0.4 else 0.0625))
            axis.set_major_formatter(FuncFormatter(_as_sixteenths))


def _as_sixteenths(value: float, _position: int | None = None) -> str:
    return sixteenths(value)


def sixteenths(inches: float) -> str:
    """Inches as the trade writes them, such as ``15/16`` or ``1 1/8``; decimals where it is no sixteenth."""
    whole, part = divmod(round(inches * 16), 16)
    if abs(inches * 16 - round(inches * 16)) > 1e-6:
        return f"{inches:.3g}"
    return " ".join(str(piece) for piece in (whole, Fraction(part, 16)) if piece) or "0"


def _sweep_data(sweep: xr.Dataset, names: SweepAxes) -> dict[str, Any]:
    """All grid points, one a row."""
    variables = [names.fill, *names.lines]
    flat = sweep[variables].stack(point=(names.y, names.x))
    columns: dict[str, Any] = {}
    for name in (names.y, names.x, *variables):
        columns |= both_units(name, flat[name].values)
    return columns
