"""Quality of strikes and seconds: shifts of the offset, mains hum, self-noise, cable knocks.

Names of marks stand here; each becomes a flag (`vocabulary/tables/flags.py`), nothing is deleted. Single samples are
judged in `sample_faults.py`, flat tops in `flat_tops.py`. Thresholds are common practice without a source unless a
reason stands beside them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.levels import Interval
from reconcile.strikes.ticks import TICKS, Samples
from reconcile.vocabulary.decidecades import edges_hz
from reconcile.vocabulary.quantities import FloatArray, ratio

Marks = NDArray[np.bool_]

PULSE_MARKS = ("flattened", "drop_out", "zeros", "spike", "spike_at_peak", "dc_shift", "self_noise", "cable_knock")
SECOND_MARKS = ("drop_out", "zeros", "spike", "dc_shift", "mains_hum", "self_noise")

BLOCK_TICKS = 50  # of the slow part
_STRETCH = 4  # blocks whose mean is compared
_HISTORY = 200  # blocks that tell what is usual: 10 s
_SHORTEST_HISTORY = 40
_USUAL = 6.0
_SUDDEN = 3.0
_OF_PEAK = 0.1
_OF_SECOND = 1.5
_SELF_NOISE_DB = 3.0
_INDEPENDENT = 10.0  # numbers in a band: bandwidth times duration
_MAINS_HZ = (50.0, 60.0)
_HARMONICS, _BETWEEN = (2.0, 3.0, 4.0, 5.0), (1 / 3, 1 / 2, 2 / 3, 4 / 3, 3 / 2, 5 / 3)  # orders of the mains
_STANDS_OUT = 10.0
_LINE_HZ, _AROUND_HZ = 1.0, (3.0, 10.0)
_MAINS_TOLERANCE = 0.004
HUM_TO_HZ = 320.0
_KNOCK_TO_HZ, _KNOCK_BANDS, _KNOCK_ABOVE, _KNOCK_RISE_S = 45.0, 3, 0.05, 0.005


def slow_stretches(tick_means: FloatArray) -> FloatArray:
    """Means of 200 ms that begin every 50 ms, from 1 ms means of the sound as recorded (Pa)."""
    blocks = tick_means.reshape(-1, BLOCK_TICKS).mean(axis=1)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(blocks, _STRETCH).mean(axis=1))


def is_shifted(stretches: FloatArray, interval: Interval, valid: tuple[int, int], peak_pa: float) -> bool:
    """Whether the offset of the sound is another after a strike than before it.

    The mean of 200 ms before the interval is held against that of 200 ms after it. Their difference is a shift where
    it is six times what is usual over as long a time in the ten seconds before (swell is usual), and a tenth of the
    peak: a step of less moves the peak by 5 % at most and adds 0.0056 s of its square (by the 10 Hz high-pass) to an
    exposure, some 0.05 dB. Cannot be told, and is not marked, where the pulse was cut or less than 2 s lie before it.
    `valid` are the ticks that hold recorded sound.
    """
    before, after = interval.start // BLOCK_TICKS - _STRETCH, -(-interval.end // BLOCK_TICKS)
    first = max(-(-valid[0] // BLOCK_TICKS), before - _HISTORY)
    if interval.cut or before - first < _SHORTEST_HISTORY or (after + _STRETCH) * BLOCK_TICKS > valid[1]:
        return False
    lag = after - before
    shift = abs(float(stretches[after] - stretches[before]))
    if shift <= _OF_PEAK * peak_pa:
        return False
    return shift > _USUAL * float(np.median(np.abs(stretches[first + lag : before] - stretches[first : before - lag])))


def shifted_seconds(stretches: FloatArray, first: int, mean_square: FloatArray, valid: tuple[int, int]) -> Marks:
    """Seconds in which the offset of the sound jumps; `first` is the tick of the view at which the first begins.

    At each 50 ms the two means of 200 ms before them are held against the two after: both of these lie above (or
    below) both of those, for a strike passes and a shift stays. The gap between them is three times what the two of
    either side differ by (swell moves on, a shift is sudden), six times what is usual from one 200 ms to the next over
    ten seconds, and 1.5 times the second's rms: by the 10 Hz high-pass a step adds 0.0056 of its square to a second's
    mean square, then more than 0.05 dB.
    """
    low, high = -(-valid[0] // BLOCK_TICKS), valid[1] // BLOCK_TICKS
    reach, n = 2 * _STRETCH, len(stretches)
    at = np.arange(max(reach, low + reach), min(n - _STRETCH - 1, high - reach))  # the 50 ms between the stretches
    before = np.stack([stretches[at - reach], stretches[at - _STRETCH]])
    after = np.stack([stretches[at + 1], stretches[at + 1 + _STRETCH]])
    usual, gap = np.full(n + _STRETCH, np.nan), np.zeros(n + _STRETCH)
    usual[at] = np.abs(after[0] - before[1])
    between = np.maximum(after.min(axis=0) - before.max(axis=0), before.min(axis=0) - after.max(axis=0))
    drift = np.maximum(np.abs(before[1] - before[0]), np.abs(after[1] - after[0]))
    gap[at] = np.where(between > _SUDDEN * drift, between, 0.0)
    in_second = TICKS // BLOCK_TICKS
    marks = np.zeros(len(mean_square), dtype=bool)
    for k, square in enumerate(mean_square):
        start = first // BLOCK_TICKS + k * in_second
        end = start + in_second
        largest = float(gap[start:end].max())
        if largest > _OF_SECOND * np.sqrt(square):
            known = usual[max(0, end - _HISTORY) : end]
            known = known[np.isfinite(known)]
            marks[k] = known.size >= _SHORTEST_HISTORY and largest > _USUAL * float(np.median(known))
    return marks


class NoiseFloor:
    """Mean squares (Pa²) of the noise of quantisation, step squared over 12, spread evenly up to half the rate.

    The only part of a recorder's own noise that its samples tell of; hydrophone and amplifier may lie higher.
    """

    def __init__(self, step_pa: float, rate_hz: int, full_band_hz: tuple[float, float], bands: Sequence[int]) -> None:
        density = step_pa**2 / 12.0 / (rate_hz / 2)
        self._full = density * (min(full_band_hz[1], rate_hz / 2) - full_band_hz[0]) * float(ratio(_SELF_NOISE_DB))
        self._widths = np.diff(np.array(edges_hz(bands))) if len(bands) else np.zeros(0)
        self._bands = density * self._widths * float(ratio(_SELF_NOISE_DB))

    def reached(self, mean_square: FloatArray, bands: FloatArray, duration_s: float) -> Marks:
        """Whether a level lies within 3 dB of the floor, in the full band or in a band of ten independent numbers.

        `mean_square` has shape (n,), `bands` (n, bands), in Pa² over `duration_s`; NaN never does. Sound of less than
        half a step is rounded to one value and lies below the floor.
        """
        told = self._widths * duration_s >= _INDEPENDENT
        reached = (mean_square <= self._full) & (self._full > 0.0)
        return np.asarray(reached | np.any((bands <= self._bands) & (self._bands > 0.0) & told, axis=1))


def has_mains_hum(power: Samples, bin_hz: float) -> Marks:
    """Frames in which 50 or 60 Hz and two of its next four harmonics stand out, shape (frames,).

    A line stands out where its power (within 1 Hz and 0.4 % of the mains frequency) is ten times the median 3 Hz to
    10 Hz away. One bin of noise in a thousand does; three at once hardly. Where two lines stand at halves
    and thirds between (25 Hz, 20 Hz) they are a machine's, a vibratory hammer's for example. `power` begins at 0 Hz.
    """
    marks = np.zeros(len(power), dtype=bool)
    for mains_hz in _MAINS_HZ:
        rows = np.flatnonzero(_stands_out(power, bin_hz, mains_hz))
        if rows.size:
            some = power[rows]
            harmonics = sum(_stands_out(some, bin_hz, order * mains_hz).astype(int) for order in _HARMONICS)
            between = sum(_stands_out(some, bin_hz, order * mains_hz).astype(int) for order in _BETWEEN)
            marks[rows] |= (harmonics >= 2) & (between <= 1)
    return marks


def _stands_out(power: Samples, bin_hz: float, line_hz: float) -> Marks:
    def bins(low_hz: float, high_hz: float) -> slice:
        return slice(int(np.ceil(low_hz / bin_hz)), int(np.floor(high_hz / bin_hz)) + 1)

    near = _LINE_HZ + _MAINS_TOLERANCE * line_hz
    around = [
        power[:, bins(line_hz - _AROUND_HZ[1], line_hz - _AROUND_HZ[0])],
        power[:, bins(line_hz + _AROUND_HZ[0], line_hz + _AROUND_HZ[1])],
    ]
    line = power[:, bins(line_hz - near, line_hz + near)].max(axis=1)
    return np.asarray(line > _STANDS_OUT * np.median(np.concatenate(around, axis=1), axis=1))


class KnockTest:
    """Tells a knock on the cable or the mooring: 95 % of its energy lies below 45 Hz, and it rises slowly.

    A strike's energy lies between some 60 Hz and 1 kHz at all ranges; water of less than some 30 m hardly carries
    frequencies below 45 Hz at all. Slow is 5 ms or more from 5 % of the energy to the peak. Cannot be told, and is not
    marked, where the chain has fewer than three bands below 45 Hz.
    """

    def __init__(self, bands: Sequence[int]) -> None:
        self._low = np.array(edges_hz(bands))[1:] <= _KNOCK_TO_HZ if len(bands) else np.zeros(0, dtype=bool)
        self._can_tell = np.count_nonzero(self._low) >= _KNOCK_BANDS and not self._low.all()

    def is_knock(self, energy: FloatArray, rise_time_s: float) -> bool:
        """`energy` of the bands, background subtracted."""
        if not self._can_tell or not rise_time_s >= _KNOCK_RISE_S:
            return False
        above, total = float(energy[~self._low].sum()), float(energy.sum())
        return total > 0.0 and above < _KNOCK_ABOVE * total
