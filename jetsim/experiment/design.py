"""Designs: which values to run, in which order, and how the results must be read back.

A Sobol' design holds several independently scrambled sequences (replicates), so that the spread between them
gives honest intervals. Each replicate draws ``base_samples`` points of a scrambled Sobol' sequence in twice as
many dimensions as there are columns (matrices A and B) and crosses them as Saltelli (2002, Computer Physics
Communications 145, 280-297) does; the order of runs within a replicate is SALib's.
"""

import json
import math
import signal
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, fields, replace
from functools import cache
from importlib import import_module
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from jetsim.errors import InputError
from jetsim.experiment.digests import fingerprint
from jetsim.experiment.distributions import EDGE
from jetsim.experiment.space import ParameterSpace, check_power, check_sizes
from jetsim.quantities import QUANTITIES, check_range, did_you_mean

Array = NDArray[np.float64]
Seed = int | np.random.SeedSequence | np.random.Generator | None
SAMPLE = "sample"
_BITS = 30
# Some 350 bytes for each run: 3 to 4 GB in all.
MOST_RUNS = 10_000_000
_KINDS = {
    "sobol": "a replicated Sobol' design",
    "morris": "a Morris design",
    "grid": "a grid",
    "plain": "a plain sample",
}


@dataclass(frozen=True)
class Layout:
    """How the runs of a design are laid out; travels with the results.

    Attributes
    ----------
    kind : str
        ``"sobol"``, ``"morris"``, ``"grid"`` or ``"plain"``.
    parameters : tuple of str
        Variables of the samples.
    columns : tuple of str
        Independent columns behind them.
    factors : mapping
        What is moved together: name to its columns. One factor for each column unless grouped.
    base_samples, replicates : int
        Sizes; trajectories count as base samples of a Morris design.
    second_order : bool
        Whether the design can give second-order indices.
    levels : int
        Grid levels of a Morris design.
    shape : mapping
        Axes of a grid and their lengths.
    fingerprint : str
        Digest of all sample values in order.
    """

    kind: str
    parameters: tuple[str, ...]
    columns: tuple[str, ...] = ()
    factors: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    base_samples: int = 0
    replicates: int = 1
    second_order: bool = False
    levels: int = 0
    shape: Mapping[str, int] = field(default_factory=dict)
    fingerprint: str = ""

    @property
    def block(self) -> int:
        """Runs for each base sample of a Sobol' design, or for each trajectory of a Morris design."""
        if self.kind == "sobol":
            return (2 if self.second_order else 1) * len(self.factors) + 2
        return len(self.factors) + 1 if self.kind == "morris" else 1

    @property
    def runs(self) -> int:
        """Number of runs."""
        if self.kind == "grid":
            return math.prod(self.shape.values())
        return self.base_samples * self.replicates * self.block

    @property
    def words(self) -> str:
        """The kind in words."""
        return _KINDS.get(self.kind, self.kind)

    def to_json(self) -> str:
        """The layout as JSON text."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> "Layout":
        """The inverse of `to_json`."""
        try:
            raw = json.loads(text)
            values = {item.name: raw[item.name] for item in fields(cls)}
        except (ValueError, KeyError, TypeError):
            raise InputError("the results' layout cannot be read: evaluate the design again") from None
        values["parameters"], values["columns"] = tuple(values["parameters"]), tuple(values["columns"])
        values["factors"] = {name: tuple(columns) for name, columns in values["factors"].items()}
        return cls(**values)


@dataclass(frozen=True, eq=False)
class Design:
    """Runs to be evaluated.

    Attributes
    ----------
    space : ParameterSpace
    samples : xarray.Dataset
        One variable for each parameter along ``sample``, SI or text; coordinate ``sample`` is the run's index.
    unit : ndarray, shape (runs, columns)
        Probabilities behind the samples; no columns for a grid.
    layout : Layout
    """

    space: ParameterSpace
    samples: xr.Dataset
    unit: Array
    layout: Layout


def sobol_design(
    space: ParameterSpace,
    base_samples: int | None = None,
    replicates: int | None = None,
    rng: Seed = None,
    second_order: bool = True,
    groups: Mapping[str, Iterable[str]] | None = None,
    closed: Mapping[str, Iterable[str]] | None = None,
    moved: Mapping[str, Iterable[str]] | None = None,
) -> Design:
    """Replicated scrambled Sobol' sequences, crossed for variance-based indices.

    The design with twice the base samples and the same `rng` contains this one: the first base samples of each
    replicate are the same points.

    Parameters
    ----------
    space : ParameterSpace
    base_samples : int, optional
        Base samples of each replicate, a power of two; the space's by default.
    replicates : int, optional
        Independent scramblings, at least 2; the space's by default.
    rng : int, SeedSequence or Generator, optional
        The space's seed by default.
    second_order : bool, optional
        Also cross for second-order indices: ``2 D + 2`` instead of ``D + 2`` runs for each base sample.
    groups : mapping, optional
        Name to columns that are moved together, such as ``space.groups`` or ``space.roles``; the remaining
        columns stay on their own.
    closed : mapping, optional
        Name to columns that are moved together in further runs, such as ``space.closed``; these sets may overlap
        each other and the factors above. Each costs as many runs as a column.
    moved : mapping, optional
        Such sets instead of all factors above, such as ``space.inputs``: nothing else is moved on its own.

    Returns
    -------
    Design
        Runs are ordered by replicate, then by base sample, then A, A with each factor from B, B with each
        factor from A (if `second_order`), B.

    Raises
    ------
    InputError
        A count is not allowed, or a group names an unknown column or one that is in another group.
    """
    layout = sobol_layout(space, base_samples, replicates, second_order, groups, closed, moved)
    seeds = spawn(_seed(space, rng), layout.replicates)
    return _crossed_design(space, layout, seeds)


def one_replicate(space: ParameterSpace, layout: Layout, rng: Seed, number: int) -> Design:
    """A replicate of what `sobol_design` gives, as a design of its own, drawn without the others.

    Parameters
    ----------
    space : ParameterSpace
    layout : Layout
        Of all replicates, from `sobol_layout`.
    rng : int or SeedSequence, optional
        As for `sobol_design`; no generator, which would move on.
    number : int
        Which replicate, from 0.
    """
    if isinstance(rng, np.random.Generator):
        raise InputError("rng: must be a whole number or a SeedSequence, for each replicate is drawn on its own")
    seed = spawn(_seed(space, rng), layout.replicates)[number]
    return _crossed_design(space, replace(layout, replicates=1), [seed])


def _crossed_design(space: ParameterSpace, layout: Layout, seeds: Iterable[np.random.Generator]) -> Design:
    """The runs of replicates, each of a scrambled sequence of its own."""
    dimension = len(space.columns)
    base = np.concatenate([sobol_points(layout.base_samples, 2 * dimension, seed) for seed in seeds])
    moved = _moved(space.columns, layout)
    unit = np.where(moved, base[:, np.newaxis, dimension:], base[:, np.newaxis, :dimension])
    columns = {name: _crossed_values(space, name, unit, moved) for name in space.names}
    return _design(space, columns, unit.reshape(-1, dimension), layout)


def _crossed_values(space: ParameterSpace, name: str, unit: Array, moved: NDArray[np.bool_]) -> NDArray[Any]:
    """Values of a parameter, run by run: worked out once for all runs of a base sample in which its columns agree.

    `unit` has shape (base samples of all replicates, block, columns), `moved` (block, columns).
    """
    own = [column in space.columns_of(name) for column in space.columns]
    _, first, which = np.unique(moved[:, own], axis=0, return_index=True, return_inverse=True)
    found = np.stack([space.values(name, unit[:, place]) for place in first], axis=1)
    return np.asarray(found[:, which.ravel()].ravel())


def sobol_layout(
    space: ParameterSpace,
    base_samples: int | None = None,
    replicates: int | None = None,
    second_order: bool = True,
    groups: Mapping[str, Iterable[str]] | None = None,
    closed: Mapping[str, Iterable[str]] | None = None,
    moved: Mapping[str, Iterable[str]] | None = None,
    whole: bool = True,
) -> Layout:
    """How `sobol_design` would lay out its runs, and how many, without drawing them.

    Parameters and errors are those of `sobol_design`; where the replicates are not drawn as a `whole` but one by one,
    the most runs allowed are those of a replicate.

    Returns
    -------
    Layout
        Without a fingerprint.
    """
    alone, sets = (factors_of(space, groups), closed) if moved is None else ({}, moved)
    layout = Layout(
        kind="sobol",
        parameters=space.names,
        columns=space.columns,
        factors=_with_closed(alone, sets, space),
        base_samples=space.base_samples if base_samples is None else base_samples,
        replicates=space.replicates if replicates is None else replicates,
        second_order=second_order,
    )
    check_sizes(layout.base_samples, layout.replicates)
    at_once = layout if whole else replace(layout, replicates=1)
    if at_once.runs > MOST_RUNS:  # it would fill the memory before its first run
        raise InputError(
            f"base_samples = {at_once.base_samples} x replicates = {at_once.replicates} x {layout.block} runs for "
            f"each: {at_once.runs:,} runs, allowed is at most {MOST_RUNS:,}"
        )
    return layout


def plain_design(space: ParameterSpace, runs: int, rng: Seed = None) -> Design:
    """A scrambled Sobol' sample of the space, for bands and distributions of the outputs.

    Parameters
    ----------
    space : ParameterSpace
    runs : int
        A power of two.
    rng : int, SeedSequence or Generator, optional
        The space's seed by default.
    """
    check_power("runs", runs)
    (seed,) = spawn(_seed(space, rng), 1)
    unit = sobol_points(runs, len(space.columns), seed)
    return design_of(space, unit, Layout("plain", space.names, space.columns, base_samples=runs))


def grid_design(space: ParameterSpace, **axes: ArrayLike) -> Design:
    """A full grid over named axes, every other parameter at its median.

    Parameters
    ----------
    space : ParameterSpace
    **axes : array_like
        SI values (or texts) of each axis: a parameter, a fixed input, or any other input. Dotted constants go
        in as ``**{"breakup_constants.scale": [...]}``.

    Returns
    -------
    Design
        The last axis varies fastest; `grid_results` gives the results their axes back.

    Raises
    ------
    InputError
        An axis is unknown, empty, not one-dimensional, or leaves the allowed range of its quantity.
    """
    if not axes:
        raise InputError("a grid needs one axis or more")
    values = {name: _axis(space, name, axis) for name, axis in axes.items()}
    mesh = np.meshgrid(*values.values(), indexing="ij")
    columns = {name: grid.ravel() for name, grid in zip(values, mesh, strict=True)}
    runs = mesh[0].size
    others = {name: np.full(runs, value) for name, value in space.medians().items() if name not in columns}
    samples = dataset_of({**others, **columns})
    names = tuple(str(name) for name in samples.data_vars)
    shape = {name: len(axis) for name, axis in values.items()}
    layout = Layout("grid", names, shape=shape, fingerprint=fingerprint(samples, names))
    return Design(space, samples, np.empty((runs, 0)), layout)


def _axis(space: ParameterSpace, name: str, axis: ArrayLike) -> NDArray[Any]:
    known = {*space.names, *space.fixed, *(n for n, q in QUANTITIES.items() if q.role != "output")}
    if name not in known:
        raise InputError(f"grid axis {name!r} is not an input{did_you_mean(name, sorted(known))}")
    array = np.atleast_1d(np.asarray(axis))
    if array.ndim != 1 or array.size == 0:
        raise InputError(f"grid axis {name} has shape {array.shape}: must be a list of one value or more")
    if array.dtype.kind not in "US":
        array = array.astype(float)
        if name in QUANTITIES:
            check_range(name, array)
    return array


# --------------------------------------------------------------------------------------------------------
# Parts that other designs share


def _seed(space: ParameterSpace, rng: Seed) -> Seed:
    return space.seed if rng is None else rng


def spawn(rng: Seed, count: int) -> list[np.random.Generator]:
    """Independent generators; the same ones for the same int or SeedSequence, however often it is used."""
    if isinstance(rng, np.random.SeedSequence):
        rng = np.random.SeedSequence(rng.entropy, spawn_key=rng.spawn_key, pool_size=rng.pool_size)
    try:
        return list(np.random.default_rng(rng).spawn(count))
    except (TypeError, ValueError):
        message = "must be a whole number from 0, a SeedSequence or a Generator"
        raise InputError(f"rng = {rng!r}: {message}") from None


def sobol_points(count: int, dimension: int, rng: np.random.Generator) -> Array:
    """Points of a scrambled Sobol' sequence, moved to the middle of the finest cell: never 0 or 1."""
    engine = _sequences().Sobol(dimension, scramble=True, bits=_BITS, rng=rng)
    return np.asarray(engine.random(count) + EDGE)


