"""Rows of `continuous`: percentiles of levels of 1 s, 10 s and 60 s by activity and by hour.

An activity is work that is not impact driving. By hour it is all that was recorded, in 10 s and 60 s (in 1 s such work
only): `pile_id` is null where nothing was being installed. The surroundings of the work are in `surroundings.py`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.strikes.ambient import is_ambient
from reconcile.strikes.exposure_periods import microseconds
from reconcile.vocabulary.decidecades import bands_within, nominal_hz
from reconcile.vocabulary.quantities import FloatArray, level_db, ratio
from reconcile.vocabulary.tables import CONTINUOUS, Stage, flags_excluding
from reconcile.vocabulary.tables.background import band_column, weighted_column

MINUTE_S = 60
INTERVALS_S = (1, 10, MINUTE_S)
_WORK = ["station_id", "pile_id", "activity_id"]
_KURTOSIS = {"kurtosis_median": 0.5, "kurtosis_exceeded_5": 0.95, "kurtosis_maximum": 1.0}
_HOUR_US = 3_600_000_000
_QUANTILES = {
    "minimum_db": 0.0,
    "exceeded_95_db": 0.05,
    "exceeded_90_db": 0.1,
    "exceeded_50_db": 0.5,
    "exceeded_10_db": 0.9,
    "exceeded_5_db": 0.95,
    "maximum_db": 1.0,
}


def continuous_rows(seconds: pd.DataFrame, longer: pd.DataFrame, weightings: Sequence[str]) -> pd.DataFrame:
    """All rows. `seconds` are the 1 s rows of work that is not impact driving, `longer` all rows of 10 s and of 60 s.

    Intervals that lost samples are left out, and those without work in which a vessel passed; longer intervals count
    from the activity's first second and are whole. The exposure over an activity is that of all its seconds, by hour
    that of the intervals. Kurtosis is that of the minutes of the stream.
    """
    subjects = level_subjects(longer if seconds.empty else seconds, weightings)
    minutes = longer[longer["duration_s"] == MINUTE_S]
    parts, kurtoses = [], _sound(minutes).groupby(_WORK, dropna=False)["kurtosis"]
    of_work = {_named(key): values.to_numpy(dtype=np.float64) for key, values in kurtoses}
    for key, group in _sound(seconds).groupby(_WORK, dropna=False):
        head = dict(zip(_WORK, key, strict=True)) | {"over": "activity"}
        parts += list(_of_activity(head, group, subjects, of_work.get(_named(key), np.zeros(0))))
    whole = _sound(pd.concat([rows for rows in (seconds, longer) if len(rows)] or [longer], ignore_index=True))
    whole = whole[whole["pile_id"].notna().to_numpy() | is_ambient(whole)]
    hour = microseconds(whole["start_utc"]) // _HOUR_US if len(whole) else np.zeros(0, dtype=np.int64)
    for key, group in whole.groupby([*_WORK, hour, "duration_s"], dropna=False):
        head = dict(zip(_WORK, key[:3], strict=True)) | {"over": "utc_hour"}
        parts.append(interval_rows(head, group, subjects))
    return joint_rows(parts)


def _named(key: tuple[object, ...]) -> tuple[str | None, ...]:
    """A key of work with None for what is not known."""
    return tuple(part if isinstance(part, str) else None for part in key)


def joint_rows(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Parts of `continuous` as one, without what is of no interval."""
    columns = list(CONTINUOUS.column_names)
    if not parts:
        return pd.DataFrame(columns=columns)
    table = pd.concat(parts, ignore_index=True).reindex(columns=columns)
    return table[table["n_intervals"] > 0].reset_index(drop=True)


def level_subjects(rows: pd.DataFrame, weightings: Sequence[str]) -> pd.DataFrame:
    """Columns of `background` that are summarised, with their weighting and band."""
    bands = [n for n in bands_within(1.0, 500_000.0) if band_column(n) in rows.columns]
    found = [("level_db", "none", np.nan)]
    found += [(weighted_column(name), name, np.nan) for name in weightings]
    found += [(band_column(n), "none", nominal_hz(n)) for n in bands]
    return pd.DataFrame(found, columns=["column", "weighting", "band_hz"])


def _sound(rows: pd.DataFrame) -> pd.DataFrame:
    excluded = flags_excluding(Stage.SUMMARY)
    lost = rows["flags"].map(lambda flags: bool(excluded.intersection(flags))).astype(bool)
    return rows[~lost]


