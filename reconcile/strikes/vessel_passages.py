"""Vessel passages that the campaign states, as a flag of strikes and of continuous levels."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.recordings.clock import epoch_us
from reconcile.strikes.exposure_periods import microseconds
from reconcile.vocabulary.documents.campaign import Campaign

FLAG = "vessel_passage"
TimesUs = NDArray[np.int64]


def in_passage(
    campaign: Campaign, station_id: NDArray[np.object_], start_us: TimesUs, end_us: TimesUs
) -> NDArray[np.bool_]:
    """Which of some intervals, [start, end) at stations, a vessel passage touches."""
    found = np.zeros(len(station_id), dtype=bool)
    for passage in campaign.vessel_passages:
        here = True if passage.station_id is None else station_id == passage.station_id
        found |= (start_us < epoch_us(passage.to_utc)) & (end_us > epoch_us(passage.from_utc)) & here
    return found


def with_vessel_passages(strikes: pd.DataFrame, campaign: Campaign) -> pd.DataFrame:
    """`strikes` with the flag of those that arrived while a vessel passed."""
    if not campaign.vessel_passages or strikes.empty:
        return strikes
    at_us = microseconds(strikes["time_utc"])
    passed = in_passage(campaign, strikes["station_id"].to_numpy(dtype=object), at_us, at_us + 1)
    flags = [sorted({*own, FLAG}) if hit else own for own, hit in zip(strikes["flags"], passed, strict=True)]
    return strikes.assign(flags=pd.Series(flags, index=strikes.index, dtype=object))
