"""The grid on which everything is computed: cells of one second from the stream's first sample, a thousand ticks each.

Computing on an absolute grid makes every number independent of how the samples were cut into blocks. A tick is 1 ms;
where the sampling rate is no multiple of 1000 Hz, ticks differ by one sample.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reconcile.vocabulary.quantities import FloatArray

TICKS = 1000  # in a cell of one second
Samples = NDArray[np.float32]


class TickGrid:
    """Ticks of one cell at a sampling rate: `edges` are the 1001 sample numbers that bound them."""

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.edges: NDArray[np.int64] = np.arange(TICKS + 1, dtype=np.int64) * rate_hz // TICKS
        self.sizes: NDArray[np.int64] = np.diff(self.edges)
        self._even = rate_hz % TICKS == 0
        if not self._even:
            self._tick_of_sample = np.repeat(np.arange(TICKS), self.sizes)
            since_edge = np.arange(rate_hz) - self.edges[self._tick_of_sample] + 0.5
            self._fraction = (since_edge / self.sizes[self._tick_of_sample]).astype(np.float32)
        else:
            n = rate_hz // TICKS
            self._ramp = np.stack([np.ones(n), (np.arange(n) + 0.5) / n]).astype(np.float32)
            self._slow = np.empty((TICKS, n), dtype=np.float32)

    def sample(self, tick: int) -> int:
        """First sample of a tick, both counted from the stream's first."""
        if self._even:
            return int(tick) * (self.rate_hz // TICKS)
        cell, within = divmod(tick, TICKS)
        return int(cell * self.rate_hz + self.edges[within])

    def samples_in(self, first_tick: int, end_tick: int) -> NDArray[np.int64]:
        """Number of samples in each tick of a range."""
        if self._even:
            return np.full(max(0, end_tick - first_tick), self.sizes[0])
        return self.sizes[np.arange(first_tick, end_tick) % TICKS]

    def means(self, cell: Samples) -> FloatArray:
        """Mean of each tick of one cell, shape (1000,)."""
        sums = np.einsum("ij->i", cell.reshape(TICKS, -1)) if self._even else np.add.reduceat(cell, self.edges[:-1])
        return np.asarray(sums / self.sizes, dtype=np.float64)

    def mean_squares(self, cell: Samples) -> FloatArray:
        """Mean square of each tick of one cell, shape (1000,): short sums in float32, everything longer in float64."""
        if self._even:
            rows = cell.reshape(TICKS, -1)
            return np.asarray(np.einsum("ij,ij->i", rows, rows).astype(np.float64) / rows.shape[1])
        return np.asarray(np.add.reduceat(cell * cell, self.edges[:-1]).astype(np.float64) / self.sizes)

    def sums(self, cell: Samples, other: Samples) -> FloatArray:
        """Sum of the products of two cells over each tick, shape (1000,): float32 within a tick."""
        if self._even:
            found = np.einsum("ij,ij->i", cell.reshape(TICKS, -1), other.reshape(TICKS, -1))
        else:
            found = np.add.reduceat(cell * other, self.edges[:-1])
        return np.asarray(found, dtype=np.float64)

    def largest(self, cell: Samples) -> Samples:
        """Largest sample of each tick of one cell, shape (1000,)."""
        return np.asarray(np.maximum.reduceat(cell, self.edges[:-1]))

    def subtract_slow(self, cell: Samples, at_edges: FloatArray, out: Samples) -> None:
        """A cell less what runs linearly between values at the 1001 tick edges; `out` may be the cell itself."""
        start = at_edges.astype(np.float32)
        slope = np.diff(start)
        if self._even:
            np.matmul(np.stack([start[:-1], slope], axis=1), self._ramp, out=self._slow)
            np.subtract(cell, self._slow.reshape(-1), out=out)
        else:
            np.subtract(cell, start[self._tick_of_sample], out=out)
            out -= slope[self._tick_of_sample] * self._fraction
