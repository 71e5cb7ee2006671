"""How well the throws pin a law's constants, and whether its predictive bands cover what was left out."""

import numpy as np
from scipy import stats

from benchmarks import flight_data as data
from benchmarks.flight_checks import Fitted
from benchmarks.flight_data import Array
from benchmarks.flight_fit import STEP, bootstrap, covariance, fit, jacobian, log_measured, without
from jetsim.jet.drag import DROP_SCATTER

SEED = 20261125
HEIGHT_FORMULA_ERROR = 0.03  # sd of a common error of the height formula, assumed: the two differ by 2.3 %
ALPHA = 0.05  # of the binomial limits on coverage
LEVEL = 0.90


def report(chosen: Fitted, replicates: int, draws: int) -> None:
    """Print covariance, bootstrap, scatter and coverage of the law fitted to all rows."""
    cases = data.both()
    names = [n if n in chosen.law.exponents else f"ln {n}" for n in chosen.law.start]
    print(f"\nUncertainty of {chosen.law.name}: coordinates {', '.join(names)}")
    local, scatter, slopes = covariance(chosen.law, chosen.x, without(None), cases)
    print(f"Residual scatter of ln range: {scatter:.4f} ({data.RANGES} rows less {chosen.x.size} constants)")
    _print_groups(chosen, cases)
    _print_steps(chosen, cases)
    _print_matrix("Gauss-Newton covariance (rows as if independent)", local, names)
    sample = bootstrap(chosen.law, replicates, cases, np.random.default_rng(SEED), HEIGHT_FORMULA_ERROR)
    clustered = _print_bootstrap(chosen, sample, names)
    found, flown = drop_scatter(scatter, slopes), flown_scatter(chosen, DROP_SCATTER, draws)
    rms = _rms(slopes[: data.RANGES, 0])
    print(
        f"\ndrop_scale for this scatter: ln standard deviation {found:.3f} by slopes (d ln range/d ln drop {rms:.3f})"
    )
    print(f"  DROP_SCATTER = {DROP_SCATTER:g} gives, flown, {flown:.4f}")
    _print_coverage(chosen, cases, local, clustered)


def drop_scatter(scatter: float, slopes: Array) -> float:
    """Standard deviation of ln drop that gives this scatter of ln range, from d ln range / d ln drop."""
    return scatter / _rms(slopes[: data.RANGES, 0])


def _rms(values: Array) -> float:
    return float(np.sqrt((values**2).mean()))


def flown_scatter(chosen: Fitted, scatter: float, draws: int) -> float:
    """Scatter of ln range of throws flown with drops drawn from the lognormal; the first constant is the drop's."""
    rng = np.random.default_rng(SEED)
    columns = np.tile(chosen.column(), (1, data.RANGES * draws))
    columns[0] *= np.exp(rng.normal(0.0, scatter, columns.shape[1]))
    reach = data.fly_cases(chosen.law.build, columns, data.throws().repeat(draws)).extreme_reach
    return _rms(np.log(reach).reshape(draws, -1).std(axis=0))


def _print_groups(chosen: Fitted, cases: data.Cases) -> None:
    values = jacobian(chosen.law, chosen.x[None], cases)[0][0]
    error = (values - log_measured())[: data.RANGES]
    means = {g: error[g == data.GROUP].mean() for g in data.GROUPS}
    inside = np.concatenate([error[g == data.GROUP] - mean for g, mean in means.items()])
    print(f"  group means: {', '.join(f'{g} {100 * mean:+.1f} %' for g, mean in means.items())}; "
          f"within groups {np.sqrt((inside**2).sum() / (inside.size - len(means))):.4f}")  # fmt: skip


def _print_steps(chosen: Fitted, cases: data.Cases) -> None:
    """The covariance must not hang on the finite-difference step."""
    for step in (1e-6, 1e-4, STEP, 0.05):
        local = covariance(chosen.law, chosen.x, without(None), cases, step)[0]
        print(f"  step {step:7.0e}: standard deviations {np.sqrt(np.diag(local)).round(4).tolist()}")


