"""Small made-up plots, tables and reports that several tests draw, write and read."""

import pickle
from concurrent.futures import Executor, Future

import numpy as np
import xarray as xr

from jetsim.report import figures as fig
from jetsim.report.document import InputLine, Report, ReportCard, Section, ValidityCount
from jetsim.report.tables import Column, Table

OUTPUTS = ["extreme_reach", "flow_rate"]
PARAMETERS = ["nozzle_pressure", "elevation", "wind_along", "waterway_quality"]
ROLES = {"nozzle_pressure": "controllable", "elevation": "controllable", "wind_along": "environment",
         "waterway_quality": "unknown"}  # fmt: skip
LABELS = {"waterway_quality": "waterway quality"}


class Elsewhere(Executor):
    """Gives work and results on as bytes, as a worker on another machine has them, and counts the pieces."""

    def __init__(self):
        self.pieces = 0

    def submit(self, function, /, *arguments, **named):
        self.pieces += 1
        function, arguments, named = pickle.loads(pickle.dumps((function, arguments, named)))
        future = Future()
        future.set_result(pickle.loads(pickle.dumps(function(*arguments, **named))))
        return future


def words(name="sample"):
    return fig.Words(name, "Elevation moves reach most", "Made-up numbers for a test.")


def stream_view(**changes):
    distance = np.linspace(0.0, 36.0, 73)

    def path(reach):
        return np.maximum(1.0 + 0.5 * distance - (1.0 + 0.5 * reach) / reach**3 * distance**3, 0.0)

    middle = path(27.0)
    top = int(middle.argmax())
    given = {
        "distance": distance, "height": middle, "height_low": path(24.0), "height_high": path(30.0),
        "breakup": fig.Spread(3.7, 4.6, 5.9), "reach": fig.Spread(24.0, 27.0, 30.0),
        "apex": (distance[top], middle[top]), "nozzle_height": 1.0,
    }  # fmt: skip
    return fig.StreamView(**given | changes)


def indices(totals=((0.2, 0.5, 0.3, 0.001), (0.95, 0.02, 0.02, 0.05))):
    total = np.array(totals)
    dims = ("output", "parameter")
    data = {"ST": total, "ST_low": total - 0.01, "ST_high": total + 0.01}
    data |= {"S1": total - 0.01, "S1_low": total - 0.02, "S1_high": total}
    return xr.Dataset(
        {name: (dims, values) for name, values in data.items()}, {"output": OUTPUTS, "parameter": PARAMETERS}
    )


def ranking():
    tied = np.zeros((2, 4, 4), dtype=bool)
    tied[1, 1:3, 1:3] = True
    coords = {"output": OUTPUTS, "parameter": PARAMETERS, "other_parameter": PARAMETERS}
    label = (("output", "parameter"), [["3", "1", "2", "4"], ["1", "3 to 4", "3 to 4", "2"]])
    return xr.Dataset({"tied": (("output", "parameter", "other_parameter"), tied), "label": label}, coords)


def index_view(**changes):
    return fig.IndexView(**{"indices": indices(), "roles": ROLES, "labels": LABELS, "ranking": ranking()} | changes)


def convergence():
    sizes = np.array([8, 16, 32, 64])
    one = indices()
    whole = xr.concat([one] * 4, xr.Variable("base_samples", sizes))
    width = xr.DataArray(0.3 / sizes, {"base_samples": sizes}, ("base_samples",))
    replicates = whole["ST"].expand_dims(replicate=3)
    return whole.assign(ST_low=whole["ST"] - width, ST_high=whole["ST"] + width, ST_replicates=replicates)


def effects():
    at = np.linspace(300e3, 380e3, 5)
    mean = np.linspace(25.0, 28.0, 5)
    return [
        fig.ControlEffect("nozzle_pressure", at, mean, mean - 1, mean + 1, "controllable"),
        fig.ControlEffect("drag_model", ["two_stage", "entrained_air"], [26, 27], [25, 25], [27, 28], "structural"),
    ]


def sweep():
    pressure, tip = np.linspace(2e5, 7e5, 9), np.linspace(0.019, 0.032, 7)
    p, d = np.meshgrid(pressure, tip)
    dims = ("tip_diameter", "nozzle_pressure")
    speed = np.sqrt(2 * p / 1000)
    data = {"extreme_reach": speed * 40 * d, "flow_rate": 0.785 * d**2 * speed, "reaction_force": 1.57 * d**2 * p}
    return xr.Dataset(
        {k: (dims, v) for k, v in data.items()}, {"tip_diameter": tip, "nozzle_pressure": pressure}
    ).transpose()


