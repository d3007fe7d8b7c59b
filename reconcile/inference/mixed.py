"""Linear models with crossed random effects, fitted by restricted maximum likelihood.

    y = X b + sum_k Z_k u_k + e,    V = known + theta_0 I + sum_k theta_k Z_k Z_k'

`known` holds variances that come from elsewhere (a certificate, the mean of n repeats). The other components are
estimated, bounded at zero. A component with few groups may be given a weak prior, worth a stated number of further
groups with a stated spread; without a prior the estimate is plain REML (Patterson and Thompson 1971).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.lapack import dpotrf, dpotri

from reconcile.inference.intervals import Estimate, effective_degrees_of_freedom
from reconcile.vocabulary.quantities import FloatArray

RESIDUAL = "residual"
_SMALLEST_SHARE = 1e-9  # of the whole: the search goes no lower, so that V stays positive definite
_ZERO_SHARE = 1e-6  # a variance below this share of the whole is nothing
_LARGEST_STEP = 2.0  # in the logarithm of a variance
_SMALLEST_STEP = 1e-3  # as a share of the step that scoring proposes
_TOLERANCE = 1e-13  # of the criterion's expected fall, relative to its size
_MOST_STEPS = 100


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of a component's standard deviation before: as if `worth` further groups had shown it."""

    standard_deviation: float
    worth: float


@dataclass(frozen=True, slots=True)
class Structure:
    """How the observations vary together: estimated components and a known covariance, for n observations."""

    names: tuple[str, ...]
    indicators: tuple[FloatArray, ...]  # (n, groups of the component)
    kernels: tuple[FloatArray, ...]  # (n, n), what one unit of the component's variance adds to V
    priors: tuple[Prior | None, ...]
    known: FloatArray  # (n, n)

    def part(self, rows: NDArray[np.bool_], further: FloatArray) -> Structure:
        """The structure of some of the observations, with a further known covariance among those."""
        pick = np.ix_(rows, rows)
        return Structure(
            names=self.names,
            indicators=tuple(
                z[pick] if name == RESIDUAL else z[rows] for name, z in zip(self.names, self.indicators, strict=True)
            ),
            kernels=tuple(kernel[pick] for kernel in self.kernels),
            priors=self.priors,
            known=self.known[pick] + further,
        )

    def covariance(self, variances: FloatArray) -> FloatArray:
        """V for given variances of the components."""
        total = self.known.copy()
        for variance, kernel in zip(variances, self.kernels, strict=True):
            total += variance * kernel
        return total

    def without(self, name: str) -> Structure:
        """The structure without a component."""
        kept = [k for k, other in enumerate(self.names) if other != name]
        return Structure(
            names=tuple(self.names[k] for k in kept),
            indicators=tuple(self.indicators[k] for k in kept),
            kernels=tuple(self.kernels[k] for k in kept),
            priors=tuple(self.priors[k] for k in kept),
            known=self.known,
        )


@dataclass(frozen=True, slots=True)
class LinearFit:
    """Coefficients with their covariance, variance components and what small-sample intervals need.

    `gradients[k]` is the derivative of `covariance` by component k; `covariance_of_variances` is the covariance of
    the estimated components. `minus_2_log_likelihood` is restricted or not, as asked, with all constants.
    """

    coefficients: FloatArray
    covariance: FloatArray
    names: tuple[str, ...]
    variances: FloatArray
    covariance_of_variances: FloatArray
    gradients: FloatArray
    minus_2_log_likelihood: float
    weights: FloatArray  # (p, n): coefficients = weights @ y

    def variance(self, name: str) -> float:
        """The estimated variance of a component; 0 for one that is not in the model."""
        return float(self.variances[self.names.index(name)]) if name in self.names else 0.0

    def contrast(self, row: ArrayLike, known_variance: float = 0.0) -> Estimate:
        """A linear combination of the coefficients; `known_variance` is common to all observations."""
        direction = np.asarray(row, dtype=np.float64)
        variance = float(direction @ self.covariance @ direction) + known_variance
        gradient = np.einsum("i,kij,j->k", direction, self.gradients, direction)
        degrees = effective_degrees_of_freedom(np.array([variance]), gradient[None, :], self.covariance_of_variances)
        return Estimate(float(direction @ self.coefficients), variance, float(degrees[0]))


def indicator(labels: Sequence[object] | FloatArray) -> FloatArray:
    """Zeros and ones: which observation (row) belongs to which group (column)."""
    groups, codes = np.unique(np.asarray(labels), return_inverse=True)
    return np.asarray(codes[:, None] == np.arange(groups.size)[None, :], dtype=np.float64)


