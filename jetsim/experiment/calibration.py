"""Learning from a test: the posterior of the unknowns by an ensemble sampler, and whether it can be trusted.

Every unknown is sampled by its normal score z, so that its prior is a standard normal whatever its distribution;
an unknown that departs from a shared value by a standard normal times a shared spread is pooled partially.
Several independent ensembles (emcee) start from the Laplace approximation at the posterior's peak. Three in
ten of their moves are differential evolution (ter Braak 2006, from memory), the others would keep that approximation
and forget part of where a walker was. The sampler's snooker move is left out on purpose: in
emcee 3.1.6 it leaves a standard normal of 20 dimensions a quarter too narrow, however long it runs.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import emcee
import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import ndtr

from jetsim.errors import InputError
from jetsim.experiment.distributions import Distribution

Array = NDArray[np.float64]
LogLikelihood = Callable[[dict[str, Array]], Array]

FARTHEST_APART, FEWEST_EFFECTIVE = 0.2, 400
STEPS = (0.25, 0.5, 0.9)  # sizes of the steps, in standard deviations of the approximation
LEARNT, HARDLY = 0.75, 0.25
CONFUSED = 0.6
_NEVER = -1e300  # in place of minus infinity, of which no difference can be taken
_SEARCHED = 60  # steps towards the peak: the sampler goes the rest of the way
_GRID = np.linspace(-6.0, 6.0, 2401)


@dataclass(frozen=True)
class Sampling:
    """Sizes of the sampler: `ensembles` of `walkers`, `burn` steps thrown away, then `steps` kept in every `thin`."""

    ensembles: int = 4
    walkers: int = 256
    burn: int = 100
    steps: int = 500
    thin: int = 5


QUICK = Sampling(ensembles=1, walkers=192, burn=50, steps=110, thin=5)


class Scores:
    """Turns normal scores into values of the unknowns, by interpolation in a fine table of each prior.

    Unknowns that priors tie to each other are sampled by independent scores; `root` times those are their own.
    """

    def __init__(self, unknowns: Mapping[str, Distribution], ties: Array | None = None) -> None:
        self.names = tuple(unknowns)
        self.ties = np.eye(len(unknowns)) if ties is None else ties
        self.root = np.linalg.cholesky(self.ties)
        self._tables = [np.asarray(prior.ppf(ndtr(_GRID)), dtype=float) for prior in unknowns.values()]

    def values(self, scores: Array) -> dict[str, Array]:
        """Values by name, shape (n,), at scores of shape (n, unknowns)."""
        tables = zip(self.names, self._tables, strict=True)
        return {name: np.interp(scores[:, k], _GRID, table) for k, (name, table) in enumerate(tables)}

    def posterior(self, log_likelihood: LogLikelihood) -> Callable[[Array], Array]:
        """Log-density of the posterior at independent scores of shape (n, unknowns), up to a constant."""

        def log_posterior(points: Array) -> Array:
            density = log_likelihood(self.values(points @ self.root.T)) - 0.5 * (points**2).sum(axis=1)
            return np.where(np.isfinite(density), density, _NEVER)

        return log_posterior

    def begin(self, start: Array | None) -> Array:
        """Independent scores at which a search begins: the medians, or those of given scores."""
        return np.zeros(len(self.names)) if start is None else np.linalg.solve(self.root, start)


@dataclass(frozen=True, eq=False)
class Posterior:
    """What was learnt.

    Attributes
    ----------
    scores : ndarray, shape (ensembles, draws, unknowns)
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
    def flat(self) -> Array:
        """All scores, shape (draws, unknowns)."""
        return self.scores.reshape(-1, self.scores.shape[-1])

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
    unknowns: Mapping[str, Distribution], log_likelihood: LogLikelihood, ties: Array | None = None
) -> tuple[Array, Array]:
    """Where the posterior is, roughly: the middle of its normal scores, and a root of their covariance.

    Parameters as for `calibrate`. Laplace's approximation.

    Returns
    -------
    middle : ndarray, shape (unknowns,)
    root : ndarray, shape (unknowns, unknowns)
    """
    scores = Scores(unknowns, ties)
    peak, root = laplace(scores.posterior(log_likelihood), scores.begin(None))
    return scores.root @ peak, scores.root @ root


