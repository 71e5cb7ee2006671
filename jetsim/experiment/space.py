"""The space of uncertain inputs: what varies, how, on what evidence, and what the inputs share.

Inputs that have a cause in common are tied by a Gaussian copula through latents: the normal score of an input
is ``z = sum_k loading_k z_k + sqrt(1 - sum_k loading_k^2) z_own`` and its value is the inverse distribution
function at ``Phi(z)``, so every marginal stays as stated. The latents and the own parts are independent, so
variance shares are well defined for them; a closed group (latents together with the own parts of all inputs
that they drive) carries everything that its inputs do.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from jetsim.errors import InputError
from jetsim.experiment.distributions import Distribution, inside
from jetsim.experiment.parameters import BASES, ROLES, Column, Latent, Parameter, column_of
from jetsim.experiment.studyfile import Named, read_fixed, read_latents, read_outputs, read_parameters
from jetsim.experiment.tables import Table
from jetsim.quantities import UnitSystem, did_you_mean
from jetsim.toml import load_toml

__all__ = ["BASES", "ROLES", "UNDEFINED", "Column", "Distribution", "Latent", "Parameter", "ParameterSpace"]

UNDEFINED = ("refuse", "rank reaching", "probability of reaching")
# Behind the names of what moves several columns of a design together.
WHOLE, GROUP = " (whole)", " (group)"
SMALLEST_SAMPLES, LARGEST_SAMPLES = 4, 2**20
_KEYS = ("title", "units", "seed", "base_samples", "replicates", "outputs", "undefined")
_TABLES = ("fixed", "parameters", "latents")
QUICK_SAMPLES, QUICK_REPLICATES = 32, 8  # at most, of a quick look


@dataclass(frozen=True)
class ParameterSpace:
    """All uncertain inputs of a study, and how it is to be run.

    Attributes
    ----------
    parameters : tuple of Parameter
    latents : tuple of Latent
    outputs : tuple of str
        Results to be ranked.
    title : str
    units : str
        ``"us"`` or ``"si"``: how results are shown.
    seed : int
    base_samples : int
        Base samples of each replicate, a power of two.
    replicates : int
        Independent scramblings of the sequence, at least 2.
    fixed : mapping
        Inputs that do not vary, SI or text.
    undefined : str
        What to do where an output is undefined because the stream never reaches the target: ``"refuse"``,
        ``"rank reaching"`` (rank among the runs that reach) or ``"probability of reaching"``.
    extra : mapping
        Further tables of the study file, as they are.

    Raises
    ------
    InputError
        Names are doubled or unknown, a group is not closed, a count is not allowed.
    """

    parameters: tuple[Parameter, ...]
    latents: tuple[Latent, ...] = ()
    outputs: tuple[str, ...] = ()
    title: str = ""
    units: UnitSystem = "us"
    seed: int = 0
    base_samples: int = 512
    replicates: int = 16
    fixed: Mapping[str, float | str] = field(default_factory=dict)
    undefined: str = "refuse"
    extra: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.parameters:
            raise InputError("parameters is empty: nothing varies")
        if self.undefined not in UNDEFINED:
            raise InputError(f"undefined = {self.undefined!r}: must be one of {', '.join(UNDEFINED)}")
        check_sizes(self.base_samples, self.replicates)
        self._check_names()
        self._check_loadings()

    def _check_names(self) -> None:
        names = [latent.name for latent in self.latents] + list(self.names)
        for name in names:
            if names.count(name) > 1:
                raise InputError(f"{name!r} is named twice among the parameters and latents")
        for parameter in self.parameters:
            if parameter.name in self.fixed:
                raise InputError(f"parameters.{parameter.name}: {parameter.name} is in [fixed] as well")

    def _check_loadings(self) -> None:
        latents = {latent.name: latent for latent in self.latents}
        for parameter in self.parameters:
            for name in parameter.loadings:
                place = f"parameters.{parameter.name}.loadings.{name}"
                if name not in latents:
                    raise InputError(f"{place}: there is no such latent{_known(name, latents)}")
                if latents[name].group != parameter.group:
                    groups = f"{latents[name].group or 'no group'} and {parameter.group or 'no group'}"
                    raise InputError(f"{place}: the group is not closed ({groups}): state one group for both")
        used = {name for parameter in self.parameters for name in parameter.loadings}
        for name in latents:
            if name not in used:
                raise InputError(f"latents.{name}: no parameter loads on it")

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters."""
        return tuple(parameter.name for parameter in self.parameters)

    @property
    def column_details(self) -> tuple[Column, ...]:
        """The independent columns of a design, in order: latents, then the parameters' own parts."""
        own = [column_of(parameter) for parameter in self.parameters if parameter.has_own_part]
        return (*(column_of(latent) for latent in self.latents), *own)

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the independent columns of a design."""
        return tuple(column.name for column in self.column_details)

    @property
    def groups(self) -> dict[str, tuple[str, ...]]:
        """The closed groups that the study states, each with its columns."""
        return self._partition("group")

    @property
    def roles(self) -> dict[str, tuple[str, ...]]:
        """The columns of each role that occurs."""
        return self._partition("role")

    @property
    def wholes(self) -> dict[str, tuple[str, ...]]:
        """Each tied parameter as a whole: its latents and its own part, under its name with `WHOLE` behind it."""
        return {f"{p.name}{WHOLE}": self.columns_of(p.name) for p in self.parameters if p.loadings}

    @property
    def inputs(self) -> dict[str, tuple[str, ...]]:
        """What moves each parameter as a whole: its set of `wholes` if it is tied, else its column."""
        return {f"{p.name}{WHOLE}" if p.loadings else p.name: self.columns_of(p.name) for p in self.parameters}

    @property
    def closed(self) -> dict[str, tuple[str, ...]]:
        """What is moved together beside the single columns: tied parameters as wholes, and the stated groups."""
        return {**self.wholes, **{f"{name}{GROUP}": columns for name, columns in self.groups.items()}}

    def _partition(self, attribute: str) -> dict[str, tuple[str, ...]]:
        members: dict[str, list[str]] = {}
        for column in self.column_details:
            if getattr(column, attribute) is not None:
                members.setdefault(getattr(column, attribute), []).append(column.name)
        return {name: tuple(columns) for name, columns in members.items()}

    def parameter(self, name: str) -> Parameter:
        """Look up a parameter."""
        for parameter in self.parameters:
            if parameter.name == name:
                return parameter
        raise InputError(f"{name!r} is not a parameter of this study{did_you_mean(name, self.names)}")

    def transform(self, u: NDArray[np.float64]) -> dict[str, NDArray[Any]]:
        """Turn independent probabilities into values of the parameters.

        Parameters
        ----------
        u : ndarray, shape (n, D)
            Probabilities, one column for each of `columns`.

        Returns
        -------
        dict
            Name to values, SI or text, shape (n,).
        """
        u = np.asarray(u, dtype=float)
        if u.ndim != 2 or u.shape[1] != len(self.columns):
            raise InputError(f"probabilities of shape {u.shape}: must be (n, {len(self.columns)})")
        return {name: self.values(name, u) for name in self.names}

    def values(self, name: str, u: NDArray[np.float64]) -> NDArray[Any]:
        """As `transform`, of one parameter; `u` has shape (..., D), and only its `columns_of` are read."""
        parameter = self.parameter(name)
        return parameter.distribution.ppf(self._probability(parameter, u))

    def columns_of(self, name: str) -> tuple[str, ...]:
        """The columns behind a parameter: its latents, then its own part if it has one."""
        parameter = self.parameter(name)
        return (*parameter.loadings, *((name,) if parameter.has_own_part else ()))

    def _probability(self, parameter: Parameter, u: NDArray[np.float64]) -> NDArray[np.float64]:
        where = {name: index for index, name in enumerate(self.columns)}
        if not parameter.loadings:
            return np.asarray(u[..., where[parameter.name]])
        score = np.zeros(u.shape[:-1])
        for latent, loading in parameter.loadings.items():
            score += loading * ndtri(inside(u[..., where[latent]]))
        if parameter.has_own_part:
            score += parameter.own_weight * ndtri(inside(u[..., where[parameter.name]]))
        return np.asarray(ndtr(score))

    def medians(self) -> dict[str, Any]:
        """The median of each parameter, SI or text."""
        return {name: values[0] for name, values in self.transform(np.full((1, len(self.columns)), 0.5)).items()}

    def quick(self) -> "ParameterSpace":
        """The same space with few runs."""
        return replace(
            self,
            base_samples=min(self.base_samples, QUICK_SAMPLES),
            replicates=min(self.replicates, QUICK_REPLICATES),
        )

    def freeze(self, names: Iterable[str]) -> "ParameterSpace":
        """The same space with some parameters fixed at their medians, as after a screening.

        Raises
        ------
        InputError
            A name is not a parameter, or loads on a latent (its part cannot be fixed alone), or none is left.
        """
        frozen = set(names)
        for name in frozen:
            if self.parameter(name).loadings:
                raise InputError(f"{name!r} shares a latent with other parameters, so it cannot be fixed alone")
        medians = {name: value for name, value in self.medians().items() if name in frozen}
        left = tuple(parameter for parameter in self.parameters if parameter.name not in frozen)
        return replace(self, parameters=left, fixed={**self.fixed, **medians})

    @classmethod
    def from_toml(cls, path: str | Path, *, named: Named | None = None, extra: Iterable[str] = ()) -> "ParameterSpace":
        """Read a study file.

        Parameters
        ----------
        path : path
            A TOML file in UTF-8.
        named : mapping, optional
            Named distributions: name to a table as under ``[parameters.NAME]``, whose `basis` and `source` hold
            unless the study states its own.
        extra : iterable of str, optional
            Further keys that the study may have at the top; handed on raw.

        Raises
        ------
        InputError
            One line: the file, the dotted name of the place, the value, and what is allowed in which unit.
        """
        return cls.from_mapping(load_toml(path), named=named, extra=extra, where=str(path))

    @classmethod
    def from_mapping(
        cls,
        mapping: Mapping[str, Any],
        *,
        named: Named | None = None,
        extra: Iterable[str] = (),
        where: str = "study",
    ) -> "ParameterSpace":
        """Read the content of a study file; see `from_toml`. `where` leads every error."""
        try:
            return cls(**_fields(Table("", mapping), named, tuple(extra)))
        except InputError as error:
            raise InputError(f"{where}: {error}") from None


def _fields(top: Table, named: Named | None, extra: tuple[str, ...]) -> dict[str, Any]:
    top.only((*_KEYS, *_TABLES, *extra))
    sizes = {
        "base_samples": top.integer("base_samples", SMALLEST_SAMPLES, LARGEST_SAMPLES, 512),
        "replicates": top.integer("replicates", 2, 1024, 16),
    }
    return {
        "title": top.text("title"),
        "units": top.option("units", ("us", "si"), "us"),
        "seed": top.integer("seed", 0, 2**63 - 1),
        "outputs": read_outputs(top),
        "undefined": top.option("undefined", UNDEFINED, "refuse"),
        "fixed": read_fixed(top),
        "latents": read_latents(top),
        "parameters": read_parameters(top, named),
        "extra": {key: top.content[key] for key in extra if key in top},
        **sizes,
    }


def _known(name: str, latents: Mapping[str, Latent]) -> str:
    return did_you_mean(name, latents) if latents else "; the study has no [latents]"


def check_sizes(base_samples: int, replicates: int) -> None:
    """Refuse sample counts that a Sobol' sequence or an interval cannot use."""
    check_power("base_samples", base_samples)
    if isinstance(replicates, bool) or not isinstance(replicates, int) or not 2 <= replicates <= 1024:
        raise InputError(f"replicates = {replicates!r}: must be a whole number from 2 to 1024 for an interval")


def check_power(name: str, count: int) -> None:
    """Refuse a count of points that is not a power of two; the nearest ones are named."""
    low, high = SMALLEST_SAMPLES, LARGEST_SAMPLES
    whole = isinstance(count, int) and not isinstance(count, bool)
    if not whole or count & (count - 1) or not low <= count <= high:
        near = _near_power(count) if whole else "512"
        raise InputError(f"{name} = {count!r}: must be a power of two, {low} to {high} (say {near})")


def _near_power(count: int) -> str:
    low, high = SMALLEST_SAMPLES, LARGEST_SAMPLES
    below = min(max(2 ** (max(count, 1).bit_length() - 1), low), high)
    above = min(2 * below, high)
    return str(below) if count <= below or above == below else f"{below} or {above}"
