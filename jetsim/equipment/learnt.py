"""What a calibration learnt, as other studies use it: joint draws that belong to one department."""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.special import ndtri

from jetsim.equipment.beliefs import LATENTS
from jetsim.equipment.department import Department
from jetsim.errors import InputError
from jetsim.experiment.distributions import Draws, ranks
from jetsim.experiment.parameters import Latent, Parameter
from jetsim.quantities import QUANTITIES, check_range

Array = NDArray[np.float64]

DRAW = "draw"
MEASURED, HALF, BELIEVED = "measured", "half learnt", "not learnt"
STANDINGS = (MEASURED, HALF, BELIEVED)
LEAST_DRAWS = 100
# Normal scores that correlate less than this are taken as independent: a share of 1 % of each other's variance.
TIED = 0.1


@dataclass(frozen=True, eq=False)
class Learnt:
    """Joint draws of what a field test learnt.

    Attributes
    ----------
    draws : mapping of str to ndarray, shape (n,)
        Unknown (with its owner, as ``"valve_turbulence_factor[full_ball]"``) to draws, SI.
    standing : mapping of str to str
        ``"measured"``, ``"half learnt"`` or ``"not learnt"``.
    source : str
        What the draws rest on, in words.
    """

    draws: Mapping[str, Array]
    standing: Mapping[str, str]
    source: str

    def applied(
        self, parameters: Sequence[Parameter], latents: Sequence[Latent], key: Callable[[str], str]
    ) -> tuple[tuple[Parameter, ...], tuple[Latent, ...]]:
        """Parameters with what was learnt in the place of what was believed; correlated draws stay correlated.

        The correlation of the draws' normal scores is kept through shared causes, one for each input of a set that is
        correlated: the symmetric root of the correlation, whose k-th cause lies nearest to the k-th input.
        """
        known = [p for p in parameters if key(p.name) in self.draws]
        found = {p.name: self._learnt(p, key(p.name)) for p in known}
        causes: list[Latent] = []
        for number, names in enumerate(self._sets([key(p.name) for p in known], [p.name for p in known])):
            scores = _scores([self.draws[key(name)] for name in names])
            root = np.real(import_module("scipy.linalg").sqrtm(np.corrcoef(scores)))
            root /= np.linalg.norm(root, axis=1, keepdims=True)
            group = f"learnt {number + 1}"
            for name in names:
                words = f"{QUANTITIES[name].long_name} (as learnt, with its ties)"
                causes.append(Latent(f"learnt_{name}", found[name].role, found[name].basis, self.source, group, words))
            for row, name in zip(root, names, strict=True):
                loadings = {f"learnt_{other}": float(w) for other, w in zip(names, row, strict=True) if abs(w) > 1e-9}
                found[name] = replace(found[name], loadings=loadings, group=group)
        left = [found.get(p.name, p) for p in parameters]
        return _without_single_ties(left, [*latents, *causes])

    def _learnt(self, parameter: Parameter, key: str) -> Parameter:
        standing = self.standing[key]
        basis = "measured" if standing == MEASURED else parameter.basis
        source = self.source if standing == MEASURED else f"{standing} from {self.source}; before: {parameter.source}"
        values = Draws.of(self.draws[key])
        return replace(parameter, distribution=values, basis=basis, source=source, loadings={}, group=None)

    def _sets(self, keys: Sequence[str], names: Sequence[str]) -> list[list[str]]:
        """Sets of inputs whose draws are correlated, two or more in each."""
        if len(keys) < 2:
            return []
        tied = np.abs(np.corrcoef(_scores([self.draws[key] for key in keys]))) > TIED
        count, which = import_module("scipy.sparse.csgraph").connected_components(tied, directed=False)
        sets = [[name for name, own in zip(names, which, strict=True) if own == number] for number in range(count)]
        return [names for names in sets if len(names) > 1]

    def drawn(self, count: int, seed: int, keys: Sequence[str]) -> dict[str, Array]:
        """Rows of the joint draws, for those of `keys` that were learnt; shape (count,)."""
        size = len(next(iter(self.draws.values())))
        rows = np.random.default_rng([seed, size]).choice(size, count, replace=count > size)
        return {key: self.draws[key][rows] for key in keys if key in self.draws}


