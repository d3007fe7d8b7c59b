"""Random-effects meta-analysis: several studies' estimates of the same coefficients, which differ between studies.

    y_i = mu + d_i + e_i,    d_i ~ N(0, Psi),    e_i ~ N(0, S_i) with S_i known

Psi is estimated by restricted maximum likelihood (Viechtbauer 2005, J. Educ. Behav. Stat. 30(3), 261; for several
coefficients Jackson, Riley and White 2011, Stat. Med. 30, 2481). Intervals of the mean are those of Hartung and Knapp
(2001, Stat. Med. 20, 3875), those for a new study follow Higgins, Thompson and Spiegelhalter (2009, J. R. Stat. Soc. A
172(1), 137). With few studies a prior may be given: what some further studies with a stated spread would have shown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import minimize, minimize_scalar
from scipy.stats import chi2, norm

from reconcile.inference.intervals import Estimate, half_width_factor
from reconcile.vocabulary.quantities import FloatArray

_UNKNOWN_VARIANCE = 1e8  # relative to the others': what is given to a coefficient that a study did not estimate
_LOG_RANGE = 14.0  # natural logarithm; the search for a variance covers this much to either side of the data's own


@dataclass(frozen=True, slots=True)
class SpreadPrior:
    """What is known of the spread between studies before: as if `worth` further studies had shown these deviations."""

    standard_deviations: tuple[float, ...]  # of each coefficient
    worth: float

    def part(self, index: int) -> SpreadPrior:
        """The prior of one coefficient alone."""
        return SpreadPrior((self.standard_deviations[index],), self.worth)


@dataclass(frozen=True, slots=True)
class Studies:
    """Estimates (k, p) of k studies with their covariances (k, p, p); NaN where a study did not estimate one."""

    estimates: FloatArray
    covariances: FloatArray

    @property
    def known(self) -> FloatArray:
        """1 where a coefficient was estimated, else 0."""
        return np.isfinite(self.estimates).astype(np.float64)

    def without(self, index: int) -> Studies:
        """All studies but one."""
        return Studies(np.delete(self.estimates, index, axis=0), np.delete(self.covariances, index, axis=0))

    def part(self, index: int) -> Studies:
        """One coefficient, of the studies that estimated it."""
        has = np.isfinite(self.estimates[:, index])
        return Studies(self.estimates[has][:, [index]], self.covariances[has][:, [index]][:, :, [index]])


@dataclass(frozen=True, slots=True)
class RandomEffects:
    """The pooled mean with its model covariance, the covariance between studies, and how it was come by.

    `hartung_knapp` is their factor of the covariance, not bounded below. `prior` is what was used, or None.
    `minus_2_log_likelihood` is restricted, with all constants, without the prior.
    """

    mean: FloatArray  # (p,)
    covariance: FloatArray  # (p, p)
    between: FloatArray  # (p, p)
    hartung_knapp: float
    n_known: tuple[int, ...]  # studies that estimated each coefficient
    weights: FloatArray  # (k, p): what each study contributes to each mean; columns sum to 1
    minus_2_log_likelihood: float
    prior: SpreadPrior | None

    @property
    def degrees_of_freedom(self) -> float:
        """Of intervals of the mean: studies less one (of the least known coefficient), and the prior's worth."""
        return min(self.n_known) - 1.0 + (self.prior.worth if self.prior else 0.0)

    @property
    def degrees_of_freedom_of_a_new_study(self) -> float:
        """Of intervals for a new study: studies less two without a prior (Higgins et al. 2009), not under one."""
        return self.degrees_of_freedom if self.prior else max(min(self.n_known) - 2.0, 1.0)

    @property
    def adjusted_covariance(self) -> FloatArray:
        """Covariance of the mean by Hartung and Knapp, never narrower than the model's (Roever et al. 2015)."""
        return self.covariance * max(1.0, self.hartung_knapp)

    def mean_of(self, row: FloatArray) -> Estimate:
        """A linear combination of the means with its Hartung-Knapp variance."""
        variance = float(row @ self.adjusted_covariance @ row)
        return Estimate(float(row @ self.mean), variance, self.degrees_of_freedom)

    def new_study(self, row: FloatArray) -> Estimate:
        """The same combination in a study like these that is not among them."""
        variance = float(row @ (self.covariance + self.between) @ row)
        return Estimate(float(row @ self.mean), variance, self.degrees_of_freedom_of_a_new_study)


@dataclass(frozen=True, slots=True)
class Heterogeneity:
    """How far one coefficient differs between studies beyond what their own errors explain."""

    tau: float  # standard deviation between studies by REML, without a prior
    q: float  # Cochran's
    q_degrees_of_freedom: int
    q_p_value: float
    i_squared_percent: float  # share of the scatter that is between studies, from tau (Higgins and Thompson 2002)


