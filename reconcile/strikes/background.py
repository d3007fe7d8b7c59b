"""Rows of `background`: continuous levels in intervals of 1 s and 60 s."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import ActivityPeriod, activity_periods, period_numbers_at
from reconcile.strikes.moments import MOMENTS, joint_kurtosis
from reconcile.strikes.quality import SECOND_MARKS
from reconcile.strikes.vessel_passages import in_passage
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import mean_square_level_db
from reconcile.vocabulary.tables.background import background_table, band_column, weighted_column

TEN_S, MINUTE_S = 10, 60
_FLAG_OF_MARK = {"clipped": "clipped_second", **{mark: f"{mark}_second" for mark in SECOND_MARKS}}


def background_rows(seconds: pd.DataFrame, campaign: Campaign, bands: Sequence[int]) -> pd.DataFrame:
    """Levels of one station in one stream, from its seconds (mean squares in Pa², in order): 1 s rows, then 60 s rows.

    Minutes begin at the stream's first sample; one that is not complete gets no row. A minute's bands are the mean of
    its seconds that have them; it carries the flags of its seconds. Kurtosis is of minutes.
    """
    marks = list(_FLAG_OF_MARK)
    linear = [name for name in seconds.columns if name == "mean_square" or name.startswith(("band_", "weighted_"))]
    one = seconds[["station_id", "start_us", *marks, *linear]].copy()
    one["duration_s"] = 1.0
    many = _joined(seconds, MINUTE_S)
    return _levels(pd.concat([one, many], ignore_index=True), campaign, bands)


def ten_second_rows(seconds: pd.DataFrame, campaign: Campaign, bands: Sequence[int]) -> pd.DataFrame:
    """The same in intervals of 10 s."""
    return _levels(_joined(seconds, TEN_S), campaign, bands)


def _joined(seconds: pd.DataFrame, length_s: int) -> pd.DataFrame:
    """Whole intervals of some seconds: means, marks, kurtosis."""
    marks = list(_FLAG_OF_MARK)
    linear = [name for name in seconds.columns if name == "mean_square" or name.startswith(("band_", "weighted_"))]
    number = seconds["cell"].to_numpy() // length_s
    grouped = seconds.groupby(number)
    many = grouped[linear].mean()
    many.insert(0, "station_id", grouped["station_id"].first())
    many["start_us"] = grouped["start_us"].first()
    many[marks] = grouped[marks].any()
    many["duration_s"] = float(length_s)
    whole = grouped.size() == length_s
    many = many[whole]
    moments = [f"second_{name}" for name in MOMENTS]
    of_whole = seconds.loc[whole.loc[number].to_numpy(dtype=bool), moments].to_numpy(dtype=np.float64)
    kurtosis = joint_kurtosis(of_whole.reshape(-1, length_s, len(moments)))
    many["kurtosis"] = kurtosis if length_s == MINUTE_S else np.nan  # a number belongs to its window: one is stated
    return many.reset_index(drop=True)


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
        "kurtosis": rows["kurtosis"].to_numpy(dtype=np.float32),
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
    end_us = start_us + (rows["duration_s"].to_numpy(dtype=np.float64) * 1e6).astype(np.int64)
    passed = in_passage(campaign, rows["station_id"].to_numpy(dtype=object), start_us, end_us)
    partly = partly_work(start_us, end_us, activity_periods(campaign))
    raised = np.column_stack([rows[list(_FLAG_OF_MARK)].to_numpy(dtype=bool), incomplete, passed, partly])
    names = (*_FLAG_OF_MARK.values(), "frame_incomplete", "vessel_passage", "partly_work")
    columns["flags"] = [sorted(names[i] for i in np.flatnonzero(row)) for row in raised]
    return pd.DataFrame(columns)[list(background_table(bands, campaign.settings.weightings).column_names)]


def partly_work(
    start_us: NDArray[np.int64], end_us: NDArray[np.int64], periods: Sequence[ActivityPeriod]
) -> NDArray[np.bool_]:
    """Which of some intervals [start, end) work reaches into that do not lie wholly in one activity."""
    touched, wholly = np.zeros(len(start_us), dtype=bool), np.zeros(len(start_us), dtype=bool)
    for period in periods:
        touched |= (start_us < period.end_us) & (end_us > period.start_us)
        wholly |= (start_us >= period.start_us) & (end_us <= period.end_us)
    return touched & ~wholly


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
