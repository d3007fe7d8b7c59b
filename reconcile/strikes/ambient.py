"""Sound of work that is not impact driving, held against the ambient: a second that does not stand above it is a limit.

The ambient of a station is the median of its minutes in which nothing was being installed, within an hour before or
after the work, by quantity, weighting and band. Nothing is subtracted: a level holds the ambient as well. What is less
than `censor_below_snr_db` above it says of the work only that it was no louder.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.strikes.exposure_periods import microseconds
from reconcile.vocabulary.quantities import FloatArray

NEAR_US = 3_600_000_000
_MARK = "at_most_"


def with_limits(seconds: pd.DataFrame, minutes: pd.DataFrame, above_db: float) -> pd.DataFrame:
    """The 1 s rows of work with a mark for each level that is a limit; where no ambient is known nothing is marked.

    `minutes` are the 60 s rows of `background`, those without a `pile_id` the ambient.
    """
    columns = [str(name) for name in seconds.columns if str(name).startswith("level_")]
    marks = np.zeros((len(seconds), len(columns)), dtype=bool)
    ambient = minutes[minutes["pile_id"].isna()]
    for key, rows in seconds.reset_index(drop=True).groupby(["station_id", "pile_id"]):
        at, own = microseconds(rows["start_utc"]), ambient[ambient["station_id"] == key[0]]
        time_us = microseconds(own["start_utc"])
        near = own[(time_us >= at.min() - NEAR_US) & (time_us <= at.max() + NEAR_US)]
        if len(near):
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
