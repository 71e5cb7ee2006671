"""Workers beyond one process, on an engine that exists: dask.distributed, which the extra ``cluster`` installs."""

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from importlib import import_module
from typing import Any

from jetsim.errors import InputError

LOCAL = "local"
_PATIENCE = 10  # seconds until a scheduler that does not answer is given up
# How often a piece may lose its worker before it is taken for the cause.
_LOSSES = 10


def engine() -> Any:
    """The module ``distributed``.

    Raises
    ------
    InputError
        It is not installed.
    """
    try:
        return import_module("distributed")
    except ImportError:
        raise InputError("--cluster: needs dask.distributed: install the extra, jetsim[cluster]") from None


@contextmanager
def cluster(place: str, workers: int) -> Iterator[Executor]:
    """An executor whose work is done by the processes of a cluster; a worker that dies is replaced.

    Parameters
    ----------
    place : str
        ``"local"`` for `workers` processes on this machine, or the address of a scheduler (``tcp://HOST:PORT``).
    workers : int
        Local processes, of one thread each.

    Raises
    ------
    InputError
        The engine is not installed, or no scheduler answers.
    """
    dask = engine()
    with dask_settings(), _client(dask, place, workers) as client:
        pool = client.get_executor(pure=False)
        try:
            yield pool
        finally:
            pool.shutdown(wait=False)


def dask_settings() -> Any:
    """Settings for the time of a study."""
    return import_module("dask").config.set({
        "distributed.scheduler.allowed-failures": _LOSSES,
        "distributed.comm.timeouts.connect": f"{_PATIENCE}s",
    })  # fmt: skip


@contextmanager
def _client(dask: Any, place: str, workers: int) -> Iterator[Any]:
    if place == LOCAL:
        processes = dask.LocalCluster(workers, threads_per_worker=1, processes=True, dashboard_address=None)
        with processes as local, dask.Client(local, set_as_default=False) as client:
            yield client
        return
    try:
        import_module("distributed.comm").get_address_host_port(place, strict=True)  # a client starts threads first
        client = dask.Client(place, timeout=_PATIENCE, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        words = " ".join(str(error).split())
        raise InputError(f"--cluster {place}: no scheduler answers there, as in tcp://HOST:8786 ({words})") from None
    with client:
        yield client