def calibrate(
    unknowns: Mapping[str, Distribution],
    log_likelihood: LogLikelihood,
    seed: int | np.random.SeedSequence,
    sampling: Sampling | None = None,
    start: Array | None = None,
    ties: Array | None = None,
) -> Posterior:
    """Sample the posterior of the unknowns.

    Parameters
    ----------
    unknowns : mapping of name to Distribution
        Priors.
    log_likelihood : callable
        Vectorised: values by name, each of shape (n,), to shape (n,).
    seed : int or SeedSequence
    sampling : Sampling, optional
    start : ndarray, shape (unknowns,), optional
        Normal scores from which the peak is sought; the priors' medians by default.
    ties : ndarray, shape (unknowns, unknowns), optional
        Correlation of the priors' normal scores; independent by default.

    Raises
    ------
    InputError
        The likelihood is not finite at the start.
    """
    sizes = sampling or Sampling()
    scores = Scores(unknowns, ties)
    log_posterior = scores.posterior(log_likelihood)
    peak, root = laplace(log_posterior, scores.begin(start))
    seeds = (
        np.random.SeedSequence(seed).spawn(sizes.ensembles) if isinstance(seed, int) else seed.spawn(sizes.ensembles)
    )
    runs = [_ensemble(log_posterior, peak, root, one, sizes) for one in seeds]
    return _posterior(scores, runs, sizes)


def laplace(log_posterior: Callable[[Array], Array], start: Array) -> tuple[Array, Array]:
    """Peak of a log posterior, and a root of its covariance there.

    Parameters
    ----------
    log_posterior : callable
        Vectorised: (n, size) to (n,); contains the standard normal prior, so its curvature is about 1 or more.
    start : ndarray, shape (size,)
        Where the search begins.

    Returns
    -------
    peak : ndarray, shape (size,)
    root : ndarray, shape (size, size)
        ``peak + root @ standard normal`` follows the approximation.
    """
    step, size = 1e-4, len(start)

    moves = step * np.concatenate([np.zeros((1, size)), np.eye(size), -np.eye(size)])

    def slopes(points: Array) -> tuple[Array, Array]:
        around = (points[:, None] + moves).reshape(-1, size)
        values = log_posterior(around).reshape(len(points), -1)
        return -values[:, 0], -(values[:, 1 : size + 1] - values[:, size + 1 :]) / (2 * step)

    def slope(point: Array) -> tuple[float, Array]:
        values, directions = slopes(point[None])
        return float(values[0]), directions[0]

    if slope(start)[0] >= -_NEVER:
        raise InputError("the likelihood is not finite where its peak is sought: check units and priors")
    peak = np.asarray(
        minimize(slope, start, jac=True, method="L-BFGS-B", bounds=[(-5, 5)] * size, options={"maxiter": _SEARCHED}).x
    )
    aside = 1e-2 * np.eye(size)
    bends = (slopes(peak + aside)[1] - slopes(peak - aside)[1]) / 2e-2
    values, vectors = np.linalg.eigh((bends + bends.T) / 2)
    return peak, np.asarray(vectors / np.sqrt(np.maximum(values, 0.5)))


@dataclass(frozen=True, eq=False)
class _Run:
    """One ensemble: scores (steps, walkers, unknowns) and acceptance."""

    scores: Array
    acceptance: float


def _ensemble(
    log_posterior: Callable[[Array], Array], peak: Array, root: Array, seed: np.random.SeedSequence, sizes: Sampling
) -> _Run:
    """Run one ensemble from its own start."""
    rng = np.random.default_rng(seed)
    walkers = max(sizes.walkers, 2 * len(peak) + 2)
    start = peak + 1.2 * rng.standard_normal((walkers, len(peak))) @ root.T
    sampler = emcee.EnsembleSampler(walkers, len(peak), log_posterior, moves=_moves(peak, root), vectorize=True)
    legacy = np.random.RandomState(int(rng.integers(2**31)))  # emcee takes its generator in this form only
    state = emcee.State(np.clip(start, -5.5, 5.5), random_state=legacy.get_state())
    state = sampler.run_mcmc(state, sizes.burn)
    sampler.reset()
    sampler.run_mcmc(state, sizes.steps)
    return _Run(sampler.get_chain(), float(sampler.acceptance_fraction.mean()))


