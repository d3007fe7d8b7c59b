"""Where strikes begin: on the 1 ms mean squares of a stream, against a background that adapts.

The floor is the least lower quartile of the 5 ms means of a second over the last ten seconds and the current one. A
tick stands out where its 5 ms mean lies above the floor by more than the background's own fluctuations explain (10 to
29 dB), is the largest within 400 ms to either side, and exceeds four times the largest of the quiet stretch before it.
Noise of low frequency fluctuates most: the spread between lower quartile and median tells how much.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.ticks import TICKS
from reconcile.vocabulary.quantities import FloatArray

HISTORY_S = 10  # of the floor
APART_TICKS = 400  # the least distance between two strikes
RISE_WITHIN_TICKS = 250  # the rise lies at most this long before the largest tick
_SMOOTH_TICKS = 5
_ABOVE_FLOOR = 10.0  # least
_LARGEST_SPREAD = 4.5  # median over lower quartile of a single squared Gaussian (chi square, one degree of freedom)
_SPREAD_POWER, _SPREAD_FACTOR = 3.5, 4.0  # 4 s^3.5: one independent tick of noise in some ten million lies above
_ABOVE_QUIET = 4.0
_RISE_ABOVE_QUIET = 2.0
_GAP_TICKS = 20  # pauses of a rise that still belong to it
_QUIET_FROM, _QUIET_TO = 500, 250  # ticks before the largest tick
_SHORTEST_QUIET = 50
_EARLIER_TICKS = 1000  # of the peaks before the first one asked for


@dataclass(frozen=True, slots=True)
class Rise:
    """A strike's largest 5 ms mean and the tick in which it rises from the background."""

    peak_tick: int
    rise_tick: int


def smoothed(mean_squares: FloatArray) -> FloatArray:
    """Centred 5 ms mean."""
    kernel = np.full(_SMOOTH_TICKS, 1.0 / _SMOOTH_TICKS)
    return np.convolve(mean_squares, kernel, "same")


def floor_of_seconds(smooth: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Floor of each second and how far above it a strike must stand (a factor); two arrays of shape (seconds,).

    Digital silence and padding (ticks of zero) are no background: a second with less than 200 ms of sound has none.
    """
    seconds = np.sort(np.where(smooth > 0, smooth, np.inf).reshape(-1, TICKS), axis=1)
    valid = np.isfinite(seconds).sum(axis=1)
    row = np.arange(len(seconds))
    enough = valid >= TICKS // 5
    quartile = np.where(enough, seconds[row, valid // 4], np.inf)
    spread = np.where(enough, seconds[row, valid // 2] / np.where(enough, quartile, 1.0), np.inf)
    usual_spread = np.minimum(np.median(_history(spread), axis=1), _LARGEST_SPREAD)
    return _history(quartile).min(axis=1), np.maximum(_ABOVE_FLOOR, _SPREAD_FACTOR * usual_spread**_SPREAD_POWER)


def _history(values: FloatArray) -> FloatArray:
    """Each second's value and those of the ten seconds before it, shape (seconds, 11)."""
    padded = np.concatenate([np.full(HISTORY_S, np.inf), values])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, HISTORY_S + 1))


def find_rises(mean_squares: FloatArray, first: int, end: int, valid_from: int = 0) -> list[Rise]:
    """Strikes whose largest tick lies in [first, end) of whole seconds of 1 ms mean squares (Pa²).

    The array must hold what is needed before `first` (10 s, or all there is from `valid_from` on) and 400 ms behind
    `end`.
    """
    smooth = smoothed(mean_squares)
    floor, factor = floor_of_seconds(smooth)
    threshold = np.repeat(floor * factor, TICKS)
    rises: list[Rise] = []
    candidates = _candidates(smooth, threshold, max(valid_from, first - _EARLIER_TICKS), end)
    for previous, peak in pairwise([None, *candidates]):
        if peak is None or peak < first:
            continue
        quiet = _quiet_before(smooth, peak, previous, valid_from)
        loudest = float(quiet.max()) if quiet.size >= _SHORTEST_QUIET else float(threshold[peak])
        if smooth[peak] >= _ABOVE_QUIET * loudest:
            rises.append(Rise(peak, _rise_tick(smooth, peak, _RISE_ABOVE_QUIET * loudest)))
    return rises


def _quiet_before(smooth: FloatArray, peak: int, previous: int | None, valid_from: int) -> FloatArray:
    """The 250 ms that end 250 ms before the peak; near another peak, the second quarter of the way back."""
    start, end = peak - _QUIET_FROM, peak - _QUIET_TO
    if previous is not None and peak - previous < 2 * _QUIET_FROM:
        start = max(start, (previous + peak) // 2)
        end = max(end, peak - (peak - previous) // 4)
    return smooth[max(start, valid_from) : max(end, valid_from)]


def _candidates(smooth: FloatArray, threshold: FloatArray, first: int, end: int) -> list[int]:
    """Ticks above the threshold that are the largest within 400 ms; coarse maxima of 100 ms first: they are few."""
    last = len(smooth) - 1
    at: NDArray[np.int64] = np.arange(max(first, 1), min(end, last))
    near = smooth[at]
    at = at[(near > threshold[at]) & (near >= smooth[at - 1]) & (near > smooth[at + 1])]
    coarse = smooth[: len(smooth) // 100 * 100].reshape(-1, 100).max(axis=1)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(coarse, 3), 7).max(axis=1)
    at = at[smooth[at] >= around[np.minimum(at // 100, len(around) - 1)]]
    return [int(i) for i in at if smooth[i] >= smooth[max(0, i - APART_TICKS) : i + APART_TICKS + 1].max()]


def _rise_tick(smooth: FloatArray, peak: int, threshold: float) -> int:
    """First tick of the run above the threshold that leads to the peak, pauses of up to 20 ms allowed."""
    start = max(0, peak - RISE_WITHIN_TICKS)
    above = np.flatnonzero(smooth[start : peak + 1] > threshold)
    pauses = np.flatnonzero(np.diff(above) > _GAP_TICKS)
    return start + int(above[pauses[-1] + 1] if pauses.size else above[0])
