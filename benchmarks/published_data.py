"""Predicted against measured for every published source in the project: one table and one figure.

Run ``python benchmarks/published_data.py``; the figure goes to ``results/published_data``. "Fitted" marks rows that a
constant of the law was fitted to, which therefore prove nothing but the fit; "held out" rows were never used. What
practice tells without a source stands apart, below the measurements (`benchmarks.practice`).
"""

import argparse
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import flight_data as data
from benchmarks.command import run
from benchmarks.flight_checks import Fitted, upper_edge
from benchmarks.flight_laws import AIR_STREAM, TWO_STAGE
from benchmarks.practice import facts, print_facts
from jetsim import media, published, units
from jetsim.errors import InputError
from jetsim.hydraulics import nozzle
from jetsim.jet.breakup import ATOMIZATION, SURFACE, breakup_length_over_diameter
from jetsim.jet.drag import FlightConstants
from jetsim.jet.drops import drop_drag_coefficient
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.figures import Plot, Words
from jetsim.report.style import new_figure, series, styled
from jetsim.report.tables import both_units
from jetsim.stream import Stream
from tests.published import FREEMAN_1889, GUNN_KINZER_1949, PIPE_JETS

Array = data.Array
FITTED, HELD_OUT = "fitted", "held out"
_GAMMA_NOTE = "fitted: the edge's one angle"


@dataclass(frozen=True, eq=False)
class Comparison:
    """Predicted and measured values of one source, SI, with the standing of both.

    `panel` names the figure's panel that shows them, if any.
    """

    name: str
    standing: str
    status: str
    predicted: Array = field(repr=False)
    measured: Array = field(repr=False)
    panel: str = ""

    @property
    def error(self) -> Array:
        """Relative errors [-]."""
        return np.asarray(self.predicted / self.measured - 1)


def shipped(law_name: str) -> Fitted:
    """A law with the constants that jetsim ships."""
    law = {"air_stream": AIR_STREAM, "two_stage": TWO_STAGE}[law_name]
    constants = np.array([getattr(FlightConstants(), name) for name in law.start], dtype=float)
    return Fitted(law, law.coordinates(constants), {})


# ---------------------------------------------------------------------------------------------------------
# Nozzle


def discharge() -> list[Comparison]:
    """Flow and reaction of smooth bores."""
    rows = published.HANDBOOK_TIPS
    tip, pressure, flow = np.array([(r.tip_diameter, r.pressure, r.flow_rate) for r in rows]).T
    density = media.water_density(units.to_si(60.0, "degF"))
    out = []
    for coefficient, note in ((0.995, "Cd of the handbooks' formula"), (Stream.discharge_coefficient, "jetsim's Cd")):
        predicted = nozzle.flow_rate(pressure, tip, coefficient, density)
        name = f"flow of {len(rows)} smooth bores, Cd {coefficient:g} ({note})"
        out.append(Comparison(name, str(published.HANDBOOK_SOURCE), HELD_OUT, predicted, flow))
    reaction = nozzle.reaction_force(pressure, tip, 1.0, 1.0)
    out.append(Comparison("reaction of the same by 1.57 d^2 P, Cd Cv 1", str(published.HANDBOOK_SOURCE), HELD_OUT,
                          reaction, published.handbook_reaction(tip, pressure)))  # fmt: skip
    return out


# ---------------------------------------------------------------------------------------------------------
# Breakup


def pipe_jets() -> list[Comparison]:
    """Breakup lengths of pipe jets by regime, in air of about one atmosphere and in other gases."""
    out = []
    for regime in (SURFACE, "transition", ATOMIZATION):
        for place, low, high in (("air", 600.0, 1000.0), ("other gases", 0.0, 600.0)):
            jets = [j for j in PIPE_JETS if j.regime == regime and low <= j.density_ratio < high]
            if not jets:
                continue
            weber, turbulence, ratio, measured = np.array([j[2:] for j in jets]).T
            predicted = breakup_length_over_diameter(
                weber_number=weber, turbulence_intensity=turbulence, density_ratio=ratio
            )
            status = HELD_OUT if regime == "transition" else f"{FITTED} (in a larger set)"
            name = f"breakup length of pipe jets, {regime}, {place}"
            out.append(Comparison(name, "compilation of pipe-jet studies (read)", status, predicted, measured,
                                  "breakup" if place == "air" else ""))  # fmt: skip
    return out


