"""Tonal lines of a vibratory hammer: a fundamental and its harmonics, followed in time through narrow-band spectra.

The eccentric masses of such a hammer turn at some 8 to 60 Hz (common practice, no source), and the pile radiates lines
at multiples of that. In each stretch of ten seconds the comb of multiples is sought that stands out most; its
fundamental is then followed from frame to frame, and each line is held against what lies between the lines.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.quantities import FloatArray, level_db, ratio

TONE_FRAMES = 10  # frames of 2 s, one each second, that one set of lines is made of
FEWEST_FRAMES = 5
FUNDAMENTAL_HZ = (8.0, 60.0)
MOST_LINES = 25
STANDS_OUT_DB = 3.0  # of a line over its surroundings; what is less is a limit
SERIES_LINES, SERIES_DB = 3, 6.0  # a series has three lines that stand out by so much
_STEP_HZ = 0.05
_SURROUNDINGS_HZ = 10.0
_MOST_DB, _DUE_DB = 15.0, 4.0  # what one line can add to a comb's score, and what each multiple costs it
_NARROWEST_HZ, _WIDTH, _LARGEST_WIDTH = 1.5, 0.01, 0.3  # half width of a line: a share of its own, of the fundamental's
_NEAR, _N_NEAR = 0.04, 161  # of the fundamental, within a stretch
_HANN_BINS, _HANN_FRAMES = 1.5, 1.06  # of noise: bins, and frames that overlap by half, for one independent number
_OF_BIN = 0.005  # by which the parabola through a line's three largest bins misses its peak
_MEDIAN = np.log(2.0)  # of the power of Gaussian noise in one bin of one frame, in parts of its mean


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a series over a stretch: mean square and its standard uncertainty in Pa², prominence as a ratio."""

    harmonic: int
    frequency_hz: float
    frequency_uncertainty_hz: float
    mean_square: float
    uncertainty: float
    prominence: float
    hidden: bool  # the mean square is the largest that would not stand out


@dataclass(frozen=True, slots=True)
class Fundamental:
    """The fundamental in each frame of a stretch, Hz, and the standard uncertainty of its mean."""

    frequency_hz: FloatArray
    uncertainty_hz: float


def tonal_series(power: Samples, bin_hz: float, from_hz: float, to_hz: float) -> tuple[Line, ...]:
    """The lines of the series that stands out in some frames, `power` of shape (frames, bins); none where none does.

    Lines lie between `from_hz` and `to_hz`; from the lowest multiple there to the highest that stands out.
    """
    found = fundamental(power, bin_hz, from_hz, to_hz)
    if found is None:
        return ()
    mean_hz = float(found.frequency_hz.mean())
    first = int(np.ceil(from_hz / mean_hz))
    last = min(MOST_LINES, int(to_hz / mean_hz - _LARGEST_WIDTH))
    lines = [_line(power.astype(np.float64), bin_hz, found, harmonic) for harmonic in range(first, last + 1)]
    clear = [line for line in lines if line.prominence >= ratio(SERIES_DB)]
    if len(clear) < SERIES_LINES:
        return ()
    highest = max(line.harmonic for line in lines if not line.hidden)
    return tuple(line for line in lines if line.harmonic <= highest)


def fundamental(power: Samples, bin_hz: float, from_hz: float, to_hz: float) -> Fundamental | None:
    """The fundamental of the comb that stands out most; None where no comb does."""
    mean = power.mean(axis=0, dtype=np.float64)
    around = _surroundings(mean, bin_hz)
    above_db = np.clip(level_db(mean / around), 0.0, _MOST_DB)
    beside = np.pad(above_db, 1, mode="edge")
    near_db = np.maximum(np.maximum(beside[:-2], beside[2:]), above_db)  # a line drifts within a stretch
    low = np.arange(FUNDAMENTAL_HZ[0], FUNDAMENTAL_HZ[1], _STEP_HZ)
    numbers = np.arange(1, MOST_LINES + 1)
    multiples = low[:, None] * numbers
    inside = (multiples >= from_hz) & (multiples <= min(to_hz, (len(mean) - 1) * bin_hz))
    score = np.where(inside, _at(near_db, multiples / bin_hz) - _DUE_DB, 0.0)
    sums = np.cumsum(score, axis=1)
    best = int(np.argmax(sums.max(axis=1)))
    reach = int(np.argmax(sums[best])) + 1
    standing = numbers[:reach][inside[best, :reach] & (score[best, :reach] > 0.0)]
    if len(standing) < SERIES_LINES:
        return None
    return _followed(power, around, bin_hz, float(low[best]), standing)


