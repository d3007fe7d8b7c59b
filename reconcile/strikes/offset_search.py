"""Offsets between two clocks that many pairs of their events share: where an alignment is looked for.

On a histogram of all differences, for each drift that the clocks may have; on the busiest stretch of time only, so that
an offset stays within a bin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reconcile.strikes.trains import Train
from reconcile.vocabulary.quantities import FloatArray

LARGEST_DRIFT = 1e-4
STRETCH_S = 6000.0  # on which offsets are looked for: the largest drift takes 60 bins there
_BIN_S = 0.02
_MOST_TRIED = 110
_TRIED_SHARE = 0.4  # of the pairs of the most common offset

Blocks = Sequence[tuple[Train, Train]]


@dataclass(frozen=True, slots=True)
class Search:
    """Where to look: offsets within `reach_s` of `centre_s`; `prior_s` is how well the offset is known beforehand.

    `rounded_to_s`: the step of the second train's times. `within_s`: the largest residual of a pair, where the trains
    hold other events as well (of another pile) that would pair by chance.
    """

    reach_s: float
    centre_s: float = 0.0
    prior_s: float = np.inf
    rounded_to_s: float = 0.0
    within_s: float = np.inf


def busiest(time_s: FloatArray) -> float:
    """Middle of the stretch of time that holds most events."""
    ordered = np.sort(time_s)
    held = np.searchsorted(ordered, ordered + STRETCH_S) - np.arange(len(ordered))
    first = int(np.argmax(held))
    return float((ordered[first] + ordered[first + held[first] - 1]) / 2.0)


def offset_candidates(blocks: Blocks, search: Search, interval_s: float, origin_s: float) -> list[tuple[float, float]]:
    """Offsets at the origin, with a drift, that many pairs share; the most common first."""
    histogram, middles = _histogram(blocks, search, origin_s)
    wide = max(1, round(search.rounded_to_s / _BIN_S))
    kernel = np.ones(wide) if wide > 2 else np.exp(-0.5 * (np.arange(-4, 5) / 1.5) ** 2)
    most = LARGEST_DRIFT * max(1e-9, float(np.abs(middles - origin_s).max(initial=0.0)))
    n_drifts = 2 * int(np.ceil(most / (_BIN_S * max(1, wide // 10)))) + 1
    drifts = np.linspace(-LARGEST_DRIFT, LARGEST_DRIFT, n_drifts) if n_drifts > 1 else np.zeros(1)
    score, best = np.full(histogram.shape[1], -1.0), np.zeros(histogram.shape[1])
    for drift in drifts[np.argsort(np.abs(drifts), kind="stable")]:
        total = np.zeros(histogram.shape[1])
        for row, shift in zip(histogram, np.round(drift * (middles - origin_s) / _BIN_S).astype(int), strict=True):
            source = row[max(0, shift) : len(row) + min(0, shift)]
            total[max(0, -shift) : max(0, -shift) + len(source)] += source
        smooth = np.convolve(total, kernel, "same")
        better = smooth > score
        score[better], best[better] = smooth[better], drift
    apart = max(1, round(max(0.1, min(0.4 * interval_s, 0.3)) / _BIN_S))
    least = _TRIED_SHARE * float(score.max())
    found: list[tuple[float, float]] = []
    while len(found) < _MOST_TRIED and score.max() > max(least, 0.0):
        at = int(np.argmax(score))
        offset_s = search.centre_s + (at - (len(score) - 1) // 2) * _BIN_S
        found.append((offset_s, float(best[at])))
        score[max(0, at - apart) : at + apart + 1] = 0.0
    return found


def _histogram(blocks: Blocks, search: Search, origin_s: float) -> tuple[FloatArray, FloatArray]:
    """Differences of all pairs by stretch of time and offset (bins of 20 ms), and the middles of the stretches."""
    half = round((search.reach_s + LARGEST_DRIFT * STRETCH_S / 2.0) / _BIN_S)
    length_s = max(60.0, min(STRETCH_S, max(np.ptp(one.time_s) for one, _ in blocks)))
    n_parts = max(1, int(np.ceil(LARGEST_DRIFT * length_s / _BIN_S)))
    counts = np.zeros(n_parts * (2 * half + 1))
    for one, other in blocks:
        times = one.time_s[np.abs(one.time_s - origin_s) <= length_s / 2.0 + 1e-3]
        first = np.searchsorted(other.time_s, times + search.centre_s - half * _BIN_S)
        last = np.searchsorted(other.time_s, times + search.centre_s + half * _BIN_S)
        n = last - first
        within = np.arange(n.sum()) - np.repeat(np.cumsum(n) - n, n)
        difference = other.time_s[np.repeat(first, n) + within] - np.repeat(times, n) - search.centre_s
        part = np.clip((times - origin_s + length_s / 2.0) / length_s * n_parts, 0, n_parts - 1).astype(np.int64)
        place = np.clip(np.round(difference / _BIN_S).astype(np.int64) + half, 0, 2 * half)
        counts += np.bincount(np.repeat(part, n) * (2 * half + 1) + place, minlength=len(counts))
    middles = origin_s - length_s / 2.0 + (np.arange(n_parts) + 0.5) * length_s / n_parts
    return counts.reshape(n_parts, 2 * half + 1), middles
