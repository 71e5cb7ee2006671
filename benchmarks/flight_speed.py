"""Speed, error and memory of the flight under both laws: the library, an adaptive integrator, and a compiled twin.

Run ``python benchmarks/flight_speed.py``; ``--largest 1e7`` goes further. The library is timed through `simulate`,
which also works out flow, reaction, turbulence, breakup, validity and labels: without effective reach, with it as by
default, and with that at the best elevation too; its flight alone is timed besides. The twins in C are handed the
launch, breakup length and drag, and only fly. Errors are those of the reach of a few flights over max(reach, 1 m), the
worst of them, against DOP853 at rtol 1e-12 in three dimensions with the flight split at breakup; those of effective
reach against the same drops flown finely, at every half degree where the best elevation is sought. Memory is the peak
of a fresh process less what it held before the run, input excluded.
"""

import argparse
import dataclasses
import importlib.util
import itertools
import multiprocessing
import platform
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import compiled_twins
from benchmarks.command import run
from jetsim.jet.core import Launch
from jetsim.jet.delivery import HIGHEST_BEST, Thrown, delivered_reach
from jetsim.jet.drag import DragLaw, FlightConstants, Jet
from jetsim.jet.laws.air_stream import AirStream
from jetsim.jet.laws.law import Law
from jetsim.jet.laws.two_stage import TwoStage
from jetsim.jet.trajectory import FINE
from jetsim.simulation import simulate, start_of
from jetsim.stream import Stream
from tests import reference_flight

Array = NDArray[np.float64]

SIZES = (1_000, 10_000, 100_000, 1_000_000)
CHECKED, INTEGRATED = 60, 100
MOST = 100_000  # of the twins and of effective reach: more would only take longer
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
# "breakup" is the cheapest criterion of effective reach: it flies nothing besides.
FIXED = {"target_height": 0.0, "reach_criterion": "breakup"}
SOURCES = {"two_stage": compiled_twins.TWO_STAGE, "air_stream": compiled_twins.AIR_STREAM}


class Asked(NamedTuple):
    """What is asked of `simulate`: fields of the stream, and the result that is checked."""

    name: str
    fields: dict[str, Any]
    result: str


PLAIN = Asked("simulate", {}, "extreme_reach")
ALL = Asked("simulate, all results", {"reach_criterion": "delivered share"}, "effective_reach")
BEST = "effective_reach_at_best"
AT_BEST = Asked("simulate, and at the best elevation", {**ALL.fields, "further_results": (BEST,)}, BEST)


class Run(NamedTuple):
    """One line of the table."""

    name: str
    flights: int
    seconds: float
    error: float
    megabytes: float = np.nan

    def __str__(self) -> str:
        memory = "" if np.isnan(self.megabytes) else f"{self.megabytes:9.0f}"
        return f"{self.name:46s} {self.flights:10,d} {self.rate:13,.0f} {self.error:10.1e} {memory:>9s}"

    @property
    def rate(self) -> float:
        """Flights per second."""
        return self.flights / self.seconds


@dataclass(frozen=True)
class Flights:
    """What a flight needs, for those who do no more than fly."""

    jet: Jet
    launch: Launch
    law: DragLaw
    kind: Law

    def rows(self) -> tuple[Array, ...]:
        """The arrays in the order of the compiled twin."""
        jet = self.jet
        shared = (*self.launch, jet.breakup_length, jet.wind_along, jet.wind_across)
        if isinstance(self.law, TwoStage):
            return (*shared, self.law.drag)
        assert isinstance(self.law, AirStream)
        return (*shared, *self.law.coefficients)

    def reference(self, case: int) -> reference_flight.Case:
        """One flight as the plain twin flies it."""
        given = (float(a[case]) for a in self.launch)
        if isinstance(self.law, TwoStage):
            spray = reference_flight.quadratic(*(float(a[case]) for a in (self.law.drag, *self.law.wind)))
            return reference_flight.Case(*given, float(self.jet.breakup_length[case]), spray)
        spray = reference_flight.air_stream(self.jet, self.launch, FlightConstants(), case)
        return reference_flight.Case(*given, float(self.jet.breakup_length[case]), spray, extra=3)


