"""Finished pieces of a study, kept beside its results until those are whole: a run that is killed loses one piece.

A piece is one call of a function that gives arrays: a chunk of runs, say. It is known by a digest of the function and
of all its arguments, so neither the order of pieces nor the number of workers matters, and what is taken up again is
the same to the last bit. Pieces lie in one SQLite file, which a kill leaves whole and which keeps other runs away.
"""

import errno
import functools
import hashlib
import io
import json
import sqlite3
import threading
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from concurrent.futures import Executor, as_completed
from contextlib import contextmanager, suppress
from dataclasses import fields, is_dataclass
from enum import Enum
from pathlib import Path, PurePath
from types import ModuleType
from typing import Any, TypeVar

import numpy as np
import xarray as xr

from jetsim.errors import InputError

Pieces = xr.Dataset | np.ndarray
R = TypeVar("R", xr.Dataset, np.ndarray)
T = TypeVar("T")
_FORMAT = "jetsim pieces 1"


# --------------------------------------------------------------------------------------------------------
# Names of pieces


class _NamelessError(TypeError):
    """Something that has no name which another process would give it too."""


def name_of(*values: Any) -> str | None:
    """Digest of values of any kind; None where one of them cannot be named, such as a lambda or a random generator.

    Examples
    --------
    >>> name_of(max, {"a": 1.0, "b": 2}) == name_of(max, {"b": 2, "a": 1.0}) != name_of(max, {"a": 1.0, "b": 3})
    True
    >>> name_of(lambda: 0) is None
    True
    """
    try:
        return _digest(values)
    except _NamelessError:
        return None


def _digest(value: Any) -> str:
    found = hashlib.sha256()
    for part in _parts(value):
        found.update(part)
        found.update(b";")
    return found.hexdigest()[:32]


def _parts(value: Any) -> Iterator[Any]:
    """What tells a value from others, as bytes."""
    yield type(value).__qualname__.encode()
    if value is None or isinstance(value, bool | int | float | complex | str | bytes | np.generic | PurePath):
        yield repr(value).encode("utf-8", "surrogatepass")
    elif isinstance(value, np.ndarray):
        yield from _array_parts(value)
    elif isinstance(value, Enum):
        yield value.name.encode()
    else:
        for member in _members(value):
            yield _digest(member).encode()


def _array_parts(value: np.ndarray) -> Iterator[Any]:
    if value.dtype.hasobject:
        raise _NamelessError
    yield f"{value.dtype.str}{value.shape}".encode()
    yield np.ascontiguousarray(value).view(np.uint8).data if value.size else b""


def _members(value: Any) -> Iterator[Any]:
    """The parts of something composed; parts of what has no order come in the order of their digests."""
    if isinstance(value, tuple | list):
        yield from value
    elif isinstance(value, xr.Dataset):
        yield from sorted(_digest((str(n), v.dims, v.values)) for n, v in value.variables.items())
    elif isinstance(value, Mapping):
        yield from sorted(_digest(pair) for pair in value.items())
    elif isinstance(value, Set):
        yield from sorted(_digest(member) for member in value)
    elif isinstance(value, xr.DataArray):
        yield value.to_dataset(name="value")
    elif isinstance(value, functools.partial):
        yield from (value.func, value.args, value.keywords)
    elif hasattr(value, "__qualname__"):
        if "<" in value.__qualname__:
            raise _NamelessError
        owner = getattr(value, "__self__", None)  # of a method; of a built-in function its module
        yield f"{value.__module__}.{value.__qualname__}"
        yield None if isinstance(owner, ModuleType) else owner
    else:
        yield from sorted(_digest(pair) for pair in _state(value).items())


def _state(value: Any) -> dict[str, Any]:
    """Members of an instance, without what it has worked out for itself."""
    kind = type(value)
    if is_dataclass(value):
        return {item.name: getattr(value, item.name) for item in fields(value)}
    if hasattr(kind, "model_fields"):
        return {name: getattr(value, name) for name in kind.model_fields}
    if not hasattr(value, "__dict__"):
        raise _NamelessError
    return dict(vars(value))


