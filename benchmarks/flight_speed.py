"""Speed, error and memory of the two-stage flight: the library, an adaptive integrator, and a compiled twin.

Run ``python -m benchmarks.flight_speed``; ``--largest 1e7`` goes further. The library is timed through `simulate`,
which also works out flow, reaction, turbulence, breakup, validity and labels; its flight alone is timed besides.
The twin in C is handed the launch, breakup length and drag, and only flies. Errors are those of the reach on a few
flights, over max(reach, 1 m), against DOP853 at rtol 1e-12 with the flight split at breakup. Memory is the peak of
a fresh process less what it held before the run, input excluded.
"""

import argparse
import ctypes
import multiprocessing
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from jetsim import media
from jetsim.jet.core import Launch
from jetsim.jet.drag import FlightConstants, Jet, TwoStage
from jetsim.jet.hodograph import fly_constant_drag
from jetsim.simulation import simulate
from jetsim.stream import Stream
from jetsim.units import STANDARD_GRAVITY as G

Array = NDArray[np.float64]

SIZES = (1_000, 10_000, 100_000, 1_000_000)
CHECKED, INTEGRATED = 100, 300
THREADS = 2
# Ranges of the sample; SI and degrees. Streams of all fire-ground sizes in a light wind.
RANGES = {
    "tip_diameter": (0.015, 0.035),
    "nozzle_pressure": (2e5, 8e5),
    "elevation": (10.0, 60.0),
    "nozzle_height": (0.5, 2.0),
    "wind_along": (-5.0, 5.0),
    "wind_across": (-5.0, 5.0),
}

C_SOURCE = r"""
#include <math.h>
#include <omp.h>
#define G 9.80665
typedef struct { double x, y, z, u, v, w, t; } State;
static inline State rate(State s, double k, double a, double c) {
    double inverse = 1 / sqrt(s.u * s.u + s.v * s.v + s.w * s.w);
    double p = s.u - a, q = s.v - c, f = -k * sqrt(p * p + q * q + s.w * s.w) * inverse;
    State d = {s.u * inverse, s.v * inverse, s.w * inverse, f * p, f * q, f * s.w - G * inverse, inverse};
    return d;
}
static inline State add(State s, State d, double h) {
    State e = {s.x + h * d.x, s.y + h * d.y, s.z + h * d.z, s.u + h * d.u, s.v + h * d.v, s.w + h * d.w, s.t + h * d.t};
    return e;
}
static inline State step(State s, double h, double k, double a, double c) {
    State k1 = rate(s, k, a, c), k2 = rate(add(s, k1, h / 2), k, a, c);
    State k3 = rate(add(s, k2, h / 2), k, a, c), k4 = rate(add(s, k3, h), k, a, c);
    return add(add(add(add(s, k1, h / 6), k2, h / 3), k3, h / 3), k4, h / 6);
}
static inline double cubic(double p, double dp, double q, double dq, double u) {
    double a = 1 - u;
    return a * a * (p * (1 + 2 * u) + dp * u) + u * u * (q * (1 + 2 * a) - dq * a);
}
static double arc(double along, double up) {
    return (up * sqrt(along * along + up * up) + along * along * asinh(up / along)) / (2 * G);
}
void fly(long n, int threads, const double *drag, const double *along, const double *across, const double *speed,
         const double *elevation, const double *height, const double *target, const double *core, double *reach) {
    #pragma omp parallel for num_threads(threads) schedule(static)
    for (long i = 0; i < n; i++) {
        double angle = elevation[i] * 0.017453292519943295, level = speed[i] * cos(angle), up = speed[i] * sin(angle);
        State s = {0, 0, height[i], level, 0, up, 0}, e;
        for (int j = 0; j < 8; j++) s = step(s, core[i] / 8, 0, 0, 0);
        /* The drag-free path to the target is longer than the flown one in all but tail winds. */
        double end = s.w * s.w + 2 * G * (s.z - target[i]);
        reach[i] = -1;
        if (end < 0) continue;
        double h = (arc(level, s.w) + arc(level, sqrt(end))) / 48, k = drag[i], a = along[i], c = across[i];
        for (int j = 0; j < 4800; j++) {
            e = step(s, h, k, a, c);
            if (e.w < 0 && e.z <= target[i]) break;
            s = e;
        }
        if (e.z > target[i] || s.z <= target[i]) continue;
        State p = rate(s, k, a, c), q = rate(e, k, a, c);
        double gap = e.z - s.z, b1 = h * p.z, b2 = 3 * gap - 2 * b1 - h * q.z, b3 = b1 + h * q.z - 2 * gap, u = 1;
        for (int j = 0; j < 5; j++)
            u -= (s.z - target[i] + u * (b1 + u * (b2 + u * b3))) / (b1 + u * (2 * b2 + u * 3 * b3));
        reach[i] = cubic(s.x, h * p.x, e.x, h * q.x, u);
    }
}
"""