def _print_matrix(title: str, matrix: Array, names: list[str]) -> None:
    sd = np.sqrt(np.diag(matrix))
    print(f"{title}: standard deviations {', '.join(f'{n} {s:.3f}' for n, s in zip(names, sd, strict=True))}")
    for name, row, correlation in zip(names, matrix, matrix / np.outer(sd, sd), strict=True):
        print(f"  {name:18s} covariance {np.array2string(row, precision=5, floatmode='fixed')}  "
              f"correlation {np.array2string(correlation, precision=3, floatmode='fixed')}")  # fmt: skip


def _print_bootstrap(chosen: Fitted, sample: Array, names: list[str]) -> Array:
    print(f"\nCluster bootstrap: {len(sample)} resamples of {len(data.GROUPS)} tip-and-profile groups, with a common "
          f"error of the height formula of {100 * HEIGHT_FORMULA_ERROR:g} % (assumed); percentiles")  # fmt: skip
    shares = (2.5, 5, 16, 50, 84, 95, 97.5)
    rows = np.percentile(chosen.law.constants(sample), shares, axis=0).T
    print(f"  {'':18s} {' '.join(f'{share:>9g}' for share in shares)}")
    for name, row in zip(chosen.law.start, rows, strict=True):
        print(f"  {name:18s} {' '.join(f'{value:9.4g}' for value in row)}")
    matrix = np.cov(sample.T)
    _print_matrix("Bootstrap covariance", matrix, names)
    return matrix


def _print_coverage(chosen: Fitted, cases: data.Cases, local: Array, clustered: Array) -> None:
    """Bands of each group from the fit without it."""
    law = chosen.law
    weights = np.stack([without(g) for g in data.GROUPS])
    fits = fit(law, weights, cases)
    kinds = ("Gauss-Newton and scatter", "bootstrap and scatter", "bootstrap and DROP_SCATTER")
    hits, widths = np.zeros(3, dtype=int), []
    print(f"\nBands of {LEVEL:.0%} on left-out groups (fit without the group)")
    for group, x, weight in zip(data.GROUPS, fits, weights, strict=True):
        rows = np.flatnonzero(group == data.GROUP)
        own, scatter, slopes = covariance(law, x, weight, cases)
        error = (jacobian(law, x[None], cases)[0][0] - log_measured())[rows]
        slope = slopes[rows]
        extra = (np.full(rows.size, scatter), np.full(rows.size, scatter), slope[:, 0] * DROP_SCATTER)
        bands = [
            stats.norm.ppf(0.5 + LEVEL / 2) * np.sqrt(e**2 + np.einsum("ri,ij,rj->r", slope, c, slope))
            for e, c in zip(extra, (own, clustered, clustered), strict=True)
        ]
        inside = [int((np.abs(error) <= band).sum()) for band in bands]
        hits += inside
        widths.append([float(band.mean()) for band in bands])
        constants = ", ".join(f"{v:.4g}" for v in law.constants(x))
        print(f"  without {group:8s} n {rows.size:2d}: error {100 * np.abs(np.expm1(error)).mean():.2f} %, bias "
              f"{100 * np.expm1(error).mean():+.2f} %, inside {inside}, half-widths "
              f"{[f'{100 * w:.1f} %' for w in widths[-1]]}, constants {constants}")  # fmt: skip
    low, high = (int(stats.binom.ppf(p, data.RANGES, LEVEL)) for p in (ALPHA / 2, 1 - ALPHA / 2))
    for kind, hit in zip(kinds, hits, strict=True):
        verdict = "within" if low <= hit <= high else "OUTSIDE"
        print(f"  {kind}: {hit} of {data.RANGES} covered, {verdict} the binomial limits {low} to {high} "
              f"(alpha = {ALPHA:g}, rows as if independent)")  # fmt: skip
    print(
        "  The bootstrap covariance is that of all groups; rows of one group share a nozzle, so true limits are wider."
    )
