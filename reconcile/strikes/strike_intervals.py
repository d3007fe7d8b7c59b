"""Time from one strike of a pile to the next, at each station."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reconcile.vocabulary.quantities import FloatArray

RESTART_S = 30.0  # a longer pause is a restart of the driving, not an interval; as for single test blows


def since_previous_s(
    pile_id: NDArray[np.object_], station_id: NDArray[np.object_], time_us: NDArray[np.int64]
) -> FloatArray:
    """Seconds since the strike before of the same pile at the same station, by the station's clock.

    NaN for the first strike, after a pause of more than `RESTART_S`, and where no pile was being driven. Rows in any
    order; strikes that are known and were not heard count with their expected arrival.
    """
    pile = np.array([name or "" for name in pile_id], dtype=str)
    station = station_id.astype(str)
    order = np.lexsort((time_us, station, pile))
    result = np.full(len(order), np.nan)
    before, after = order[:-1], order[1:]
    passed_s = (time_us[after] - time_us[before]) / 1e6
    follows = (pile[after] == pile[before]) & (station[after] == station[before]) & (pile[after] != "")
    result[after] = np.where(follows & (passed_s <= RESTART_S), passed_s, np.nan)
    return result