def _moves(peak: Array, root: Array) -> list[tuple[Any, float]]:
    """Differential evolution, and steps that would keep the approximation: part of the way back to its peak, and aside.

    The preconditioned Crank-Nicolson step (Cotter et al. 2013, Statistical Science 28:424, from memory): the whole way
    is an independent proposal. The ratio is that of the approximation's density where a walker was and goes.
    """
    size, inverse = len(peak), np.linalg.inv(root)

    def log_density(points: Array) -> Array:
        return np.asarray(-0.5 * (((points - peak) @ inverse.T) ** 2).sum(axis=1))

    def propose(points: Array, rng: Any) -> tuple[Array, Array]:
        aside = rng.choice(STEPS, len(points))[:, None]
        fresh = rng.standard_normal((len(points), size)) @ root.T
        new = peak + np.sqrt(1 - aside**2) * (points - peak) + aside * fresh
        return new, log_density(points) - log_density(new)

    return [(emcee.moves.DEMove(), 0.3), (emcee.moves.MHMove(propose), 0.7)]


def _posterior(scores: Scores, runs: list[_Run], sizes: Sampling) -> Posterior:
    chains = [run.scores @ scores.root.T for run in runs]
    kept = np.array([chain[:: sizes.thin].reshape(-1, chain.shape[-1]) for chain in chains])
    walkers = chains[0].shape[1]
    values = {name: ("draw", value) for name, value in scores.values(kept.reshape(-1, kept.shape[-1])).items()}
    return Posterior(
        scores.names,
        kept,
        xr.Dataset(values),
        dict(zip(scores.names, halves_apart(chains).tolist(), strict=True)),
        dict(zip(scores.names, effective_draws(np.concatenate(chains, axis=1)).tolist(), strict=True)),
        float(np.mean([run.acceptance for run in runs])),
        len(runs) * walkers * (sizes.burn + sizes.steps),
        scores.ties,
    )


def halves_apart(ensembles: list[Array]) -> Array:
    """Largest difference of means of the first and second half of all ensembles, or of one ensemble and the others.

    Parameters
    ----------
    ensembles : list of ndarray, shape (draws, walkers, unknowns)

    Returns
    -------
    ndarray, shape (unknowns,)
        In standard deviations of all draws.
    """
    means = np.array([[half.mean(axis=(0, 1)) for half in np.array_split(run, 2)] for run in ensembles])
    in_time = [means[:, 0].mean(axis=0) - means[:, 1].mean(axis=0)]
    each, count = means.mean(axis=1), len(ensembles)
    between = [] if count == 1 else list((each - each.mean(axis=0)) * count / (count - 1))
    spread = np.concatenate(ensembles, axis=1).std(axis=(0, 1))
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
    return [Learnt(n, 1 - float(v)) for n, v in zip(posterior.names, posterior.flat.var(axis=0), strict=True)]


def confused(posterior: Posterior) -> list[Confused]:
    """Pairs whose scores are tied by the data, the closest tie first; those that the priors tie are left out."""
    ties = np.asarray(np.atleast_2d(np.corrcoef(posterior.flat.T)))
    pairs = [
        Confused(posterior.names[i], posterior.names[j], float(ties[i, j]))
        for i, j in combinations(range(len(posterior.names)), 2)
    ]
    before = [abs(tie) for tie in posterior.ties[np.triu_indices(len(posterior.names), 1)]]
    data = [p for p, tie in zip(pairs, before, strict=True) if abs(p.correlation) >= CONFUSED > tie]
    return sorted(data, key=lambda p: -abs(p.correlation))