def panels():
    x = np.linspace(3e5, 9e5, 8)
    flow = fig.Panel(
        "flow_rate", [fig.Line("smooth bore", x, 1e-5 * np.sqrt(x), 0.9e-5 * np.sqrt(x), 1.1e-5 * np.sqrt(x))]
    )
    limits = [fig.Limit("one firefighter", 267.0), fig.Limit("two", 334.0, 422.0)]
    lines = [fig.Line("smooth bore", x, x / 2000), fig.Line("automatic", x, x / 2500)]
    return [flow, fig.Panel("reaction_force", lines, limits, [fig.Window("operating window", 5e5, 7e5)])]


def matrix():
    return fig.Matrix(np.array([[0.1, np.nan, 0.9], [0.5, -0.01, 0.2]]), ["one", "two"], ["a", "b", "c"], "total index")


def rank_lines():
    ranks = np.array([[1, 2, 3, 4], [1, 2, 2, 4], [2, 1, 3, 4]], dtype=float)
    return fig.RankFlow(ranks, ["none", "given", "loss"], PARAMETERS, ROLES, LABELS)


def shares():
    values = np.array([[0.5, 0.3, 0.2], [0.9, 0.04, 0.06]])
    return fig.Shares(values, ["reach", "flow"], ["crew", "weather", "unknown"], "share of the output's variance")


def field():
    x, y = np.linspace(0, 30, 41), np.linspace(0, 15, 31)
    rows, columns = np.meshgrid((y[1:] + y[:-1]) / 2, (x[1:] + x[:-1]) / 2, indexing="ij")
    share = 0.2 * np.exp(-((rows - columns * (30 - columns) / 25) ** 2))
    opening = fig.Opening(20.0, 6.0, 8.0, 12.0, "window")
    return fig.Field("path_along", "path_height", x, y, share, "share, %", opening, [("breakup", 5.0, 5.0)])


DRAWINGS = {
    "stream_side_view": lambda system: fig.stream_side_view(words(), stream_view(), system),
    "index_bars": lambda system: fig.index_bars(words(), index_view()),
    "control_effects": lambda system: fig.control_effects(words(), "extreme_reach", effects(), system),
    "sweep_contour": lambda system: fig.sweep_contour(words(), sweep(), None, system),
    "convergence_lines": lambda system: fig.convergence_lines(words(), fig.ConvergenceView(convergence(), LABELS)),
    "line_bands": lambda system: fig.line_bands(words(), "nozzle_pressure", panels(), system),
    "heat_map": lambda system: fig.heat_map(words(), matrix()),
    "rank_flow": lambda system: fig.rank_flow(words(), rank_lines()),
    "shaded_field": lambda system: fig.shaded_field(words(), field(), system),
    "share_bars": lambda system: fig.share_bars(words(), shares()),
}


def card(**changes):
    given = {
        "question": "What controls reach?", "method": "Sobol indices", "runs": 180224, "seed": 0, "failures": 0,
        "intervals": "95 % t-intervals over 16 replicates", "convergence": "passed: 0.011 (gate 0.02)",
        "sum_of_first_order": {"extreme reach": 0.94}, "negative_estimates": "3 of 40, lowest -0.002",
        "structural_alternatives": ("loss with decay",), "fixed": {"tip diameter": "15/16 in"},
        "inputs": (InputLine("wind along the throw", "normal, 0 mph, sd 3 mph", "environment", "assumption",
                             "light wind on the drill ground"),),
    }  # fmt: skip
    return ReportCard(**given | changes)


def table(name="reach"):
    pressure = np.array([310264.0, 344738.0])
    columns = (Column("nozzle_pressure", pressure), Column("extreme_reach", [26.0, 27.5]))
    return Table(name, "Reach along the gauge", columns, "Everything else at its middle value.")


def report(**changes):
    plot = fig.share_bars(words("shares"), shares())
    given = {
        "title": "What controls the reach of this stream?",
        "lead": ("Elevation moves reach most (38 to 44 %).", "Wind and valve are a tie."),
        "sections": (Section("The stream", ("A paragraph.",), (plot,), (table(),)),),
        "card": card(),
        "validity": (ValidityCount("breakup length outside the fitted range", 20412, 180224),),
        "subtitle": "The department is invented.",
    }
    return Report(**given | changes)
