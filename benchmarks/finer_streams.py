"""How much farther a stream is effective for getting finer: it should not be, and where it is, by how much.

Run ``python benchmarks/finer_streams.py``. Streams of all sorts (tips 1/4 to 1 1/2 in, 2 to 14 bar, 5 to 80 deg) get
finer step by step: by smaller drops, by an earlier breakup, or as a fog stream by a thinner equivalent one. Printed is
in how many of them the effective reach rises over what a coarser one reached, by more than 0.1 m and 1 m, and the most;
with targets above the nozzle also without those that a coarser stream missed. In a tail wind finer drops do drift
farther. Then the best elevation that is found against all at quarters of a degree.
"""

import argparse
import itertools
import sys
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.command import run
from jetsim.jet.delivery import HIGHEST_BEST
from jetsim.jet.drag import FlightConstants
from jetsim.simulation import simulate
from jetsim.stream import Stream

Array = NDArray[np.float64]

HIGH, HIGHEST = 10.0, 14.0  # bar; fire streams mostly stay below the first


class Sort(NamedTuple):
    """A sort of streams: ranges of the wind along the throw [m/s] and of the target above the nozzle [m]."""

    name: str
    wind: tuple[float, float]
    rise: tuple[float, float]


SORTS = (
    Sort("still air, level", (0.0, 0.0), (0.0, 0.0)),
    Sort("head wind, level", (-8.0, 0.0), (0.0, 0.0)),
    Sort("tail wind, level", (0.0, 8.0), (0.0, 0.0)),
    Sort("still air, above", (0.0, 0.0), (0.0, 15.0)),
    Sort("head wind, above", (-8.0, 0.0), (0.0, 15.0)),
)


def streams(sort: Sort, count: int, bars: float) -> dict[str, xr.DataArray]:
    """Fields of random streams of a sort, up to a pressure [bar]."""
    rng = np.random.default_rng(1)
    fields = {
        "tip_diameter": rng.uniform(0.25, 1.5, count) * 0.0254,
        "nozzle_pressure": rng.uniform(2.0, bars, count) * 1e5,
        "elevation": rng.uniform(5.0, 80.0, count),
        "target_height": 1.0 + rng.uniform(*sort.rise, count),
        "wind_along": rng.uniform(*sort.wind, count),
    }
    return {name: xr.DataArray(values, dims="case") for name, values in fields.items()}


def finer(fields: dict[str, xr.DataArray]) -> dict[str, dict[str, Any]]:
    """What changes as streams get finer, in each way."""

    def steps(high: float, low: float) -> xr.DataArray:
        return xr.DataArray(np.geomspace(high, low, 36), dims="step")

    return {
        "drops": {"flight_constants": FlightConstants(drop_scale=steps(2.0, 0.15))},
        "breakup": {"breakup_length": fields["tip_diameter"] * steps(300.0, 80.0)},
        "fog": {"equivalent_diameter_ratio": steps(1.0, 0.3)},
    }


def rises(stream: Stream) -> tuple[Array, Array]:
    """Most that the reach rises over any coarser stream's, and over any that reached the target, (case,) [m]."""
    reach = np.nan_to_num(simulate(stream).effective_reach.transpose("case", "step").values)
    reaching = np.minimum.accumulate(np.where(reach > 0, reach, np.inf), axis=1)
    over = np.where(reach > 0, reach - reaching, 0.0)
    return (reach - np.minimum.accumulate(reach, axis=1)).max(axis=1), over.max(axis=1)


def row(name: str, rise: Array) -> str:
    """How many rise, and how far."""
    return f"{name:36s} {100 * np.mean(rise > 0.1):8.1f} {100 * np.mean(rise > 1.0):8.1f} {rise.max():8.2f}"


def off_the_best(sort: Sort, count: int) -> Array:
    """Errors of the reach at the best elevation, of that at all tried [-]."""
    fields = streams(sort._replace(rise=(min(sort.rise), min(2.0, max(sort.rise)))), count, HIGH)
    tried = xr.DataArray(np.linspace(0.0, HIGHEST_BEST, 41), dims="elevation")
    each = simulate(Stream(**{**fields, "elevation": tried})).effective_reach.max("elevation")
    found = simulate(Stream(**fields, further_results=("effective_reach_at_best",))).effective_reach_at_best
    if (np.isnan(found) != np.isnan(each)).any():
        print(f"{sort.name}: not defined where some elevation is, or the other way round")
    return (found / each.where(each > 1.0) - 1).dropna("case").values


def main(arguments: list[str] | None = None) -> int:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0], allow_abbrev=False)
    parser.add_argument("--streams", type=int, default=1000, help="of each sort, 10 to 100000 (default 1000)")
    count = parser.parse_args(arguments).streams
    if not 10 <= count <= 100_000:
        parser.error(f"--streams = {count}: must be within 10 to 100000")
    print(f"{'rises for getting finer':36s} {'> 0.1 m':>8s} {'> 1 m':>8s} {'most':>8s}")
    print(f"{'':36s} {'%':>8s} {'%':>8s} {'m':>8s}")
    for sort, bars in itertools.product(SORTS, (HIGH, HIGHEST)):
        fields = streams(sort, count, bars)
        for way, changed in finer(fields).items():
            rise, over = rises(Stream(**fields, **changed))
            print(row(f"{sort.name}, to {bars:g} bar: {way}", rise))
            if max(sort.rise) > 0:
                print(row("  of those that reached the target", over), flush=True)
    print(f"\n{'error of the best elevation':36s} {'> 1 %':>8s} {'lowest':>8s} {'highest':>8s}")
    for sort in SORTS:
        off = off_the_best(sort, count)
        print(f"{sort.name:36s} {100 * np.mean(np.abs(off) > 0.01):8.1f} {100 * off.min():8.1f} {100 * off.max():8.1f}")
    return 0


if __name__ == "__main__":
    sys.exit(run(main))
