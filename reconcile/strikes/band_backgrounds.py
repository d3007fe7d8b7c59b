"""Backgrounds of bands that are so narrow that one quiet stretch holds hardly one independent number of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reconcile.vocabulary.band_limits import POOLED
from reconcile.vocabulary.quantities import FloatArray

APART_US = 60_000_000  # strikes further apart than this have backgrounds of their own


def pooled(
    noise_pa2: FloatArray,
    station_id: NDArray[np.object_],
    time_us: NDArray[np.int64],
    state: NDArray[np.int64],
) -> FloatArray:
    """Mean of each strike's background and those of its neighbours at the station, 21 in all, without longer pauses.

    `noise_pa2` (Pa²) is that of the quiet stretch before each strike, NaN where there is none; `state` numbers the
    abatement that held, whose backgrounds are never mixed. Same shape.
    """
    result = noise_pa2.copy()
    order = np.lexsort((time_us, station_id.astype(str)))
    known = order[np.isfinite(noise_pa2[order])]
    if not known.size:
        return result
    new = (station_id[known][1:] != station_id[known][:-1]) | (np.diff(time_us[known]) > APART_US)
    new |= state[known][1:] != state[known][:-1]
    for run in np.split(known, np.flatnonzero(new) + 1):
        total = np.concatenate([[0.0], np.cumsum(noise_pa2[run])])
        at = np.arange(run.size)
        first = np.clip(at - POOLED // 2, 0, max(0, run.size - POOLED))
        last = np.minimum(first + POOLED, run.size)
        result[run] = (total[last] - total[first]) / (last - first)
    return result
