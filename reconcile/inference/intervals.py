"""Intervals that rest on estimated and known variances together.

The variance of an estimate is a sum of parts: some known (a certificate), some estimated from few groups. Its
effective degrees of freedom follow from how well the estimated parts are known (Satterthwaite 1946; JCGM 100:2008,
G.4), so that an interval from four piles is wider than one from forty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student_t

from reconcile.vocabulary.quantities import FloatArray

LARGEST_DEGREES_OF_FREEDOM = 1e6  # beyond it Student's t is the normal distribution for every purpose here
LEAST_DEGREES_OF_FREEDOM = 1.0  # fewer is what the approximation breaks down to, not what anything is known by


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its variance and the degrees of freedom with which the variance is known."""

    value: float
    variance: float
    degrees_of_freedom: float

    @property
    def standard_error(self) -> float:
        return math.sqrt(self.variance)

    def interval(self, probability: float = 0.95) -> tuple[float, float]:
        """Two-sided interval from Student's t."""
        half = half_width_factor(self.degrees_of_freedom, probability) * self.standard_error
        return self.value - half, self.value + half


def half_width_factor(degrees_of_freedom: float, probability: float = 0.95) -> float:
    """Student's t quantile by which a standard error is multiplied for a two-sided interval."""
    return float(student_t.ppf(0.5 + probability / 2.0, min(degrees_of_freedom, LARGEST_DEGREES_OF_FREEDOM)))


def half_width_factors(degrees_of_freedom: FloatArray, probability: float = 0.95) -> FloatArray:
    """The same for many degrees of freedom at once."""
    bounded = np.minimum(degrees_of_freedom, LARGEST_DEGREES_OF_FREEDOM)
    return np.asarray(student_t.ppf(0.5 + probability / 2.0, bounded))


def effective_degrees_of_freedom(
    variance: FloatArray, gradient: FloatArray, covariance_of_variances: FloatArray
) -> FloatArray:
    """Satterthwaite's degrees of freedom of variances that depend on estimated variance components.

    `variance` has shape (m,), `gradient` (m, k) is its derivative by the k components, whose own covariance is
    `covariance_of_variances` (k, k). nu = 2 v² / (g' W g), with known parts of v adding to v alone; not under 1.
    """
    spread = np.einsum("mi,ij,mj->m", gradient, covariance_of_variances, gradient)
    positive = spread > 2.0 * variance**2 / LARGEST_DEGREES_OF_FREEDOM
    degrees = np.where(positive, 2.0 * variance**2 / np.where(positive, spread, 1.0), LARGEST_DEGREES_OF_FREEDOM)
    return np.maximum(degrees, LEAST_DEGREES_OF_FREEDOM)
