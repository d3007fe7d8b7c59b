"""The peak between samples: local band-limited interpolation at a quarter of the sampling interval.

Kernel: sinc(t) under a Kaiser window, 24 samples to either side (shape 7.5: side lobes 77 dB down). It passes what lies
below 0.45 of the sampling rate to within 0.002 dB. Only the six instants within one sample of the largest sample are
computed; between instants a sine of 0.4 of the rate can still stand 0.44 dB higher (cos 18°), one of a tenth 0.03 dB.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.quantities import FloatArray

FACTOR = 4
REACH = 24  # samples to either side that an instant needs
_SHAPE = 7.5


def oversampled_peak(pressure_pa: Samples, highest: int) -> float:
    """Largest magnitude (Pa) at four times the sampling rate within one sample of sample `highest`.

    What lies beyond the ends of `pressure_pa` is taken to be zero. Never less than the sample itself.
    """
    first, end = highest - REACH, highest + REACH + 1
    near = np.asarray(pressure_pa[max(0, first) : end], dtype=np.float64)
    if first < 0 or end > len(pressure_pa):
        near = np.pad(near, (max(0, -first), max(0, end - len(pressure_pa))))
    instants = _kernel() @ np.stack([near[:-1], near[1:]], axis=1)
    return float(max(abs(near[REACH]), np.abs(instants).max()))


@cache
def _kernel() -> FloatArray:
    """One row for each quarter between two samples, weights of the 24 samples before and the 24 behind."""
    position = np.arange(1 - REACH, REACH + 1)
    t = position - np.arange(1, FACTOR)[:, None] / FACTOR
    window = np.i0(_SHAPE * np.sqrt(1.0 - (t / REACH) ** 2)) / np.i0(_SHAPE)
    return np.asarray(np.sinc(t) * window)