def hypercube_points(count: int, dimension: int, rng: np.random.Generator) -> Array:
    """A Latin hypercube sample, shape (count, dimension): never 0 or 1."""
    return np.stack([_stratified(count, rng) for _ in range(dimension)], axis=1)


def _stratified(count: int, rng: np.random.Generator) -> Array:
    """One number from each of so many equal parts of 0 to 1, in any order."""
    return np.clip((rng.permutation(count) + rng.random(count)) / count, EDGE, 1 - EDGE)


def named_points(count: int, names: Sequence[str], seed: int) -> Array:
    """Latin hypercube sample whose column for a name depends on the seed and that name alone, shape (count, names).

    So draws of one input stay what they are, whichever inputs are drawn beside it.
    """
    columns = [_stratified(count, np.random.default_rng([seed, *name.encode()])) for name in names]
    return np.array(columns).T


@cache
def _sequences() -> Any:
    """Scipy's sequences, whose loading takes a good part of a second, for those who draw one.

    The first Sobol' sequence reads its table in code that swallows an interrupt, and would go on with half a table.
    """
    with interrupts_held():
        sequences = import_module("scipy.stats.qmc")
        sequences.Sobol(1, scramble=False)
    return sequences


@contextmanager
def interrupts_held() -> Iterator[None]:
    """Let Ctrl-C and termination wait until the block has ended."""
    if threading.current_thread() is not threading.main_thread():
        yield  # signals reach the main thread only
        return
    caught: list[int] = []
    held = [sign for sign in (signal.SIGINT, signal.SIGTERM) if signal.getsignal(sign) is not None]
    before = {sign: signal.signal(sign, lambda number, _: caught.append(number)) for sign in held}
    try:
        yield
    finally:
        for sign, handler in before.items():
            signal.signal(sign, handler)
        for number in caught:
            signal.raise_signal(number)


