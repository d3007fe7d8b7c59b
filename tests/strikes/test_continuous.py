"""Percentiles of continuous levels against numbers worked by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.continuous import continuous_rows
from reconcile.vocabulary.quantities import level_db, ratio
from reconcile.vocabulary.tables import CONTINUOUS
from tests.strikes.campaigns import START


def intervals(
    levels: np.ndarray, duration_s: float = 1.0, pile: str | None = "P1", first_s: float = 0.0
) -> pd.DataFrame:
    n = len(levels)
    start = pd.Timestamp(START) + pd.to_timedelta(first_s + duration_s * np.arange(n), unit="s")
    return pd.DataFrame(
        {
            "station_id": "NEAR", "pile_id": pile, "activity_id": None, "start_utc": start, "duration_s": duration_s,
            "level_db": levels.astype(np.float32), "level_nmfs_2024_lf_db": (levels - 6.0).astype(np.float32),
            "level_1000hz_db": (levels - 20.0).astype(np.float32), "flags": [[] for _ in range(n)],
            "kurtosis": 3.0 + np.arange(n) if duration_s == 60.0 else np.nan,
        }
    )  # fmt: skip


NOTHING = intervals(np.zeros(1)).iloc[:0]
WEIGHTINGS = ("nmfs-2024:LF",)


def one(table: pd.DataFrame, interval_s: float, weighting: str = "none", band_hz: float | None = None) -> pd.Series:
    band = table.band_hz.isna() if band_hz is None else table.band_hz == band_hz
    activity = table.over == "activity"
    rows = table[activity & (table.interval_s == interval_s) & (table.weighting == weighting) & band]
    assert len(rows) == 1, rows
    return rows.iloc[0]


def test_percentiles_of_seconds() -> None:
    """Levels 100 to 200 in steps of 1: quantiles by linear interpolation are the levels themselves."""
    found = continuous_rows(intervals(np.arange(100.0, 201.0)), NOTHING, WEIGHTINGS)
    row = one(found, 1.0)
    assert (row.over, row.pile_id, row.n_intervals) == ("activity", "P1", 101)
    assert (row.exceeded_5_db, row.exceeded_10_db, row.exceeded_50_db) == pytest.approx((195.0, 190.0, 150.0), abs=1e-4)
    assert (row.exceeded_90_db, row.exceeded_95_db, row.minimum_db, row.maximum_db) == pytest.approx(
        (110.0, 105.0, 100.0, 200.0), abs=1e-4
    )
    assert one(found, 1.0, "nmfs-2024:LF").exceeded_5_db == pytest.approx(189.0, abs=1e-4)
    assert one(found, 1.0, band_hz=1000.0).exceeded_5_db == pytest.approx(175.0, abs=1e-4)
    assert list(found.columns) == list(CONTINUOUS.column_names)


def test_ten_seconds_and_a_minute_are_energy_means_of_whole_intervals() -> None:
    levels = np.where(np.arange(125) % 10 == 0, 150.0, 120.0)
    found = continuous_rows(intervals(levels), NOTHING, WEIGHTINGS)
    ten = 10 * np.log10((10**15 + 9 * 10**12) / 10)
    assert one(found, 10.0).exceeded_50_db == pytest.approx(ten, abs=1e-4)
    assert (one(found, 10.0).n_intervals, one(found, 60.0).n_intervals) == (12, 2)
    assert one(found, 60.0).maximum_db == pytest.approx(ten, abs=1e-4)


def test_exposure_over_the_activity_is_that_of_its_seconds() -> None:
    levels = np.random.default_rng(3).normal(140.0, 5.0, 300).astype(np.float32).astype(np.float64)
    found = continuous_rows(intervals(levels), NOTHING, WEIGHTINGS)
    whole = float(level_db(np.sum(ratio(levels))))
    for interval_s in (1.0, 10.0, 60.0):
        assert one(found, interval_s).exposure_level_db == pytest.approx(whole, abs=1e-6)


def test_exposure_of_every_row_is_that_of_all_recorded_seconds() -> None:
    """150 s of 150 dB, of which thirty fill no minute; with a gap of ten seconds ninety do not."""
    for n, lost in ((150, 0), (150, 10)):
        table = intervals(np.full(n + lost, 150.0)).drop(range(20, 20 + lost))
        found = continuous_rows(table, NOTHING, WEIGHTINGS)
        for interval_s in (1.0, 10.0, 60.0):
            row = one(found, interval_s)
            assert row.exposure_level_db == pytest.approx(150.0 + 10 * np.log10(n), abs=1e-4)
            assert row.recorded_s == n
    hours = continuous_rows(NOTHING, intervals(np.full(7, 100.0), 60.0, None), WEIGHTINGS)
    assert set(hours.recorded_s) == {420.0}
    assert hours.exposure_level_db.iloc[0] == pytest.approx(100.0 + 10 * np.log10(420.0), abs=1e-4)


def test_a_gap_leaves_out_the_interval_that_it_is_in() -> None:
    table = intervals(np.full(60, 130.0)).drop(index=[33]).reset_index(drop=True)
    found = continuous_rows(table, NOTHING, WEIGHTINGS)
    assert one(found, 10.0).n_intervals == 5
    assert set(found.interval_s) == {1.0, 10.0}  # no whole minute is left


def test_seconds_that_lost_samples_are_left_out_and_clipped_ones_are_said() -> None:
    table = intervals(np.array([130.0, 170.0, 130.0]))
    table.at[1, "flags"] = ["drop_out_second"]
    assert one(continuous_rows(table, NOTHING, WEIGHTINGS), 1.0).maximum_db == pytest.approx(130.0, abs=1e-4)
    table.at[1, "flags"] = ["clipped_second"]
    row = one(continuous_rows(table, NOTHING, WEIGHTINGS), 1.0)
    assert (row.censoring, row.n_intervals) == ("at_least", 3)


def test_hours_hold_minutes_and_ambient_sound_is_apart() -> None:
    """START is 10:00 UTC: ninety quiet minutes are hours of 60 and of 30 minutes; the work is apart."""
    quiet = intervals(np.linspace(100.0, 105.9, 90), 60.0, None)
    work = intervals(np.full(10, 140.0), 60.0, "P1", 3600.0)
    found = continuous_rows(NOTHING, pd.concat([quiet, work], ignore_index=True), WEIGHTINGS)
    hours = found[(found.weighting == "none") & found.band_hz.isna()].sort_values("n_intervals")
    assert list(hours.n_intervals) == [10, 30, 60]
    assert list(hours.pile_id.isna()) == [False, True, True]
    assert set(hours.over) == {"utc_hour"}
    assert hours.iloc[2].end_utc - hours.iloc[2].start_utc == pd.Timedelta(hours=1)


def test_by_hour_in_three_lengths_and_the_kurtosis_of_minutes() -> None:
    """Twenty minutes of work within one hour: 1200 seconds, 120 tens, 20 minutes with kurtoses 3 to 22."""
    longer = pd.concat([intervals(np.full(120, 130.0), 10.0), intervals(np.full(20, 130.0), 60.0)])
    found = continuous_rows(intervals(np.full(1200, 130.0)), longer.reset_index(drop=True), WEIGHTINGS)
    hours = found[(found.over == "utc_hour") & (found.weighting == "none") & found.band_hz.isna()]
    assert dict(zip(hours.interval_s, hours.n_intervals, strict=True)) == {1.0: 1200, 10.0: 120, 60.0: 20}
    minutes = hours[hours.interval_s == 60.0].iloc[0]
    assert (minutes.n_kurtosis, minutes.kurtosis_median, minutes.kurtosis_maximum) == (20, 12.5, 22.0)
    assert minutes.kurtosis_exceeded_5 == pytest.approx(21.05)
    assert one(found, 60.0).kurtosis_median == 12.5
    assert np.isnan(one(found, 60.0, "nmfs-2024:LF").kurtosis_median)


def test_a_vessel_is_no_ambient_sound_but_stays_in_the_work() -> None:
    quiet = intervals(np.array([100.0, 140.0]), 60.0, None)
    work = intervals(np.array([120.0, 140.0]), 60.0, "P1", 600.0)
    both = pd.concat([quiet, work], ignore_index=True)
    both["flags"] = [[], ["vessel_passage"], [], ["vessel_passage"]]
    found = continuous_rows(NOTHING, both, WEIGHTINGS)
    whole = found[(found.weighting == "none") & found.band_hz.isna()]
    assert dict(zip(whole.pile_id.fillna("ambient"), whole.n_intervals, strict=True)) == {"ambient": 1, "P1": 2}


def test_levels_that_are_not_known_do_not_count() -> None:
    table = intervals(np.full(20, 130.0))
    table.loc[0, "level_1000hz_db"] = np.nan
    found = continuous_rows(table, NOTHING, WEIGHTINGS)
    assert one(found, 1.0, band_hz=1000.0).n_intervals == 19
    assert one(found, 1.0, band_hz=1000.0).exceeded_50_db == pytest.approx(110.0, abs=1e-4)
    assert one(found, 10.0, band_hz=1000.0).n_intervals == 1


def test_nothing_gives_no_rows() -> None:
    assert continuous_rows(NOTHING, NOTHING, WEIGHTINGS).empty
