"""Sound of work that is not impact driving, held against the ambient: a second that does not stand above it is a limit.

The ambient of a station is the median of its seconds without work on any pile, within an hour before or after, by
quantity, weighting and band. Nothing is subtracted: a level holds the ambient as well. What is less than
`censor_below_snr_db` above it says of the work only that it was no louder.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import activity_periods
from reconcile.strikes.exposure_periods import microseconds
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray

NEAR_US = 3_600_000_000
FEWEST = 5  # seconds
_BEFORE_US, _AFTER_US = 2_000_000, 30_000_000  # of work: hands on clocks, travel, reverberation
_MARK = "at_most_"


def ambient_seconds(rows: pd.DataFrame, campaign: Campaign) -> pd.DataFrame:
    """Of some rows of `background` the 1 s rows without work, within an hour of work that is not impact driving."""
    start_us = microseconds(rows["start_utc"])
    near, at_work = np.zeros(len(rows), dtype=bool), np.zeros(len(rows), dtype=bool)
    for period in activity_periods(campaign):
        at_work |= (start_us >= period.start_us - _BEFORE_US) & (start_us < period.end_us + _AFTER_US)
        if period.installation_method != "impact":
            near |= (start_us >= period.start_us - NEAR_US) & (start_us < period.end_us + NEAR_US)
    return rows[near & ~at_work & (rows["duration_s"] == 1.0).to_numpy()]


def with_limits(seconds: pd.DataFrame, ambient: pd.DataFrame, above_db: float) -> pd.DataFrame:
    """The 1 s rows of work with a mark for each level that is a limit.

    `ambient` are rows of `ambient_seconds`; where there are fewer than five within an hour nothing is marked.
    """
    columns = [str(name) for name in seconds.columns if str(name).startswith("level_")]
    marks = np.zeros((len(seconds), len(columns)), dtype=bool)
    for key, rows in seconds.reset_index(drop=True).groupby(["station_id", "pile_id"]):
        at, own = microseconds(rows["start_utc"]), ambient[ambient["station_id"] == key[0]]
        time_us = microseconds(own["start_utc"])
        near = own[(time_us >= at.min() - NEAR_US) & (time_us <= at.max() + NEAR_US)]
        if len(near) >= FEWEST:
            levels = rows[columns].to_numpy(dtype=np.float64)
            marks[rows.index] = levels < _median(near[columns].to_numpy(dtype=np.float64)) + above_db
    return seconds.assign(**{f"{_MARK}{name}": marks[:, k] for k, name in enumerate(columns)})


def _median(levels_db: FloatArray) -> FloatArray:
    """By column, NaN (which nothing lies below) where no level is known."""
    known = ~np.isnan(levels_db).all(axis=0)
    result = np.full(levels_db.shape[1], np.nan)
    result[known] = np.nanmedian(levels_db[:, known], axis=0)
    return result


def is_limit(seconds: pd.DataFrame, column: str) -> NDArray[np.bool_]:
    """Which seconds are limits in one of their levels."""
    name = f"{_MARK}{column}"
    return seconds[name].to_numpy(dtype=bool) if name in seconds else np.zeros(len(seconds), dtype=bool)
