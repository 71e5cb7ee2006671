"""Figure of how a sensitivity study converges with its number of samples."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import LogLocator, NullLocator

from jetsim.report import display
from jetsim.report.style import VERMILION, Plot, Words, legend_outside, new_figure, series, styled

_DRAWN = ("ST", "ST_low", "ST_high")


@dataclass(frozen=True, eq=False)
class ConvergenceView:
    """What the convergence figure shows.

    Attributes
    ----------
    indices : xarray.Dataset
        Dimensions `size_name`, output and parameter; ``ST``, ``ST_low``, ``ST_high``.
    labels : mapping of parameter to words, optional
    gate : float, optional
        Largest half-width at which a study counts as converged.
    most : int, optional
        Parameters per output, by the last total index.
    size_name : str, optional
        The dimension that holds the base samples.
    """

    indices: xr.Dataset
    labels: Mapping[str, str] = field(default_factory=dict)
    gate: float = 0.02
    most: int = 5
    size_name: str = "base_samples"

    def leaders(self) -> list[str]:
        """Parameters with the largest total index of any output at the largest size."""
        last = self.indices["ST"].isel({self.size_name: -1}).max("output")
        order = np.argsort(-np.nan_to_num(last.values), kind="stable")[: self.most]
        return [str(name) for name in self.indices["parameter"].values[order]]


@styled
def convergence_lines(words: Words, view: ConvergenceView) -> Plot:
    """Total indices with intervals against base samples, and the intervals' half-widths against the gate.

    Parameters
    ----------
    words : Words
    view : ConvergenceView

    Returns
    -------
    Plot
    """
    outputs = [str(name) for name in view.indices["output"].values]
    rows = -(-len(outputs) // 2)
    figure = new_figure(1.75 * rows + 2.65, words.width)
    above, below = np.asarray(figure.subfigures(2, 1, height_ratios=(1.75 * rows, 1.95))).flat
    grid = above.subplots(rows, min(2, len(outputs)), squeeze=False)
    leaders = view.leaders()
    for axes, output in zip(grid.flat, outputs, strict=False):
        _total_lines(axes, view, output, leaders)
    for axes in grid.flat[len(outputs) :]:
        axes.set_visible(False)
    _half_widths(below.subplots(), view, outputs)
    _convergence_legend(figure, view, leaders)
    return Plot.of(words, figure, _convergence_data(view, outputs))


def _size_axis(axes: Axes, sizes: Any) -> None:
    axes.set_xscale("log", base=2)
    axes.set_xticks(sizes, [f"{size:g}" for size in sizes])
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xlabel("base samples per replicate")
    axes.grid(axis="y")


def _total_lines(axes: Axes, view: ConvergenceView, output: str, leaders: Sequence[str]) -> None:
    sizes = view.indices[view.size_name].values
    for number, name in enumerate(leaders):
        look = series(number)
        one = view.indices[list(_DRAWN)].sel(output=output, parameter=name)
        axes.fill_between(sizes, one["ST_low"].values, one["ST_high"].values, color=look.colour, alpha=0.15,
                          linewidth=0)  # fmt: skip
        axes.plot(sizes, one["ST"].values, color=look.colour, marker=look.marker, linestyle=look.line)
    _size_axis(axes, sizes)
    axes.set_ylabel("total share")
    axes.set_title(display.heading(output))


def _half_widths(axes: Axes, view: ConvergenceView, outputs: Sequence[str]) -> None:
    sizes = view.indices[view.size_name].values
    for number, output in enumerate(outputs):
        look = series(number)
        one = view.indices.sel(output=output)
        widths = ((one["ST_high"] - one["ST_low"]) / 2).max("parameter").values
        axes.plot(sizes, widths, color=look.colour, marker=look.marker, linestyle=look.line,
                  label=display.trade(output))  # fmt: skip
    axes.axhline(view.gate, color=VERMILION, linewidth=1.2)
    axes.annotate(f"wanted: {view.gate:g}", (0, view.gate), (4, 3), xycoords=("axes fraction", "data"), ha="left",
                  textcoords="offset points", color=VERMILION)  # fmt: skip
    axes.set_yscale("log")
    axes.yaxis.set_major_locator(LogLocator(base=10, subs=(1, 2, 5)))
    axes.yaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_minor_locator(NullLocator())
    _size_axis(axes, sizes)
    axes.set_ylabel("widest half-interval")
    axes.set_title("How wide the widest interval still is")
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5))


def _convergence_legend(figure: Figure, view: ConvergenceView, leaders: Sequence[str]) -> None:
    handles = [
        Line2D([], [], color=series(n).colour, marker=series(n).marker, linestyle=series(n).line,
               label=view.labels.get(name) or display.trade(name))
        for n, name in enumerate(leaders)
    ]  # fmt: skip
    legend_outside(figure, handles, columns=3, above=True)


def _convergence_data(view: ConvergenceView, outputs: Sequence[str]) -> dict[str, list[Any]]:
    sizes = [int(size) for size in view.indices[view.size_name].values]
    parameters = [str(name) for name in view.indices["parameter"].values]
    rows = [(size, output, name) for size in sizes for output in outputs for name in parameters]
    data: dict[str, list[Any]] = {
        view.size_name: [size for size, _, _ in rows],
        "output": [output for _, output, _ in rows],
        "parameter": [name for _, _, name in rows],
    }
    for key in _DRAWN:
        values = view.indices[key].sel(output=list(outputs)).transpose(view.size_name, "output", "parameter")
        data[key] = list(values.values.ravel())
    return data