@dataclass(frozen=True)
class Run:
    """One line of the table."""

    name: str
    flights: int
    seconds: float
    error: float
    megabytes: float = np.nan

    def __str__(self) -> str:
        rate = self.flights / self.seconds
        memory = "" if np.isnan(self.megabytes) else f"{self.megabytes:9.0f}"
        return f"{self.name:34s} {self.flights:10,d} {rate:13,.0f} {self.error:10.1e} {memory:>9s}"


@dataclass(frozen=True)
class Flights:
    """What a flight needs, for those who do no more than fly; arrays of shape (n,)."""

    drag: Array
    wind_along: Array
    wind_across: Array
    launch: Launch
    breakup_length: Array

    def rows(self) -> tuple[Array, ...]:
        """The eight arrays in the order of the compiled twin."""
        return (self.drag, self.wind_along, self.wind_across, *self.launch, self.breakup_length)


def sample(count: int) -> Stream:
    """The first `count` flights of one random series."""
    low, high = np.array(list(RANGES.values())).T
    table = low + (high - low) * np.random.default_rng(1).random((count, len(RANGES)))
    columns = {n: xr.DataArray(np.ascontiguousarray(c), dims="case") for n, c in zip(RANGES, table.T, strict=True)}
    return Stream.from_values({**columns, **FIXED})


# "breakup" is the cheapest criterion of effective reach: it flies nothing besides.
FIXED = {"target_height": 0.0, "drag_model": "two_stage", "reach_criterion": "breakup"}


def flights_of(stream: Stream) -> Flights:
    """Launch, breakup length and drag of the flights that `simulate` flies for a stream."""
    values, result = stream.values(), simulate(stream)
    speed, breakup = result.exit_speed.values, result.breakup_length.values
    full = {n: np.array(np.broadcast_to(values[n], speed.shape), dtype=float) for n in (*RANGES, "target_height")}
    water = np.full(speed.size, media.water_density(values["water_temperature"]))
    air = np.full(speed.size, media.air_density(values["air_temperature"], values["air_pressure"]))
    launch = Launch(speed, full["elevation"], full["nozzle_height"], full["target_height"])
    wind = full["wind_along"], full["wind_across"]
    jet = Jet(
        tip_diameter=full["tip_diameter"],
        exit_speed=speed,
        breakup_length=breakup,
        water_density=water,
        air_density=air,
        air_viscosity=np.full(speed.size, media.air_viscosity(values["air_temperature"])),
        surface_tension=np.full(speed.size, media.water_surface_tension(values["water_temperature"])),
        wind_along=wind[0],
        wind_across=wind[1],
        elevation=launch.elevation,
    )
    return Flights(TwoStage(jet, FlightConstants()).drag, *wind, launch, breakup)


# --------------------------------------------------------------------------------------------------------
# The adaptive integrator


def integrate(flights: Flights, case: int, **tolerance: object) -> float:
    """Reach of one flight by `solve_ivp`, split at breakup."""
    drag, along, across, speed, elevation, height, target, core = (float(row[case]) for row in flights.rows())
    wind, angle = np.array([along, across, 0.0]), np.deg2rad(elevation)
    start = [0.0, 0.0, height, speed * np.cos(angle), 0.0, speed * np.sin(angle), 0.0]

    def rates(_: float, y: Array, k: float) -> Array:
        slip = y[3:6] - wind
        pull = -k * np.sqrt(slip @ slip) * slip
        return np.array([*y[3:6], pull[0], pull[1], pull[2] - G, np.sqrt(y[3:6] @ y[3:6])])

    def breaks(_: float, y: Array, k: float) -> float:
        return float(y[6] - core)

    def lands(_: float, y: Array, k: float) -> float:
        return float(y[2] - target)

    breaks.terminal = lands.terminal = True
    lands.direction = -1
    first = solve_ivp(rates, (0, 60), start, args=(0.0,), events=[breaks, lands], **tolerance)
    if first.t_events[1].size:
        return float(first.y_events[1][0][0])
    rest = solve_ivp(rates, (0, 60), first.y_events[0][0], args=(drag,), events=[lands], **tolerance)
    return float(rest.y_events[0][0][0])


def integrated(flights: Flights, true: Array) -> Run:
    """The adaptive integrator at an everyday tolerance."""
    started = time.perf_counter()
    reach = np.array([integrate(flights, case, method="RK45", rtol=1e-6) for case in range(INTEGRATED)])
    return Run("solve_ivp RK45 rtol 1e-6", INTEGRATED, time.perf_counter() - started, error(reach, true))


def error(reach: Array, true: Array) -> float:
    """Largest error over max(reach, 1 m) of the flights whose reach is known."""
    return float(np.max(np.abs(reach[: true.size] - true) / np.maximum(np.abs(true), 1.0)))


# --------------------------------------------------------------------------------------------------------
# The library and the twin


def quickest(action: Callable[[], Array], rounds: int) -> tuple[float, Array]:
    """Least time of a few rounds, and the result."""
    best = np.inf
    for _ in range(rounds):
        started = time.perf_counter()
        result = action()
        best = min(best, time.perf_counter() - started)
    return best, result