# ---------------------------------------------------------------------------------------------------------
# Flight

_THEOBALD = "Theobald 1981 (read as digitised)"


def flights() -> list[Comparison]:
    """Ranges, upper edge and vertical heights."""
    out = []
    for name in ("air_stream", "two_stage"):
        law = shipped(name)
        panel = name == "air_stream"
        reach = data.fly_cases(law.law.build, law.column(), data.throws()).extreme_reach
        top = data.fly_cases(law.law.build, law.column(), data.vertical_streams()).apex_height
        lueger, near_lueger = FITTED if panel else HELD_OUT, f"{HELD_OUT} (2 % from Lueger)"
        out += [
            Comparison(f"{name}: range with measured x_b", _THEOBALD, FITTED, reach, data.RANGE, "range" * panel),
            Comparison(f"{name}: vertical height, Lueger", str(published.LUEGER_SOURCE), lueger, top, data.LUEGER,
                       "height" * panel),
            Comparison(f"{name}: vertical height, Freeman", str(published.FREEMAN_HEIGHT_SOURCE), near_lueger, top,
                       data.FREEMAN, "height" * panel),
        ]  # fmt: skip
    return [*out, *end_to_end()]


def end_to_end() -> list[Comparison]:
    """From pressure and tip alone: jetsim's own breakup length."""
    law, ratio = shipped("air_stream"), data.breakup_ratio_end_to_end()
    reach = data.fly_cases(law.law.build, law.column(), data.throws(ratio=ratio)).extreme_reach
    return [
        Comparison("end to end: range from pressure and tip", _THEOBALD, "flight fitted, turbulence 0.07 chosen on x_b",
                   reach, data.RANGE),
        Comparison("breakup length of Theobald's fire tips", _THEOBALD, "turbulence 0.07 chosen on these",
                   ratio, data.BREAKUP_RATIO, "breakup"),
    ]  # fmt: skip


class Quotient(NamedTuple):
    """Effective over extreme reach: lowest, mean and highest over a table."""

    low: float
    mean: float
    high: float


def freeman_quotients() -> dict[str, Quotient]:
    """Freeman's effective reaches over the extreme ones of jetsim, our own quotient; reaches from memory.

    Horizontal at the elevation of greatest range, vertical straight up.
    """
    tip, pressure, vertical, horizontal = np.array(FREEMAN_1889).T
    tip, pressure = units.to_si(tip, "in"), units.to_si(pressure, "psi")
    vertical, horizontal = units.to_si(vertical, "ft"), units.to_si(horizontal, "ft")
    angles = np.arange(22.0, 46.0)

    law = shipped("air_stream")
    angles, speed = np.arange(22.0, 46.0), data.speed_of(pressure)
    ratio = data.breakup_ratio_end_to_end(tip, speed)
    level = [np.repeat(v, angles.size) for v in (tip, speed, ratio)]
    throws = data.cases_of(*level, (np.tile(angles, tip.size), data.NOZZLE_HEIGHT, 0.0))
    reach = data.fly_cases(law.law.build, law.column(), throws).extreme_reach.reshape(tip.size, -1).max(axis=1)
    upright = data.cases_of(tip, speed, ratio, (90.0, data.NOZZLE_HEIGHT, 200.0))
    height = data.fly_cases(law.law.build, law.column(), upright).apex_height
    quotients = {"horizontal": horizontal / reach, "vertical": vertical / height}
    return {name: Quotient(*(float(f(q)) for f in (np.min, np.mean, np.max))) for name, q in quotients.items()}