def _mean_squares(rows: pd.DataFrame, subjects: pd.DataFrame) -> FloatArray:
    """Mean squares as ratios, one column for each subject; NaN where a level is not known."""
    return ratio(rows[list(subjects["column"])].to_numpy(dtype=np.float64))


def interval_rows(head: dict[str, Any], intervals: pd.DataFrame, subjects: pd.DataFrame) -> pd.DataFrame:
    """Rows over some rows of `background` of one length, one for each subject; of minutes with their kurtosis."""
    length_s = int(intervals["duration_s"].iloc[0])
    found = _rows(head, length_s, intervals, _mean_squares(intervals, subjects), subjects)
    return _with_kurtosis(found, intervals["kurtosis"].to_numpy(dtype=np.float64)) if length_s == MINUTE_S else found


def _with_kurtosis(rows: pd.DataFrame, kurtosis: FloatArray) -> pd.DataFrame:
    """`rows` with the kurtosis of minutes in those of the full band."""
    known = kurtosis[np.isfinite(kurtosis)]
    whole = (rows["weighting"] == "none") & rows["band_hz"].isna()
    shares = np.quantile(known, list(_KURTOSIS.values())) if known.size else np.full(len(_KURTOSIS), np.nan)
    of_whole = {name: np.where(whole, share, np.nan) for name, share in zip(_KURTOSIS, shares, strict=True)}
    return rows.assign(n_kurtosis=np.where(whole, known.size, 0), **of_whole)


def _of_activity(
    head: dict[str, Any], group: pd.DataFrame, subjects: pd.DataFrame, kurtosis: FloatArray
) -> Iterator[pd.DataFrame]:
    group = group.sort_values("start_utc", kind="stable")
    square = _mean_squares(group, subjects)
    since_us = microseconds(group["start_utc"]) - microseconds(group["start_utc"])[0]
    seconds = _rows(head, 1, group, square, subjects)
    yield seconds
    for interval_s in INTERVALS_S[1:]:
        number = since_us // (interval_s * 1_000_000)
        first = np.flatnonzero(np.diff(number, prepend=-1))
        whole = np.diff(np.append(first, number.size)) == interval_s
        sums = np.add.reduceat(square, first, axis=0)[whole] if whole.any() else square[:0]
        rows = _rows(head, interval_s, group, sums / interval_s, subjects).assign(
            **{name: seconds[name] for name in ("exposure_level_db", "recorded_s")}
        )
        yield _with_kurtosis(rows, kurtosis) if interval_s == MINUTE_S else rows


def _rows(
    head: dict[str, Any], interval_s: int, group: pd.DataFrame, square: FloatArray, subjects: pd.DataFrame
) -> pd.DataFrame:
    """One row for each subject; `square` has one row for each interval."""
    known = np.isfinite(square)
    n = known.sum(axis=0)
    mean = np.where(known, square, 0.0).sum(axis=0) / np.maximum(n, 1)
    energy_mean = level_db(mean)
    clipped = group["flags"].map(lambda flags: "clipped_second" in flags).any()
    length = pd.Timedelta(seconds=float(group["duration_s"].iloc[0]))
    return subjects[["weighting", "band_hz"]].assign(
        **head,
        start_utc=group["start_utc"].min(),
        end_utc=group["start_utc"].max() + length,
        interval_s=float(interval_s),
        n_intervals=n,
        energy_mean_db=energy_mean,
        **quantile_columns(level_db(square), known),
        exposure_level_db=energy_mean + level_db(n * float(interval_s)),
        recorded_s=n * float(interval_s),
        censoring="at_least" if clipped else "none",
    )


def quantile_columns(levels_db: FloatArray, known: NDArray[np.bool_]) -> dict[str, FloatArray]:
    """The percentiles of CONTINUOUS of each column of levels, over the intervals that are known."""
    shares = list(_QUANTILES.values())
    found = np.full((len(shares), levels_db.shape[1]), np.nan)
    some = known.any(axis=0)
    full = known.all(axis=0) & some
    if full.any():
        found[:, full] = np.quantile(levels_db[:, full], shares, axis=0)
    for column in np.flatnonzero(some & ~full):
        found[:, column] = np.quantile(levels_db[known[:, column], column], shares)
    return dict(zip(_QUANTILES, found, strict=True))