# --------------------------------------------------------------------------------------------------------
# Pieces as bytes


def packed(piece: Pieces) -> bytes:
    """A piece as bytes; nothing in them is ever executed.

    Raises
    ------
    ValueError
        It holds objects.
    """
    variables = piece.variables if isinstance(piece, xr.Dataset) else {"": xr.Variable(range(piece.ndim), piece)}
    header = {
        "dataset": isinstance(piece, xr.Dataset),
        "attributes": piece.attrs if isinstance(piece, xr.Dataset) else {},
        "coordinates": [str(name) for name in piece.coords] if isinstance(piece, xr.Dataset) else [],
        "variables": [(str(name), list(v.dims), v.attrs) for name, v in variables.items()],
    }
    arrays = {f"v{number}": v.values for number, v in enumerate(variables.values())}
    if any(array.dtype.hasobject for array in arrays.values()):
        raise ValueError("objects cannot be kept")
    target = io.BytesIO()
    written = np.frombuffer(json.dumps(header, default=_plain).encode(), np.uint8)
    np.savez(target, header=written, **arrays)  # type: ignore[arg-type] # no array is called allow_pickle
    return target.getvalue()


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray | np.generic):
        return {"dtype": value.dtype.str, "values": value.tolist()}
    raise ValueError(f"{type(value).__name__} cannot be kept")


def _typed(value: dict[str, Any]) -> Any:
    return np.array(value["values"], value["dtype"])[()] if value.keys() == {"dtype", "values"} else value


def unpacked(content: bytes) -> Pieces:
    """The inverse of `packed`."""
    with np.load(io.BytesIO(content), allow_pickle=False) as arrays:
        header = json.loads(arrays["header"].tobytes(), object_hook=_typed)
        values = [arrays[f"v{number}"] for number in range(len(header["variables"]))]
    if not header["dataset"]:
        return np.asarray(values[0])
    named = {name: (dims, v, attrs) for (name, dims, attrs), v in zip(header["variables"], values, strict=True)}
    return xr.Dataset(named, attrs=header["attributes"]).set_coords(header["coordinates"])


# --------------------------------------------------------------------------------------------------------
# The file


class Stopped(Exception):  # noqa: N818 - no error: the run was ended on purpose
    """The run has ended; a thread that goes on has nobody to work for."""


