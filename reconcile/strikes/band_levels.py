"""Energies in decidecades and through auditory weightings, from batches of spectra.

One float32 FFT for a batch of rows; band sums with fractional edge bins (a bin of width df stands for frequencies half
a bin to either side), weightings exact for each bin. Sums longer than 500 bins are in float64.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from reconcile.recordings.streams import Channel
from reconcile.strikes.full_band import FullBandFilter
from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.decidecades import bands_within, edges_hz, upper_edge_hz
from reconcile.vocabulary.quantities import FloatArray
from reconcile.vocabulary.weightings import WEIGHTINGS, power_response

_CHUNK = 500  # bins of a float32 dot product


def bands_of(channel: Channel, rate_hz: int) -> tuple[int, ...]:
    """Decidecades that a channel can give.

    The exact centre lies in the full band and in the sensitivity curve's table, the upper edge below half the rate.
    """
    within = bands_within(channel.bands_from_hz, channel.bands_to_hz)
    return tuple(n for n in within if upper_edge_hz(n) <= rate_hz / 2)


class BandSums:
    """Sums over the power spectrum of rows of up to `n_fft` samples, with the full band's response divided out."""

    def __init__(self, full_band: FullBandFilter, n_fft: int, bands: Sequence[int], weightings: Sequence[str]) -> None:
        self.n_fft = n_fft
        self.bands = tuple(bands)
        self.weightings = tuple(weightings)
        rate = full_band.grid.rate_hz
        frequency = fft.rfftfreq(n_fft, 1 / rate)
        self._set_edges(rate / n_fft, frequency.size)
        self._set_inverse(full_band, frequency)
        inside = (frequency >= full_band.from_hz) & (frequency <= full_band.to_hz)
        factors = np.array([power_response(WEIGHTINGS[name], frequency) * inside for name in self.weightings])
        n_used = -(-frequency.size // _CHUNK) * _CHUNK
        padded = np.zeros((len(self.weightings), n_used))
        if self.weightings:
            padded[:, : frequency.size] = factors
        self._weights = np.ascontiguousarray(
            padded.reshape(-1, n_used // _CHUNK, _CHUNK).transpose(1, 2, 0), dtype=np.float32
        )
        self._n_padded, self._n_bins = n_used, frequency.size

    def _set_edges(self, df_hz: float, n_bins: int) -> None:
        position = np.array(edges_hz(self.bands)) / df_hz + 0.5 if self.bands else np.zeros(0)
        position = np.minimum(position, n_bins - 1e-9)
        self._edge_bin: NDArray[np.int64] = position.astype(np.int64)
        self._edge_fraction: FloatArray = position - self._edge_bin

    def _set_inverse(self, full_band: FullBandFilter, frequency: FloatArray) -> None:
        """1/|H|² where it matters: from the lowest band's edge to the highest's."""
        response = full_band.power_response(frequency)
        reach = (frequency >= full_band.from_hz / 1.15) & (frequency <= full_band.to_hz * 1.15)
        inverse = np.where(reach, 1.0 / np.maximum(response, 1e-6), 1.0)
        changed = np.flatnonzero(np.abs(inverse - 1.0) > 1e-7)
        self._inverse_to = int(changed[-1]) + 1 if changed.size else 0
        self._inverse: Samples = inverse[: self._inverse_to].astype(np.float32)

    def sums(self, rows: Samples) -> tuple[FloatArray, FloatArray]:
        """Sum of |X|² (one-sided, twice the positive half) over each band and through each weighting.

        `rows` has shape (n_rows, n_fft) and the same number of rows at each call, so that a row's result never
        depends on its company. Divide by n_fft times the rate for energies. Returns two arrays, of shapes
        (n_rows, bands) and (n_rows, weightings).
        """
        return self.sums_of(self.power(rows))

    def power(self, rows: Samples) -> Samples:
        """|X|² of rows, padded with zeros at the end; bins are rate / n_fft apart."""
        spectrum = fft.rfft(rows, self.n_fft)
        power = np.zeros((len(rows), self._n_padded), dtype=np.float32)
        used = power[:, : spectrum.shape[1]]
        np.abs(spectrum, out=used)
        np.multiply(used, used, out=used)
        used[:, : self._inverse_to] *= self._inverse
        return power

    def sums_of(self, power: Samples) -> tuple[FloatArray, FloatArray]:
        """The sums of `sums`, from what `power` gave."""
        return 2.0 * self._band_sums(power[:, : self._n_bins]), 2.0 * self._weighted_sums(power)

    def _band_sums(self, power: Samples) -> FloatArray:
        if not self.bands:
            return np.zeros((len(power), 0))
        edge = self._edge_bin
        whole = np.add.reduceat(power[:, : edge[-1] + 1], edge, axis=1, dtype=np.float64)[:, :-1]
        whole[:, edge[:-1] == edge[1:]] = 0.0  # reduceat gives the bin itself for an empty range
        part = power[:, self._edge_bin] * self._edge_fraction
        return np.asarray(whole - part[:, :-1] + part[:, 1:])

    def _weighted_sums(self, power: Samples) -> FloatArray:
        if not self.weightings:
            return np.zeros((len(power), 0))
        chunks = power.reshape(len(power), -1, _CHUNK).transpose(1, 0, 2)
        return np.asarray(np.matmul(chunks, self._weights).sum(axis=0, dtype=np.float64))
