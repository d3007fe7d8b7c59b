"""Where strikes begin: on the 1 ms mean squares of a stream, against a background that adapts.

Loud strikes are found in the full band, in two steps of a threshold; what these miss, in the octaves of `octaves.py` by
a matched filter with a strike of the usual kind (`matched_filter.py`).

The floor is the least lower quartile of the 5 ms means of a second over the last ten seconds and the current one. A
tick stands out where its 5 ms mean lies above the floor by more than the background's own fluctuations explain (10 to
29 dB), is the largest within 400 ms to either side, and exceeds four times the largest of the quiet stretch before it.
Noise of low frequency fluctuates most: the spread between lower quartile and median tells how much.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.matched_filter import default_template, peaks, scores
from reconcile.strikes.octaves import STEP_TICKS
from reconcile.strikes.ticks import TICKS, Samples
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
_CLEAR_ABOVE_QUIET = 30.0
_GAP_TICKS = 20  # pauses of a rise that still belong to it
_QUIET_FROM, _QUIET_TO = 500, 250  # ticks before the largest tick
_SHORTEST_QUIET = 50
_EARLIER_TICKS = 1000  # of the peaks before the first one asked for
FAINT_SCORE = 7.0  # standard deviations of the matched filter's background: above what noise reaches in hours
_SEEN_SCORE, _SEEN_WITHIN_STEPS = 5.0, 20
_BEYOND_DOUBT = 4.0  # times the threshold
FAINT_TICKS = 300  # of the interval of a faint strike, at least
RISE_BEFORE_ONSET_TICKS = 5


_USUAL = default_template()


@dataclass(frozen=True, slots=True, order=True)
class Rise:
    """A strike's largest 5 ms mean (its onset, where the matched filter found it) and the tick in which it rises.

    A strike that stands little above its background hides in it before it has decayed: its interval is `least_ticks`
    long at least. `above_threshold` is by how much (a factor) the largest mean lies above what it had to reach.
    """

    peak_tick: int
    rise_tick: int
    least_ticks: int = 0
    above_threshold: float = 1.0

    def shifted(self, by_ticks: int) -> Rise:
        """The same, counted from another tick."""
        return replace(self, peak_tick=self.peak_tick + by_ticks, rise_tick=self.rise_tick + by_ticks)


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
            least = FAINT_TICKS if smooth[peak] < _CLEAR_ABOVE_QUIET * loudest else 0
            rise = _rise_tick(smooth, peak, _RISE_ABOVE_QUIET * loudest)
            rises.append(Rise(peak, rise, least, float(smooth[peak] / threshold[peak])))
    return rises


def confirm(octaves: Samples, first_tick: int, rises: list[Rise]) -> tuple[list[Rise], list[Rise]]:
    """Strikes of the full band that the octaves confirm, and those that stand out in the octaves alone.

    `octaves` has shape (5, steps), the first at `first_tick`. A strike that lies little above its threshold must be
    seen there, too: in hours of noise at low frequencies the full band reaches any threshold that strikes of 10 dB
    reach. Where the octaves tell nothing (at the ends of a recording) it counts as confirmed.
    """
    score = scores(octaves, np.ones(octaves.shape[1], dtype=bool), _USUAL, octaves.shape[1])
    confirmed = [rise for rise in rises if rise.above_threshold >= _BEYOND_DOUBT or _is_seen(score, first_tick, rise)]
    loud = [(rise.peak_tick - first_tick) // STEP_TICKS for rise in confirmed]
    onsets = [first_tick + step * STEP_TICKS + STEP_TICKS // 2 for step in peaks(score, FAINT_SCORE, loud)]
    return confirmed, [Rise(tick, tick - RISE_BEFORE_ONSET_TICKS, FAINT_TICKS) for tick in onsets]


def _is_seen(score: FloatArray, first_tick: int, rise: Rise) -> bool:
    start = (rise.rise_tick - first_tick) // STEP_TICKS - _SEEN_WITHIN_STEPS
    end = (rise.peak_tick - first_tick) // STEP_TICKS + _SEEN_WITHIN_STEPS + 1
    near = score[max(0, start) : max(0, end)]
    return bool(not near.size or np.isneginf(near).any() or near.max() >= _SEEN_SCORE)


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
