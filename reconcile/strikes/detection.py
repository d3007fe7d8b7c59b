"""Where strikes begin: on the 1 ms mean squares of a stream, against a background that adapts.

A tick stands out where its 5 ms mean is more than 10 dB above the floor (the least lower quartile of the last ten
seconds and the current one), is the largest within 400 ms to either side, and exceeds four times the largest 5 ms mean
of the quiet stretch before it. The last condition measures the background by its own fluctuations, so that
low-frequency noise, which fluctuates most, does not trigger.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.ticks import TICKS
from reconcile.vocabulary.quantities import FloatArray

HISTORY_S = 10  # of the floor
APART_TICKS = 400  # the least distance between two strikes
RISE_WITHIN_TICKS = 250  # the rise lies at most this long before the largest tick
_SMOOTH_TICKS = 5
_ABOVE_FLOOR = 10.0
_ABOVE_QUIET = 4.0
_RISE_ABOVE_QUIET = 2.0
_GAP_TICKS = 20  # pauses of a rise that still belong to it
_QUIET_FROM, _QUIET_TO = 500, 250  # ticks before the largest tick
_SHORTEST_QUIET = 50


@dataclass(frozen=True, slots=True)
class Rise:
    """A strike's largest 5 ms mean and the tick in which it rises from the background."""

    peak_tick: int
    rise_tick: int


def smoothed(mean_squares: FloatArray) -> FloatArray:
    """Centred 5 ms mean."""
    kernel = np.full(_SMOOTH_TICKS, 1.0 / _SMOOTH_TICKS)
    return np.convolve(mean_squares, kernel, "same")


def floor_of_seconds(smooth: FloatArray) -> FloatArray:
    """Lower quartile of each second, the least over ten seconds back and the current one; shape (seconds,).

    Digital silence and padding (ticks of zero) are no background: a second with less than 200 ms of sound has none.
    """
    seconds = np.sort(np.where(smooth > 0, smooth, np.inf).reshape(-1, TICKS), axis=1)
    valid = np.isfinite(seconds).sum(axis=1)
    quartile = np.where(valid >= TICKS // 5, seconds[np.arange(len(seconds)), valid // 4], np.inf)
    padded = np.concatenate([np.full(HISTORY_S, np.inf), quartile])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, HISTORY_S + 1).min(axis=1))


def find_rises(mean_squares: FloatArray, first: int, end: int, valid_from: int = 0) -> list[Rise]:
    """Strikes whose largest tick lies in [first, end) of whole seconds of 1 ms mean squares (Pa²).

    The array must hold what is needed before `first` (10 s, or all there is from `valid_from` on) and 400 ms behind
    `end`.
    """
    smooth = smoothed(mean_squares)
    floor = np.repeat(floor_of_seconds(smooth), TICKS)
    rises: list[Rise] = []
    previous = -(10**9)
    for peak in _candidates(smooth, floor, first, end):
        quiet_from = max(peak - _QUIET_FROM, (previous + peak) // 2, valid_from)
        quiet = smooth[quiet_from : max(peak - _QUIET_TO, quiet_from + _SHORTEST_QUIET)]
        quiet = quiet[: max(0, peak - 10 - quiet_from)]
        loudest = float(quiet.max()) if quiet.size >= _SHORTEST_QUIET // 2 else float(floor[peak]) * _ABOVE_FLOOR
        if smooth[peak] >= _ABOVE_QUIET * loudest:
            rises.append(Rise(peak, _rise_tick(smooth, peak, _RISE_ABOVE_QUIET * loudest)))
            previous = peak
    return rises


def _candidates(smooth: FloatArray, floor: FloatArray, first: int, end: int) -> list[int]:
    """Ticks above the floor that are the largest within 400 ms; coarse maxima of 100 ms first, because they are few."""
    last = len(smooth) - 1
    at: NDArray[np.int64] = np.arange(max(first, 1), min(end, last))
    near = smooth[at]
    at = at[(near > _ABOVE_FLOOR * floor[at]) & (near >= smooth[at - 1]) & (near > smooth[at + 1])]
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
