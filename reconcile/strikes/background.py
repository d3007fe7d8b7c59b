"""Rows of `background`: continuous levels in intervals of 1 s and 60 s."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import activity_periods, period_numbers_at
from reconcile.strikes.quality import SECOND_MARKS
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import mean_square_level_db
from reconcile.vocabulary.tables.background import background_table, band_column, weighted_column

MINUTE_S = 60
_FLAG_OF_MARK = {"clipped": "clipped_second", **{mark: f"{mark}_second" for mark in SECOND_MARKS}}


def background_rows(seconds: pd.DataFrame, campaign: Campaign, bands: Sequence[int]) -> pd.DataFrame:
    """Levels of one station in one stream, from its seconds (mean squares in Pa², in order): 1 s rows, then 60 s rows.

    Minutes begin at the stream's first sample; one that is not complete gets no row. A minute's bands are the mean of
    its seconds that have them; it carries the flags of its seconds.
    """
    marks = list(_FLAG_OF_MARK)
    linear = [name for name in seconds.columns if name == "mean_square" or name.startswith(("band_", "weighted_"))]
    one = seconds[["station_id", "start_us", *marks, *linear]].copy()
    one["duration_s"] = 1.0
    minute = seconds["cell"].to_numpy() // MINUTE_S
    grouped = seconds.groupby(minute)
    many = grouped[linear].mean()
    many.insert(0, "station_id", grouped["station_id"].first())
    many["start_us"] = grouped["start_us"].first()
    many[marks] = grouped[marks].any()
    many["duration_s"] = float(MINUTE_S)
    many = many[grouped.size() == MINUTE_S]
    return _levels(pd.concat([one, many], ignore_index=True), campaign, bands)


def _levels(rows: pd.DataFrame, campaign: Campaign, bands: Sequence[int]) -> pd.DataFrame:
    start_us = rows["start_us"].to_numpy(dtype=np.int64)
    pile_id, activity_id = work_at(start_us, rows["duration_s"].to_numpy(dtype=np.float64), campaign)
    columns: dict[str, object] = {
        "station_id": rows["station_id"].to_numpy(),
        "pile_id": pile_id,
        "activity_id": activity_id,
        "start_utc": pd.to_datetime(start_us, unit="us", utc=True),
        "duration_s": rows["duration_s"].to_numpy(),
        "level_db": mean_square_level_db(rows["mean_square"]).astype(np.float32),
    }
    incomplete = np.zeros(len(rows), dtype=bool)
    nothing = np.full(len(rows), np.nan)
    for name, column in [
        *((f"band_{n}", band_column(n)) for n in bands),
        *((f"weighted_{w}", weighted_column(w)) for w in campaign.settings.weightings),
    ]:
        values = rows[name].to_numpy(dtype=np.float64) if name in rows else nothing
        columns[column] = mean_square_level_db(values).astype(np.float32)
        incomplete |= np.isnan(values) & (name in rows)
    raised = np.column_stack([rows[list(_FLAG_OF_MARK)].to_numpy(dtype=bool), incomplete])
    names = (*_FLAG_OF_MARK.values(), "frame_incomplete")
    columns["flags"] = [sorted(names[i] for i in np.flatnonzero(row)) for row in raised]
    return pd.DataFrame(columns)[list(background_table(bands, campaign.settings.weightings).column_names)]


def work_at(
    start_us: NDArray[np.int64], duration_s: NDArray[np.float64], campaign: Campaign
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """The pile, and its activity, that hold the middle of each interval; None where nothing is being installed.

    A pile that has activities is being installed within them only; one that has none has no activity.
    """
    periods = activity_periods(campaign)
    number = period_numbers_at(periods, start_us + (duration_s * 5e5).astype(np.int64))
    piles = np.array([*(period.pile_id for period in periods), None], dtype=object)
    activities = np.array([*(period.activity_id for period in periods), None], dtype=object)
    return piles[number], activities[number]
