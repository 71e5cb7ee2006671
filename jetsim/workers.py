"""Processes that work for this one: started while a study is still read, and gone with it, however it ends."""

import multiprocessing as mp
import os
import signal
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from multiprocessing import forkserver

# A server that has loaded the package forks each process in a moment; where there is none, each loads it for itself.
_SERVED = "forkserver" in mp.get_all_start_methods()


def process_pool(workers: int, start: str | None = None) -> ProcessPoolExecutor:
    """Processes that leave an interrupt (Ctrl-C) to the main one, and end when that is killed.

    An interrupt reaches every process of a terminal; one that hits a worker while it waits for its next chunk can
    leave the pool locked for good.

    Parameters
    ----------
    workers : int
    start : {"fork", "forkserver", "spawn"}, optional
        How they are started; by default as this version of Python does.
    """
    return ProcessPoolExecutor(workers, mp.get_context(start), initializer=_prepare, initargs=(__file__,))


def warm_up() -> None:
    """Let the server of processes load, beside this process, what this one has loaded of the package."""
    if _SERVED:
        mp.set_forkserver_preload(sorted(name for name in sys.modules if name.split(".")[0] == "jetsim"))
        with _same_places():
            forkserver.ensure_running()


@contextmanager
def _same_places() -> Iterator[None]:
    """Let a new process look for packages where this one does: the server is not told so before Python 3.13."""
    wanted = {"PYTHONPATH": os.pathsep.join(place or os.getcwd() for place in sys.path), "PYTHONSAFEPATH": "1"}
    before = {name: os.environ.get(name) for name in wanted}
    os.environ.update(wanted)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _prepare(here: str) -> None:
    if here != __file__:
        raise RuntimeError(f"a worker process loaded {__file__}, but this study runs {here}")
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    if (parent := mp.parent_process()) is not None:
        parent.join()
        os._exit(1)


@contextmanager
def processes(workers: int) -> Iterator[ProcessPoolExecutor]:
    """A pool of processes; on an error or Ctrl-C they are ended at once, whatever they are computing."""
    before = set(mp.active_children())
    warm_up()
    pool = process_pool(workers, "forkserver" if _SERVED else "spawn")
    try:
        yield pool
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)  # from now on no thread starts another one
        for worker in set(mp.active_children()) - before:
            worker.terminate()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def threads(workers: int) -> Iterator[ThreadPoolExecutor]:
    """A pool of threads; on an error or Ctrl-C what waits is dropped, and what runs is left to end by itself."""
    pool = ThreadPoolExecutor(workers)
    try:
        yield pool
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    pool.shutdown()
