"""Learning from a test: the posterior of the unknowns by many random walks at once, and whether it can be trusted.

Every unknown is sampled by its normal score z, so that its prior is a standard normal whatever its distribution;
an unknown that departs from a shared value by a standard normal times a shared spread is pooled partially.
Many walkers start from the Laplace approximation at the posterior's peak, too far apart on purpose, and take
preconditioned Crank-Nicolson steps (Cotter et al. 2013, from memory) about a normal approximation while the likelihood
is turned up to its whole; the approximation is fitted to the walkers again and again. Then it is held, so that the
steps that are kept leave the posterior as it is and walkers are independent of each other.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from itertools import combinations
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.special import ndtr

from jetsim import kept
from jetsim.errors import InputError
from jetsim.experiment.distributions import Distribution

Array = NDArray[np.float64]
LogLikelihood = Callable[[dict[str, Array]], Array]
Density = Callable[[Array], Array]

FARTHEST_APART, FEWEST_EFFECTIVE = 0.2, 400
STEPS = (0.3, 0.6, 1.0)  # sizes of the steps: 1 forgets where a walker was
# Powers of the likelihood in the stages that are thrown away: walkers that start too far apart find the whole of a
# curved ridge. The law that is fitted to them is widened, or it would keep them near the ridge's middle.
WARMING, WIDENED = (0.1, 0.15, 0.2, 0.3, 0.4, 0.55, 0.75, 1.0, 1.0, 1.0), 1.15
GROUPS = 2  # of walkers, each with random numbers of its own: they walk side by side and are compared in the end
LEARNT, HARDLY = 0.75, 0.25
CONFUSED = 0.6
_NEVER = -1e300  # in place of minus infinity, of which no difference can be taken
_FARTHEST = 5.0  # from where the search begins, in standard deviations that are expected
_SEARCHED = 60  # steps towards the peak: the sampler goes the rest of the way
_WALKERS = 4  # at least, for each unknown
_STAGE = 30  # steps that are kept as one piece
_END, _CELLS = 6.0, 2400  # of the tables of priors, which go from minus to plus that many standard deviations


@dataclass(frozen=True)
class Sampling:
    """Sizes of the sampler: `walkers` take `burn` steps that are thrown away, then `steps` kept in every `thin`.

    Many walkers that go a short way: a step costs much the same for many as for few. With 60 steps thrown away a
    posterior of thirty unknowns stays some 2 % too wide, with 100 as wide as with 150.
    """

    walkers: int = 1536
    burn: int = 100
    steps: int = 120
    thin: int = 6

    @property
    def evaluations(self) -> int:
        """Of the likelihood by the walkers."""
        return self.walkers * (self.burn + self.steps)


QUICK = Sampling(walkers=640, burn=60, steps=60, thin=3)


class Scores:
    """Turns normal scores into values of the unknowns, by interpolation in a fine table of each prior.

    Unknowns that priors tie to each other are sampled by independent scores; `root` times those are their own.
    """

    def __init__(self, unknowns: Mapping[str, Distribution], ties: Array | None = None) -> None:
        self.names = tuple(unknowns)
        self.ties = np.eye(len(unknowns)) if ties is None else ties
        self.root = np.linalg.cholesky(self.ties)
        below = ndtr(np.linspace(-_END, _END, _CELLS + 1))
        self._tables = np.array([np.asarray(prior.ppf(below), dtype=float) for prior in unknowns.values()])

    def values(self, scores: Array) -> dict[str, Array]:
        """Values by name, shape (n,), at scores of shape (n, unknowns); those of the ends beyond them."""
        place = np.clip((scores.T + _END) * (_CELLS / (2 * _END)), 0.0, _CELLS)
        cell = np.minimum(place.astype(np.intp), _CELLS - 1)
        low, high = (np.take_along_axis(self._tables, cell + side, axis=1) for side in (0, 1))
        return dict(zip(self.names, low + (place - cell) * (high - low), strict=True))

    def begin(self, about: tuple[Array, Array] | None) -> tuple[Array, Array]:
        """Middle and root of the covariance of independent scores, from those of the unknowns' own or the priors'."""
        middle, root = about or (np.zeros(len(self.names)), self.root)
        return np.linalg.solve(self.root, middle), np.linalg.solve(self.root, root)


@dataclass(frozen=True, eq=False)
class AtScores:
    """Log-likelihood at independent scores of shape (n, unknowns); very low where it is not finite."""

    scores: Scores
    log_likelihood: LogLikelihood

    def __call__(self, points: Array) -> Array:
        """Of shape (n,)."""
        density = self.log_likelihood(self.scores.values(points @ self.scores.root.T))
        return np.where(np.isfinite(density), density, _NEVER)


@dataclass(frozen=True, eq=False)
class Posterior:
    """What was learnt.

    Attributes
    ----------
    scores : ndarray, shape (draws, unknowns)
        Normal scores: the prior of each is standard normal.
    values : xarray.Dataset
        The unknowns along ``draw``, SI.
    apart, effective : mapping of name to float
        How far halves of the run differ (`halves_apart`), and effective number of draws (`effective_draws`).
    acceptance : float
    evaluations : int
    ties : ndarray, shape (unknowns, unknowns)
        Correlation of the scores before the data.
    """

    names: tuple[str, ...]
    scores: Array
    values: xr.Dataset
    apart: Mapping[str, float]
    effective: Mapping[str, float]
    acceptance: float
    evaluations: int
    ties: Array

    @property
    def converged(self) -> bool:
        """Whether both diagnostics are met for every unknown."""
        return max(self.apart.values()) < FARTHEST_APART and min(self.effective.values()) >= FEWEST_EFFECTIVE

    @property
    def convergence(self) -> str:
        """The diagnostics in words."""
        worst, fewest = max(self.apart.values()), min(self.effective.values())
        verdict = "converged" if self.converged else "NOT converged: do not quote"
        return (
            f"{verdict}; halves of the run differ by {worst:.2f} standard deviations at most (limit {FARTHEST_APART}), "
            f"fewest effective draws {fewest:.0f} "
            f"(at least {FEWEST_EFFECTIVE}), acceptance {self.acceptance:.2f}"
        )


def scouted(
    unknowns: Mapping[str, Distribution],
    log_likelihood: LogLikelihood,
    about: tuple[Array, Array] | None = None,
    ties: Array | None = None,
) -> tuple[Array, Array]:
    """Where the posterior is, roughly: the middle of its normal scores, and a root of their covariance.

    Laplace's approximation. Parameters as for `calibrate`; the search begins where the posterior is believed to be
    (`about`), by default at the priors.

    Returns
    -------
    middle : ndarray, shape (unknowns,)
    root : ndarray, shape (unknowns, unknowns)
    """
    scores = Scores(unknowns, ties)
    peak, root = laplace(AtScores(scores, log_likelihood), *scores.begin(about))
    return scores.root @ peak, scores.root @ root


def calibrate(
    unknowns: Mapping[str, Distribution],
    log_likelihood: LogLikelihood,
    seed: int,
    sampling: Sampling | None = None,
    about: tuple[Array, Array] | None = None,
    ties: Array | None = None,
    executor: Executor | None = None,
) -> Posterior:
    """Sample the posterior of the unknowns.

    Parameters
    ----------
    unknowns : mapping of name to Distribution
        Priors.
    log_likelihood : callable
        Vectorised: values by name, each of shape (n,), to shape (n,).
    seed : int
    sampling : Sampling, optional
    about : tuple of ndarray, optional
        Where the posterior is, as `scouted` gives it; sought by default.
    ties : ndarray, shape (unknowns, unknowns), optional
        Correlation of the priors' normal scores; independent by default.
    executor : concurrent.futures.Executor, optional
        Each of its tasks is some steps of a group of walkers. In this thread by default; the draws are the same.

    Raises
    ------
    InputError
        The likelihood is not finite at the start.
    """
    sizes, scores = sampling or Sampling(), Scores(unknowns, ties)
    at_scores = AtScores(scores, log_likelihood)
    peak, root = scores.begin(about or scouted(unknowns, log_likelihood, None, ties))
    rng = np.random.default_rng(seed)
    count = max(sizes.walkers, _WALKERS * len(peak))
    apart = rng.standard_normal((count, len(peak))) / np.sqrt(WARMING[0])
    walk = Walk(at_scores, peak + apart @ root.T, rng, executor)
    for power in WARMING:
        passed = walk.go(peak, root, max(1, sizes.burn // len(WARMING)), power)
        peak, root = widened(passed[len(passed) // 2 :])
    before = walk.evaluations, walk.accepted
    chains = walk.go(peak, root, sizes.steps)
    acceptance = (walk.accepted - before[1]) / (walk.evaluations - before[0])
    return _posterior(scores, chains @ scores.root.T, sizes.thin, acceptance, walk.evaluations)


class Walk:
    """Walkers by the posterior's shape, each on its own, in groups; stages of their way are kept where they have names.

    Attributes
    ----------
    points : ndarray, shape (walkers, unknowns)
        Where they stand: independent scores.
    evaluations, accepted : int
        Steps that were tried and taken so far.
    """

    def __init__(
        self, log_likelihood: Density, points: Array, rng: np.random.Generator, executor: Executor | None = None
    ) -> None:
        self.log_likelihood, self.points, self.executor = log_likelihood, points, executor
        self.known = log_likelihood(points)
        self.name = None if kept.current() is None else kept.name_of(log_likelihood)
        self._states = [own.bit_generator.state for own in rng.spawn(GROUPS)]
        self.evaluations, self.accepted = 0, 0

    def go(self, middle: Array, root: Array, steps: int, power: float = 1.0) -> Array:
        """Take steps that leave prior times likelihood to a power as it is; all that was passed.

        Preconditioned Crank-Nicolson: the way back to `middle` in part, and a draw of ``root @ standard normal``
        aside. Such a step leaves the normal law of both as it is, and is taken by the ratio of densities over that law.

        Returns
        -------
        ndarray, shape (steps, walkers, unknowns)
        """
        law = (middle, root, power)
        passed = [self._stage(law, min(_STAGE, steps - done)) for done in range(0, steps, _STAGE)]
        return np.concatenate(passed)

    def _stage(self, law: tuple[Array, Array, float], steps: int) -> Array:
        """Some steps, those of each group as one piece."""
        groups = (np.array_split(values, GROUPS) for values in (self.points, self.known))
        starts = list(zip(*groups, self._states, strict=True))
        names = [self.name and kept.name_of(self.name, start, law, steps) for start in starts]
        gone = kept.kept_map(partial(_gone, self.log_likelihood, law, steps), starts, self.executor, names)
        passed = np.concatenate([one["passed"].values for one in gone], axis=1)
        self.points, self.known = passed[-1], np.concatenate([one["known"].values for one in gone])
        self._states = [json.loads(one.attrs["state"]) for one in gone]
        self.evaluations += steps * len(self.points)
        self.accepted += sum(one.attrs["accepted"] for one in gone)
        return passed


def _gone(
    log_likelihood: Density,
    law: tuple[Array, Array, float],
    steps: int,
    start: tuple[Array, Array, Mapping[str, Any]],
) -> xr.Dataset:
    """Points that some walkers pass, the likelihood where they end, and the state of the random numbers there."""
    (points, known, state), (middle, root, power) = start, law
    rng, inverse, accepted = np.random.default_rng(), np.linalg.inv(root), 0
    rng.bit_generator.state = state

    def over(points: Array, known: Array) -> Array:
        """Log-density over that of the normal law."""
        aside = (points - middle) @ inverse.T
        return np.asarray(power * known + 0.5 * ((aside**2).sum(axis=1) - (points**2).sum(axis=1)))

    passed = np.empty((steps, *points.shape))
    for row in passed:
        size = rng.choice(STEPS, len(points))[:, None]
        fresh = rng.standard_normal(points.shape) @ root.T
        new = middle + np.sqrt(1 - size**2) * (points - middle) + size * fresh
        found = log_likelihood(new)
        taken = np.log(rng.random(len(new))) < over(new, found) - over(points, known)
        points, known = np.where(taken[:, None], new, points), np.where(taken, found, known)
        accepted += int(taken.sum())
        row[:] = points
    told = {"accepted": accepted, "state": json.dumps(rng.bit_generator.state)}
    return xr.Dataset({"passed": (("step", "walker", "unknown"), passed), "known": ("walker", known)}, attrs=told)


def widened(passed: Array) -> tuple[Array, Array]:
    """Middle of points of shape (..., unknowns), and a root of their covariance times `WIDENED`."""
    points = passed.reshape(-1, passed.shape[-1])
    return points.mean(axis=0), WIDENED * np.linalg.cholesky(np.atleast_2d(np.cov(points.T)))


def laplace(log_likelihood: Density, start: Array, scale: Array) -> tuple[Array, Array]:
    """Peak of a posterior under a standard normal prior, and a root of its covariance there.

    Parameters
    ----------
    log_likelihood : callable
        Vectorised: (n, size) to (n,).
    start : ndarray, shape (size,)
        Where the search begins.
    scale : ndarray, shape (size, size)
        Root of the covariance that is expected about the peak: the search is the shorter, the better it fits.

    Returns
    -------
    peak : ndarray, shape (size,)
    root : ndarray, shape (size, size)
        ``peak + root @ standard normal`` follows the approximation.
    """
    step, size = 1e-4, len(start)
    moves = step * np.concatenate([np.zeros((1, size)), np.eye(size), -np.eye(size)])

    def slopes(scaled: Array) -> tuple[Array, Array]:
        around = start + (scaled[:, None] + moves).reshape(-1, size) @ scale.T
        values = (log_likelihood(around) - 0.5 * (around**2).sum(axis=1)).reshape(len(scaled), -1)
        return -values[:, 0], -(values[:, 1 : size + 1] - values[:, size + 1 :]) / (2 * step)

    def slope(scaled: Array) -> tuple[float, Array]:
        values, directions = slopes(scaled[None])
        return float(values[0]), directions[0]

    origin = np.zeros(size)
    if slope(origin)[0] >= -_NEVER:
        raise InputError("the likelihood is not finite where its peak is sought: check units and priors")
    search = import_module("scipy.optimize").minimize
    ends, options = [(-_FARTHEST, _FARTHEST)] * size, {"maxiter": _SEARCHED}
    peak = np.asarray(search(slope, origin, jac=True, method="L-BFGS-B", bounds=ends, options=options).x)
    aside = 1e-2 * np.eye(size)
    bends = (slopes(peak + aside)[1] - slopes(peak - aside)[1]) / 2e-2
    values, vectors = np.linalg.eigh((bends + bends.T) / 2)
    flattest = 0.5 * np.linalg.norm(scale @ vectors, axis=0) ** 2  # the prior alone bends by 1 where nothing is scaled
    return start + scale @ peak, np.asarray(scale @ vectors / np.sqrt(np.maximum(values, flattest)))


def _posterior(scores: Scores, chains: Array, thin: int, acceptance: float, evaluations: int) -> Posterior:
    kept = chains[::thin].reshape(-1, chains.shape[-1])
    return Posterior(
        scores.names,
        kept,
        xr.Dataset({name: ("draw", value) for name, value in scores.values(kept).items()}),
        dict(zip(scores.names, halves_apart(np.array_split(chains, GROUPS, axis=1)).tolist(), strict=True)),
        dict(zip(scores.names, effective_draws(chains).tolist(), strict=True)),
        acceptance,
        evaluations,
        scores.ties,
    )


def halves_apart(groups: Sequence[Array]) -> Array:
    """Largest difference of means of the first and second half of the run, or of one group of walkers and the others.

    Parameters
    ----------
    groups : sequence of ndarray, shape (steps, walkers, unknowns)

    Returns
    -------
    ndarray, shape (unknowns,)
        In standard deviations of all draws.
    """
    means = np.array([[half.mean(axis=(0, 1)) for half in np.array_split(run, 2)] for run in groups])
    in_time = [means[:, 0].mean(axis=0) - means[:, 1].mean(axis=0)]
    each, count = means.mean(axis=1), len(groups)
    between = [] if count == 1 else list((each - each.mean(axis=0)) * count / (count - 1))
    spread = np.concatenate(groups, axis=1).std(axis=(0, 1))
    return np.asarray(np.abs(in_time + between).max(axis=0) / np.maximum(spread, 1e-300))


def effective_draws(chains: Array) -> Array:
    """Effective number of draws from many chains at once: their own slowness and what separates them both count.

    Autocorrelation against the variance over all chains (Gelman et al. 2013, section 11.5; Vehtari et al. 2021, without
    ranks; from memory), summed over pairs of lags while they stay positive and fall (Geyer 1992).

    Parameters
    ----------
    chains : ndarray, shape (steps, chains, unknowns)

    Returns
    -------
    ndarray, shape (unknowns,)
    """
    steps, count, _ = chains.shape
    centred = chains - chains.mean(axis=0)
    power = np.abs(np.fft.rfft(centred, 2 * steps, axis=0)) ** 2
    covariance = np.fft.irfft(power, axis=0)[:steps].mean(axis=1) / steps
    inside = covariance[0] * steps / (steps - 1)
    whole = covariance[0] + chains.mean(axis=0).var(axis=0, ddof=1)
    correlation = 1 - (inside - covariance * steps / (steps - 1)) / np.maximum(whole, 1e-300)
    pairs = correlation[: steps // 2 * 2].reshape(steps // 2, 2, -1).sum(axis=1)
    positive = np.logical_and.accumulate(pairs > 0, axis=0)
    falling = np.minimum.accumulate(np.where(positive, pairs, 0.0), axis=0)
    return np.asarray(steps * count / np.maximum(2 * falling.sum(axis=0) - 1, 1.0))


# --------------------------------------------------------------------------------------------------------
# What the data can tell


@dataclass(frozen=True)
class Learnt:
    """How far the data narrowed one unknown: share of its prior variance (of the score) that is gone."""

    name: str
    contraction: float

    @property
    def words(self) -> str:
        """Learnt, partly learnt or not learnt."""
        if self.contraction >= LEARNT:
            return "learnt"
        return "partly learnt" if self.contraction >= HARDLY else "not learnt"


@dataclass(frozen=True)
class Confused:
    """Two unknowns that the data cannot tell apart, and the correlation of their scores."""

    first: str
    second: str
    correlation: float


def learnt(posterior: Posterior) -> list[Learnt]:
    """How far each unknown was narrowed."""
    return [Learnt(n, 1 - float(v)) for n, v in zip(posterior.names, posterior.scores.var(axis=0), strict=True)]


def confused(posterior: Posterior) -> list[Confused]:
    """Pairs whose scores are tied by the data, the closest tie first; those that the priors tie are left out."""
    ties = np.asarray(np.atleast_2d(np.corrcoef(posterior.scores.T)))
    pairs = [
        Confused(posterior.names[i], posterior.names[j], float(ties[i, j]))
        for i, j in combinations(range(len(posterior.names)), 2)
    ]
    before = [abs(tie) for tie in posterior.ties[np.triu_indices(len(posterior.names), 1)]]
    data = [p for p, tie in zip(pairs, before, strict=True) if abs(p.correlation) >= CONFUSED > tie]
    return sorted(data, key=lambda p: -abs(p.correlation))
