"""Hann frames of 2 s, one centred on each second: bands, weightings, hum and tonal lines of continuous levels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from reconcile.recordings.streams import Channel
from reconcile.strikes.band_levels import ROWS, BandSums, bands_of
from reconcile.strikes.full_band import FullBandFilter
from reconcile.strikes.narrow_band import NARROW_TO_HZ, NarrowBand, joint_spectra
from reconcile.strikes.quality import HUM_TO_HZ, has_mains_hum
from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.quantities import FloatArray


@dataclass(frozen=True, slots=True)
class FrameLevels:
    """Of consecutive seconds: mean squares in Pa² of bands and weightings, hum, and spectra where lines are sought.

    A second whose frame reaches beyond what was recorded has NaN, and no hum.
    """

    bands: FloatArray
    weighted: FloatArray
    hum: NDArray[np.bool_]
    narrow: NarrowBand


class Frames:
    """Frames of one channel."""

    def __init__(self, channel: Channel, full_band: FullBandFilter, weightings: Sequence[str]) -> None:
        self._channel = channel
        self._rate = rate = full_band.grid.rate_hz
        n_fft = fft.next_fast_len(2 * rate, True)
        self._sums = BandSums(full_band, n_fft, bands_of(channel, rate), weightings)
        self._bin_hz = rate / n_fft
        hann = np.sin(np.pi * (np.arange(2 * rate) + 0.5) / (2 * rate)) ** 2
        self._hann: Samples = hann.astype(np.float32)
        self._scale = 1.0 / (n_fft * float(np.sum(hann**2)))
        self._rows = np.zeros((ROWS, n_fft), dtype=np.float32)

    def levels(self, pressure: Samples, at: int, first_cell: int, n_cells: int, n_samples: int | None) -> FrameLevels:
        """Levels of `n_cells` seconds (whole batches), the first of which begins at sample `at` of `pressure`.

        `n_samples` is the length of the stream where its end has been reached, else None.
        """
        rate, sums = self._rate, self._sums
        starts = (first_cell + np.arange(n_cells)) * rate - rate // 2
        outside = (starts < 0) | (starts + 2 * rate > (np.inf if n_samples is None else n_samples))
        tonal = self._tonal(first_cell, n_cells) & ~outside
        bands, weighted = np.empty((n_cells, len(sums.bands))), np.empty((n_cells, len(sums.weightings)))
        low = np.empty((n_cells, int(HUM_TO_HZ / self._bin_hz)), dtype=np.float32)
        narrow: list[NarrowBand] = []
        for row in range(0, n_cells, ROWS):
            batch = slice(row, row + ROWS)
            for k, frame in enumerate(self._rows[:, : 2 * rate]):
                start = at + (row + k) * rate - rate // 2
                np.multiply(pressure[start : start + 2 * rate], self._hann, out=frame)
            power = sums.power(self._rows)
            bands[batch], weighted[batch] = sums.sums_of(power)
            low[batch] = power[:, : low.shape[1]]
            if tonal[batch].any():
                spectra = 2.0 * self._scale * power[tonal[batch], : int(NARROW_TO_HZ / self._bin_hz) + 1]
                cells = first_cell + row + np.flatnonzero(tonal[batch])
                narrow.append(NarrowBand(cells, self._bin_hz, spectra.astype(np.float32)))
        hum = has_mains_hum(low, self._bin_hz) & ~outside
        bands[outside], weighted[outside] = np.nan, np.nan
        return FrameLevels(bands * self._scale, weighted * self._scale, hum, joint_spectra(narrow))

    def _tonal(self, first_cell: int, n_cells: int) -> NDArray[np.bool_]:
        """In which of some seconds tonal lines are sought."""
        cells = np.arange(first_cell, first_cell + n_cells)
        found = np.zeros(n_cells, dtype=bool)
        for first, end in self._channel.tonal_cells:
            found |= (cells >= first) & (cells < end)
        return found