def random_effects(studies: Studies, prior: SpreadPrior | None = None) -> RandomEffects:
    """Pool the studies; at least one with a prior, at least two without.

    The prior widens the spread where it says more than the data do; it is never let to narrow it.
    """
    filled = _filled(studies)
    if studies.estimates.shape[0] == 1 or prior is not None:
        if prior is None:
            raise ValueError("one study says nothing of the spread between studies: a prior is needed")
        between = np.diag(np.square(prior.standard_deviations))
        if studies.estimates.shape[0] > 1:
            between = _wider(_between(filled, prior), _between(filled, None))
    else:
        between = _between(filled, None)
    return _pooled(studies, filled, between, prior)


def leave_one_out(studies: Studies, prior: SpreadPrior | None = None) -> tuple[RandomEffects, ...]:
    """The pooled result without each of the studies in turn."""
    return tuple(random_effects(studies.without(i), prior) for i in range(studies.estimates.shape[0]))


def heterogeneity(studies: Studies) -> Heterogeneity:
    """Spread between at least two studies of one coefficient (p = 1)."""
    y, variances = studies.estimates[:, 0], studies.covariances[:, 0, 0]
    w = 1.0 / variances
    q = float(np.sum(w * (y - np.sum(w * y) / w.sum()) ** 2))
    degrees = y.size - 1
    tau2 = float(_between(_filled(studies), None)[0, 0])
    typical = degrees * w.sum() / (w.sum() ** 2 - np.sum(w**2))
    return Heterogeneity(math.sqrt(tau2), q, degrees, float(chi2.sf(q, degrees)), 100.0 * tau2 / (tau2 + typical))


def interval_of_the_mean(fit: RandomEffects, index: int = 0, probability: float = 0.95) -> tuple[float, float]:
    """Hartung and Knapp's interval of one mean."""
    return fit.mean_of(np.eye(fit.mean.size)[index]).interval(probability)


def normal_interval_of_the_mean(fit: RandomEffects, index: int = 0, probability: float = 0.95) -> tuple[float, float]:
    """The interval that takes the spread between studies as known."""
    half = float(norm.ppf(0.5 + probability / 2.0)) * math.sqrt(fit.covariance[index, index])
    return float(fit.mean[index]) - half, float(fit.mean[index]) + half


def interval_of_a_new_study(fit: RandomEffects, index: int = 0, probability: float = 0.95) -> tuple[float, float]:
    """Prediction interval: Student's t with the degrees of freedom of a new study."""
    estimate = fit.new_study(np.eye(fit.mean.size)[index])
    half = half_width_factor(estimate.degrees_of_freedom, probability) * estimate.standard_error
    return estimate.value - half, estimate.value + half


def _filled(studies: Studies) -> Studies:
    """What was not estimated becomes a zero of a variance so large that it counts for nothing."""
    k, p = studies.estimates.shape
    known = np.isfinite(studies.estimates)
    large = _UNKNOWN_VARIANCE * max(float(np.nanmax(studies.covariances)), float(np.nanvar(studies.estimates)), 1e-12)
    both = known[:, :, None] & known[:, None, :]
    covariances = np.where(both, studies.covariances, 0.0)
    covariances[:, np.arange(p), np.arange(p)] += np.where(known, 0.0, large)
    return Studies(np.where(known, studies.estimates, 0.0), covariances.reshape(k, p, p))


def _restricted(studies: Studies, between: FloatArray) -> tuple[float, FloatArray, FloatArray, FloatArray]:
    """-2 log restricted likelihood, mean, its covariance, and the inverses of the studies' total covariances."""
    V = studies.covariances + between
    W: FloatArray = np.asarray(np.linalg.inv(V), dtype=np.float64)
    covariance: FloatArray = np.asarray(np.linalg.inv(W.sum(axis=0)), dtype=np.float64)
    mean: FloatArray = covariance @ np.einsum("kij,kj->i", W, studies.estimates)
    rest = studies.estimates - mean
    k, p = studies.estimates.shape
    value = float(np.linalg.slogdet(V)[1].sum() - np.linalg.slogdet(covariance)[1])
    value += float(np.einsum("ki,kij,kj->", rest, W, rest)) + (k - 1) * p * math.log(2.0 * math.pi)
    return value, mean, covariance, W


def _penalty(between: FloatArray, prior: SpreadPrior | None) -> float:
    """-2 log prior: that of `worth` squared deviations with the prior's variances (an inverse Wishart density)."""
    if prior is None:
        return 0.0
    target = np.diag(np.square(prior.standard_deviations))
    return prior.worth * float(np.linalg.slogdet(between)[1] + np.trace(np.linalg.solve(between, target)))


