"""When the sound of each strike left its pile, from the rows of all stations that know the strike."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from reconcile.campaign.distances import Distances
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray


def emission_us(strikes: pd.DataFrame, campaign: Campaign, late_s: Mapping[str, float]) -> FloatArray:
    """Time at which each row's sound left its pile, microseconds since 1970 by the stations' mean clock.

    The median over the rows of a strike of arrival less travel time, less what its station's clock was found to be
    `late_s` (seconds against the mean of the stations). NaN for rows without a pile.
    """
    naive = strikes["time_utc"].dt.tz_convert("UTC").dt.tz_localize(None)
    arrival_us = naive.to_numpy(dtype="datetime64[us]").astype(np.int64)
    left = np.full(len(strikes), np.nan)
    stations = strikes["station_id"].to_numpy(dtype=object)
    distances = Distances(campaign)
    late = strikes["station_id"].map(dict(late_s)).fillna(0.0).to_numpy(dtype=np.float64)
    for pile_id, rows in strikes.groupby("pile_id").indices.items():
        travel_s = distances.travel_s(str(pile_id), stations[rows], arrival_us[rows])
        left[rows] = arrival_us[rows] - (travel_s + late[rows]) * 1e6
    by_strike = pd.Series(left).groupby(strikes["strike_id"].to_numpy(dtype=object)).transform("median")
    return by_strike.to_numpy(dtype=np.float64)
