"""Processes that work for a study: they compute its pieces and draw its figures, and are gone when it is."""

import multiprocessing
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from jetsim import kept, workers
from jetsim.errors import WorkerLostError
from jetsim.options import Options
from jetsim.report import style
from tests import samples

ROOT = Path(__file__).resolve().parents[1]
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="there such signals cannot be sent")


def who(_item):
    """Which process computes a piece."""
    return np.array(os.getpid())


def deadly(_item):
    os.kill(os.getpid(), signal.SIGKILL)


def algebra(_item):
    """How many threads linear algebra takes."""
    return np.array(max(library["num_threads"] for library in threadpool_info()))


def asked(count):
    return Options(Path("x"), Path("y"), workers=count)


def computed_by(options, function=who):
    with options.hands(), options.executor() as executor:
        return {int(found) for found in kept.kept_map(function, range(8), executor)}


def test_pieces_are_computed_by_other_processes_and_by_this_one_where_it_is_alone():
    assert computed_by(asked(1)) == {os.getpid()}
    assert os.getpid() not in computed_by(asked(2))
    assert kept.whole(who, 0) == os.getpid()  # afterwards all is as it was


@pytest.mark.skipif(not threadpool_info(), reason="a library of linear algebra whose threads cannot be counted")
@pytest.mark.parametrize("start", ["fork", pytest.param("spawn", marks=pytest.mark.slow)])
@pytest.mark.parametrize("count", [1, 2])
def test_linear_algebra_takes_one_thread_in_each_process_of_a_study(count, start, monkeypatch):
    if start == "fork" and sys.platform != "linux":
        pytest.skip("only there processes are forked")
    monkeypatch.setattr(workers, "_START", start)
    with threadpool_limits(2):
        assert computed_by(asked(count), algebra) == {1}
        assert algebra(0) == 2  # afterwards all is as it was


@pytest.mark.skipif(sys.platform != "linux", reason="only there processes are forked")
def test_an_interrupt_while_processes_are_forked_is_not_lost():
    """Python drops what is raised by a function that it calls after a fork."""
    armed = [True]
    os.register_at_fork(after_in_parent=lambda: armed and armed.pop() and signal.raise_signal(signal.SIGINT))
    with pytest.raises(KeyboardInterrupt), workers.processes(2):
        pass


@POSIX
@pytest.mark.slow
def test_a_worker_that_is_killed_is_one_line():
    with pytest.raises(WorkerLostError, match="a worker process was killed"):
        computed_by(asked(2), deadly)


@POSIX
def test_a_worker_that_is_killed_while_figures_are_drawn_is_one_line_too(tmp_path):
    def drawn_by_the_dead():
        for worker in multiprocessing.active_children():
            worker.kill()
        next(iter(samples.DRAWINGS.values()))("us").save(tmp_path)

    with pytest.raises(WorkerLostError, match="a worker process was killed"), asked(2).hands():
        drawn_by_the_dead()


@pytest.mark.slow
def test_where_processes_are_not_forked_each_loads_the_package_itself(monkeypatch):
    monkeypatch.setattr(workers, "_START", "spawn")
    assert os.getpid() not in computed_by(asked(2))


@pytest.mark.parametrize("name", samples.DRAWINGS)
def test_every_kind_of_figure_goes_to_a_process_and_comes_back_as_the_same_picture(name, monkeypatch):
    monkeypatch.setattr(style, "work_out_layout", lambda figure: None)  # the same picture wherever its parts stand

    class Sent(list):
        def submit(self, function, *arguments):
            self.append(partial(function, *arguments))

    sent = Sent()
    with style.drawn_by(sent, quick=True):
        plot = samples.DRAWINGS[name]("us")
    assert sent[0]() == style.drawing(plot.figure, "png", plot.dots[True])


LONG = """
    import sys, time
    from pathlib import Path
    from jetsim.kept import kept_map
    from jetsim.study import Study, run

    def compute(loaded, options):
        with options.executor() as executor:
            print("computing", file=sys.stderr, flush=True)
            kept_map(time.sleep, [60, 60], executor)

    STUDY = Study("long", "Long.", Path(__file__), lambda o: o.inputs.read_text(), lambda l, o: "Runs: 2", compute)
    if __name__ == "__main__":
        sys.exit(run(STUDY))
"""


@POSIX
@pytest.mark.slow
@pytest.mark.parametrize("sign", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
def test_workers_end_at_once_with_the_study_however_that_ends(tmp_path, sign):
    (tmp_path / "inputs").mkdir()
    (tmp_path / "inputs" / "long.toml").write_text("title = 'long'")
    script = tmp_path / "long.py"
    script.write_text(textwrap.dedent(LONG))
    command = [sys.executable, str(script), "--workers", "2"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    reader, writer = os.pipe()  # held open by every process that the study starts
    with subprocess.Popen(
        command, cwd=tmp_path, env=environment, stderr=subprocess.PIPE, text=True, pass_fds=[writer],
        stdout=writer,
    ) as process:  # fmt: skip
        os.close(writer)
        lines = [process.stderr.readline() for _ in range(3)]
        assert lines[-1] == "computing\n", lines
        time.sleep(2)  # until both are at work
        process.send_signal(sign)
        started = time.monotonic()
        with os.fdopen(reader) as held:
            held.read()  # ends when the last one has gone
        assert process.wait(timeout=10) == {signal.SIGKILL: -9, signal.SIGINT: 130, signal.SIGTERM: 143}[sign]
    assert time.monotonic() - started < 30


def test_a_call_begins_at_once_in_a_thread_and_without_one_when_its_result_is_asked_for():
    met = threading.Barrier(2, timeout=10)
    with workers.threads(2) as pool:
        first, second = (workers.begun(pool, met.wait) for _ in range(2))  # neither would end alone
        assert sorted((first(), second())) == [0, 1]
        wrong = workers.begun(pool, int, "no number")
        with pytest.raises(ValueError, match="no number"):
            wrong()
    called = []
    late = workers.begun(None, called.append, "asked")
    assert called == []
    late()
    assert called == ["asked"]
