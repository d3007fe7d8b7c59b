"""Independent normal rows of one unknown variance, some known only within limits: linear regression by likelihood.

Tobin 1958, Econometrica 26, 24-36; in the coordinates 1/s and b/s the log likelihood is concave (Olsen 1978,
Econometrica 46, 1211-1215), so that Newton's method finds the one maximum.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from reconcile.inference.limits import Groups, Limited, share_between
from reconcile.inference.mixed import RESIDUAL, LinearFit
from reconcile.vocabulary.quantities import FloatArray

_MOST_STEPS = 100
_TOLERANCE = 1e-10
_SMALLEST_STEP = 1e-6


def fit_limited_rows(rows: Groups, X: FloatArray) -> LinearFit:
    """Coefficients and variance of rows (groups of one) with limits; `X` (n, p) of full rank over the known ones.

    The variance is raised from that of maximum likelihood by m/(m - p), with m known rows: exact where none is
    limited, an approximation else. Intervals are Student's t with m - p degrees of freedom.
    """
    known = rows.number > 0
    m, p = int(known.sum()), X.shape[1]
    if m <= p:
        raise ValueError(f"{m} known rows cannot carry {p} coefficients and a residual variance")
    start = np.linalg.lstsq(X[known], rows.mean[known], rcond=None)[0]
    spread = max(float(np.std(rows.mean[known] - X[known] @ start)), 1e-6)
    theta = np.r_[start / spread, 1.0 / spread]
    value, slope, bend = _likelihood(rows, X, theta)
    for _ in range(_MOST_STEPS):
        step = np.linalg.lstsq(bend, slope, rcond=None)[0]
        share = 1.0
        while share > _SMALLEST_STEP:
            trial = theta + share * step
            if trial[p] > 0:
                there = _likelihood(rows, X, trial)
                if there[0] >= value:
                    break
            share /= 2.0
        if share <= _SMALLEST_STEP:
            break
        theta, (value, slope, bend) = trial, there
        if float(slope @ step) < _TOLERANCE:
            break
    return _fit(theta, value, bend, known, X)


def _likelihood(rows: Groups, X: FloatArray, theta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Log likelihood, its gradient and minus its second derivative, by b/s and 1/s."""
    p, known = X.shape[1], rows.number > 0
    scaled, inverse = theta[:p], float(theta[p])
    design = np.column_stack([-X[known], rows.mean[known]])  # residual over s = design @ theta
    residual = design @ theta
    value = known.sum() * (math.log(inverse) - 0.5 * math.log(2.0 * math.pi)) - 0.5 * float(residual @ residual)
    slope = -design.T @ residual
    slope[p] += known.sum() / inverse
    bend = design.T @ design
    bend[p, p] += known.sum() / inverse**2
    from_limits, by_limits, bend_by_limits = _of_limits(rows.limited, X, scaled, inverse)
    return value + from_limits, slope + by_limits, bend + bend_by_limits


def _of_limits(
    limited: Limited, X: FloatArray, scaled: FloatArray, inverse: float
) -> tuple[float, FloatArray, FloatArray]:
    """The limited rows' part: with q = [x, -low or -high] the ends are -q @ theta."""
    Z = X[limited.group]
    share = share_between(limited.low * inverse - Z @ scaled, limited.high * inverse - Z @ scaled)
    parts = []
    for end, density, limit in (
        (share.low, share.density_low, limited.low),
        (share.high, share.density_high, limited.high),
    ):
        q = np.column_stack([-Z, np.where(np.isfinite(limit), limit, 0.0)])
        parts.append((q * density[:, None], (q.T * (limited.count * end * density)) @ q))
    by = parts[1][0] - parts[0][0]
    bend = parts[1][1] - parts[0][1] + (by.T * limited.count) @ by
    return float(limited.count @ share.log_share), limited.count @ by, bend


def _fit(theta: FloatArray, value: float, bend: FloatArray, known: NDArray[np.bool_], X: FloatArray) -> LinearFit:
    """From b/s and 1/s to b and its covariance, by the delta method."""
    p, m = X.shape[1], int(known.sum())
    coefficients, sd = theta[:p] / theta[p], 1.0 / theta[p]
    jacobian = np.column_stack([np.eye(p) * sd, -coefficients * sd])  # of b by (b/s, 1/s)
    raised = m / (m - p)
    unit = jacobian @ np.linalg.pinv(bend, hermitian=True) @ jacobian.T / sd**2
    variance = sd**2 * raised
    return LinearFit(
        coefficients=coefficients,
        covariance=variance * unit,
        names=(RESIDUAL,),
        variances=np.array([variance]),
        covariance_of_variances=np.array([[2.0 * variance**2 / (m - p)]]),
        gradients=unit[None, :, :],
        minus_2_log_likelihood=-2.0 * value,
        weights=unit @ (X * known[:, None]).T,  # of the known rows; what limits add is left out
    )