def shared_covariance(labels: Sequence[object], standard_deviations: ArrayLike) -> FloatArray:
    """Known covariance of observations that share a group's error; a standard deviation for each observation."""
    membership = indicator(labels)
    deviations = np.asarray(standard_deviations, dtype=np.float64)
    return np.asarray((membership @ membership.T) * np.outer(deviations, deviations))


def structure(
    groups: Mapping[str, Sequence[object]],
    known: FloatArray,
    priors: Mapping[str, Prior] | None = None,
) -> Structure:
    """Crossed random intercepts over some groupings of the n observations, plus the residual.

    Where every group of a component holds one observation the residual cannot be told from it and is left out.
    """
    given = priors or {}
    n = known.shape[0]
    indicators = {name: indicator(labels) for name, labels in groups.items()}
    saturated = any(z.shape[1] == n for z in indicators.values())
    if not saturated:
        indicators = {RESIDUAL: np.eye(n), **indicators}
    names = tuple(indicators)
    return Structure(
        names=names,
        indicators=tuple(indicators.values()),
        kernels=tuple(z @ z.T for z in indicators.values()),
        priors=tuple(given.get(name) for name in names),
        known=known,
    )


@dataclass(frozen=True, slots=True)
class _Point:
    """The criterion (-2 log likelihood plus the priors') at some variances, and its pieces."""

    criterion: float
    likelihood: float
    slope: FloatArray  # by the variances, of the likelihood part
    information: FloatArray  # expected second derivative of half of it, by the variances
    inverse: FloatArray
    covariance: FloatArray


def _evaluate(y: FloatArray, X: FloatArray, layout: Structure, variances: FloatArray, restricted: bool) -> _Point:
    n, p = X.shape
    inverse, log_determinant = inverse_and_log_determinant(layout.covariance(variances))
    VX = inverse @ X
    covariance: FloatArray = np.asarray(np.linalg.inv(X.T @ VX), dtype=np.float64)
    P = inverse - VX @ covariance @ VX.T
    Py = P @ y
    likelihood = (n - p if restricted else n) * math.log(2.0 * math.pi) + float(y @ Py)
    likelihood += log_determinant
    if restricted:
        likelihood -= float(np.linalg.slogdet(covariance)[1])
    M = P if restricted else inverse
    own = [name == RESIDUAL for name in layout.names]  # its indicator is the identity: nothing to multiply
    MZ = [M if alone else M @ z for z, alone in zip(layout.indicators, own, strict=True)]
    slope = np.array([np.sum(z * mz) - np.sum((z.T @ Py) ** 2) for z, mz in zip(layout.indicators, MZ, strict=True)])
    information = 0.5 * np.array(
        [
            [np.sum((mzj if alone else zi.T @ mzj) ** 2) for mzj in MZ]
            for zi, alone in zip(layout.indicators, own, strict=True)
        ]
    )
    information = information.reshape(len(MZ), len(MZ))
    return _Point(likelihood + _penalty(layout, variances), likelihood, slope, information, inverse, covariance)


def inverse_and_log_determinant(V: FloatArray) -> tuple[FloatArray, float]:
    """Inverse and logarithm of the determinant of a positive definite matrix, by Cholesky's decomposition.

    Raises numpy.linalg.LinAlgError where the matrix is not positive definite.
    """
    root, failed = dpotrf(V, lower=True, clean=True)
    if failed:
        raise np.linalg.LinAlgError("the covariance is not positive definite")
    lower = dpotri(root, lower=True)[0]
    inverse = lower + lower.T
    np.fill_diagonal(inverse, np.diag(lower))
    return np.asarray(inverse, dtype=np.float64), 2.0 * float(np.log(np.diag(root)).sum())


def _penalty(layout: Structure, variances: FloatArray) -> float:
    """-2 log prior of the components: that of `worth` squared deviations with the prior's variance."""
    return math.fsum(
        prior.worth * (math.log(v) + prior.standard_deviation**2 / v)
        for prior, v in zip(layout.priors, variances, strict=True)
        if prior is not None
    )


