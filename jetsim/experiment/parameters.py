"""Uncertain inputs and the latent causes that tie them to each other."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from jetsim.errors import InputError
from jetsim.experiment.distributions import Choice, Distribution
from jetsim.quantities import QUANTITIES

ROLES = ("controllable", "environment", "unknown", "structural")
BASES = ("measured", "published", "common practice", "assumption")
# Loadings whose squares sum to one within this leave no part of its own to a parameter.
_FULL = 1e-12


def _check_pedigree(place: str, role: str, basis: str, source: str) -> None:
    for key, value, options in (("role", role, ROLES), ("basis", basis, BASES)):
        if value not in options:
            raise InputError(f"{place}.{key} = {value!r}: must be one of {', '.join(options)}")
    if not source.strip():
        raise InputError(f"{place}.source = {source!r}: must say where the numbers come from")


@dataclass(frozen=True)
class Parameter:
    """One uncertain input.

    Attributes
    ----------
    name : str
        A field of the stream, or a dotted model constant.
    distribution : Distribution
        What it may be, SI.
    role : str
        ``"controllable"``, ``"environment"``, ``"unknown"`` or ``"structural"`` (a choice of model).
    basis : str
        ``"measured"``, ``"published"``, ``"common practice"`` or ``"assumption"``.
    source : str
        Where the numbers come from.
    unit : str
        Label of the unit in which it was stated.
    loadings : mapping
        Latent name to loading: the correlation, on the normal scale, with that latent. The squares sum to at
        most 1.
    group : str, optional
        Closed group that it belongs to.
    label : str
        Name of the named distribution that it takes, if any.
    """

    name: str
    distribution: Distribution
    role: str = "unknown"
    basis: str = "assumption"
    source: str = "not stated"
    unit: str = "1"
    loadings: Mapping[str, float] = field(default_factory=dict)
    group: str | None = None
    label: str = ""

    def __post_init__(self) -> None:
        place = f"parameters.{self.name}"
        _check_pedigree(place, self.role, self.basis, self.source)
        for latent, loading in self.loadings.items():
            if not (math.isfinite(loading) and loading != 0 and abs(loading) <= 1):
                raise InputError(f"{place}.loadings.{latent} = {loading!r}: allowed is -1 to 1, and not 0")
        if self.explained > 1 + _FULL:
            raise InputError(f"{place}.loadings: the squares sum to {self.explained:.6g}, allowed is at most 1")
        if self.loadings and isinstance(self.distribution, Choice) and self.distribution.is_text:
            raise InputError(f"{place}.loadings: texts have no order, so a latent cannot drive them")

    @property
    def explained(self) -> float:
        """Share of the normal score's variance that the latents carry."""
        return math.fsum(loading**2 for loading in self.loadings.values())

    @property
    def has_own_part(self) -> bool:
        """Whether something is left that no latent carries."""
        return self.explained < 1 - _FULL

    @property
    def own_weight(self) -> float:
        """Weight of the parameter's own part on the normal scale."""
        return math.sqrt(max(0.0, 1 - self.explained))

    @property
    def long_name(self) -> str:
        """The words of the table of quantities, or the name itself."""
        return QUANTITIES[self.name].long_name if self.name in QUANTITIES else self.name

    def describe(self) -> str:
        """The distribution in words, in the unit in which it was stated."""
        words = self.distribution.describe(self.unit)
        return f"{self.label}: {words}" if self.label else words


@dataclass(frozen=True)
class Latent:
    """A cause that several inputs share, standard normal.

    Attributes
    ----------
    name : str
    role, basis, source, group
        As for `Parameter`.
    long_name : str
        Words for figures and tables; the name with spaces by default.
    """

    name: str
    role: str = "unknown"
    basis: str = "assumption"
    source: str = "not stated"
    group: str | None = None
    long_name: str = ""

    def __post_init__(self) -> None:
        _check_pedigree(f"latents.{self.name}", self.role, self.basis, self.source)
        if not self.long_name:
            object.__setattr__(self, "long_name", self.name.replace("_", " "))


@dataclass(frozen=True)
class Column:
    """One independent column of a design: a latent, or a parameter's own part.

    Attributes
    ----------
    name, long_name, role, basis, source : str
    group : str, optional
    latent : bool
    """

    name: str
    long_name: str
    role: str
    basis: str
    source: str
    group: str | None
    latent: bool


def column_of(item: Parameter | Latent) -> Column:
    """The design column of a latent or of a parameter's own part."""
    shared = isinstance(item, Parameter) and bool(item.loadings)
    words = f"{item.long_name} (own part)" if shared else item.long_name
    latent = isinstance(item, Latent)
    return Column(item.name, words, item.role, item.basis, item.source, item.group, latent)
