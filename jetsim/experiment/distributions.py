"""Distributions of uncertain inputs, in SI, each given by its inverse distribution function.

A design draws probabilities; `ppf` turns them into values. Probabilities are held inside
``EDGE <= u <= 1 - EDGE`` (half a cell of the finest Sobol' grid of scipy), so an unbounded distribution never
gives an infinite value: a normal is never drawn beyond 6.2 standard deviations.
"""

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from jetsim import units
from jetsim.errors import InputError

Array = NDArray[np.float64]

EDGE = 2.0**-31
# A cut that keeps less than this share of a distribution is taken for a mistake.
SMALLEST_SHARE = 1e-6


def ranks(values: ArrayLike) -> Array:
    """Ranks from 1 of values of shape (n,); equal ones share the mean of theirs."""
    _, which, counts = np.unique(np.asarray(values), return_inverse=True, return_counts=True)
    return np.asarray((np.cumsum(counts) - (counts - 1) / 2)[which])


def inside(u: ArrayLike) -> Array:
    """Probabilities held away from 0 and 1 by `EDGE`."""
    return np.asarray(np.clip(np.asarray(u, dtype=float), EDGE, 1 - EDGE))


@dataclass(frozen=True)
class Distribution(ABC):
    """What one uncertain input may be. SI throughout."""

    kind: ClassVar[str]

    @abstractmethod
    def ppf(self, u: ArrayLike) -> NDArray[Any]:
        """Values at probabilities `u` in [0, 1], of the same shape; finite everywhere."""

    @property
    @abstractmethod
    def mean(self) -> float:
        """Expected value; NaN for a choice of texts."""

    @property
    @abstractmethod
    def low(self) -> float:
        """Lower end of the support; may be minus infinity."""

    @property
    @abstractmethod
    def high(self) -> float:
        """Upper end of the support; may be infinity."""

    @abstractmethod
    def describe(self, unit: str = "1") -> str:
        """In words, in the given unit, for example ``"uniform 45 to 55 psi"``."""


def _shown(value: float, unit: str) -> str:
    return f"{float(units.from_si(value, unit)):.4g}"


