"""Processes that work for this one, and are gone with it, however it ends."""

import multiprocessing as mp
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from typing import Any, TypeVar

from threadpoolctl import threadpool_limits

from jetsim.errors import WorkerLostError

T = TypeVar("T")

# A fork begins with all that is loaded, in a moment; elsewhere systems lack it or make it unsafe.
_START = "fork" if sys.platform == "linux" else None


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
    return ProcessPoolExecutor(workers, mp.get_context(start), initializer=_prepare)


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Hold signals back: one that comes while Python forks would be lost."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Let linear algebra take one thread: the processes share the processors, and waiting threads keep them busy."""
    with threadpool_limits(1):
        yield


def _prepare() -> None:
    threadpool_limits(1)  # where processes are not forked this is not inherited
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)  # a fork has the main process's way to end
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_SETMASK, set())
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    if (parent := mp.parent_process()) is not None:
        parent.join()
        os._exit(1)


@contextmanager
def processes(workers: int) -> Iterator[ProcessPoolExecutor]:
    """A pool of processes; on an error or Ctrl-C they are ended at once, whatever they are computing.

    Raises
    ------
    WorkerLostError
        One of them was killed.
    """
    before = set(mp.active_children())
    pool = process_pool(workers, _START)
    try:
        with _undisturbed():
            pool.submit(int)  # processes are forked now, while no other thread holds anything
        yield pool
    except BaseException as error:
        for worker in set(mp.active_children()) - before:
            worker.terminate()
        if isinstance(error, BrokenExecutor):
            words = "a worker process was killed, perhaps for want of memory: fewer --workers need less"
            raise WorkerLostError(words) from None
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


def begun(executor: Executor | None, function: Callable[..., T], *arguments: Any) -> Callable[[], T]:
    """What gives the result of a call: begun at once in a thread of its own, without an executor when it is asked for.

    The call may hand pieces of work to the executor and wait for them.
    """
    if executor is None:
        return partial(function, *arguments)
    found: Future[T] = Future()

    def call() -> None:
        try:
            found.set_result(function(*arguments))
        except BaseException as error:  # told to whoever asks for the result
            found.set_exception(error)

    # What it waits for may never come after an interrupt: nothing waits for it then.
    threading.Thread(target=call, daemon=True).start()
    return found.result
