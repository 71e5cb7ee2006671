"""Rank with 10^5 to 10^7 runs on a cluster of this machine: seconds, memory, and the same bytes as one process.

Run ``python benchmarks/scale.py [--runs 1e5 1e6 1e7] [--workers 2] [--law two_stage]`` with the extra ``cluster``. Each
row runs the same design in one process and on a scheduler with workers, all processes of their own, and loses one
worker on the way; memory is the peak of what each process holds. The plan at the end takes the cost of a run under the
law that studies use, and that of a message, as they were measured here.
"""

import argparse
import json
import pickle
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil
import xarray as xr

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.command import environment, run
from jetsim import ParameterSpace, StreamModel, indices_by_replicate, sobol_design
from jetsim.cluster import cluster
from jetsim.errors import InputError
from jetsim.experiment.design import sobol_layout
from jetsim.experiment.distributions import Uniform
from jetsim.experiment.parameters import Parameter
from jetsim.experiment.replicates import Replicate
from jetsim.kept import packed

OUTPUTS = ("extreme_reach", "breakup_distance", "flow_rate", "reaction_force")
RANGES = {
    "nozzle_pressure": (3.1e5, 3.8e5), "elevation": (25.0, 35.0), "tip_diameter": (0.0236, 0.0242),
    "discharge_coefficient": (0.95, 0.99), "valve_turbulence_factor": (1.0, 1.5), "wind_along": (-3.0, 3.0),
    "clear_turbulence_intensity": (0.05, 0.09), "breakup_constants.scale": (0.8, 1.2),
}  # fmt: skip
SPACE = ParameterSpace(tuple(Parameter(name, Uniform(*ends)) for name, ends in RANGES.items()), outputs=OUTPUTS)
BASE_SAMPLES, BLOCK = 4096, 2 * len(RANGES) + 2  # of each replicate
MEGABYTE, MESSAGES = 1e6, 100


def sizes(runs: float) -> dict[str, int]:
    """Base samples and replicates of about so many runs: never fewer than 16 replicates."""
    base = BASE_SAMPLES
    while base > 4 and base * BLOCK * 16 > runs:
        base //= 2
    return {"base_samples": base, "replicates": max(16, round(runs / (base * BLOCK)))}


def ranked(law: str, runs: float, executor: Executor | None = None) -> xr.Dataset:
    """Indices of so many runs."""
    return indices_by_replicate(SPACE, StreamModel({"drag_model": law}, OUTPUTS), executor=executor, **sizes(runs))


class Memory:
    """Peak memory [MB] of processes by what they do, sampled while something runs."""

    def __init__(self, roles: Callable[[], dict[str, list[psutil.Process]]]) -> None:
        self.roles, self.peaks, self.total = roles, dict[str, float](), 0.0
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> "Memory":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._end.wait(0.2):
            now = {role: sum(map(held, processes)) for role, processes in self.roles().items()}
            self.peaks = {role: max(value, self.peaks.get(role, 0.0)) for role, value in now.items()}
            self.total = max(self.total, sum(now.values()))


def held(process: psutil.Process) -> float:
    """Resident memory of a process [MB]; nothing where it has ended."""
    try:
        return float(process.memory_info().rss) / MEGABYTE
    except psutil.Error:
        return 0.0


@contextmanager
def started(workers: int, place: Path) -> Iterator["Processes"]:
    """A scheduler and workers as processes of their own."""
    file = place / "scheduler.json"
    common = ("--scheduler-file", str(file), "--no-dashboard", "--host", "127.0.0.1")
    begun = [begin("distributed.cli.dask_scheduler", *common, "--port", "0")]
    begun.append(begin("distributed.cli.dask_worker", *common, "--nthreads", "1", "--nworkers", str(workers)))
    try:
        while not (file.exists() and file.read_text(encoding="utf-8")):
            time.sleep(0.1)
        yield Processes(
            json.loads(file.read_text(encoding="utf-8"))["address"], *(psutil.Process(one.pid) for one in begun)
        )
    finally:
        for one in reversed(begun):
            one.terminate()
            one.wait(timeout=60)


def begin(module: str, *options: str) -> "subprocess.Popen[bytes]":
    """Start a module of the engine that can import what this script can."""
    command = [sys.executable, "-m", module, *options]
    return subprocess.Popen(command, env=environment(), stderr=subprocess.DEVNULL)


