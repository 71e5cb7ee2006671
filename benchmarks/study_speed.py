"""Speed of a whole ranking study, stage by stage, from the import to the written report; then that of every command.

Run ``python benchmarks/study_speed.py``; ``--commands setup_cards "field_test read"`` times only some of the commands,
``--against COMMIT`` beside another commit than the one before. The study is that of ``studies/rank_controls.py`` by the
default law of flight, cut to ten uncertain inputs and grown to six outputs: 180,224 runs rank the inputs, 40,960 more
their roles, and some 1,800 are drawn. Each stage is what the study does, timed apart: its time stands beside the widest
error of what it gives. Imports are those of a fresh process, the least of a few. Commands are timed in processes of
their own.
"""

import argparse
import multiprocessing
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np
import xarray as xr

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import command_speed
from benchmarks.command import run
from benchmarks.flight_speed import processor
from jetsim import findings
from jetsim.errors import InputError
from jetsim.experiment.ensemble import evaluate
from jetsim.experiment.gate import convergence_gate
from jetsim.experiment.outputs import independent_runs
from jetsim.experiment.ranking import rank
from jetsim.experiment.sensitivity import convergence, sobol_indices
from jetsim.experiment.space import ParameterSpace
from jetsim.jet.drag import FlightConstants
from jetsim.processors import processors
from jetsim.rankings import question, words
from jetsim.rankings import runs as ranked
from jetsim.rankings.question import Case
from jetsim.report.document import Report, render
from jetsim.report.provenance import Record, source_commit, write_manifest
from jetsim.simulation import StreamModel, start_of
from jetsim.stream import Stream
from jetsim.study import MOST_WORKERS, Options
from studies import rank_controls
from tests import reference_flight

ROOT = Path(__file__).resolve().parents[1]
SPACE = ROOT / "tests" / "whole_space.toml"
OUTPUTS = ("extreme_reach", "breakup_distance", "apex_height", "flight_time", "flow_rate", "reaction_force")
CHECKED = 24  # flights that are held against the slow reference
WANTED, WANTED_WITHOUT_FIGURES = 10.0, 3.0  # seconds
BASE_SAMPLES = 512  # in each of the study's 16 replicates
FEW_BASE_SAMPLES, FEW_CHECKED = 16, 4  # of a quick run
ROWS_OF_AIR = 3  # of the reference's own: moment of the air stream's momentum, in three directions
FLIGHTS, INDICES, PLOTTING = "flights", "indices with intervals", "import the plotting library"
# What is imported, in this order; each line is what it adds to those above.
IMPORTS = {
    "import numpy, scipy, xarray": "numpy, scipy, xarray",
    "import jetsim beyond those": "jetsim",
    "import the ranking beyond that": "jetsim.rankings.runs",
    PLOTTING: "matplotlib.figure, matplotlib.style, matplotlib.backends.backend_agg",
    "import the study and its report": "jetsim.study, jetsim.findings, jetsim.report.figures",
}
ROUNDS = 3


@dataclass(frozen=True)
class Stage:
    """One line of the table."""

    name: str
    seconds: float
    error: str = ""
    is_figure: bool = False

    def __str__(self) -> str:
        return f"{self.name:34s} {self.seconds:8.2f}   {self.error}".rstrip()


@dataclass
class Stages:
    """Stages as they come, each shown when it ends."""

    show: Callable[[object], None]
    done: list[Stage] = field(default_factory=list)

    def add(self, stage: Stage) -> None:
        """Note and show a stage."""
        self.done.append(stage)
        self.show(stage)

    @contextmanager
    def timed(self, name: str, error: Callable[[], str] = str, is_figure: bool = False) -> Iterator[None]:
        """Time what happens inside; its error is worked out afterwards and costs nothing here."""
        started = time.perf_counter()
        yield
        seconds = time.perf_counter() - started
        self.add(Stage(name, seconds, error(), is_figure))

    def seconds(self, *names: str) -> float:
        """Time of the named stages."""
        return sum(stage.seconds for stage in self.done if stage.name in names)


# --------------------------------------------------------------------------------------------------------
# The study


