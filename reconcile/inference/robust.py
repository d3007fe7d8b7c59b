"""Linear mixed models whose residual is Student's t: a few rows far off do not carry the fit with them.

A t residual is a normal one whose variance is divided by an unknown weight of its own (Lange, Little and Taylor 1989,
J. Am. Stat. Assoc. 84, 881-896). In turn: weights from the residuals, (nu + 1)/(nu + r²/s²); the linear mixed model
with the residual's variance so divided. Rows limited on one side are not for this option.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reconcile.inference.mixed import RESIDUAL, LinearFit, Structure, fit_linear
from reconcile.vocabulary.quantities import FloatArray

DEGREES_OF_FREEDOM = 4.0
_SCALED = "residual of a row of weight one"
_MOST_TURNS = 50
_TOLERANCE = 1e-5


def fit_student(
    y: FloatArray,
    X: FloatArray,
    layout: Structure,
    own_variance: FloatArray,
    *,
    restricted: bool = True,
    degrees: float = DEGREES_OF_FREEDOM,
) -> LinearFit:
    """Fit with a t residual; `own_variance` (n,) is the known part of each row's own variance, not in `layout.known`.

    The residual component, if `layout` has one, and `own_variance` together are the scale of the t. The covariance is
    that of the weighted model.
    """
    weights = np.ones(y.size)
    for _ in range(_MOST_TURNS):
        weighted = _weighted(layout, own_variance, weights)
        fit = fit_linear(y, X, weighted, restricted=restricted)
        scale = own_variance + fit.variance(_SCALED)
        V = weighted.covariance(fit.variances)
        inverse = np.linalg.inv(V)
        residual = scale / weights * (inverse @ (y - X @ fit.coefficients))
        left = scale / weights - (scale / weights) ** 2 * np.diag(inverse)  # what is not known of each residual
        after = (degrees + 1.0) / (degrees + (residual**2 + left) / scale)
        moved = float(np.abs(after - weights).max())
        weights = after
        if moved < _TOLERANCE:
            break
    return replace(fit, names=tuple(RESIDUAL if name == _SCALED else name for name in fit.names))


def _weighted(layout: Structure, own_variance: FloatArray, weights: FloatArray) -> Structure:
    """The structure with each row's own variance divided by its weight."""
    indicators, kernels = list(layout.indicators), list(layout.kernels)
    names = list(layout.names)
    if RESIDUAL in names:
        k = names.index(RESIDUAL)
        names[k] = _SCALED  # its indicator is not the identity any more
        indicators[k], kernels[k] = np.diag(weights**-0.5), np.diag(1.0 / weights)
    known = layout.known + np.diag(own_variance / weights)
    return replace(layout, names=tuple(names), indicators=tuple(indicators), kernels=tuple(kernels), known=known)
