"""Parametric bootstrap of a mixed model with limited rows: how wide its intervals ought to be.

Where rows are limited, degrees of freedom are an approximation. So data are drawn from the fit again and again (group
means with all that groups share, then rows: how many fall beyond the limits, and the mean of the rest), fitted again
(components by scoring in turn with the limits' normal observations), and each interval is held against what it should
hold: the factor is the 95 % quantile of error over half-width (bootstrap-t: Efron and Tibshirani 1993, An Introduction
to the Bootstrap, 12.5; recalled). All replicates are fitted at once, as stacks of matrices.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

from reconcile.inference.censored import LimitedFit
from reconcile.inference.intervals import effective_degrees_of_freedom, half_width_factors
from reconcile.inference.limits import Groups, Limited
from reconcile.inference.mixed import Structure
from reconcile.inference.sites import Sites, renewed
from reconcile.vocabulary.quantities import FloatArray

N_REPLICATES = 199
_TURNS = 30  # of scoring and renewal; what has not settled by then is left out
_STILL = 0.02  # relative, of the components
_LARGEST_STEP = 1.0  # in the logarithm of a component
_LEAST = 1e-4  # dB², of a component
_LEAST_SHARE = 0.8  # of the replicates have to settle


@dataclass(frozen=True, slots=True)
class Widening:
    """By what factor the half-width of each of some contrasts has to grow, and from how many replicates."""

    factors: FloatArray
    n_replicates: int


def widening(
    groups: Groups, X: FloatArray, layout: Structure, fit: LimitedFit, contrasts: FloatArray, seed: int
) -> Widening | None:
    """Factors for `contrasts` (m, p) of the coefficients of a fit; None where too few replicates settle.

    `layout` is that of the fit. Rows are drawn as many as a group is worth; its limits stand at their mean.
    """
    random = np.random.default_rng(seed)
    drawn = _draw(groups, X, layout, fit, random)
    found = _fit_all(drawn, X, layout, fit)
    settled = int(found.settled.sum())
    if settled < _LEAST_SHARE * N_REPLICATES:
        return None
    error = (found.coefficients - fit.linear.coefficients) @ contrasts.T
    ratio = np.abs(error[found.settled]) / found.half_widths(contrasts)[found.settled]
    return Widening(np.quantile(ratio, 0.95, axis=0), settled)


def _draw(groups: Groups, X: FloatArray, layout: Structure, fit: LimitedFit, random: np.random.Generator) -> Groups:
    """Rows of all replicates as groups in a row, replicate by replicate."""
    B, n = N_REPLICATES, groups.n
    root = np.linalg.cholesky(layout.covariance(np.maximum(fit.linear.variances, _LEAST)))
    mean = X @ fit.linear.coefficients + random.standard_normal((B, n)) @ root.T
    limited, sd = groups.limited, groups.row_sd
    rows = groups.number + np.bincount(limited.group, limited.count, minlength=n)
    number = np.maximum(np.round(groups.worth * rows), 1.0).astype(np.int64)
    low, high = _mean_limit(limited, n, below=True), _mean_limit(limited, n, below=False)
    a, b = (np.nan_to_num((end - mean) / sd, posinf=np.inf, neginf=-np.inf) for end in (low, high))
    share_below, share_above = ndtr(a), ndtr(-b)
    below = random.binomial(number, share_below)
    rest = np.clip(share_above / np.maximum(1.0 - share_below, 1e-12), 0.0, 1.0)
    above = random.binomial(number - below, rest)
    known = number - below - above
    centre, spread = _between(a, b)
    heard = mean + sd * (centre + spread * random.standard_normal((B, n)) / np.sqrt(np.maximum(known, 1)))
    place = np.arange(B * n).reshape(B, n)
    parts = [
        (place[below > 0], np.full(int((below > 0).sum()), -np.inf), (low + 0.0 * mean)[below > 0], below[below > 0]),
        (place[above > 0], (high + 0.0 * mean)[above > 0], np.full(int((above > 0).sum()), np.inf), above[above > 0]),
    ]
    group, lows, highs, counts = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Groups(
        number=known.ravel().astype(np.float64),
        mean=heard.ravel(),
        row_sd=np.tile(sd, B),
        worth=np.ones(B * n),
        limited=Limited(group.astype(np.intp), lows, highs, counts.astype(np.float64)),
    )


def _mean_limit(limited: Limited, n: int, *, below: bool) -> FloatArray:
    """Where the upper (or lower) limits of each group stand on average; infinite where it has none."""
    one_sided = np.isinf(limited.low) if below else np.isinf(limited.high)
    group, count = limited.group[one_sided], limited.count[one_sided]
    value = (limited.high if below else limited.low)[one_sided]
    rows = np.bincount(group, count, minlength=n)
    total = np.bincount(group, count * value, minlength=n)
    return np.where(rows > 0, total / np.maximum(rows, 1e-12), -np.inf if below else np.inf)


def _between(a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of a standard normal between two ends."""
    mass = np.maximum(np.exp(log_ndtr(b)) - np.exp(log_ndtr(a)), 1e-12)
    low, high = (np.where(np.isfinite(x), x, 0.0) for x in (a, b))
    at_low, at_high = (np.exp(-0.5 * x**2) / np.sqrt(2 * np.pi) * np.isfinite(y) for x, y in ((low, a), (high, b)))
    mean = (at_low - at_high) / mass
    return mean, np.sqrt(np.clip(1.0 + (low * at_low - high * at_high) / mass - mean**2, 1e-6, 1.0))