def case_of(options: Options) -> Case:
    """A whole space of ten inputs that share no causes, with six outputs."""
    case = question.load(options.inputs, quick=options.quick).streams[0]
    alone = tuple(replace(parameter, loadings={}, group=None) for parameter in case.space.parameters)
    size = FEW_BASE_SAMPLES if options.quick else BASE_SAMPLES
    space = replace(case.space, parameters=alone, latents=(), outputs=OUTPUTS, base_samples=size)
    return replace(case, space=space, model=StreamModel(space.fixed, OUTPUTS))


def time_imports(stages: Stages, rounds: int) -> None:
    """Import step by step in a fresh process, a few times; the quickest counts."""
    steps = "; ".join(f"t.append(c()); import {names}" for names in IMPORTS.values())
    code = f"from time import perf_counter as c; t = []; {steps}; t.append(c()); print(*t)"
    seconds = np.full(len(IMPORTS), np.inf)
    for _ in range(rounds):
        done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
        seconds = np.minimum(seconds, np.diff([float(text) for text in done.stdout.split()]))
    for (name, _), took in zip(IMPORTS.items(), seconds, strict=True):
        stages.add(Stage(name, float(took), is_figure=name == PLOTTING))


def run_study(options: Options, stages: Stages) -> ranked.Results:
    """What the study runs and estimates, as `ranked.results_of` does it, timed apart."""
    with stages.timed("study file and design"):
        case = case_of(options)
        space = case.space
        design, roles = ranked.ranked_design(space), ranked.roles_design(space)
    total = design.layout.runs + roles.layout.runs + ranked.PATHS + question.SWEEP_POINTS**2
    checked = FEW_CHECKED if options.quick else CHECKED
    with stages.timed("flights that only figures show", is_figure=True):
        paths, sweep = ranked.paths_of(case), ranked.sweep_of(case)
    with (
        options.hands(),
        options.executor() as executor,
        stages.timed(FLIGHTS, lambda: reach_error(space, runs.isel(sample=slice(checked)))),
    ):
        runs = evaluate(design, case.model, executor, progress=False, chunk=ranked.CHUNK)
        grouped = evaluate(roles, case.model, executor, progress=False, chunk=ranked.CHUNK)
    with stages.timed(INDICES, lambda: half_width(every)):
        every, history, together = sobol_indices(runs), convergence(runs), sobol_indices(grouped)
        ranking, gate, sample = rank(every), convergence_gate(history), independent_runs(runs)
    found = ranked.Results(
        runs=runs,
        indices=every,
        parts=ranked.parts_of(every, space),
        groups=ranked.groups_of(every, space),
        among=every[["S1"]].isel(output=[]),
        idle=(),
        ranking=ranking,
        history=history,
        gate=gate,
        roles=together,
        sample=sample,
        probabilities=design.unit[sample["sample"].values],
        paths=paths,
        sweep=sweep,
        count=total,
    )
    write(options, case, found, stages)
    return found


def reach_error(space: ParameterSpace, runs: xr.Dataset) -> str:
    """Largest error of the reaches, over max(reach, 1 m), beside the slow reference of the tests."""
    count = runs.sizes["sample"]
    columns = {name: xr.DataArray(runs[name].values, dims="case") for name in space.names}
    start = start_of(Stream.from_values({**space.fixed, **columns}))
    errors = []
    for case, reach in enumerate(runs["extreme_reach"].values):
        named = start.constants.members().items()
        constants = FlightConstants.of({n: float(np.broadcast_to(v, count)[case]) for n, v in named})
        spray = reference_flight.air_stream(start.jet, start.launch, constants, case)
        launch = (float(column[case]) for column in start.launch)
        true = reference_flight.fly(
            reference_flight.Case(*launch, float(start.jet.breakup_length[case]), spray, ROWS_OF_AIR)
        )["extreme_reach"]
        errors.append(abs(reach - true) / max(true, 1.0))
    return f"{max(errors):.1e} of the reach, {count} flights against DOP853 at rtol 1e-12"


def half_width(indices: xr.Dataset) -> str:
    """Widest 95 % interval of the indices."""
    widest = {n: float((indices[f"{n}_high"] - indices[f"{n}_low"]).max()) / 2 for n in ("S1", "ST", "S2")}
    return f"±{widest['S1']:.3f} S1, ±{widest['ST']:.3f} ST, ±{widest['S2']:.3f} S2 at most (95 %)"


