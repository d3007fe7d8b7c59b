"""Energies in decidecades and through auditory weightings, from batches of spectra.

One float32 FFT for a batch of rows; band sums with fractional edge bins (a bin of width df stands for frequencies half
a bin to either side), weightings exact for each bin. Sums longer than 500 bins are in float64.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from reconcile.recordings.streams import Channel
from reconcile.strikes.full_band import FullBandFilter
from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.decidecades import bands_within, edges_hz, upper_edge_hz
from reconcile.vocabulary.quantities import FloatArray
from reconcile.vocabulary.weightings import WEIGHTINGS, power_response

ROWS = 4  # of a batch: what a processor transforms at once; more fill its cache
_CHUNK = 500  # bins of a float32 dot product
_PIECE = 256  # bins of a float32 sum


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
        n_weighted = int(np.searchsorted(frequency, full_band.to_hz, side="right"))  # nothing counts beyond
        self._n_weighted = -(-n_weighted // _CHUNK) * _CHUNK
        weights = np.zeros((len(self.weightings), self._n_weighted))
        weights[:, :n_weighted] = factors[:, :n_weighted] if self.weightings else 0.0
        self._weights: Samples = weights.astype(np.float32).reshape(
            1, len(self.weightings), self._n_weighted // _CHUNK, _CHUNK
        )
        n_power = max(frequency.size, self._n_weighted)
        self._power: Samples = np.zeros((ROWS, n_power), dtype=np.float32)

    def _set_edges(self, df_hz: float, n_bins: int) -> None:
        position = np.array(edges_hz(self.bands)) / df_hz + 0.5 if self.bands else np.zeros(0)
        position = np.minimum(position, n_bins - 1e-9)
        self._edge_bin: NDArray[np.int64] = position.astype(np.int64)
        self._edge_fraction: FloatArray = position - self._edge_bin
        pairs = pairwise(self._edge_bin.tolist())
        pieces = [np.arange(low, high, _PIECE) for low, high in pairs]
        self._pieces = np.concatenate(pieces) if pieces else np.zeros(0, dtype=np.int64)
        counts = np.array([piece.size for piece in pieces], dtype=np.int64)
        self._filled = np.flatnonzero(counts)  # bands narrower than a bin hold none as a whole
        self._piece_of_band = np.concatenate([[0], np.cumsum(counts)])[self._filled]

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

        `rows` has shape (ROWS, n_fft), so that a row's result never depends on its company. Divide by n_fft times the
        rate for energies. Returns two arrays, of shapes (ROWS, bands) and (ROWS, weightings).
        """
        return self.sums_of(self.power(rows))

    def power(self, rows: Samples) -> Samples:
        """|X|² of rows; bins are rate / n_fft apart, those at the end are zero. Holds until the next call."""
        spectrum = fft.rfft(rows, self.n_fft)
        used = self._power[:, : spectrum.shape[1]]
        np.abs(spectrum, out=used)
        np.multiply(used, used, out=used)
        used[:, : self._inverse_to] *= self._inverse
        return self._power

    def sums_of(self, power: Samples) -> tuple[FloatArray, FloatArray]:
        """The sums of `sums`, from what `power` gave."""
        return 2.0 * self._band_sums(power), 2.0 * self._weighted_sums(power)

    def _band_sums(self, power: Samples) -> FloatArray:
        if not self.bands:
            return np.zeros((len(power), 0))
        pieces = np.add.reduceat(power[:, : self._edge_bin[-1]], self._pieces, axis=1).astype(np.float64)
        whole = np.zeros((len(power), len(self.bands)))
        whole[:, self._filled] = np.add.reduceat(pieces, self._piece_of_band, axis=1)
        part = power[:, self._edge_bin] * self._edge_fraction
        return np.asarray(whole - part[:, :-1] + part[:, 1:])

    def _weighted_sums(self, power: Samples) -> FloatArray:
        if not self.weightings:
            return np.zeros((len(power), 0))
        chunks = power[:, : self._n_weighted].reshape(len(power), 1, -1, _CHUNK)
        return np.asarray(np.vecdot(chunks, self._weights).sum(axis=2, dtype=np.float64))