class Ledger:
    """The file of finished pieces of one run.

    Parameters
    ----------
    path : Path
        The file; its folder is made.
    identity : mapping of str to str
        What must be the same for pieces to be taken up: words to digests.
    resume : bool
        Take up what is there; else it is dropped.

    Raises
    ------
    InputError
        Another run holds the file, or what is there cannot be taken up.
    OSError
        The file cannot be written.
    """

    def __init__(self, path: Path, identity: Mapping[str, str], resume: bool) -> None:
        self.path, self._lock, self.stopped = path, threading.Lock(), False
        self._made = [folder for folder in path.parents if not folder.exists()]
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            self._connection = self._opened(identity, resume)
        except BaseException:
            self._sweep()
            raise
        (self.taken,) = self._asked("SELECT count(*) FROM pieces")[0]
        self.count = self.taken

    def _opened(self, identity: Mapping[str, str], resume: bool) -> sqlite3.Connection:
        connection = self._locked(resume)
        try:
            before = dict(connection.execute("SELECT name, value FROM identity"))
        except sqlite3.DatabaseError:
            before = {}
        wanted = {"format": _FORMAT, **identity}
        if resume and before and before != wanted:
            connection.close()
            changed = next(name for name in {**wanted, **before} if wanted.get(name) != before.get(name))
            raise InputError(
                f"--resume: {self.path} holds pieces of a run with another {changed}; leave out --resume to start "
                "afresh"
            )
        if not resume or not before:
            self._emptied(connection, wanted)
        return connection

    def _locked(self, resume: bool) -> sqlite3.Connection:
        connection = sqlite3.connect(self.path, timeout=0, isolation_level=None, check_same_thread=False)
        try:
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            connection.execute("PRAGMA synchronous = OFF")  # the system keeps what a killed process has written
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute("COMMIT")
        except sqlite3.Error as error:
            connection.close()
            if error.sqlite_errorcode == sqlite3.SQLITE_BUSY:
                raise InputError(f"--output: another run is writing there (it holds {self.path}): wait for it, or give "
                                 "another folder") from None  # fmt: skip
            if error.sqlite_errorcode != sqlite3.SQLITE_NOTADB:
                raise self._problem(error) from None
            if resume:
                raise InputError(f"--resume: {self.path} cannot be read; leave out --resume to start afresh") from None
            self.path.unlink()
            return self._locked(resume)
        return connection

    @staticmethod
    def _emptied(connection: sqlite3.Connection, identity: Mapping[str, str]) -> None:
        connection.executescript(
            "BEGIN; DROP TABLE IF EXISTS pieces; DROP TABLE IF EXISTS identity;"
            "CREATE TABLE pieces (name TEXT PRIMARY KEY, content BLOB) WITHOUT ROWID;"
            "CREATE TABLE identity (name TEXT PRIMARY KEY, value TEXT); COMMIT"
        )
        connection.executemany("INSERT INTO identity VALUES (?, ?)", identity.items())

    def _asked(self, command: str, *values: Any) -> list[Any]:
        with self._lock:
            if self.stopped:
                raise Stopped
            try:
                return self._connection.execute(command, values).fetchall()
            except sqlite3.Error as error:
                raise self._problem(error) from None

    def _problem(self, error: sqlite3.Error) -> OSError:
        full = getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_FULL
        return OSError(errno.ENOSPC if full else errno.EIO, "No space left on device" if full else str(error),
                       str(self.path))  # fmt: skip

    def holds(self, name: str) -> bool:
        """Whether a piece is there."""
        return bool(self._asked("SELECT 1 FROM pieces WHERE name = ?", name))

    def find(self, name: str) -> Pieces | None:
        """A piece; None where it is not there or damaged."""
        for (content,) in self._asked("SELECT content FROM pieces WHERE name = ?", name):
            with suppress(ValueError, KeyError, OSError, zipfile.BadZipFile):
                return unpacked(content)
        return None

    def keep(self, name: str, piece: Pieces) -> None:
        """Write a piece; what cannot be written as arrays is left out."""
        with suppress(ValueError, TypeError):
            self._asked("INSERT OR REPLACE INTO pieces VALUES (?, ?)", name, packed(piece))
            self.count += 1

    def close(self, remove: bool) -> None:
        """Let go of the file, and remove it if it is needed no more or empty."""
        if remove or not self.count:
            with suppress(OSError):  # where an open file cannot be removed
                self._remove()
        self._connection.close()
        if remove or not self.count:
            self._remove()
            self._sweep()

    def _remove(self) -> None:
        for ending in ("", "-journal"):
            self.path.with_name(f"{self.path.name}{ending}").unlink(missing_ok=True)

    def _sweep(self) -> None:
        for folder in self._made:
            with suppress(OSError):
                folder.rmdir()


# --------------------------------------------------------------------------------------------------------
# The ledger in use

_CURRENT: list[Ledger] = []
_WITHIN = threading.local()


@contextmanager
def keeping(ledger: Ledger) -> Iterator[None]:
    """Keep pieces in a ledger, and take from it those that it holds."""
    _CURRENT.append(ledger)
    try:
        yield
    finally:
        _CURRENT.remove(ledger)


def current() -> Ledger | None:
    """The ledger in use; none inside a piece, which is kept as a whole."""
    return _CURRENT[-1] if _CURRENT and not getattr(_WITHIN, "piece", False) else None