def factors_of(space: ParameterSpace, groups: Mapping[str, Iterable[str]] | None) -> dict[str, tuple[str, ...]]:
    """What is moved together: the groups in their order, then the remaining columns on their own."""
    stated = {name: tuple(columns) for name, columns in (groups or {}).items()}
    owner: dict[str, str] = {}
    for name, columns in stated.items():
        if not columns:
            raise InputError(f"group {name!r} is empty")
        for column in columns:
            if column not in space.columns:
                raise InputError(f"group {name!r}: unknown column {column!r}{did_you_mean(column, space.columns)}")
            if column in owner:
                raise InputError(f"column {column!r} is named twice, in groups {owner[column]!r} and {name!r}")
            owner[column] = name
    alone = {column: (column,) for column in space.columns if column not in owner}
    for name in stated.keys() & alone.keys():
        raise InputError(f"group {name!r} has the name of a column outside it")
    return {**stated, **alone}


def _with_closed(
    factors: dict[str, tuple[str, ...]], closed: Mapping[str, Iterable[str]] | None, space: ParameterSpace
) -> dict[str, tuple[str, ...]]:
    """The factors, then sets of columns that may overlap them."""
    stated = {name: tuple(columns) for name, columns in (closed or {}).items()}
    for name, columns in stated.items():
        factors_of(space, {name: columns})  # refuses what is empty, unknown or doubled within one set
        if name in factors:
            raise InputError(f"closed set {name!r} has the name of a factor")
    return {**factors, **stated}


