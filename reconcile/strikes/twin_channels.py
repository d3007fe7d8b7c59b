"""Channels of high and low gain, and other hydrophones at one place and depth: which of them is used for a strike."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.station_periods import listeners
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray


def heard_better_elsewhere(
    strikes: pd.DataFrame,
    strike_ids: Sequence[str],
    clipped: NDArray[np.bool_],
    signal_to_noise_db: FloatArray,
    level_db: FloatArray,
    campaign: Campaign,
) -> NDArray[np.bool_]:
    """Whether a twin (a station at the same mooring and stated depth) is used for a strike in the place of this one.

    Of those that are not clipped the one with the highest signal to noise is used; of twins that are all clipped the
    one that reads most, which has the lower gain: the limit that says most. `strikes` needs `station_id` and `time_us`.
    """
    stations = strikes["station_id"].to_numpy(dtype=object)
    listener = listeners(campaign, stations, strikes["time_us"].to_numpy(dtype=np.int64))
    snr = np.nan_to_num(signal_to_noise_db, nan=-np.inf)
    frame = pd.DataFrame({"strike": strike_ids, "listener": listener, "station": stations})
    frame["open"] = ~clipped
    frame["merit"] = np.where(clipped, np.nan_to_num(level_db, nan=-np.inf), snr)
    ordered = frame.sort_values(["open", "merit"], ascending=False, kind="stable")
    return ordered.duplicated(["strike", "listener"]).reindex(frame.index).to_numpy(dtype=bool)