# ---------------------------------------------------------------------------------------------------------
# Drops


_GUNN_KINZER = "Gunn & Kinzer 1949 (read in a secondary source)"


def terminal_speed(diameter: float, temperature: float = 20.0, pressure: float = 101300.0) -> float:
    """Speed at which a drop falls steadily [m/s]: weight and buoyancy against `drop_drag_coefficient`."""
    water, air = float(media.water_density(temperature)), float(media.air_density(temperature, pressure))
    viscosity, tension = float(media.air_viscosity(temperature)), float(media.water_surface_tension(temperature))
    weight = 4 / 3 * (water - air) / air * units.STANDARD_GRAVITY * diameter

    def excess(speed: float) -> float:
        drag = drop_drag_coefficient(air * speed * diameter / viscosity, air * speed**2 * diameter / tension)
        return float(drag) * speed**2 - weight

    return float(brentq(excess, 1e-3, 30.0))


def drops() -> list[Comparison]:
    """Terminal speeds of single drops."""
    size, speed = np.array(GUNN_KINZER_1949).T
    predicted = np.array([terminal_speed(d * 1e-3) for d in size])
    out = []
    for name, rows, status in (
        ("below 0.4 mm", size < 0.4, HELD_OUT),
        ("0.4 to 5 mm", (size >= 0.4) & (size <= 5.0), f"{FITTED} (flattening)"),
        ("above 5 mm", size > 5.0, HELD_OUT),
    ):
        out.append(
            Comparison(f"terminal speed of drops {name}", _GUNN_KINZER, status, predicted[rows], speed[rows], "drops")
        )
    return out


# ---------------------------------------------------------------------------------------------------------
# Table and figure


def print_table(rows: list[Comparison]) -> None:
    """MAE, bias and count of each comparison, and what is no comparison."""
    print(f"{'what':62s} {'n':>3s} {'MAE %':>7s} {'bias %':>7s}  {'status':46s} source (standing)")
    for row in rows:
        error = 100 * row.error
        print(f"{row.name:62s} {error.size:3d} {np.abs(error).mean():7.2f} {error.mean():+7.2f}  {row.status:46s} "
              f"{row.standing}")  # fmt: skip
    for name in ("air_stream", "two_stage"):
        edge, count = upper_edge(shipped(name)), [int(np.isfinite(v).sum()) for v in (data.DISTANCE, data.HEIGHT)]
        for what, error, n in zip(("distance to", "height of"), (edge.distance, edge.height), count, strict=True):
            label = f"{name}: {what} the upper edge's top, angle {edge.gamma:g} deg"
            print(f"{label:62s} {n:3d} {error.absolute:7.2f} {error.bias:+7.2f}  {_GAMMA_NOTE:46s} {_THEOBALD}")
    print(
        "\nEffective reach by Freeman (1889, from memory; a good stream in moderate wind) over extreme reach by jetsim,"
    )
    print("our own quotient, no published ratio: " + "; ".join(
        f"{name} {q.low:.2f} to {q.high:.2f}, mean {q.mean:.2f}" for name, q in freeman_quotients().items()
    ))  # fmt: skip
    print("Hose coefficients are inputs, not predictions: handbooks (from memory) and a training handout (read) differ")
    print("in one size (15.5 and 10 for 1 3/4 in).\n")
    print_facts(facts())


_PANELS = {
    "range": ("extreme_reach", "Range of fire tips"),
    "height": ("apex_height", "Height of vertical streams"),
    "breakup": ("breakup length over tip diameter", "Breakup length"),
    "drops": ("exit_speed", "Terminal speed of drops"),
}


def _value(name: str, value: Array, system: UnitSystem) -> Array:
    return display.convert(name, value, system)


