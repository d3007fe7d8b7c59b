"""How well a fitted linear model foretells observations that it has not seen, group by group.

With P = V⁻¹ - V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹, the errors with which the rest predicts a group g (coefficients fitted to the rest,
random effects as the rest shows them, variances as they are) are (P_gg)⁻¹ (P y)_g: nothing has to be refitted
(Haslett 1999, J. R. Stat. Soc. B 61, 603-609). For independent rows this is the residual over one less its leverage.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from reconcile.vocabulary.quantities import FloatArray

_LEAST_SHARE = 1e-6  # of the largest eigenvalue: below it the rest cannot predict the group at all


def left_out_errors(
    y: FloatArray, X: FloatArray, V: FloatArray, labels: Sequence[object], scored: NDArray[np.bool_]
) -> FloatArray | None:
    """Mean error of prediction of each group of observations, left out in turn; None where the rest cannot carry X.

    `y` (n,), `X` (n, p), `V` (n, n); a group's mean is over its `scored` observations, groups without any are left
    aside.
    """
    inverse = np.linalg.inv(V)
    weighted = inverse @ X
    P = inverse - weighted @ np.linalg.solve(X.T @ weighted, weighted.T)
    residual, codes = P @ y, np.unique(np.asarray(labels), return_inverse=True)[1]
    errors = []
    for code in range(int(codes.max()) + 1):
        rows = np.flatnonzero(codes == code)
        counted = scored[rows]
        if not counted.any():
            continue
        part, whole = (np.asarray(M[np.ix_(rows, rows)], dtype=np.float64) for M in (P, inverse))
        if _least_share(part, whole) < _LEAST_SHARE:
            return None
        errors.append(float(np.linalg.solve(part, residual[rows])[counted].mean()))
    return np.array(errors) if len(errors) > 1 else None


def _least_share(part: FloatArray, whole: FloatArray) -> float:
    """How much of what V alone says of a group is left once coefficients are fitted; 0: nothing in some direction."""
    root = np.linalg.inv(np.linalg.cholesky(whole))
    return float(np.linalg.eigvalsh(root @ part @ root.T)[0])


def left_out_rows(residual: FloatArray, X: FloatArray) -> FloatArray | None:
    """Errors of independent rows, left out in turn, after ordinary least squares; None where one alone carries X."""
    leverage = (np.linalg.qr(X / np.sqrt((X**2).sum(axis=0)))[0] ** 2).sum(axis=1)
    if float(leverage.max()) > 1.0 - _LEAST_SHARE:
        return None
    return np.asarray(residual / (1.0 - leverage))


def root_mean_square(errors: FloatArray | None) -> float | None:
    """Root mean square of some errors; None where there are none."""
    return None if errors is None else float(np.sqrt(np.mean(errors**2)))
