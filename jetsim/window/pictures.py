"""Figures of the study of a target."""

import numpy as np
from numpy.typing import NDArray

from jetsim.jet.delivery import crossing, landing
from jetsim.jet.spray import Spray
from jetsim.quantities import UnitSystem
from jetsim.report import display, figures
from jetsim.report.figures import Words
from jetsim.window.runs import Found, Outcome

Array = NDArray[np.float64]

# The figure of the aim shows elevations that bring more than this share of the flow wanted.
_SEEN = 0.1


def side_view(found: Outcome, system: UnitSystem) -> figures.Plot:
    """Delivered share as shade, with the wall and its window."""
    task, spray = found.task, found.middle
    window = task.window(task.place)
    wall = task.storeys[-1] * task.storey_height
    far = max(float(np.nanmax(spray.position[0])), 1.1 * task.place.stand_off)
    high = 1.05 * max(float(np.nanmax(spray.position[2])), wall)
    x, y = np.linspace(0, far, 181), np.linspace(0, high, 91)
    centres = (x[1:] + x[:-1]) / 2
    share = np.stack([shares_in_heights(spray, at, y) for at in centres], axis=1)
    low, top = float(np.asarray(window.sill)), float(np.asarray(window.sill)) + task.height
    opening = figures.Opening(task.place.stand_off, low, top, wall, f"window on storey {task.place.storey}")
    words = Words(
        "side_view",
        "Fine drops fall short: where the water is along the throw",
        "Share of the flow in each cell of a column, everything at its median, at the elevation found. The wall is "
        "drawn but does not stop the water here.",
    )
    field = figures.Field("path_along", "path_height", x, y, share, "share of the flow, %", opening)
    return figures.shaded_field(words, field, system)


def shares_in_heights(spray: Spray, distance: float, edges: Array) -> Array:
    """Share of the flow between heights on an upright plane."""
    beyond = crossing(spray, distance).beyond(edges)[:, 0]
    return np.asarray(beyond[:-1] - beyond[1:])


def aim(found: Found, system: UnitSystem) -> figures.Plot:
    """Flow through the window over elevation, of all set-ups."""
    task = found.first.task
    bands = [np.quantile(outcome.flows, [0.05, 0.5, 0.95], axis=0) for outcome in found.outcomes]
    wet = np.flatnonzero(np.max([band[2] for band in bands], axis=0) > _SEEN * task.flow)
    shown = slice(max(int(wet[0]) - 4, 0), int(wet[-1]) + 5) if wet.size else slice(None)
    lines = [
        figures.Line(_named(outcome, system), task.elevations[shown], middle[shown], low[shown], high[shown])
        for outcome, (low, middle, high) in zip(found.outcomes, bands, strict=True)
    ]
    ways = " or ".join(f"{way.elevation:.0f} deg" for way in found.first.solutions)
    words = Words(
        "aim",
        f"Most passes the window at about {ways}" if ways else "Little water passes the window at any elevation",
        "Middle and nine in ten throws at one elevation for all; by eye the crew does better, throw by throw. "
        "Elevations left out bring less than a tenth of the flow wanted.",
    )
    wanted = figures.Limit("wanted through the window", task.flow)
    return figures.line_bands(words, "elevation", [figures.Panel("flow_rate", lines, [wanted])], system)


def _named(outcome: Outcome, system: UnitSystem) -> str:
    return f"{outcome.candidate.name}, {display.value('nozzle_pressure', outcome.pressure, system, 2)}"


def charts(found: Found, system: UnitSystem) -> list[figures.Plot]:
    """Chance over stand-off and storey, a map for each set-up."""
    return [chart(f"target_map_{o.candidate.setup.name}", o, system) for o in found.outcomes]


def chart(name: str, found: Outcome, system: UnitSystem) -> figures.Plot:
    """Probability over stand-off and storey."""
    task = found.task
    words = Words(
        name,
        f"{found.candidate.name}: from where the stated flow gets through a window",
        "How many of 100 computed throws meet the target at "
        f"{display.value('nozzle_pressure', found.pressure, system)}, the crew aiming by eye; reckoned from "
        f"{found.flows.shape[0]:,}.",
    )
    unit = display.unit_label("path_along", system)
    columns = [f"{float(display.convert('path_along', x, system)):.3g} {unit}" for x in task.stand_offs]
    rows = [f"storey {storey}" for storey in reversed(task.storeys)]
    matrix = figures.Matrix(
        100 * found.chart()[::-1], rows, columns, "of 100 throws meet the target", 0.0, 100.0, lambda v: f"{v:.0f}"
    )
    return figures.heat_map(words, matrix)


def carried(found: Found, system: UnitSystem) -> figures.Plot:
    """Share of the flow beyond a distance, with its band, of all set-ups."""
    lines = []
    for outcome in found.outcomes:
        low, middle, high = 100 * np.quantile(outcome.carried, [0.05, 0.5, 0.95], axis=1)
        lines.append(figures.Line(_named(outcome, system), outcome.distances, middle, low, high))
    words = Words(
        "delivered_fraction",
        "How much of the flow carries how far, if no wall stood in the way",
        "Share of the flow that comes down beyond each distance at street level, each set-up at the elevation found "
        "for it: middle and nine in ten throws.",
    )
    panel = figures.Panel("share of the flow beyond, %", lines, [figures.Limit("90 %: effective reach", 90.0)])
    return figures.line_bands(words, "path_along", [panel], system)


def ground(found: Outcome, system: UnitSystem) -> figures.Plot:
    """Where the water comes down, from above."""
    clouds = landing(found.middle)
    far = float(np.nanmax(clouds.centre[0] + 3 * clouds.deviation[0]))
    side = float(np.nanmax(np.abs(clouds.centre[1]) + 3 * clouds.deviation[1]))
    x, y = np.linspace(0, far, 181), np.linspace(-side, side, 31)
    words = Words(
        "ground_pattern",
        "Where the water comes down if no wall stood in the way, seen from above",
        "Everything at its median, at the elevation found. The nozzle stands at the left.",
    )
    share = clouds.ground_shares(x, y).T
    field = figures.Field("path_along", "path_across", x, y, share, "share of the flow in a cell, %")
    return figures.shaded_field(words, field, system)