def stop() -> None:
    """End what other threads still compute at their next piece."""
    for ledger in _CURRENT:
        ledger.stopped = True


_SENT_TO: list[Executor] = []


@contextmanager
def sent_to(executor: Executor) -> Iterator[None]:
    """Let an executor in other processes compute all pieces; threads of this one wait for them."""
    _SENT_TO.append(executor)
    try:
        yield
    finally:
        _SENT_TO.remove(executor)


def whole(function: Callable[..., T], *arguments: Any) -> T:
    """Call a function as one piece, in another process where there is one for it."""
    if not _SENT_TO or getattr(_WITHIN, "piece", False):
        return _alone(function, *arguments)
    return _SENT_TO[-1].submit(_alone, function, *arguments).result()


def _alone(function: Callable[..., T], *arguments: Any) -> T:
    """What a function calls is not kept besides."""
    before = getattr(_WITHIN, "piece", False)
    _WITHIN.piece = True
    try:
        return function(*arguments)
    finally:
        _WITHIN.piece = before


def kept(function: Callable[..., R], *arguments: Any) -> R:
    """The result of a function: from the ledger in use if it is there, else computed and kept.

    Parameters
    ----------
    function : callable
        Gives a dataset or an array, by its arguments alone.
    *arguments
        Numbers, texts, arrays, datasets, dataclasses, and collections of those.
    """
    return kept_as(None if current() is None else name_of(function, arguments), function, *arguments)


def kept_as(name: str | None, function: Callable[..., R], *arguments: Any) -> R:
    """As `kept`, under a name that tells all that the result depends on; without one it is not kept."""
    ledger = current()
    if ledger is None or name is None:
        return function(*arguments)
    found = ledger.find(name)
    if found is None:
        found = whole(function, *arguments)
        ledger.keep(name, found)
    return found  # type: ignore[return-value] # what the same function gave before


def kept_map(
    function: Callable[[Any], R],
    items: Iterable[Any],
    executor: Executor | None = None,
    names: Sequence[str | None] | None = None,
) -> list[R]:
    """A function of each item, in order: each call is a piece, taken from the ledger in use or computed and kept.

    Parameters
    ----------
    function : callable
        As for `kept`; where the executor needs that, one that can be pickled.
    items : iterable
    executor : concurrent.futures.Executor, optional
        In this thread by default.
    names : sequence of str or None, optional
        Of the pieces: each tells all that its result depends on. By default made of the function and the item.
    """
    items, ledger = list(items), current()
    names = names or [None if ledger is None else name_of(function, (item,)) for item in items]
    if executor is None:
        return [kept_as(name, function, item) for name, item in zip(names, items, strict=True)]
    done = [ledger.find(name) if ledger is not None and name is not None else None for name in names]
    futures = {executor.submit(whole, function, items[n]): n for n, found in enumerate(done) if found is None}
    try:
        for future in as_completed(futures):
            number = futures[future]
            name, result = names[number], future.result()
            done[number] = result
            if ledger is not None and name is not None:
                ledger.keep(name, result)
    finally:
        for future in futures:
            future.cancel()
    return done  # type: ignore[return-value] # every place was filled above


def kept_together(function: Callable[[Sequence[Any]], list[R]], items: Sequence[Any]) -> list[R]:
    """What a function gives for several items, in order: each is kept, and those that are missing are computed at once.

    Parameters
    ----------
    function : callable
        From some of the items to one result for each, which depends on its own item alone; one that can be pickled.
    items : sequence
    """
    ledger = current()
    names = [None if ledger is None else name_of(function, item) for item in items]
    done = [ledger.find(name) if ledger is not None and name is not None else None for name in names]
    missing = [number for number, found in enumerate(done) if found is None]
    results = whole(function, [items[number] for number in missing]) if missing else []
    for number, result in zip(missing, results, strict=True):
        done[number], name = result, names[number]
        if ledger is not None and name is not None:
            ledger.keep(name, result)
    return done  # type: ignore[return-value] # every place was filled above
