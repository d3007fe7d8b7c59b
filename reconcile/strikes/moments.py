"""Moments of the pressure by whole seconds, and those of longer intervals put together from them.

Sums of powers over 1 ms are float32, everything longer is float64: the pressure has passed the full band's high-pass,
so its mean is small against its rms and nothing cancels when the powers become central moments.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reconcile.strikes.ticks import Samples, TickGrid
from reconcile.vocabulary.quantities import FloatArray

MOMENTS = ("mean_pa", "variance_pa2", "skewness", "kurtosis")  # of one second, mean removed; of no scale: the last two


def second_moments(cell: Samples, means: FloatArray, mean_squares: FloatArray, grid: TickGrid) -> FloatArray:
    """MOMENTS of one second of pressure in Pa; NaN for the last two where nothing moves.

    `means` and `mean_squares` are those of its 1 ms (`ticks.py`).
    """
    square = cell * cell
    shares = grid.sizes / grid.rate_hz
    mean, second = float(means @ shares), float(mean_squares @ shares)
    third, fourth = (float(grid.sums(square, other).sum() / grid.rate_hz) for other in (cell, square))
    variance = second - mean**2
    if not variance > 0.0:
        return np.array([mean, max(variance, 0.0), np.nan, np.nan])
    central_3 = third - 3.0 * mean * second + 2.0 * mean**3
    central_4 = fourth - 4.0 * mean * third + 6.0 * mean**2 * second - 3.0 * mean**4
    return np.array([mean, variance, central_3 / variance**1.5, central_4 / variance**2])


@dataclass(frozen=True, slots=True)
class Moments:
    """Number of samples (or seconds), mean, and sums of the second to fourth powers of what differs from the mean.

    The last four have one value for each of several intervals.
    """

    n: float
    mean: FloatArray
    m2: FloatArray
    m3: FloatArray
    m4: FloatArray

    def joined(self, other: Moments) -> Moments:
        """Both together: Pébay 2008 (Sandia SAND2008-6212), equations 2.1 and 3.1, after Chan et al. 1979; recalled."""
        a, b, n, d = self.n, other.n, self.n + other.n, other.mean - self.mean
        m2 = self.m2 + other.m2 + d**2 * a * b / n
        m3 = self.m3 + other.m3 + d**3 * a * b * (a - b) / n**2 + 3.0 * d * (a * other.m2 - b * self.m2) / n
        m4 = (
            self.m4
            + other.m4
            + d**4 * a * b * (a**2 - a * b + b**2) / n**3
            + 6.0 * d**2 * (a**2 * other.m2 + b**2 * self.m2) / n**2
            + 4.0 * d * (a * other.m3 - b * self.m3) / n
        )
        return Moments(n, self.mean + d * b / n, m2, m3, m4)


def joint_kurtosis(seconds: FloatArray) -> FloatArray:
    """Pearson's kurtosis (a Gaussian has 3) of some intervals, from MOMENTS of their seconds in order.

    `seconds` has shape (intervals, seconds, 4). NaN where nothing moves. The order of joining is fixed, so that the
    result does not depend on how the sound was read.
    """
    known = np.nan_to_num(seconds)
    whole: Moments | None = None
    for mean, variance, skewness, kurtosis in known.transpose(1, 2, 0):
        one = Moments(1.0, mean, variance, skewness * variance**1.5, kurtosis * variance**2)
        whole = one if whole is None else whole.joined(one)
    if whole is None:
        return np.full(len(seconds), np.nan)
    moves = whole.m2 > 0.0
    return np.where(moves, whole.n * whole.m4 / np.where(moves, whole.m2, 1.0) ** 2, np.nan)