def _prior_terms(layout: Structure, variances: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slope of the penalty by the logarithm of each variance, and its curvature."""
    worth = np.array([prior.worth if prior else 0.0 for prior in layout.priors])
    spread = np.array([prior.standard_deviation**2 if prior else 0.0 for prior in layout.priors])
    return worth * (1.0 - spread / variances), worth * np.maximum(1.0, spread / variances)


def fit_linear(
    y: FloatArray,
    X: FloatArray,
    layout: Structure,
    *,
    restricted: bool = True,
    start: FloatArray | None = None,
    most_steps: int = _MOST_STEPS,
) -> LinearFit:
    """Fit coefficients and variance components; `restricted` False gives maximum likelihood.

    `y` has shape (n,), `X` (n, p) of full rank with n >= p. With n = p nothing but the priors speaks of the
    components. `start` are variances to start from, `most_steps` the steps of the search for them.
    """
    variances, point = _maximise(y, X, layout, restricted, start, most_steps)
    weights = point.covariance @ X.T @ point.inverse
    gradients = np.array([weights @ kernel @ weights.T for kernel in layout.kernels]).reshape(
        -1, X.shape[1], X.shape[1]
    )
    worth = np.array([prior.worth if prior else 0.0 for prior in layout.priors])
    information = point.information + np.diag(worth / (2.0 * variances**2))
    return LinearFit(
        coefficients=weights @ y,
        covariance=point.covariance,
        names=layout.names,
        variances=np.where(variances > _ZERO_SHARE * _whole(y, X, layout), variances, 0.0),
        covariance_of_variances=_inverse(information),
        gradients=gradients,
        minus_2_log_likelihood=point.likelihood,
        weights=weights,
    )


def _inverse(information: FloatArray) -> FloatArray:
    """Covariance of the components from their information; empty where there are none."""
    if not information.size:
        return information
    return np.asarray(np.linalg.pinv(information, hermitian=True), dtype=np.float64)


def _scale(y: FloatArray, X: FloatArray) -> float:
    n, p = X.shape
    residual = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    return float(residual @ residual / max(n - p, 1))


def _whole(y: FloatArray, X: FloatArray, layout: Structure) -> float:
    """The size of the variances that are in play."""
    priors = [prior.standard_deviation**2 for prior in layout.priors if prior]
    sizes = [_scale(y, X), float(np.median(np.diag(layout.known))), 1e-12, *priors]
    return float(max(sizes))


def _maximise(
    y: FloatArray, X: FloatArray, layout: Structure, restricted: bool, start: FloatArray | None, most_steps: int
) -> tuple[FloatArray, _Point]:
    """Fisher scoring on the logarithms of the variances, with the step halved until the criterion falls."""
    floor, count = _SMALLEST_SHARE * _whole(y, X, layout), len(layout.names)
    if start is None:
        first = max(_scale(y, X) / max(count, 1), floor)
        start = np.array([prior.standard_deviation**2 if prior else first for prior in layout.priors])
        if X.shape[0] <= X.shape[1]:
            start = np.array([prior.standard_deviation**2 if prior else floor for prior in layout.priors])
    variances = np.maximum(start, floor)
    point = _evaluate(y, X, layout, variances, restricted)
    if not count:
        return variances, point
    for _ in range(most_steps):
        prior_slope, prior_curvature = _prior_terms(layout, variances)
        slope = variances * point.slope + prior_slope
        curvature = 2.0 * np.outer(variances, variances) * point.information + np.diag(prior_curvature)
        free = ~((variances <= floor) & (slope >= 0))
        step = np.zeros(count)
        if free.any():
            step[free] = -np.linalg.lstsq(curvature[np.ix_(free, free)], slope[free], rcond=1e-12)[0]
        step = np.clip(step, -_LARGEST_STEP, _LARGEST_STEP)
        moved = _line_search(y, X, layout, restricted, variances, step, point, floor)
        if moved is None:
            break
        variances, point = moved
        if -float(slope @ step) < _TOLERANCE * max(1.0, abs(point.criterion)):
            break
    return variances, point


def _line_search(
    y: FloatArray,
    X: FloatArray,
    layout: Structure,
    restricted: bool,
    variances: FloatArray,
    step: FloatArray,
    point: _Point,
    floor: float,
) -> tuple[FloatArray, _Point] | None:
    """The first of the halved steps that does not raise the criterion; None where none does."""
    share, rounding = 1.0, 1e-13 * abs(point.criterion)
    while share > _SMALLEST_STEP:
        trial = np.maximum(variances * np.exp(share * step), floor)
        there = _evaluate(y, X, layout, trial, restricted)
        if there.criterion <= point.criterion + rounding:
            return trial, there
        share /= 2.0
    return None