def _surroundings(mean: FloatArray, bin_hz: float) -> FloatArray:
    """Running median over 10 Hz to either side: lines are a small part of it."""
    reach = max(1, round(_SURROUNDINGS_HZ / bin_hz))
    padded = np.pad(mean, reach, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.maximum(np.asarray(np.median(windows, axis=1)), np.finfo(np.float32).tiny)


def _at(values: FloatArray, position: FloatArray) -> FloatArray:
    """Values at positions between bins, linear; the last axis of `values` is bins."""
    below = np.clip(position.astype(np.intp), 0, values.shape[-1] - 2)
    part = np.clip(position - below, 0.0, 1.0)
    return np.asarray(values[..., below] * (1.0 - part) + values[..., below + 1] * part)


def _curved_at(values: FloatArray, position: FloatArray) -> FloatArray:
    """Values at positions between bins, by the parabola through the three nearest; the peak of a line is curved."""
    nearest = np.clip(np.rint(position).astype(np.intp), 1, values.shape[-1] - 2)
    x = np.clip(position - nearest, -0.5, 0.5)
    before, here, after = (values[..., nearest + k] for k in (-1, 0, 1))
    return np.asarray(here + 0.5 * x * (after - before) + 0.5 * x**2 * (before - 2.0 * here + after))


def _followed(
    power: Samples, around: FloatArray, bin_hz: float, coarse_hz: float, harmonics: NDArray[np.intp]
) -> Fundamental:
    """The fundamental in each frame: where the comb fits best within 4 %, then a straight line through the frames.

    The line is the median of the slopes of all pairs (Theil-Sen), so that single frames do not turn it.
    """
    log_power = level_db(np.maximum(power, np.finfo(np.float32).tiny) / around)
    near_hz = coarse_hz * (1.0 + np.linspace(-_NEAR, _NEAR, _N_NEAR))
    score = _curved_at(np.clip(log_power, 0.0, None), near_hz[:, None] * harmonics / bin_hz).sum(axis=2)
    best = np.clip(np.argmax(score, axis=1), 1, _N_NEAR - 2)
    rows = np.arange(len(power))
    before, here, after = (score[rows, best + k] for k in (-1, 0, 1))
    bend = before - 2.0 * here + after
    shift = np.where(bend < 0.0, np.clip(0.5 * (before - after) / np.where(bend < 0.0, bend, -1.0), -1.0, 1.0), 0.0)
    each_hz = near_hz[best] + shift * (near_hz[1] - near_hz[0])
    i, j = np.triu_indices(len(power), 1)
    slope = float(np.median((each_hz[j] - each_hz[i]) / (j - i)))
    middle = float(np.median(each_hz - slope * rows))
    line_hz: FloatArray = middle + slope * rows.astype(np.float64)
    scatter = 1.4826 * float(np.median(np.abs(each_hz - line_hz)))
    uncertainty_hz = np.hypot(scatter / np.sqrt(len(power) / _HANN_FRAMES), _OF_BIN * bin_hz)
    return Fundamental(line_hz, float(uncertainty_hz))


def _line(power: FloatArray, bin_hz: float, found: Fundamental, harmonic: int) -> Line:
    """What one line holds, less the surroundings: the median of the bins between it and half-way to its neighbours."""
    mean_hz = float(found.frequency_hz.mean())
    half_hz = min(max(_NARROWEST_HZ, _WIDTH * harmonic * mean_hz), _LARGEST_WIDTH * mean_hz)
    offset_hz = np.abs(np.arange(power.shape[1]) * bin_hz - harmonic * found.frequency_hz[:, None])
    inside = offset_hz <= half_hz
    between = (offset_hz > half_hz + bin_hz) & (offset_hz <= 0.5 * mean_hz)
    in_frame = np.where(inside, power, 0.0).sum(axis=1)
    floor = float(np.median(power[between])) / _MEDIAN
    n_bins = float(inside.sum(axis=1).mean())
    noise, total = max(floor * n_bins, np.finfo(np.float32).tiny), float(in_frame.mean())
    prominence = total / noise
    hidden = prominence < ratio(STANDS_OUT_DB)
    limit = noise * (float(ratio(STANDS_OUT_DB)) - 1.0)
    frames = len(power) / _HANN_FRAMES
    line = max(total - noise, 0.0)
    of_median = _HANN_FRAMES / (_MEDIAN**2 * max(int(between.sum()), 1))  # of exponential numbers
    expected = (noise**2 / n_bins + 2.0 * line * floor) * _HANN_BINS / frames  # of the noise between the frames
    scatter = float(np.var(in_frame, ddof=1)) / frames  # holds the same noise, and what the line itself does
    variance = max(expected, scatter) + noise**2 * _HANN_BINS * of_median
    return Line(
        harmonic=harmonic,
        frequency_hz=harmonic * mean_hz,
        frequency_uncertainty_hz=harmonic * found.uncertainty_hz,
        mean_square=limit if hidden else line,
        uncertainty=float("nan") if hidden else float(np.sqrt(variance)),
        prominence=prominence,
        hidden=bool(hidden),
    )


def stretches(cells: NDArray[np.int64], keys: NDArray[np.int64]) -> Iterator[NDArray[np.intp]]:
    """Rows of up to ten consecutive seconds of one key (what was worked on), five at least, from a run's first on."""
    new = np.flatnonzero((np.diff(cells) != 1) | (np.diff(keys) != 0)) + 1
    for run in np.split(np.arange(len(cells), dtype=np.intp), new):
        for first in range(0, len(run), TONE_FRAMES):
            rows = run[first : first + TONE_FRAMES]
            if len(rows) >= FEWEST_FRAMES:
                yield rows