def sample(count: int, law: str) -> Stream:
    """The first `count` flights of one random series."""
    low, high = np.array(list(RANGES.values())).T
    table = low + (high - low) * np.random.default_rng(1).random((count, len(RANGES)))
    columns = {n: xr.DataArray(np.ascontiguousarray(c), dims="case") for n, c in zip(RANGES, table.T, strict=True)}
    return Stream.from_values({**columns, **FIXED, "drag_model": law})


def flights_of(stream: Stream) -> Flights:
    """The flights that `simulate` flies for a stream."""
    start = start_of(stream)
    return Flights(start.jet, start.launch, start.law.of(start.jet, start.constants), start.law)


# --------------------------------------------------------------------------------------------------------
# The adaptive integrator


def everyday(case: reference_flight.Case) -> float:
    """Reach of one flight as one would write it: `solve_ivp`, RK45, rtol 1e-6, split at breakup."""
    angle = np.deg2rad(case.elevation)
    velocity = case.speed * np.array([np.cos(angle), 0.0, np.sin(angle)])
    start = np.concatenate([[0.0, 0.0, case.nozzle_height], velocity, [0.0]])
    fall = np.array([0.0, 0.0, -reference_flight.G])

    def core(_: float, y: Array) -> Array:
        return np.concatenate([y[3:6], fall, [np.sqrt(y[3:6] @ y[3:6])]])

    def breaks(_: float, y: Array) -> float:
        return float(y[6] - case.breakup_length)

    def lands(_: float, y: Array) -> float:
        return float(y[2] - case.target_height)

    breaks.terminal = lands.terminal = True
    lands.direction = -1
    options = {"method": "RK45", "rtol": 1e-6}
    first = solve_ivp(core, (0, 60), start, events=[breaks, lands], **options)
    if first.t_events[1].size:
        return float(first.y_events[1][0][0])
    broken = float(first.t_events[0][0])

    def spray(now: float, y: Array) -> Array:
        acceleration, own = case.spray(now, y[3:6], y[6:], broken)
        return np.concatenate([y[3:6], acceleration, own])

    start = np.concatenate([first.y_events[0][0][:6], np.zeros(case.extra)])
    rest = solve_ivp(spray, (broken, broken + 60), start, events=[lands], **options)
    return float(rest.y_events[0][0][0])


def integrated(flights: Flights, true: Array) -> Run:
    """The adaptive integrator at an everyday tolerance."""
    cases = [flights.reference(case) for case in range(INTEGRATED)]
    started = time.perf_counter()
    reach = np.array([everyday(case) for case in cases])
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
    """Largest memory held so far by this process [MB]; NaN where the system does not tell."""
    if importlib.util.find_spec("resource") is None:
        return float("nan")
    resource = importlib.import_module("resource")
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def library(count: int, law: str, asked: Asked, workers: int) -> tuple[float, Array, float]:
    """Seconds, reaches of the checked flights, and memory of `simulate`; for a process of its own."""
    simulate(dataclasses.replace(sample(64, law), **asked.fields), workers=1)
    stream = dataclasses.replace(sample(count, law), **asked.fields)
    before = peak()
    seconds, reach = quickest(lambda: simulate(stream, workers=workers)[asked.result].values, rounds_for(count))
    return seconds, reach[:CHECKED].copy(), peak() - before


def effective(elevation: float | None = None) -> Array:
    """Effective reach of the checked flights, finely flown; at an elevation [deg], or at their own."""
    stream = sample(CHECKED, "air_stream")
    start = start_of(stream if elevation is None else dataclasses.replace(stream, elevation=elevation))
    law = start.law.of(start.jet, start.constants)
    flight = start.law.fly(law, start.launch, start.jet.breakup_length)
    return delivered_reach(Thrown(start.jet, start.launch, start.constants, flight, start.law), effort=FINE)


def expected(true: Array, law: str) -> list[tuple[Asked, Array]]:
    """What is asked under a law, and what comes out of it without error; `true` holds the extreme reaches."""
    if law != "air_stream":
        return [(PLAIN, true)]
    best = np.max([effective(elevation) for elevation in np.linspace(0.0, HIGHEST_BEST, 21)], axis=0)
    return [(PLAIN, true), (ALL, effective()), (AT_BEST, best)]