@dataclass(frozen=True)
class Processes:
    """A cluster: the address of its scheduler, the scheduler, and what minds its workers."""

    address: str
    scheduler: psutil.Process
    minder: psutil.Process

    def roles(self) -> dict[str, list[psutil.Process]]:
        """All processes by what they do; workers with what minds them."""
        minded = [self.minder, *self.minder.children(recursive=True)]
        return {"client": [psutil.Process()], "scheduler": [self.scheduler], "workers": minded}

    def lose_one(self) -> None:
        """Kill the largest worker."""
        max(self.minder.children(recursive=True), key=held).kill()


def in_one_process(law: str, runs: float) -> tuple[xr.Dataset, float]:
    """Indices and seconds of a process of its own, its start left out."""
    with ProcessPoolExecutor(1) as pool:
        pool.submit(ranked, law, BLOCK * 64).result()
        start = time.perf_counter()
        return pool.submit(ranked, law, runs).result(), time.perf_counter() - start


def row(law: str, runs: float, executor: Executor, processes: Processes) -> None:
    """Run one design both ways and print a row."""
    alone, single = in_one_process(law, runs)
    loss = threading.Timer(min(1.0, single / 4), processes.lose_one)
    start = time.perf_counter()
    with Memory(processes.roles) as memory:
        loss.start()
        found = ranked(law, runs, executor)
    seconds = time.perf_counter() - start
    loss.cancel()
    count = len({*processes.minder.children(recursive=True)})
    peaks = " ".join(f"{memory.peaks.get(role, 0):9.0f}" for role in ("client", "scheduler", "workers"))
    same = "same bytes" if found.identical(alone) else "OTHER BYTES"
    print(f"{found.attrs['runs']:12,} {count:7} {single:11.1f} {seconds:9.1f} {seconds / single:7.2f} {peaks} "
          f"{memory.total:7.0f}  {same}", flush=True)  # fmt: skip
    if not found.identical(alone):
        raise InputError("the cluster gives other bytes than one process")


def messages(law: str, executor: Executor) -> tuple[float, int, int]:
    """Seconds of a message that asks for nothing, and bytes of one that asks for a replicate and of its answer."""
    layout = sobol_layout(SPACE, 8, 16, whole=False)
    one = Replicate(SPACE, layout, StreamModel({"drag_model": law}, OUTPUTS))
    start = time.perf_counter()
    for future in [executor.submit(nothing, one, number) for number in range(MESSAGES)]:
        future.result()
    return (time.perf_counter() - start) / MESSAGES, len(pickle.dumps(one)), len(packed(one(0)))


def nothing(_one: Replicate, number: int) -> int:
    """A task without work."""
    return number


def plan(law: str, runs: float, workers: int, executor: Executor) -> str:
    """What so many runs would take, by what a run and a message cost here."""
    design = sobol_design(SPACE, 512, 4)
    start = time.process_time()
    StreamModel({"drag_model": law}, OUTPUTS)(design.samples)
    each = (time.process_time() - start) / design.layout.runs
    message, asked, answered = messages(law, executor)
    count = sizes(runs)["replicates"]
    hours, minutes = runs * each / 3600, runs * each / workers / 60
    return (
        f"On paper, {runs:,.0f} runs under {law}: {count:,} replicates of {BASE_SAMPLES * BLOCK:,} runs; "
        f"{1e6 * each:.1f} us a run, {hours:.2f} hours of one core, {minutes:,.1f} minutes on {workers} workers; "
        f"{1e3 * message:.1f} ms a message, {count * message:.1f} s in all; {asked / 1e3:.1f} kB there and "
        f"{answered / 1e3:.1f} kB back, {count * answered / MEGABYTE:.1f} MB at the client"
    )


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=float, nargs="+", default=[1e5, 1e6, 1e7])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--law", default="two_stage", help="law of flight of the rows")
    parser.add_argument("--quick", action="store_true", help="10^4 runs on one worker")
    options = parser.parse_args()
    wanted, workers = ([1e4], 1) if options.quick else (options.runs, options.workers)
    print(f"Law of flight: {options.law}. Seconds, and peak memory in MB; a worker is killed in each row.")
    print("        runs workers one process   cluster   ratio    client scheduler   workers  in all")
    with (
        tempfile.TemporaryDirectory() as place,
        started(workers, Path(place)) as processes,
        cluster(processes.address, workers) as executor,
    ):
        for runs in wanted:
            row(options.law, runs, executor, processes)
        print(plan("air_stream", 1e8, 100, executor))
    return 0


if __name__ == "__main__":
    sys.exit(run(main))