def _between(studies: Studies, prior: SpreadPrior | None) -> FloatArray:
    """The covariance between studies at the maximum of the restricted likelihood and the prior."""
    p = studies.estimates.shape[1]
    if p == 1:
        return _one_variance(studies, prior)
    known = studies.covariances < 0.1 * _UNKNOWN_VARIANCE * np.min(np.diagonal(studies.covariances, 0, 1, 2))
    starts = []
    for i in range(p):
        has = known[:, i, i]
        single = Studies(studies.estimates[has][:, [i]], studies.covariances[has][:, [i]][:, :, [i]])
        size = float(np.mean(single.covariances))
        starts.append(math.sqrt(max(float(_one_variance(single, prior.part(i) if prior else None)[0, 0]), 0.01 * size)))
    lower = np.tril_indices(p, -1)

    def covariance(theta: FloatArray) -> FloatArray:
        root = np.diag(np.array(starts) * np.exp(np.clip(theta[:p], -_LOG_RANGE, _LOG_RANGE)))
        root[lower] = theta[p:] * np.array(starts)[lower[0]]
        return np.asarray(root @ root.T)

    def criterion(theta: FloatArray) -> float:
        between = covariance(theta)
        return _restricted(studies, between)[0] + _penalty(between, prior)

    start: FloatArray = np.zeros(p + lower[0].size)
    options: Any = {"xatol": 1e-6, "fatol": 1e-9, "maxiter": 4000, "maxfev": 4000}
    found = minimize(criterion, start, method="Nelder-Mead", options=options)
    return covariance(np.asarray(found.x))


def _one_variance(studies: Studies, prior: SpreadPrior | None) -> FloatArray:
    """The variance between studies of a single coefficient; zero where the likelihood is largest there."""
    size = max(float(np.var(studies.estimates)), float(np.mean(studies.covariances)), 1e-30)
    if prior is not None:
        size = max(size, prior.standard_deviations[0] ** 2)

    y, own = studies.estimates[:, 0], studies.covariances[:, 0, 0]

    def criterion(log_variance: FloatArray) -> FloatArray:
        variance = size * np.exp(log_variance)
        value = _restricted_of_one(y, own, variance)
        if prior is None:
            return value
        target = prior.standard_deviations[0] ** 2
        return np.asarray(value + prior.worth * (np.log(variance) + target / variance))

    grid = np.linspace(-_LOG_RANGE, 4.0, 145)
    best = int(np.argmin(criterion(grid)))
    bounds = (float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)]))
    found = minimize_scalar(
        lambda x: float(criterion(np.array([x]))[0]), bounds=bounds, method="bounded", options={"xatol": 1e-10}
    )
    if prior is None and float(_restricted_of_one(y, own, np.zeros(1))[0]) <= float(found.fun):
        return np.zeros((1, 1))
    return np.array([[size * math.exp(float(found.x))]])


def _restricted_of_one(y: FloatArray, own: FloatArray, variances: FloatArray) -> FloatArray:
    """-2 log restricted likelihood of one coefficient at many variances between studies, without its constant."""
    w = 1.0 / (own + variances[:, None])
    whole = w.sum(axis=1)
    mean = w @ y / whole
    squares = np.sum(w * (y - mean[:, None]) ** 2, axis=1)
    return np.asarray(np.log(whole) - np.log(w).sum(axis=1) + squares)


def _wider(penalised: FloatArray, plain: FloatArray) -> FloatArray:
    """The penalised covariance with its deviations raised to the plain ones, its correlations kept."""
    scale = np.sqrt(np.maximum(np.diag(plain) / np.diag(penalised), 1.0))
    return np.asarray(penalised * np.outer(scale, scale))


def _pooled(studies: Studies, filled: Studies, between: FloatArray, prior: SpreadPrior | None) -> RandomEffects:
    value, mean, covariance, W = _restricted(filled, between)
    rest = filled.estimates - mean
    known = np.isfinite(studies.estimates)
    degrees = int(known.sum()) - mean.size
    squares = float(np.einsum("ki,kij,kj->", rest * known, W, rest * known))
    shares = np.einsum("ij,kji->ki", covariance, W)
    return RandomEffects(
        mean=mean,
        covariance=covariance,
        between=between,
        hartung_knapp=squares / degrees if degrees > 0 else 1.0,
        n_known=tuple(int(n) for n in known.sum(axis=0)),
        weights=np.where(known, shares, 0.0),
        minus_2_log_likelihood=value,
        prior=prior,
    )