def rounds_for(count: int) -> int:
    """Repeats, fewer for more flights."""
    return 5 if count <= 100_000 else 2


def processor() -> str:
    """Name of the processor as the system gives it."""
    cpuinfo = Path("/proc/cpuinfo")
    lines = cpuinfo.read_text(encoding="utf-8").splitlines() if cpuinfo.exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor()


# --------------------------------------------------------------------------------------------------------
# The table


def compare(law: str, sizes: tuple[int, ...], show: Callable[[object], None]) -> None:
    """Run all for one law and show each line as it comes, then the ratios."""
    show(f"{law}:")
    flights = flights_of(sample(max(INTEGRATED, CHECKED), law))
    true = np.array([reference_flight.fly(flights.reference(case))["extreme_reach"] for case in range(CHECKED)])
    wanted = expected(true, law)
    runs = [integrated(flights, true)]
    show(runs[0])
    twin = compiled_twins.compiled(SOURCES[law])
    if twin is None:
        show("no gcc: the compiled twin is left out")
    for count in sizes:
        for line in [*library_runs(count, law, wanted), *flight_runs(count, law, true, twin)]:
            runs.append(line)
            show(line)
    for line in ratios(runs):
        show(line)


def library_runs(count: int, law: str, wanted: list[tuple[Asked, Array]]) -> list[Run]:
    """`simulate` on one thread and on two, each in a fresh process."""
    runs = []
    for (asked, true), workers in itertools.product(wanted, (1, THREADS)):
        if asked is not PLAIN and count > MOST:
            continue
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(1, mp_context=context) as pool:
            seconds, reach, megabytes = pool.submit(library, count, law, asked, workers).result()
        runs.append(Run(f"{asked.name}, threads: {workers}", count, seconds, error(reach, true), megabytes))
    return runs


def flight_runs(count: int, law: str, true: Array, twin: compiled_twins.Twin | None) -> list[Run]:
    """The flight alone: that of the library, and the twin."""
    flights, rounds = flights_of(sample(count, law)), rounds_for(count)
    length = flights.jet.breakup_length
    alone, reach = quickest(lambda: flights.kind.fly(flights.law, flights.launch, length).extreme_reach, rounds)
    runs = [Run("flight alone, threads: 1", count, alone, error(reach, true))]
    if twin is not None and count <= MOST:
        rows = flights.rows()
        for threads in (1, THREADS):
            seconds, reach = quickest(lambda threads=threads: twin(rows, threads), 2)
            runs.append(Run(f"flight alone in C, threads: {threads}", count, seconds, error(reach, true)))
    return runs


def ratios(runs: list[Run]) -> list[str]:
    """Speeds against each other at the largest size."""
    rate = {run.name: run.rate for run in runs}
    ours = rate[f"simulate, threads: {THREADS}"]
    fuller = [f"{asked.name}, threads: {THREADS}" for asked in (ALL, AT_BEST)]
    others = [n for n in rate if "solve_ivp" in n or "in C" in n or n in fuller]
    lines = [f"simulate on {THREADS} threads over {n}: {ours / rate[n]:.3g}" for n in others]
    name = "flight alone in C, threads: 1"
    if name in rate:
        alone = rate["flight alone, threads: 1"] / rate[name]
        lines.append(f"flight alone over its twin in C, one thread: {alone:.3g}")
    return lines


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--largest", type=float, default=SIZES[-1], help="most flights, 1e3 to 1e7 (default 1e6)")
    largest = parser.parse_args(arguments).largest
    if not 1e3 <= largest <= 1e7:
        parser.error(f"--largest = {largest:g}: must be within 1e3 to 1e7 flights")
    print(f"{processor()}, {multiprocessing.cpu_count()} processors, up to {THREADS} threads")
    print(f"{'':46s} {'flights':>10s} {'flights/s':>13s} {'error':>10s} {'peak MB':>9s}")
    sizes = tuple(s for s in (*SIZES, 10_000_000) if s <= largest)
    for law in SOURCES:
        compare(law, sizes, lambda line: print(line, flush=True))
    return 0


if __name__ == "__main__":
    sys.exit(run(main))
