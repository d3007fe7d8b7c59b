"""Ordinary least squares: independent observations of one unknown variance."""

from __future__ import annotations

import math

import numpy as np
from scipy.linalg import solve_triangular

from reconcile.inference.mixed import RESIDUAL, LinearFit
from reconcile.vocabulary.quantities import FloatArray

_EXACT = 1e-20  # a mean square below this is rounding: the fit is exact


def ordinary_least_squares(y: FloatArray, X: FloatArray) -> LinearFit:
    """Least squares by a QR decomposition of X (n, p), n > p; intervals are Student's t with n - p degrees exactly.

    `minus_2_log_likelihood` is that of maximum likelihood (variance RSS/n), for comparing designs.
    """
    n, p = X.shape
    if n <= p:
        raise ValueError(f"{n} observations cannot carry {p} coefficients and a residual variance")
    scale = np.sqrt((X**2).sum(axis=0))  # columns of one size: the digits of an ill-scaled design are kept
    Q, R = np.linalg.qr(X / scale)
    weights = solve_triangular(R, Q.T) / scale[:, None]
    coefficients = weights @ y
    coefficients = coefficients + weights @ (y - X @ coefficients)  # one refinement
    residual = y - X @ coefficients
    squares = float(residual @ residual)
    variance = squares / (n - p)
    unit = weights @ weights.T
    return LinearFit(
        coefficients=coefficients,
        covariance=variance * unit,
        names=(RESIDUAL,),
        variances=np.array([variance]),
        covariance_of_variances=np.array([[2.0 * variance**2 / (n - p)]]),
        gradients=unit[None, :, :],
        minus_2_log_likelihood=n * (math.log(2.0 * math.pi * max(squares / n, _EXACT)) + 1.0),
        weights=weights,
    )


def corrected_information_criterion(minus_2_log_likelihood: float, n: int, parameters: int) -> float | None:
    """Akaike's criterion corrected for small samples (Hurvich and Tsai 1989); None where n is too small for it."""
    if n - parameters - 1 <= 0:
        return None
    correction = 2.0 * parameters * (parameters + 1) / (n - parameters - 1)
    return minus_2_log_likelihood + 2.0 * parameters + correction