def _moved(columns: tuple[str, ...], layout: Layout) -> NDArray[np.bool_]:
    """Which columns each run of a base sample takes from matrix B, shape (block, columns)."""
    masks = np.array([[column in members for column in columns] for members in layout.factors.values()])
    ends = np.zeros((1, len(columns)), dtype=bool)
    return np.concatenate([ends, masks, ~masks, ~ends] if layout.second_order else [ends, masks, ~ends])


def design_of(space: ParameterSpace, unit: Array, layout: Layout) -> Design:
    """The design with the given probabilities."""
    return _design(space, space.transform(unit), unit, layout)


def _design(space: ParameterSpace, columns: Mapping[str, NDArray[Any]], unit: Array, layout: Layout) -> Design:
    samples = dataset_of(columns)
    return Design(space, samples, unit, replace(layout, fingerprint=fingerprint(samples, space.names)))


def dataset_of(columns: Mapping[str, NDArray[Any]]) -> xr.Dataset:
    """Columns as a labelled dataset along ``sample``."""
    runs = len(next(iter(columns.values())))
    data = {name: ((SAMPLE,), values, attributes_of(name)) for name, values in columns.items()}
    return xr.Dataset(data, coords={SAMPLE: np.arange(runs)})


def attributes_of(name: str) -> dict[str, str]:
    """Units and long name of a quantity of the table; empty for others."""
    if name not in QUANTITIES:
        return {}
    q = QUANTITIES[name]
    words = {"long_name": q.long_name}
    return words if q.dimension == "name" else {**words, "units": q.udunits}
