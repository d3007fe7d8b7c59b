"""Runs of the same events by two clocks: the pairs, the line between the clocks, and how well each pair fits.

A run is a train of times with levels: the arrivals of one station, the strikes of all stations, or the blows of a
hammer log (whose level is ten times the logarithm of the energy).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from reconcile.vocabulary.quantities import FloatArray

Indices = NDArray[np.int64]
SMALLEST_SPREAD_S = 0.002
_LARGEST_TOLERANCE_S, _TOLERANCE_SHARE = 0.25, 0.35  # of the interval between events
_ROUNDED_MARGIN_S = 0.1  # beyond half the resolution
_JITTERS_S = np.array([0.003, 0.01, 0.02, 0.04, 0.08, 0.15])  # of a log before it is rounded
_RESOLUTIONS_US = (1_000_000, 500_000, 100_000, 10_000)
_FEWEST_STEPS, _LARGEST_STEP_DB = 5, 10.0
_LEAST_PROBABILITY = 0.01


@dataclass(frozen=True, slots=True)
class Train:
    """Times in seconds, in order, and levels in dB (NaN where not known)."""

    time_s: FloatArray
    level_db: FloatArray

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, slots=True)
class Line:
    """One clock less another one, at times of the other: offset at the origin, and drift (s/s)."""

    origin_s: float
    offset_s: float
    drift: float

    def at(self, time_s: FloatArray) -> FloatArray:
        """The difference in seconds at some times."""
        return self.offset_s + self.drift * (time_s - self.origin_s)

    def moved(self, origin_s: float) -> Line:
        """The same line with its offset stated at another time."""
        return Line(origin_s, self.offset_s + self.drift * (origin_s - self.origin_s), self.drift)


def train(time_s: FloatArray, level_db: FloatArray | None = None) -> Train:
    """A train of times in any order."""
    order = np.argsort(time_s, kind="stable")
    levels = np.full(len(time_s), np.nan) if level_db is None else level_db
    return Train(time_s[order], levels[order])


def usual_interval_s(trains: Sequence[Train]) -> float:
    """Median time between events, of the train that has them closest; one second where there is no interval."""
    medians = [float(np.median(np.diff(t.time_s))) for t in trains if len(t) > 1]
    return max(0.1, min(medians)) if medians else 1.0


def usual_gap_s(one: Train) -> FloatArray:
    """The usual interval at each gap of a train: the running median of eleven."""
    gaps = np.diff(one.time_s)
    if gaps.size < 12:
        return np.full(gaps.size, np.median(gaps) if gaps.size else 1.0)
    return np.pad(np.median(np.lib.stride_tricks.sliding_window_view(gaps, 11), axis=1), 5, mode="edge")


def resolution_s(time_us: Indices) -> float:
    """The step to which times were rounded: 1, 0.5, 0.1 or 0.01 s where all are its multiples; 0 where finer."""
    if len(time_us) < 3:
        return 0.0
    return next((step / 1e6 for step in _RESOLUTIONS_US if not np.any(time_us % step)), 0.0)


def tolerance_s(interval_s: float, rounded_to_s: float) -> float:
    """How far apart the two times of one event may lie."""
    least = rounded_to_s / 2.0 + _ROUNDED_MARGIN_S if rounded_to_s > 0.05 else 0.0
    return max(min(_LARGEST_TOLERANCE_S, _TOLERANCE_SHARE * interval_s), least)


def nearest(ordered: FloatArray, values: FloatArray) -> Indices:
    """Index of the nearest of some ordered values (one at least)."""
    right = np.searchsorted(ordered, values)
    left = np.maximum(right - 1, 0)
    right = np.minimum(right, len(ordered) - 1)
    closer = values - ordered[left] <= ordered[right] - values
    return np.asarray(np.where(closer, left, right), dtype=np.int64)


def pairs(one_s: FloatArray, other_s: FloatArray, within_s: float) -> tuple[Indices, Indices]:
    """Pairs of two ordered runs: the nearest of the other, each of which takes the closest that ask for it."""
    if not len(one_s) or not len(other_s):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    near = nearest(other_s, one_s)
    distance = np.abs(other_s[near] - one_s)
    first = np.flatnonzero(np.concatenate([[True], near[1:] != near[:-1]]))
    least = np.repeat(np.minimum.reduceat(distance, first), np.diff(np.append(first, len(near))))
    index = np.flatnonzero((distance <= least) & (distance <= within_s))
    index = index[np.concatenate([[True], near[index][1:] != near[index][:-1]])] if index.size else index
    return index, near[index]


def spread_of(residual_s: FloatArray, rounded_to_s: float) -> float:
    """Standard deviation of residuals without their outliers; of rounded times, that of the jitter before rounding."""
    if rounded_to_s <= 0.05:
        usual = 1.4826 * float(np.median(np.abs(residual_s)))
        inside = residual_s[np.abs(residual_s) <= 4.0 * max(usual, SMALLEST_SPREAD_S)]
        return max(SMALLEST_SPREAD_S, float(np.sqrt(np.mean(inside**2))))
    sums = [float(np.sum(rounded_log_density(residual_s, s, rounded_to_s))) for s in _JITTERS_S]
    return float(_JITTERS_S[int(np.argmax(sums))])


def rounded_log_density(residual_s: FloatArray, jitter_s: float, rounded_to_s: float) -> FloatArray:
    """Log density, relative to one over the step, of a time that jitters and is rounded; 0 well inside the step."""
    half = rounded_to_s / 2.0
    inside = ndtr((residual_s + half) / jitter_s) - ndtr((residual_s - half) / jitter_s)
    return np.asarray(np.log(np.maximum(inside, _LEAST_PROBABILITY)))


def fit_gain(residual_s: FloatArray, spread_s: float, widest_s: float, rounded_to_s: float) -> FloatArray:
    """What each pair's residual speaks for the alignment, as a log likelihood ratio.

    Against the widest spread of any alignment that was tried: of perfectly regular blows any lag fits as well, and the
    residuals say nothing.
    """
    if rounded_to_s > 0.05:
        return rounded_log_density(residual_s, spread_s, rounded_to_s)
    gain = np.log(widest_s / spread_s) - 0.5 * (residual_s / spread_s) ** 2 + 0.5
    return np.asarray(np.maximum(gain, np.log(_LEAST_PROBABILITY)))


def step_gain(one: Train, other: Train, one_index: Indices, other_index: Indices) -> float:
    """What steps of the level from pair to pair speak for the alignment; 0 where either train has no steps.

    The log likelihood ratio of their correlation against none, halved because neighbouring steps share an event. Of
    steps that have nothing to do with each other it is small, however many there are.
    """
    own, given = np.diff(one.level_db[one_index]), np.diff(other.level_db[other_index])
    known = np.isfinite(own) & np.isfinite(given)
    n = int(known.sum())
    if n < _FEWEST_STEPS:
        return 0.0
    own, given = (np.clip(step[known], -_LARGEST_STEP_DB, _LARGEST_STEP_DB) for step in (own, given))
    scale = float(np.sqrt((own @ own) * (given @ given)))
    correlation = float(own @ given) / scale if scale > 0 else 0.0
    return -0.25 * n * float(np.log1p(-min(correlation**2, 0.999))) * (1.0 if correlation > 0 else -1.0)


def straight_line(
    time_s: FloatArray, difference_s: FloatArray, spread_s: float, drift_prior: float
) -> tuple[FloatArray, FloatArray]:
    """Offset at time 0 and drift of some differences by least squares, and their covariance.

    The drift is held near zero by a prior of that standard deviation, which matters for short runs only.
    """
    n, s_t, s_tt = float(len(time_s)), float(time_s.sum()), float(time_s @ time_s)
    normal = np.array([[n, s_t], [s_t, s_tt + (spread_s / drift_prior) ** 2]])
    right = np.array([difference_s.sum(), time_s @ difference_s])
    inverse = np.linalg.inv(normal)
    return inverse @ right, spread_s**2 * inverse


def rounded_line(
    time_s: FloatArray, difference_s: FloatArray, jitter_s: float, rounded_to_s: float, drift_prior: float
) -> tuple[FloatArray, FloatArray]:
    """Offset at time 0 and drift of differences of rounded times, and their covariance: mean and spread of the
    posterior.

    On a grid about the least squares line, which narrows twice. Only differences near the ends of the step matter.
    """
    centre, covariance = straight_line(time_s, difference_s, rounded_to_s / np.sqrt(12.0), drift_prior)
    reach = 4.0 * np.sqrt(np.diag(covariance))
    for _ in range(3):
        offsets, drifts = (c + r * np.linspace(-1, 1, 25) for c, r in zip(centre, reach, strict=True))
        within = float(reach[0] + reach[1] * np.abs(time_s).max(initial=0.0)) + 5.0 * jitter_s
        residual = difference_s - centre[0] - centre[1] * time_s
        edge = np.abs(residual) > rounded_to_s / 2.0 - within
        log_density = (
            np.array(
                [
                    [
                        rounded_log_density(difference_s[edge] - o - d * time_s[edge], jitter_s, rounded_to_s).sum()
                        for o in offsets
                    ]
                    for d in drifts
                ]
            )
            - 0.5 * (drifts[:, None] / drift_prior) ** 2
        )
        weight = np.exp(log_density - log_density.max())
        weight /= weight.sum()
        centre = np.array([float((weight.sum(0) * offsets).sum()), float((weight.sum(1) * drifts).sum())])
        o, d = offsets - centre[0], drifts - centre[1]
        cross = float(d @ weight @ o)
        covariance = np.array([[weight.sum(0) @ o**2, cross], [cross, weight.sum(1) @ d**2]])
        step = np.array([offsets[1] - offsets[0], drifts[1] - drifts[0]])
        covariance += np.diag(step**2 / 12.0)
        reach = np.minimum(reach, 5.0 * np.sqrt(np.diag(covariance)))
    return centre, covariance