def write(options: Options, case: Case, found: ranked.Results, stages: Stages) -> None:
    """Figures, tables, results and the report, as a study's folder holds them."""
    space, system = case.space, case.space.units
    with stages.timed("figures drawn", is_figure=True):
        sections = words.case_sections(case, found, system)
    place = options.output
    with stages.timed("figures written", lambda: sizes(place, "figures"), is_figure=True):
        (place / "figures").mkdir()
        for plot in (plot for section in sections for plot in section.plots):
            plot.save(place / "figures", options.quick)
    with stages.timed("tables, results and report", lambda: sizes(place, ".")):
        pairs = [(case, found)]
        lead, card = words.lead(pairs, system), words.card(pairs, system)
        report = Report(space.title, lead, sections, card, system, validity=findings.validity_counts(found.runs),
                        further=words.further(pairs, system))  # fmt: skip
        (place / "tables").mkdir()
        for table in report.tables:
            table.save(place / "tables")
        for name, data in {"results": found.runs, "indices": found.indices}.items():
            data.to_netcdf(place / f"{name}.nc", engine="h5netcdf")
        (place / "report.html").write_text(render(report), encoding="utf-8")
        write_manifest(record(options, space, found), place)


def record(options: Options, space: ParameterSpace, found: ranked.Results) -> Record:
    """What the manifest holds."""
    commit = source_commit(rank_controls.STUDY.script)
    counts = {"seed": space.seed, "runs": found.count, "failures": 0, "workers": options.workers}
    more = {"units": space.units, "commit": commit, "started": "", "wall_time": 0.0, "quick": options.quick}
    return Record(rank_controls.STUDY.name, options.inputs.name, "", **counts, **more)


def sizes(place: Path, folder: str) -> str:
    """How much was written."""
    files = [path for path in (place / folder).iterdir() if path.is_file()]
    return f"{len(files)} files, {sum(path.stat().st_size for path in files) / 1e6:.1f} MB"


# --------------------------------------------------------------------------------------------------------
# The table


def totals(stages: Stages) -> list[str]:
    """Sums against what is wanted, and what estimating costs beside flying."""
    everything = sum(stage.seconds for stage in stages.done)
    without = sum(stage.seconds for stage in stages.done if not stage.is_figure)
    estimating = stages.seconds(INDICES) / stages.seconds(FLIGHTS)
    return [
        f"{'import to written report':34s} {everything:8.2f}   wanted: {WANTED:g} s",
        f"{'without figures':34s} {without:8.2f}   wanted: {WANTED_WITHOUT_FIGURES:g} s",
        f"estimating over flying: {estimating:.2g}",
    ]


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="few runs, to see that it works: no measure of anything")
    parser.add_argument("--workers", type=int, default=min(processors(), MOST_WORKERS), help="processes (default: all)")
    names = tuple(command_speed.WANTED)
    parser.add_argument("--commands", nargs="*", choices=names, metavar="COMMAND", help="timed besides (default: all)")
    parser.add_argument(
        "--against", default=command_speed.BEFORE, metavar="COMMIT", help="to compare with, '' for none"
    )
    parsed = parser.parse_args(arguments)
    if not 1 <= parsed.workers <= MOST_WORKERS:
        raise InputError(f"--workers = {parsed.workers}: must be a whole number from 1 to {MOST_WORKERS}")
    show = partial(print, flush=True)
    stages = Stages(show)
    show(f"{processor()}, {multiprocessing.cpu_count()} processors, workers: {parsed.workers}")
    show(f"{'':34s} {'seconds':>8s}   error, or what was written")
    time_imports(stages, 1 if parsed.quick else ROUNDS)
    with tempfile.TemporaryDirectory() as folder:
        options = Options(SPACE, Path(folder), parsed.quick, workers=parsed.workers)
        found = run_study(options, stages)
    for line in totals(stages):
        show(line)
    ranking, outputs = found.runs.sizes["sample"], found.indices.sizes["output"]
    show(f"{found.indices.sizes['parameter']} inputs x {outputs} outputs x {ranking:,} runs, {found.count:,} in all")
    if commands := parsed.commands if parsed.commands is not None or parsed.quick else names:
        command_speed.table(commands, parsed.against, show, parsed.quick)
    return 0


if __name__ == "__main__":
    sys.exit(run(main))
