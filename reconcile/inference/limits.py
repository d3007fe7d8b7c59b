"""What groups of repeated rows say of their group's mean, rows that are only known within limits included.

A row is y = m + e with e normal, of a known standard deviation s. A row that is known within (low, high) contributes
log[Φ((high - m)/s) - Φ((low - m)/s)] (Tobin 1958); the rows that are known enter through their number and mean
alone, so that a hundred thousand of them cost what one does. Rows are independent given the mean; where they are
serially correlated all of a group's evidence is scaled to the number of independent rows that it is worth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from reconcile.vocabulary.quantities import FloatArray

_HALF_LOG_2PI = 0.5 * math.log(2.0 * math.pi)
_MOST_STEPS = 200
_TOLERANCE = 1e-6


@dataclass(frozen=True, slots=True)
class Limited:
    """Rows that are known only within limits, equal ones counted together."""

    group: NDArray[np.intp]
    low: FloatArray  # -inf: below `high`
    high: FloatArray  # +inf: above `low`
    count: FloatArray

    @property
    def n(self) -> int:
        """How many rows there are."""
        return int(self.count.sum())


@dataclass(frozen=True, slots=True)
class Evidence:
    """The log likelihood of each group's mean at some values, and its first two derivatives by it."""

    log_likelihood: FloatArray
    slope: FloatArray
    curvature: FloatArray  # minus the second derivative: never negative


@dataclass(frozen=True, slots=True)
class Groups:
    """Rows of each group: number and mean of the known ones, the limited ones, and what a row's scatter is.

    `mean` counts only where `number` is above 0. `worth` is the number of independent rows over the number of rows.
    """

    number: FloatArray
    mean: FloatArray
    row_sd: FloatArray
    worth: FloatArray
    limited: Limited

    @property
    def n(self) -> int:
        return self.number.size

    def evidence(self, means: FloatArray) -> Evidence:
        """What all rows say of their groups' means, at `means`."""
        density, precision, away = self._known(means)
        rows = self.limited
        share, slope, curvature = limited_evidence(rows.low, rows.high, means[rows.group], self.row_sd[rows.group])
        weight = rows.count * self.worth[rows.group]

        def total(values: FloatArray) -> FloatArray:
            return np.asarray(np.bincount(rows.group, weight * values, minlength=self.n), dtype=np.float64)

        return Evidence(density + total(share), precision * away + total(slope), precision + total(curvature))

    def log_likelihood(self, means: FloatArray) -> FloatArray:
        """The log likelihood alone, for many sets of means (k, groups) at once."""
        rows = self.limited
        at, sd = means[:, rows.group], self.row_sd[rows.group]
        values = rows.count * self.worth[rows.group] * log_share((rows.low - at) / sd, (rows.high - at) / sd)
        place = rows.group + self.n * np.arange(means.shape[0])[:, None]
        summed = np.bincount(place.ravel(), values.ravel(), minlength=means.size)
        return np.asarray(self._known(means)[0] + summed.reshape(means.shape))

    def _known(self, means: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Of the known rows' mean: log density, precision, and how far it lies above `means`."""
        precision = self.worth * self.number / self.row_sd**2
        known = self.number > 0
        away = np.where(known, self.mean - means, 0.0)
        density = 0.5 * (np.log(np.where(known, precision, 1.0)) - precision * away**2) - _HALF_LOG_2PI * known
        return density, precision, away


def limited_evidence(
    low: FloatArray, high: FloatArray, mean: FloatArray, sd: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """log[Φ((high - m)/s) - Φ((low - m)/s)], its slope by m, and minus its second derivative."""
    ends = share_between((low - mean) / sd, (high - mean) / sd)
    slope = (ends.density_low - ends.density_high) / sd
    bend = ends.high * ends.density_high - ends.low * ends.density_low + (ends.density_low - ends.density_high) ** 2
    return ends.log_share, slope, np.maximum(bend, 0.0) / sd**2


@dataclass(frozen=True, slots=True)
class Share:
    """log[Φ(high) - Φ(low)], and the densities at both ends over that share; an infinite end reads 0, its density 0."""

    log_share: FloatArray
    low: FloatArray
    high: FloatArray
    density_low: FloatArray
    density_high: FloatArray


def log_share(low: FloatArray, high: FloatArray) -> FloatArray:
    """log[Φ(high) - Φ(low)], with its digits in both tails: where low > 0 the signs are changed and the ends turned."""
    turned = low > 0
    lower, upper = np.where(turned, -high, low), np.where(turned, -low, high)
    top, bottom = log_ndtr(upper), log_ndtr(lower)
    return np.asarray(top + np.log1p(-np.exp(np.minimum(bottom - top, -1e-15))))


def share_between(low: FloatArray, high: FloatArray) -> Share:
    """The share of a standard normal between two ends, and the densities at these."""
    share = log_share(low, high)
    at_low, at_high = (_density_over_share(x, share) for x in (low, high))
    low_end, high_end = (np.where(np.isfinite(x), x, 0.0) for x in (low, high))
    return Share(share, low_end, high_end, at_low, at_high)


def _density_over_share(x: FloatArray, share: FloatArray) -> FloatArray:
    """φ(x) over the share, whose logarithm is given; 0 at infinity."""
    finite = np.isfinite(x)
    exponent = -0.5 * np.where(finite, x, 0.0) ** 2 - _HALF_LOG_2PI - share
    return np.asarray(np.exp(np.where(finite, exponent, -np.inf)))


@dataclass(frozen=True, slots=True)
class Scatter:
    """The spread of single rows about their group's mean, with limited rows, and each group's mean."""

    row_sd: float
    mean: FloatArray


def row_scatter(number: FloatArray, mean: FloatArray, squares: FloatArray, limited: Limited, start: float) -> Scatter:
    """Standard deviation of a row about its group's mean by the EM algorithm (Dempster, Laird and Rubin 1977).

    `squares` are the sums of squared deviations of the known rows. A limited row stands for its expected value and
    square given its limits; a group costs one degree of freedom. Groups without two known rows do not speak.
    """
    speaks = number >= 2
    kept = speaks[limited.group]
    group = limited.group[kept]
    low, high, count = (x[kept] for x in (limited.low, limited.high, limited.count))
    rows = np.bincount(group, count, minlength=number.size) + number
    free = float(np.sum((rows - 1.0)[speaks]))
    centre, sd = np.where(speaks, mean, 0.0), max(start, 1e-6)
    if free <= 0:
        return Scatter(0.0, centre)
    for _ in range(_MOST_STEPS):
        expected, spread = expected_rows(low, high, centre[group], np.full(group.size, sd))
        pulled = np.bincount(group, count * expected, minlength=number.size)
        after = np.where(speaks, (number * mean + pulled) / np.maximum(rows, 1.0), 0.0)
        about = np.bincount(group, count * (spread + (expected - after[group]) ** 2), minlength=number.size)
        whole = squares + number * (np.where(speaks, mean, 0.0) - after) ** 2 + about
        new = max(math.sqrt(float(whole[speaks].sum()) / free), 1e-6)
        moved = max(abs(new - sd), float(np.abs(after - centre).max(initial=0.0)))
        centre, sd = after, new
        if moved < _TOLERANCE:
            break
    return Scatter(sd, centre)


def expected_rows(low: FloatArray, high: FloatArray, mean: FloatArray, sd: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and variance of normal rows given that they lie within their limits."""
    _, slope, curvature = limited_evidence(low, high, mean, sd)
    return mean + sd**2 * slope, np.maximum(sd**2 * (1.0 - sd**2 * curvature), 0.0)
