"""Every figure by name: the one place a study imports figures from."""

from jetsim.report.figures_convergence import ConvergenceView, convergence_lines
from jetsim.report.figures_delivery import Field, Opening, shaded_field
from jetsim.report.figures_general import (
    Limit,
    Line,
    Matrix,
    Panel,
    RankFlow,
    Shares,
    Window,
    heat_map,
    line_bands,
    rank_flow,
    share_bars,
)
from jetsim.report.figures_sensitivity import NOTHING, ControlEffect, IndexView, control_effects, index_bars
from jetsim.report.figures_staffing import Curve, Mark, Staffing, staffing_chart
from jetsim.report.figures_stream import Spread, StreamView, SweepAxes, stream_side_view, sweep_contour
from jetsim.report.style import ROLE_WORDS, ROLES, SERIES, Look, Plot, Words

__all__ = [
    "NOTHING",
    "ROLES",
    "ROLE_WORDS",
    "SERIES",
    "ControlEffect",
    "ConvergenceView",
    "Curve",
    "Field",
    "IndexView",
    "Limit",
    "Line",
    "Look",
    "Mark",
    "Matrix",
    "Opening",
    "Panel",
    "Plot",
    "RankFlow",
    "Shares",
    "Spread",
    "Staffing",
    "StreamView",
    "SweepAxes",
    "Window",
    "Words",
    "control_effects",
    "convergence_lines",
    "heat_map",
    "index_bars",
    "line_bands",
    "rank_flow",
    "shaded_field",
    "share_bars",
    "staffing_chart",
    "stream_side_view",
    "sweep_contour",
]
