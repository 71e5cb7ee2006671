"""Flow against staffing: set-ups as curves of force over flow, stated limits as lines, reach as labels on them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.figures_general import Limit, draw_limits
from jetsim.report.style import Plot, Words, new_figure, series, styled
from jetsim.report.tables import both_units

FLOW, FORCE = "flow_rate", "reaction_force"
_NEAR = 0.08  # of the highest flow: a label's width
_HALO = [withStroke(linewidth=2.5, foreground="white")]


@dataclass(frozen=True)
class Mark:
    """A labelled point of a curve, SI: flow, force and what stands beside it."""

    flow: float
    force: float
    text: str


@dataclass(frozen=True, eq=False)
class Curve:
    """A set-up: force [N] over flow [m3/s], both of shape (n,), with labelled points."""

    label: str
    flow: NDArray[np.float64]
    force: NDArray[np.float64]
    marks: Sequence[Mark] = ()


@dataclass(frozen=True, eq=False)
class Staffing:
    """One panel: what its force is, the curves, and the stated limits."""

    title: str
    curves: Sequence[Curve]
    limits: Sequence[Limit]


@styled
def staffing_chart(words: Words, panels: Sequence[Staffing], system: UnitSystem = "us") -> Plot:
    """Force over flow of several set-ups with the limits stated for crews.

    Parameters
    ----------
    words : Words
    panels : sequence of Staffing
        One for each formula that limits were stated for.
    system : {"us", "si"}, optional

    Returns
    -------
    Plot
    """
    figure = new_figure(0.9 + 4.6 * len(panels))
    for axes, panel in zip(np.ravel(figure.subplots(len(panels), 1)), panels, strict=True):
        _draw(axes, panel, system)
    handles, labels = figure.axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower left", ncols=2)
    return Plot.of(words, figure, _data(panels))


def _draw(axes: Axes, panel: Staffing, system: UnitSystem) -> None:
    for number, curve in enumerate(panel.curves):
        look = series(number)
        flow, force = display.convert(FLOW, curve.flow, system), display.convert(FORCE, curve.force, system)
        axes.plot(flow, force, color=look.colour, linestyle=look.line, label=curve.label)
        at = [(display.convert(FLOW, m.flow, system), display.convert(FORCE, m.force, system)) for m in curve.marks]
        axes.plot(*np.array(at).reshape(-1, 2).T, color=look.colour, marker=look.marker, linestyle="", markersize=6)
    _label_marks(axes, panel, system)
    axes.set_xlabel(display.axis_label(FLOW, system))
    axes.set_ylabel(f"{panel.title} [{display.unit_label(FORCE, system)}]")
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    draw_limits(axes, FORCE, panel.limits, system)


def _label_marks(axes: Axes, panel: Staffing, system: UnitSystem) -> None:
    """Labels stand above their marks; of two whose labels would touch, the second has its own below."""
    marks = sorted((m for curve in panel.curves for m in curve.marks), key=lambda m: (round(m.force), m.flow))
    near, before, below = _NEAR * max((mark.flow for mark in marks), default=0.0), -np.inf, False
    for mark in marks:
        below = 0 <= mark.flow - before < near and not below
        at = (float(display.convert(FLOW, mark.flow, system)), float(display.convert(FORCE, mark.force, system)))
        place, side = ((5, -12), "left") if below else ((-5, 5), "right")
        axes.annotate(mark.text, at, place, textcoords="offset points", ha=side, fontsize=9, fontweight="bold",
                      zorder=7, path_effects=_HALO)  # fmt: skip
        before = mark.flow


def _data(panels: Sequence[Staffing]) -> dict[str, Any]:
    rows = [(p, c, n) for p in panels for c in p.curves for n in range(c.flow.size)]
    data: dict[str, Any] = {"force": [p.title for p, _, _ in rows], "set-up": [c.label for _, c, _ in rows]}
    for name, key in ((FLOW, "flow"), (FORCE, "force")):
        data |= both_units(name, [float(getattr(c, key)[n]) for _, c, n in rows])
    return data