def _scores(columns: Sequence[Array]) -> Array:
    """Normal scores of draws, shape (columns, draws)."""
    return np.array([ndtri((ranks(column) - 0.5) / len(column)) for column in columns])


def _without_single_ties(
    parameters: Sequence[Parameter], latents: Sequence[Latent]
) -> tuple[tuple[Parameter, ...], tuple[Latent, ...]]:
    """Drop believed causes that tie a single input, now that its partner was learnt."""
    loaded = [name for p in parameters for name in p.loadings]
    gone = {name for name in LATENTS if loaded.count(name) < 2}
    kept = tuple(replace(p, loadings={n: w for n, w in p.loadings.items() if n not in gone}) for p in parameters)
    return kept, tuple(latent for latent in latents if latent.name not in gone)


# --------------------------------------------------------------------------------------------------------
# Files


def digest_of(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def read_learnt(department: Department) -> Learnt | None:
    """What the department's file says was learnt; None where it says nothing.

    Raises
    ------
    InputError
        The draws are missing or damaged, belong to another department, or hold values that cannot be.
    """
    entry = department.file.learnt
    if entry is None:
        return None
    folder = department.path.parent if department.path is not None else Path()
    path = folder / entry.posterior
    place = f"learnt.posterior = {entry.posterior!r}"
    if not path.is_file():
        raise InputError(f"{department.path}: {place}: there is no such file beside the department's")
    if digest_of(path) != entry.hash:
        raise InputError(f"{department.path}: {place}: is not the file that was written with this department (hash)")
    return read_draws(path, department.digest)


def read_draws(path: Path, digest: str) -> Learnt:
    """Read a file of joint draws that must belong to the department of the given digest.

    Raises
    ------
    InputError
        One line: the file and what is wrong with it.
    """
    try:
        with xr.open_dataset(path, engine="h5netcdf") as opened:
            data = opened.load()
    except (OSError, ValueError, KeyError, RuntimeError, AttributeError, TypeError) as error:
        raise InputError(f"{path}: cannot be read as NetCDF ({' '.join(str(error).split())[:80]})") from None
    if data.attrs.get("department") != digest:
        raise InputError(f"{path}: was learnt for another department, or before this one's file was changed; calibrate "
                         "again")  # fmt: skip
    draws = {str(name): np.asarray(data[name].values, dtype=float) for name in data.data_vars}
    for name, values in draws.items():
        _check_draws(path, name, values)
    standing = {name: str(data[name].attrs.get("standing", "")) for name in draws}
    for name, word in standing.items():
        if word not in STANDINGS:
            raise InputError(f"{path}: {name}: standing = {word!r}: must be one of {', '.join(STANDINGS)}")
    return Learnt(draws, standing, str(data.attrs.get("source", "a field test of this department")))


def _check_draws(path: Path, name: str, values: Array) -> None:
    if values.ndim != 1 or len(values) < LEAST_DRAWS:
        raise InputError(f"{path}: {name}: holds {values.size} draws, at least {LEAST_DRAWS} are needed")
    plain = name.partition("[")[0]
    if plain not in QUANTITIES:
        raise InputError(f"{path}: {name}: is no quantity")
    try:
        check_range(plain, values)
    except InputError as error:
        raise InputError(f"{path}: {name}: {error}") from None


def write_draws(
    path: Path, draws: Mapping[str, Array], standing: Mapping[str, str], department: Department, source: str
) -> str:
    """Write joint draws that belong to a department; gives the file's hash."""
    data = xr.Dataset({name: (DRAW, values, {"standing": standing[name]}) for name, values in draws.items()})
    data.attrs |= {"department": department.digest, "source": source}
    data.to_netcdf(path, engine="h5netcdf")
    return digest_of(path)