@dataclass(frozen=True, slots=True)
class _Stack:
    """All replicates fitted: coefficients (B, p), their covariance, and what degrees of freedom need."""

    coefficients: FloatArray
    covariance: FloatArray  # (B, p, p)
    gradients: FloatArray  # (B, k, p, p)
    certainty: FloatArray  # (B, k, k)
    settled: NDArray[np.bool_]

    def half_widths(self, contrasts: FloatArray) -> FloatArray:
        """Of 95 % intervals of the contrasts, for each replicate (B, m)."""
        variance = np.einsum("mi,bij,mj->bm", contrasts, self.covariance, contrasts)
        gradient = np.einsum("mi,bkij,mj->bmk", contrasts, self.gradients, contrasts)
        degrees = np.stack(
            [effective_degrees_of_freedom(v, g, c) for v, g, c in zip(variance, gradient, self.certainty, strict=True)]
        )
        return np.asarray(half_width_factors(degrees) * np.sqrt(variance))


def _fit_all(drawn: Groups, X: FloatArray, layout: Structure, fit: LimitedFit) -> _Stack:
    """Scoring on the logarithms of the components, in turn with one renewal of the sites, for all replicates."""
    B, n, k = N_REPLICATES, X.shape[0], len(layout.names)
    kernels = np.array(layout.kernels).reshape(k, n, n)
    worth = np.array([prior.worth if prior else 0.0 for prior in layout.priors])
    square = np.array([prior.standard_deviation**2 if prior else 0.0 for prior in layout.priors])
    theta = np.tile(np.maximum(fit.linear.variances, _LEAST), (B, 1))
    sites = _first(drawn, np.tile(X @ fit.linear.coefficients, B))
    settled = np.zeros(B, dtype=bool)
    for _ in range(_TURNS):
        y, own = sites.response.reshape(B, n), sites.variance.reshape(B, n)
        V = layout.known + np.einsum("bk,kij->bij", theta, kernels)
        V[:, range(n), range(n)] += own
        inverse = np.linalg.inv(V)
        weighted = inverse @ X
        covariance = np.linalg.inv(X.T @ weighted)
        P = inverse - weighted @ covariance @ weighted.transpose(0, 2, 1)
        Py = np.einsum("bij,bj->bi", P, y)
        PK = P[:, None] @ kernels
        slope = np.trace(PK, axis1=2, axis2=3) - np.einsum("bi,kij,bj->bk", Py, kernels, Py)
        information = 0.5 * np.einsum("bkij,blji->bkl", PK, PK)
        slope = theta * slope + worth * (1.0 - square / theta)
        bend = 2.0 * theta[:, :, None] * theta[:, None, :] * information
        bend[:, range(k), range(k)] += worth * np.maximum(1.0, square / theta) + 1e-9
        step = np.clip(-np.linalg.solve(bend, slope[..., None])[..., 0], -_LARGEST_STEP, _LARGEST_STEP)
        moved = sites.response
        sites = renewed(drawn, sites, (y - own * Py).ravel(), (own - own**2 * P[:, range(n), range(n)]).ravel())
        jump = np.abs(sites.response - moved) / np.maximum(1.0, np.sqrt(sites.variance))
        small = (np.abs(step) < _STILL) | (theta <= 2 * _LEAST)
        settled = small.all(axis=1) & (jump.reshape(B, n).max(axis=1) < _STILL)
        if settled.all():
            break
        theta = np.maximum(theta * np.exp(step), _LEAST)
    W = covariance @ weighted.transpose(0, 2, 1)
    gradients = np.asarray(W[:, None] @ kernels @ W.transpose(0, 2, 1)[:, None], dtype=np.float64)
    information[:, range(k), range(k)] += worth / (2.0 * theta**2) + 1e-12
    return _Stack(
        np.einsum("bpi,bi->bp", W, y),
        np.asarray(covariance, dtype=np.float64),
        gradients,
        np.linalg.inv(information),
        settled,
    )


def _first(drawn: Groups, centre: FloatArray) -> Sites:
    """Where to start: what the rows say of their mean about the mean of the fit."""
    means = np.where(drawn.number > 0, drawn.mean, centre)
    evidence = drawn.evidence(means)
    curvature = np.maximum(evidence.curvature, (10.0 * drawn.row_sd) ** -2.0)
    limited = np.unique(drawn.limited.group)
    place = np.zeros(drawn.n, dtype=np.intp)
    place[limited] = np.arange(limited.size)
    of = drawn.limited
    rows = Groups(
        drawn.number[limited],
        drawn.mean[limited],
        drawn.row_sd[limited],
        drawn.worth[limited],
        Limited(place[of.group], of.low, of.high, of.count),
    )
    return Sites(means + evidence.slope / curvature, 1.0 / curvature, limited, rows, 0.0)