def peak() -> float:
    """Largest memory held so far by this process [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def library(count: int, workers: int) -> tuple[float, Array, float]:
    """Seconds, reaches of the checked flights, and memory of `simulate`; for a process of its own."""
    simulate(sample(64), workers=1)
    stream = sample(count)
    before = peak()
    seconds, reach = quickest(lambda: simulate(stream, workers=workers).extreme_reach.values, rounds_for(count))
    return seconds, reach[:CHECKED].copy(), peak() - before


def rounds_for(count: int) -> int:
    """Repeats, fewer for more flights."""
    return 5 if count <= 100_000 else 2


def compiled() -> Callable[[Flights, int], Array] | None:
    """The twin in C, or None without a compiler."""
    compiler = shutil.which("gcc")
    if compiler is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        source, library_file = Path(folder, "twin.c"), Path(folder, "twin.so")
        source.write_text(C_SOURCE, encoding="utf-8")
        options = ["-O3", "-march=native", "-ffast-math", "-fopenmp", "-shared", "-fPIC"]
        subprocess.run([compiler, *options, str(source), "-o", str(library_file), "-lm"], check=True)
        function = ctypes.CDLL(str(library_file)).fly

    def twin(flights: Flights, threads: int) -> Array:
        rows = [np.ascontiguousarray(row) for row in flights.rows()]
        reach = np.empty(rows[0].size)
        pointers = [row.ctypes.data_as(ctypes.POINTER(ctypes.c_double)) for row in (*rows, reach)]
        function(ctypes.c_long(reach.size), ctypes.c_int(threads), *pointers)
        return reach

    return twin


def processor() -> str:
    """Name of the processor as the system gives it."""
    cpuinfo = Path("/proc/cpuinfo")
    lines = cpuinfo.read_text(encoding="utf-8").splitlines() if cpuinfo.exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor()


# --------------------------------------------------------------------------------------------------------
# The table


def compare(sizes: tuple[int, ...], show: Callable[[object], None]) -> None:
    """Run all and show each line as it comes, then the ratios."""
    flights = flights_of(sample(max(INTEGRATED, CHECKED)))
    tight = {"method": "DOP853", "rtol": 1e-12, "atol": 1e-12}
    true = np.array([integrate(flights, case, **tight) for case in range(CHECKED)])
    runs = [integrated(flights, true)]
    show(runs[0])
    twin = compiled()
    if twin is None:
        show("no gcc: the compiled twin is left out")
    for count in sizes:
        for run in [*library_runs(count, true), *flight_runs(count, true, twin)]:
            runs.append(run)
            show(run)
    for line in ratios(runs):
        show(line)


def library_runs(count: int, true: Array) -> list[Run]:
    """`simulate` on one thread and on two, each in a fresh process."""
    runs = []
    for workers in (1, THREADS):
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(1, mp_context=context) as pool:
            seconds, reach, megabytes = pool.submit(library, count, workers).result()
        runs.append(Run(f"simulate, threads: {workers}", count, seconds, error(reach, true), megabytes))
    return runs


def flight_runs(count: int, true: Array, twin: Callable[[Flights, int], Array] | None) -> list[Run]:
    """The flight alone: that of the library, and the twin."""
    flights, rounds = flights_of(sample(count)), rounds_for(count)
    first = flights.rows()
    closed, reach = quickest(lambda: fly_constant_drag(*first[:3], Launch(*first[3:7]), first[7]).extreme_reach, rounds)
    runs = [Run("flight alone, threads: 1", count, closed, error(reach, true))]
    for threads in (1, THREADS) if twin else ():
        seconds, reach = quickest(lambda threads=threads: twin(flights, threads), rounds)
        runs.append(Run(f"flight alone in C, threads: {threads}", count, seconds, error(reach, true)))
    return runs


def ratios(runs: list[Run]) -> list[str]:
    """Speeds against each other at the largest size."""
    rate = {run.name: run.flights / run.seconds for run in runs}
    ours = rate[f"simulate, threads: {THREADS}"]
    lines = [f"simulate on {THREADS} threads over {n}: {ours / r:.3g}" for n, r in rate.items() if "simulate" not in n]
    name = "flight alone in C, threads: 1"
    if name in rate:
        lines.append(
            f"flight alone over its twin in C, one thread: {rate['flight alone, threads: 1'] / rate[name]:.3g}"
        )
    return lines


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--largest", type=float, default=SIZES[-1], help="most flights, 1e3 to 1e7 (default 1e6)")
    largest = parser.parse_args(arguments).largest
    if not 1e3 <= largest <= 1e7:
        parser.error(f"--largest = {largest:g}: must be within 1e3 to 1e7 flights")
    print(f"{processor()}, {multiprocessing.cpu_count()} processors, up to {THREADS} threads")
    print(f"{'':34s} {'flights':>10s} {'flights/s':>13s} {'error':>10s} {'peak MB':>9s}")
    compare(tuple(s for s in (*SIZES, 10_000_000) if s <= largest), lambda line: print(line, flush=True))
    return 0


if __name__ == "__main__":
    sys.exit(main())
