"""Least squares of models that are linear but for one coefficient.

    y = X(tau) b + e

For each tau the b that fits best is linear least squares; what is left is a search over tau alone (variable projection;
Golub and Pereyra 1973, SIAM J. Numer. Anal. 10, 413-432): a scan of the bracket, so that no local minimum is taken for
the least, then Gauss-Newton steps for the digits.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from reconcile.inference.intervals import half_width_factor
from reconcile.inference.least_squares import ordinary_least_squares
from reconcile.inference.mixed import LinearFit
from reconcile.vocabulary.quantities import FloatArray

_SCAN_POINTS = 61
_MOST_STEPS = 50
_DERIVATIVE_STEP = 6e-6  # as a share of tau or of the bracket: third root of the machine's precision
_TOLERANCE = 1e-12
_FLAT = 1e-9  # of the largest y, by unit of tau: values that hardly move with tau say nothing of it


@dataclass(frozen=True, slots=True)
class Separable:
    """The minimum: `tau`, and the linear fit of X(tau) with a last column, the derivative of X(tau) b by tau.

    The last coefficient of `linear` is what is left to add to tau (nothing, but for rounding); its standard error is
    that of tau.
    """

    tau: float
    design: FloatArray
    linear: LinearFit


def separable_least_squares(
    y: FloatArray, columns: Callable[[float], FloatArray], bracket: tuple[float, float]
) -> Separable | None:
    """The least squares fit with tau within the bracket.

    None where the least lies at an end of the bracket, y does not show tau, or n <= p + 1.
    """
    low, high = bracket
    grid = np.geomspace(low, high, _SCAN_POINTS) if low > 0 else np.linspace(low, high, _SCAN_POINTS)
    squares = [_squares(y, columns(float(tau))) for tau in grid]
    best = int(np.argmin(squares))
    if best in (0, _SCAN_POINTS - 1) or y.size <= columns(low).shape[1] + 1:
        return None
    tau, least = float(grid[best]), squares[best]
    for _ in range(_MOST_STEPS):
        here = _linearised(y, columns, tau, high - low)
        if here is None:
            return None
        step = float(here.linear.coefficients[-1])
        while abs(step) > _TOLERANCE * max(abs(tau), high - low):
            trial = _squares(y, columns(tau + step))
            if trial <= least and grid[best - 1] <= tau + step <= grid[best + 1]:
                break
            step /= 2.0
        if abs(step) <= _TOLERANCE * max(abs(tau), high - low):
            break
        tau, least = tau + step, trial
    return _linearised(y, columns, tau, high - low)


def profile_interval(
    y: FloatArray, columns: Callable[[float], FloatArray], bracket: tuple[float, float], found: Separable
) -> tuple[float, float]:
    """95 % interval of tau by the profile of the squares: where they lie no more than t² variances above the least.

    The curvature at the minimum is not enough where the squares are not a parabola in tau, as at the kink of a broken
    line. It ends at the bracket where the profile does.
    """
    free = y.size - found.design.shape[1]
    least = _squares(y, columns(found.tau))
    most = least * (1.0 + half_width_factor(free) ** 2 / free)

    def above(tau: float) -> float:
        return float(_squares(y, columns(tau)) - most)

    ends = []
    for end in bracket:
        grid = np.linspace(found.tau, end, _SCAN_POINTS)
        over = np.flatnonzero([above(float(tau)) > 0 for tau in grid])
        first = int(over[0]) if over.size else 0
        ends.append(float(brentq(above, grid[first - 1], grid[first])) if first else end)
    return ends[0], ends[1]


def _squares(y: FloatArray, X: FloatArray) -> float:
    residual = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    return float(residual @ residual)


def _linearised(y: FloatArray, columns: Callable[[float], FloatArray], tau: float, width: float) -> Separable | None:
    """The linear fit at tau with the derivative of the fitted values by tau as a last column; None where that is 0."""
    X = columns(tau)
    b = ordinary_least_squares(y, X).coefficients
    step = _DERIVATIVE_STEP * max(abs(tau), 1e-3 * width)
    derivative = (columns(tau + step) @ b - columns(tau - step) @ b) / (2.0 * step)
    if float(np.abs(derivative).max()) <= _FLAT * float(np.abs(y).max()):
        return None
    design = np.column_stack([X, derivative])
    return Separable(tau, design, ordinary_least_squares(y, design))