def _suffix(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def _require(truth: bool, message: str) -> None:
    if not truth:
        raise InputError(message)


@dataclass(frozen=True)
class Uniform(Distribution):
    """Every value between `low` and `high` alike."""

    lowest: float
    highest: float
    kind: ClassVar[str] = "uniform"

    def __post_init__(self) -> None:
        _require(self.lowest < self.highest, _order("low", self.lowest, "high", self.highest))

    def ppf(self, u: ArrayLike) -> Array:
        """See `Distribution`."""
        return np.asarray(self.lowest + inside(u) * (self.highest - self.lowest))

    @property
    def mean(self) -> float:
        """See `Distribution`."""
        return (self.lowest + self.highest) / 2

    @property
    def low(self) -> float:
        """See `Distribution`."""
        return self.lowest

    @property
    def high(self) -> float:
        """See `Distribution`."""
        return self.highest

    def describe(self, unit: str = "1") -> str:
        """See `Distribution`."""
        return f"{self.kind} {_shown(self.lowest, unit)} to {_shown(self.highest, unit)}{_suffix(unit)}"


def _order(first: str, low: float, second: str, high: float) -> str:
    if low == high:
        return f"{first} equals {second} ({low:.6g}), so nothing varies: move it to [fixed]"
    return f"{first} ({low:.6g}) is not below {second} ({high:.6g})"


@dataclass(frozen=True)
class LogUniform(Uniform):
    """The logarithm is uniform; both ends above zero."""

    kind: ClassVar[str] = "loguniform"

    def __post_init__(self) -> None:
        super().__post_init__()
        _require(self.lowest > 0, f"low ({self.lowest:.6g}) is not above 0, which a loguniform needs")

    def ppf(self, u: ArrayLike) -> Array:
        """See `Distribution`."""
        span = math.log(self.highest / self.lowest)
        return np.clip(self.lowest * np.exp(inside(u) * span), self.lowest, self.highest)

    @property
    def mean(self) -> float:
        """See `Distribution`."""
        return (self.highest - self.lowest) / math.log(self.highest / self.lowest)


@dataclass(frozen=True)
class Triangular(Distribution):
    """Density rising from `lowest` to `mode` and falling to `highest`."""

    lowest: float
    mode: float
    highest: float
    kind: ClassVar[str] = "triangular"

    def __post_init__(self) -> None:
        _require(self.lowest < self.highest, _order("low", self.lowest, "high", self.highest))
        within = self.lowest <= self.mode <= self.highest
        _require(within, f"mode ({self.mode:.6g}) is not between low and high")

    def ppf(self, u: ArrayLike) -> Array:
        """See `Distribution`."""
        p = inside(u)
        span, left = self.highest - self.lowest, self.mode - self.lowest
        rising = self.lowest + np.sqrt(p * span * left)
        falling = self.highest - np.sqrt((1 - p) * span * (span - left))
        return np.where(p * span < left, rising, falling)

    @property
    def mean(self) -> float:
        """See `Distribution`."""
        return (self.lowest + self.mode + self.highest) / 3

    @property
    def low(self) -> float:
        """See `Distribution`."""
        return self.lowest

    @property
    def high(self) -> float:
        """See `Distribution`."""
        return self.highest

    def describe(self, unit: str = "1") -> str:
        """See `Distribution`."""
        ends = f"{_shown(self.lowest, unit)} to {_shown(self.highest, unit)}{_suffix(unit)}"
        return f"{self.kind} {ends}, most likely {_shown(self.mode, unit)}"


@dataclass(frozen=True)
class Normal(Distribution):
    """Normal with mean `centre` and standard deviation `sd` before it is cut at `lowest` and `highest`."""

    centre: float
    sd: float
    lowest: float = -math.inf
    highest: float = math.inf
    kind: ClassVar[str] = "normal"

    def __post_init__(self) -> None:
        _require(self.sd > 0, f"sd ({self.sd:.6g}) is not above 0")
        _require(self.lowest < self.highest, _order("low", self.lowest, "high", self.highest))
        _require(self._share() > SMALLEST_SHARE, "low to high holds almost nothing of this normal")

    def _cuts(self) -> tuple[float, float]:
        return (self.lowest - self.centre) / self.sd, (self.highest - self.centre) / self.sd

    def _share(self) -> float:
        a, b = self._cuts()
        return _normal_share(a, b)

    def ppf(self, u: ArrayLike) -> Array:
        """See `Distribution`."""
        values = self.centre + self.sd * _cut_normal(u, *self._cuts())
        return np.clip(values, self.lowest, self.highest)

    @property
    def mean(self) -> float:
        """See `Distribution`."""
        a, b = self._cuts()
        return self.centre + self.sd * (_density(a) - _density(b)) / self._share()

    @property
    def low(self) -> float:
        """See `Distribution`."""
        return self.lowest

    @property
    def high(self) -> float:
        """See `Distribution`."""
        return self.highest

    def describe(self, unit: str = "1") -> str:
        """See `Distribution`."""
        spread = f"{float(units.interval_from_si(self.sd, unit)):.4g}"
        cuts = _cut_text(self.lowest, self.highest, unit)
        return f"{self.kind} {_shown(self.centre, unit)} ± {spread}{_suffix(unit)}{cuts}"


def _density(z: float) -> float:
    return math.exp(-z * z / 2) / math.sqrt(2 * math.pi)


def _normal_share(a: float, b: float) -> float:
    """Probability of a standard normal between `a` and `b`, in the tail that keeps its digits."""
    return float(ndtr(-a) - ndtr(-b)) if a + b > 0 else float(ndtr(b) - ndtr(a))


def _cut_normal(u: ArrayLike, a: float, b: float) -> Array:
    """Standard normal values at probabilities `u` of the normal cut at `a` and `b`."""
    p = inside(u)
    if a + b > 0:  # mirrored, so that digits are kept far out on the right
        return np.asarray(-ndtri(ndtr(-b) + (1 - p) * (ndtr(-a) - ndtr(-b))))
    return np.asarray(ndtri(ndtr(a) + p * (ndtr(b) - ndtr(a))))


def _cut_text(low: float, high: float, unit: str) -> str:
    below = [f"below {_shown(low, unit)}"] if math.isfinite(low) else []
    above = [f"above {_shown(high, unit)}"] if math.isfinite(high) else []
    return f", cut {' and '.join(below + above)}" if below or above else ""


@dataclass(frozen=True)
class LogNormal(Distribution):
    """The logarithm is normal around ``ln(median)`` with standard deviation `ln_sd`, cut if ends are given."""

    median: float
    ln_sd: float
    lowest: float = 0.0
    highest: float = math.inf
    kind: ClassVar[str] = "lognormal"

    def __post_init__(self) -> None:
        _require(self.median > 0, f"median ({self.median:.6g}) is not above 0, which a lognormal needs")
        _require(self.ln_sd > 0, f"ln_sd ({self.ln_sd:.6g}) is not above 0")
        _require(self.lowest >= 0, f"low ({self.lowest:.6g}) is below 0, where a lognormal never is")
        _require(self.lowest < self.highest, _order("low", self.lowest, "high", self.highest))
        share = _normal_share(*self._cuts())
        _require(share > SMALLEST_SHARE, "low to high holds almost nothing of this lognormal")

    def _cuts(self) -> tuple[float, float]:
        a = math.log(self.lowest / self.median) / self.ln_sd if self.lowest > 0 else -math.inf
        return a, math.log(self.highest / self.median) / self.ln_sd if self.highest < math.inf else math.inf

    def ppf(self, u: ArrayLike) -> Array:
        """See `Distribution`."""
        values = self.median * np.exp(self.ln_sd * _cut_normal(u, *self._cuts()))
        return np.clip(values, self.lowest, self.highest)

    @property
    def mean(self) -> float:
        """See `Distribution`."""
        (a, b), s = self._cuts(), self.ln_sd
        return self.median * math.exp(s * s / 2) * _normal_share(a - s, b - s) / _normal_share(a, b)

    @property
    def low(self) -> float:
        """See `Distribution`."""
        return self.lowest

    @property
    def high(self) -> float:
        """See `Distribution`."""
        return self.highest

    def describe(self, unit: str = "1") -> str:
        """See `Distribution`."""
        centre = f"{self.kind} around {_shown(self.median, unit)}{_suffix(unit)}"
        return f"{centre}, ln sd {self.ln_sd:.4g}{_cut_text(self.lowest or -math.inf, self.highest, unit)}"


@dataclass(frozen=True)
class Choice(Distribution):
    """One of several values, numbers or texts, with weights (equal ones by default)."""

    values: tuple[float | str, ...]
    weights: tuple[float, ...] = ()
    kind: ClassVar[str] = "choice"

    def __post_init__(self) -> None:
        _require(len(self.values) > 1, "values needs two or more entries, or nothing varies: move it to [fixed]")
        _require(len(set(self.values)) == len(self.values), "values holds an entry twice")
        _require(len({isinstance(v, str) for v in self.values}) == 1, "values mixes texts and numbers")
        if self.weights:
            _require(len(self.weights) == len(self.values), "weights needs one entry for each of the values")
            _require(all(w > 0 and math.isfinite(w) for w in self.weights), "weights must all be above 0")

    @property
    def is_text(self) -> bool:
        """Whether the values are texts."""
        return isinstance(self.values[0], str)

    def _numbers(self) -> list[float]:
        return [value for value in self.values if not isinstance(value, str)]

    @property
    def probabilities(self) -> Array:
        """Probability of each value."""
        weights = np.asarray(self.weights or np.ones(len(self.values)), dtype=float)
        return np.asarray(weights / weights.sum())

    def ppf(self, u: ArrayLike) -> NDArray[Any]:
        """See `Distribution`; texts come as an array of fixed-width text."""
        steps = np.cumsum(self.probabilities)[:-1]
        return np.asarray(np.asarray(self.values)[np.searchsorted(steps, inside(u), side="right")])

    @property
    def mean(self) -> float:
        """See `Distribution`."""
        return math.nan if self.is_text else float(np.dot(self.probabilities, np.asarray(self.values, dtype=float)))

    @property
    def low(self) -> float:
        """See `Distribution`; NaN for texts."""
        return min(self._numbers(), default=math.nan)

    @property
    def high(self) -> float:
        """See `Distribution`; NaN for texts."""
        return max(self._numbers(), default=math.nan)

    def describe(self, unit: str = "1") -> str:
        """See `Distribution`."""
        shown = [v if isinstance(v, str) else _shown(v, unit) for v in self.values]
        odds = "" if not self.weights else f" (weights {', '.join(f'{w:.4g}' for w in self.weights)})"
        return f"one of {', '.join(shown)}{'' if self.is_text else _suffix(unit)}{odds}"


@dataclass(frozen=True)
class Draws(Distribution):
    """What a sample of draws says: its quantiles, joined by straight lines."""

    quantiles: tuple[float, ...]
    kind: ClassVar[str] = "draws"

    @classmethod
    def of(cls, values: ArrayLike) -> "Draws":
        """The distribution of a sample, by at most 401 of its quantiles."""
        array = np.asarray(values, dtype=float)
        count = min(401, array.size)
        return cls(tuple(np.quantile(array, np.linspace(0.0, 1.0, count)).tolist()))

    def __post_init__(self) -> None:
        _require(len(self.quantiles) > 1 and self.quantiles[0] < self.quantiles[-1], "the draws do not vary")

    def ppf(self, u: ArrayLike) -> Array:
        """See `Distribution`."""
        return np.asarray(np.interp(inside(u), np.linspace(0.0, 1.0, len(self.quantiles)), self.quantiles))

    @property
    def mean(self) -> float:
        """See `Distribution`."""
        return float(np.trapezoid(self.quantiles, dx=1 / (len(self.quantiles) - 1)))

    @property
    def low(self) -> float:
        """See `Distribution`."""
        return self.quantiles[0]

    @property
    def high(self) -> float:
        """See `Distribution`."""
        return self.quantiles[-1]

    def describe(self, unit: str = "1") -> str:
        """See `Distribution`."""
        low, high = self.ppf(np.array([0.05, 0.95]))
        return f"learnt, nine in ten {_shown(float(low), unit)} to {_shown(float(high), unit)}{_suffix(unit)}"
