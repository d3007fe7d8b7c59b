"""Energies of strikes and of the background before them, in bands and through weightings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

from reconcile.recordings.streams import Channel
from reconcile.strikes.band_levels import ROWS, BandSums, bands_of
from reconcile.strikes.full_band import FullBandFilter
from reconcile.strikes.levels import Interval, View, has_quiet
from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.quantities import FloatArray

_QUIET_FADE_S = 0.02


@dataclass(frozen=True, slots=True)
class StrikeEnergies:
    """One strike: energies in Pa² s of its interval, mean squares in Pa² of its background (NaN where it has none)."""

    bands: FloatArray
    band_noise: FloatArray
    weighted: FloatArray
    weighted_noise: FloatArray


class StrikeSpectra:
    """Spectra of one channel's strikes, in batches of constant size."""

    def __init__(
        self, channel: Channel, full_band: FullBandFilter, weightings: Sequence[str], window_max_s: float
    ) -> None:
        self._rate = rate = full_band.grid.rate_hz
        bands = bands_of(channel, rate)
        n_pulse = fft.next_fast_len(max(rate, round(window_max_s * rate) + 1), True)
        n_quiet = fft.next_fast_len(rate // 2, True)
        self._pulses = BandSums(full_band, n_pulse, bands, weightings)
        self._quiet = BandSums(full_band, n_quiet, bands, weightings)
        self._pulse_rows = np.zeros((ROWS, n_pulse), dtype=np.float32)
        self._quiet_rows = np.zeros((ROWS, n_quiet), dtype=np.float32)

    def energies(self, view: View, intervals: Sequence[Interval]) -> list[StrikeEnergies]:
        """Of any number of strikes; a batch that is not full holds rows of zeros."""
        found: list[StrikeEnergies] = []
        for first in range(0, len(intervals), ROWS):
            found += self._batch(view, intervals[first : first + ROWS])
        return found

    def _batch(self, view: View, intervals: Sequence[Interval]) -> list[StrikeEnergies]:
        quiet_square = np.full(ROWS, np.nan)
        self._pulse_rows[len(intervals) :] = 0.0
        self._quiet_rows[len(intervals) :] = 0.0
        for k, interval in enumerate(intervals):
            _fill(self._pulse_rows[k], view.samples(interval.start, interval.end))
            quiet = view.samples(interval.quiet_start, interval.quiet_end if has_quiet(interval) else 0)
            fade, square = _fade(quiet.size, round(_QUIET_FADE_S * self._rate))
            _fill(self._quiet_rows[k], quiet, fade)
            quiet_square[k] = square if has_quiet(interval) else np.nan
        bands, weighted = (s / (self._pulses.n_fft * self._rate) for s in self._pulses.sums(self._pulse_rows))
        per_square = 1.0 / (self._quiet.n_fft * quiet_square[:, None])
        band_noise, weighted_noise = (s * per_square for s in self._quiet.sums(self._quiet_rows))
        columns = zip(bands, band_noise, weighted, weighted_noise, strict=True)
        return [StrikeEnergies(*row) for _, row in zip(intervals, columns, strict=False)]


def _fill(row: Samples, samples: Samples, window: Samples | None = None) -> None:
    """Samples, through a window if there is one, at the beginning of a row of zeros."""
    n = samples.size
    if window is None:
        row[:n] = samples
    else:
        np.multiply(samples, window, out=row[:n])
    row[n:] = 0.0


@lru_cache(maxsize=64)
def _fade(n: int, ramp: int) -> tuple[Samples, float]:
    """A window of ones with raised-cosine ends, and its sum of squares.

    A sharp cut would leak low frequencies into the high bands.
    """
    window = np.ones(n, dtype=np.float32)
    ramp = min(ramp, n // 2)
    rise = np.sin(0.5 * np.pi * (np.arange(ramp) + 0.5) / ramp) ** 2 if ramp else np.zeros(0)
    window[:ramp], window[n - ramp :] = rise, rise[::-1]
    return window, float(np.sum(window.astype(np.float64) ** 2))