@styled
def draw(rows: list[Comparison], system: UnitSystem) -> Plot:
    """Predicted over measured, a panel for each kind of measurement."""
    figure = new_figure(8.2)
    grid = figure.subplots(2, 2)
    for axes, (panel, (name, title)) in zip(grid.flat, _PANELS.items(), strict=True):
        shown = [row for row in rows if row.panel == panel]
        for number, row in enumerate(shown):
            look = series(number)
            label = row.name.partition(": ")[2] or row.name.removeprefix("breakup length of ").removesuffix(", air")
            axes.plot(_value(name, row.measured, system), _value(name, row.predicted, system), look.marker,
                      color=look.colour, markersize=4, alpha=0.75, label=f"{label}: {row.status}")  # fmt: skip
        ends = np.array([0.0, 1.06 * max(float(np.max(_value(name, r.measured, system))) for r in shown)])
        axes.plot(ends, ends, color="#333333", linewidth=1.0)
        axes.fill_between(ends, 0.9 * ends, 1.1 * ends, color="#cccccc", alpha=0.4, linewidth=0, label="within 10 %")
        unit = display.unit_label(name, system)
        axes.set_xlabel(f"measured [{unit}]" if unit not in ("", "1") else "measured")
        axes.set_ylabel(f"predicted [{unit}]" if unit not in ("", "1") else "predicted")
        axes.set_title(title)
        axes.legend(fontsize=6.5, loc="lower right" if panel == "breakup" else "upper left")
    words = Words(
        "published_data",
        _headline(rows),
        "Fitted rows show how well a law can follow its own data; only held-out rows test it. Heights are those of two "
        "handbook formulas from memory. Breakup length is over tip diameter. Sources: the CSV file beside this figure.",
    )
    return Plot.of(words, figure, _columns(rows))


def _headline(rows: list[Comparison]) -> str:
    held = {row.panel: row for row in rows if row.panel == "height" and row.status.startswith(HELD_OUT)}
    fitted = next(row for row in rows if row.panel == "range")
    ranges, heights = (100 * float(np.abs(row.error).mean()) for row in (fitted, held["height"]))
    return f"Fitted ranges within {ranges:.1f} % on average, held-out heights within {heights:.1f} %"


def _columns(rows: list[Comparison]) -> dict[str, list[object]]:
    """Plotted points, each quantity in both systems."""
    shown = [row for row in rows if row.panel]
    points = [(row, n) for row in shown for n in range(row.measured.size)]
    columns: dict[str, list[object]] = {
        "comparison": [row.name for row, _ in points],
        "status": [row.status for row, _ in points],
        "source": [row.standing for row, _ in points],
    }
    for panel, (name, _) in _PANELS.items():
        for kind in ("measured", "predicted"):
            values = [float(getattr(row, kind)[n]) if row.panel == panel else np.nan for row, n in points]
            columns |= {key: list(v) for key, v in both_units(name, values, f"{panel} {kind}").items()}
    return columns


def main() -> int:
    """Print the table and write the figure."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0], allow_abbrev=False)
    parser.add_argument("--output", type=Path, metavar="DIR", default=Path("results/published_data"),
                        help="folder of the figure (default: results/published_data)")  # fmt: skip
    parser.add_argument("--units", choices=("us", "si"), default="us", help="units of the figure")
    parser.add_argument("--quick", action="store_true", help="the table alone, no figure")
    given = parser.parse_args()
    if not given.quick:
        _prepare(given.output)
    rows = [*discharge(), *pipe_jets(), *drops(), *flights()]
    print_table(rows)
    if not given.quick:
        for path in draw(rows, given.units).save(given.output):
            print(path)
    return 0


def _prepare(folder: Path) -> None:
    """Make the folder before anything is computed.

    Raises
    ------
    InputError
        It cannot be made or written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe = folder / ".published_data.tmp"
        probe.touch()
        probe.unlink()
    except OSError as error:
        raise InputError(f"--output = {folder}: {error.strerror or error}") from None


if __name__ == "__main__":
    sys.exit(run(main))
