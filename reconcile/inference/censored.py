"""Linear mixed models of groups some of whose rows are known only within limits.

    mean of group = X b + a,   a ~ N(0, K),   K = known + sum_k theta_k Z_k Z_k';   rows given the mean: `limits.py`

Each group with limited rows stands for one normal observation of its mean, a site, so chosen that the posterior of the
mean has the mean and variance that its rows give it (expectation propagation: Minka 2001; Rasmussen and Williams 2006,
Gaussian Processes for Machine Learning, section 3.6). With the sites held, the derivatives of the marginal likelihood
by b and theta are those of the linear mixed model of the sites; so components are those of restricted (or plain)
maximum likelihood for the sites, in turn with these until neither moves. Laplace's approximation was tried first:
where whole groups are hidden it moves the coefficients by half their error; this does not. Where nothing is limited
the sites are the group means and the result is exact. Degrees of freedom are Satterthwaite's for the sites.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize_scalar

from reconcile.inference.limits import Groups
from reconcile.inference.mixed import RESIDUAL, LinearFit, Structure, fit_linear, inverse_and_log_determinant
from reconcile.inference.sites import Sites, first_sites, renewed
from reconcile.vocabulary.quantities import FloatArray

_MOST_TURNS, _MOST_SWEEPS = 60, 40
_STEPS_A_TURN = 3  # for the components, before the sites are renewed: more are lost on sites that still move
_TOLERANCE = 1e-4  # dB of the sites' means, and relative of the variances
_SCALE_BOUNDS = (0.02, 20.0)  # of a row's standard deviation, as a factor on a first guess


@dataclass(frozen=True, slots=True)
class LimitedFit:
    """A fit, and the normal observations (one for each group) that its rows stand for."""

    linear: LinearFit
    sites: Sites

    @property
    def response(self) -> FloatArray:
        return self.sites.response

    @property
    def response_variance(self) -> FloatArray:
        return self.sites.variance


def fit_limited(
    groups: Groups, X: FloatArray, layout: Structure, *, restricted: bool = True, start: LimitedFit | None = None
) -> LimitedFit:
    """Fit coefficients and components; `layout.known` does not hold the rows' own scatter.

    `X` has shape (groups, p) and full rank over the groups with known rows. Without components in `layout` nothing
    but the coefficients is sought. `start` is a fit of the same groups to begin from.
    """
    sites = start.sites if start else first_sites(groups, X)
    variances = start.linear.variances if start else None
    for _ in range(_MOST_TURNS):
        before, means = variances, sites.response
        linear = fit_linear(
            sites.response, X, _with(layout, sites), restricted=restricted, start=variances, most_steps=_STEPS_A_TURN
        )
        variances = linear.variances
        sites = _settled(groups, X, layout.covariance(variances), sites, restricted)
        still = before is not None and bool(np.allclose(variances, before, rtol=_TOLERANCE, atol=1e-5))
        if still and sites.still(means, _TOLERANCE):
            break
    linear = fit_linear(sites.response, X, _with(layout, sites), restricted=restricted, start=variances)
    likelihood = linear.minus_2_log_likelihood - 2.0 * sites.log_scale
    return LimitedFit(replace(linear, minus_2_log_likelihood=likelihood), sites)


def marginal_criterion(
    groups: Groups, X: FloatArray, layout: Structure, variances: FloatArray, restricted: bool
) -> float:
    """-2 log likelihood at given components, the coefficients fitted (or, restricted, integrated out)."""
    K = layout.covariance(variances)
    sites = _settled(groups, X, K, first_sites(groups, X), restricted)
    return _posterior(X, K, sites, restricted).minus_2_log_likelihood - 2.0 * sites.log_scale


def fit_limited_scale(
    groups: Groups, X: FloatArray, layout: Structure, guess: float, *, restricted: bool = True
) -> LimitedFit:
    """As `fit_limited` where no group has repeated rows: a row's scatter is sought too, and is the residual.

    `layout` then has no residual component of its own: it could not be told from the rows' scatter.
    """

    def at(log_sd: float) -> LimitedFit:
        scaled = replace(groups, row_sd=np.full(groups.n, math.exp(log_sd)))
        return fit_limited(scaled, X, layout, restricted=restricted)

    def criterion(log_sd: float) -> float:
        return at(log_sd).linear.minus_2_log_likelihood

    low, high = (math.log(guess * bound) for bound in _SCALE_BOUNDS)
    found = float(minimize_scalar(criterion, bounds=(low, high), method="bounded", options={"xatol": 1e-4}).x)
    return _with_residual(at(found), math.exp(2.0 * found), _bend(criterion, found))


def _bend(criterion: Callable[[float], float], at: float, step: float = 0.1) -> float:
    """Second derivative of a criterion by its argument, from three points; a flat one is bounded from below."""
    return max((criterion(at + step) - 2.0 * criterion(at) + criterion(at - step)) / step**2, 0.5)


def _with_residual(fit: LimitedFit, variance: float, bend: float) -> LimitedFit:
    """The rows' variance as one more component: var(log s) = 2 / (second derivative of -2 log L)."""
    linear, count = fit.linear, len(fit.linear.names)
    gradient = (linear.weights * (fit.response_variance / variance)) @ linear.weights.T
    certainty = np.zeros((count + 1, count + 1))
    certainty[1:, 1:] = linear.covariance_of_variances
    certainty[0, 0] = 4.0 * variance**2 * 2.0 / bend
    widened = replace(
        linear,
        names=(RESIDUAL, *linear.names),
        variances=np.r_[variance, linear.variances],
        covariance_of_variances=certainty,
        gradients=np.concatenate([gradient[None], linear.gradients.reshape(-1, *gradient.shape)]),
    )
    return replace(fit, linear=widened)


def _with(layout: Structure, sites: Sites) -> Structure:
    return layout.part(np.ones(sites.variance.size, dtype=bool), np.diag(sites.variance))


@dataclass(frozen=True, slots=True)
class _Posterior:
    """Mean and variance of each group's mean, and the Gaussian criterion of the sites."""

    mean: FloatArray
    variance: FloatArray
    minus_2_log_likelihood: float


def _posterior(X: FloatArray, K: FloatArray, sites: Sites, restricted: bool) -> _Posterior:
    """What the sites say of all group means for a covariance K of the random part."""
    n, p = X.shape
    inverse, log_determinant = inverse_and_log_determinant(K + np.diag(sites.variance))
    weighted = inverse @ X
    information = X.T @ weighted
    P = inverse - weighted @ np.linalg.solve(information, weighted.T)
    residual = P @ sites.response
    value = float(sites.response @ residual) + log_determinant + n * math.log(2.0 * math.pi)
    if restricted:
        value += float(np.linalg.slogdet(information)[1]) - p * math.log(2.0 * math.pi)
    spread = np.diag(P) if restricted else np.diag(inverse)
    variance = sites.variance - sites.variance**2 * spread
    return _Posterior(sites.response - sites.variance * residual, variance, value)


def _settled(groups: Groups, X: FloatArray, K: FloatArray, sites: Sites, restricted: bool) -> Sites:
    """The sites for a covariance K: renewed until they stand still."""
    for _ in range(_MOST_SWEEPS):
        posterior = _posterior(X, K, sites, restricted)
        after = renewed(groups, sites, posterior.mean, posterior.variance)
        done = after.still(sites.response, _TOLERANCE)
        sites = after
        if done:
            break
    return sites
