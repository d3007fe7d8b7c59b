"""The ambient sound before, between and after work; work that is not impact driving held against it.

The ambient of a station is the median of its seconds without work on any pile, within an hour before or after, by
quantity, weighting and band. Nothing is subtracted: a level holds the ambient as well. What is less than
`censor_below_snr_db` above it says of the work only that it was no louder. What is subtracted from a strike is another
thing: the floor in the quiet stretch right before it.

Machines of an abatement may run before and after the work: an ambient second is of the abatement of the work before
and after it, and of none where these differ. It is used for work of the same abatement only.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import ActivityPeriod, activity_periods, with_states
from reconcile.strikes.exposure_periods import microseconds
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray
from reconcile.vocabulary.tables import Stage, flags_excluding

NEAR_US = 3_600_000_000
FEWEST = 5  # seconds
_BEFORE_US, _AFTER_US = 2_000_000, 30_000_000  # of work: hands on clocks, travel, reverberation
_MARK = "at_most_"
TimesUs = NDArray[np.int64]


def without_work(start_us: TimesUs, end_us: TimesUs, periods: tuple[ActivityPeriod, ...]) -> NDArray[np.bool_]:
    """Which of some intervals [start, end) lie wholly outside all work, from 2 s before it to 30 s after it."""
    free = np.ones(len(start_us), dtype=bool)
    for period in periods:
        free &= (end_us <= period.start_us - _BEFORE_US) | (start_us >= period.end_us + _AFTER_US)
    return free


def ambient_abatement(at_us: TimesUs, periods: tuple[ActivityPeriod, ...]) -> NDArray[np.object_]:
    """Abatement of the work within an hour before and after some times without work; None where these differ."""
    found = np.full(len(at_us), None, dtype=object)
    ends, starts = np.array([p.end_us for p in periods]), np.array([p.start_us for p in periods])
    for k, at in enumerate(at_us.tolist()):
        before = np.flatnonzero((ends <= at) & (ends > at - NEAR_US))
        after = np.flatnonzero((starts > at) & (starts <= at + NEAR_US))
        nearest = [periods[of[np.argmax(ends[of])]] for of in (before,) if of.size]
        nearest += [periods[of[np.argmin(starts[of])]] for of in (after,) if of.size]
        if len({period.abatement for period in nearest}) == 1:
            found[k] = nearest[0].abatement
    return found


def of_one_kind(rows: pd.DataFrame, campaign: Campaign) -> pd.DataFrame:
    """Rows of `background` without those of no pile that work reaches into: half a minute of strikes is no ambient."""
    start_us = microseconds(rows["start_utc"])
    end_us = start_us + (rows["duration_s"].to_numpy(dtype=np.float64) * 1e6).astype(np.int64)
    free = without_work(start_us, end_us, activity_periods(campaign))
    return rows[free | rows["pile_id"].notna().to_numpy(dtype=bool)]


def is_ambient(rows: pd.DataFrame) -> NDArray[np.bool_]:
    """Which rows no flag takes out of the ambient sound: no samples were lost, and no vessel passed."""
    excluded = flags_excluding(Stage.AMBIENT) | flags_excluding(Stage.SUMMARY)
    return rows["flags"].map(lambda flags: not excluded.intersection(flags)).to_numpy(dtype=bool)


def ambient_seconds(rows: pd.DataFrame, campaign: Campaign) -> pd.DataFrame:
    """Of some rows of `background` the 1 s rows without work, within an hour of work that is not impact driving.

    With their `abatement`, as in `ambient_abatement`.
    """
    periods, start_us = activity_periods(campaign), microseconds(rows["start_utc"])
    near = np.zeros(len(rows), dtype=bool)
    for period in periods:
        if period.installation_method != "impact":
            near |= (start_us >= period.start_us - NEAR_US) & (start_us < period.end_us + NEAR_US)
    kept = near & (rows["duration_s"] == 1.0).to_numpy()
    found, start_us = rows[kept], start_us[kept]
    free = without_work(start_us, start_us + 1_000_000, periods) & is_ambient(found)
    return found[free].assign(abatement=ambient_abatement(start_us[free], periods))


def with_limits(seconds: pd.DataFrame, ambient: pd.DataFrame, campaign: Campaign) -> pd.DataFrame:
    """The 1 s rows of work with a mark for each level that is a limit.

    `ambient` are rows of `ambient_seconds`; where there are fewer than five of the work's own abatement within an hour
    nothing is marked.
    """
    columns = [str(name) for name in seconds.columns if str(name).startswith("level_")]
    marks = np.zeros((len(seconds), len(columns)), dtype=bool)
    states = with_states(seconds.reset_index(drop=True), campaign)
    for key, rows in states.groupby(["station_id", "pile_id", "abatement"]):
        at = microseconds(rows["start_utc"])
        own = ambient[(ambient["station_id"] == key[0]) & (ambient["abatement"] == key[2])]
        time_us = microseconds(own["start_utc"])
        near = own[(time_us >= at.min() - NEAR_US) & (time_us <= at.max() + NEAR_US)]
        if len(near) >= FEWEST:
            levels = rows[columns].to_numpy(dtype=np.float64)
            above = _median(near[columns].to_numpy(dtype=np.float64)) + campaign.settings.censor_below_snr_db
            marks[rows.index] = levels < above
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
