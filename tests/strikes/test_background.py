"""Continuous rows: seconds and minutes against energies worked by hand."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from reconcile.campaign.activity_periods import ActivityPeriod
from reconcile.strikes.background import background_rows, partly_work, ten_second_rows
from reconcile.strikes.quality import SECOND_MARKS
from reconcile.strikes.summary import summary_rows
from reconcile.vocabulary.documents.campaign import VesselPassage
from tests.strikes.campaigns import START, campaign, epoch_s


def seconds(n: int) -> pd.DataFrame:
    square = np.where(np.arange(n) % 2 == 0, 1.0, 3.0)  # Pa²; mean 2
    frame = pd.DataFrame(
        {
            "station_id": "NEAR",
            "cell": np.arange(n),
            "start_us": ((epoch_s(START) - 30 + np.arange(n)) * 1e6).astype(np.int64),
            "mean_square": square,
            "clipped": np.arange(n) == 70,
            **dict.fromkeys(SECOND_MARKS, False),
            "second_mean_pa": 0.0,
            "second_variance_pa2": square,
            "second_skewness": 0.0,
            "second_kurtosis": 3.0,
            "band_20": square / 2,
            "weighted_nmfs-2024:LF": square / 4,
        }
    )
    frame.loc[0, ["band_20", "weighted_nmfs-2024:LF"]] = np.nan  # the first frame reaches beyond the recording
    return frame


def test_seconds_and_minutes() -> None:
    rows = background_rows(seconds(150), campaign(minutes=1.0), (20, 21))
    one, minute = rows[rows.duration_s == 1.0], rows[rows.duration_s == 60.0]
    assert len(one) == 150
    assert len(minute) == 2  # the third is not complete and gets no row
    assert one.level_db.iloc[1] == pytest.approx(120 + 10 * np.log10(3.0), abs=1e-4)
    # one half of the samples has variance 1, the other 3: 3 · (1 + 9)/2 over 2²
    assert minute["kurtosis"].to_numpy() == pytest.approx(3.0 * 5.0 / 4.0, rel=1e-6)
    assert one["kurtosis"].isna().all()
    assert minute.level_db.iloc[0] == pytest.approx(120 + 10 * np.log10(2.0), abs=1e-4)
    assert minute.level_100hz_db.iloc[1] == pytest.approx(120.0, abs=1e-4)
    assert minute.level_100hz_db.iloc[0] == pytest.approx(120 + 10 * np.log10(119.0 / 2 / 59), abs=1e-4)
    assert np.isnan(one.level_100hz_db.iloc[0])
    assert rows.level_125hz_db.isna().all()  # a band that this station does not record
    assert one["flags"].iloc[0] == ["frame_incomplete"]
    assert one["flags"].iloc[70] == ["clipped_second"]
    assert minute["flags"].iloc[1] == ["clipped_second", "partly_work"]


def test_ten_seconds_are_means_of_whole_ones() -> None:
    rows = ten_second_rows(seconds(35), campaign(), (20,))
    assert rows.duration_s.tolist() == [10.0] * 3
    assert rows.level_db.to_numpy() == pytest.approx(120 + 10 * np.log10(2.0), abs=1e-4)
    assert rows["kurtosis"].isna().all()


def test_a_vessel_marks_the_seconds_and_the_minute_that_it_passes_in() -> None:
    passage = VesselPassage(station_id="NEAR", from_utc=START, to_utc=START + timedelta(seconds=2))
    passed = campaign().model_copy(update={"vessel_passages": (passage,)})
    rows = background_rows(seconds(120), passed, (20,))
    marked = [k for k, flags in enumerate(rows["flags"][:120]) if "vessel_passage" in flags]
    assert marked == [30, 31]  # the stream begins 30 s before START
    assert ["vessel_passage" in flags for flags in rows["flags"][120:]] == [True, False]


def test_marks_of_seconds_become_flags_of_seconds_and_minutes() -> None:
    marked = seconds(120).assign(zeros=np.arange(120) == 5, mains_hum=np.arange(120) >= 100)
    rows = background_rows(marked, campaign(), (20,))
    one, minute = rows[rows.duration_s == 1.0], rows[rows.duration_s == 60.0]
    assert one["flags"].iloc[5] == ["zeros_second"]
    assert one["flags"].iloc[4] == []
    assert [list(flags) for flags in minute["flags"]] == [
        ["partly_work", "zeros_second"],
        ["clipped_second", "mains_hum_second"],
    ]


def test_seconds_that_lost_samples_are_not_in_the_summary_of_a_vibrated_pile() -> None:
    hammered = campaign(methods=("vibratory",))
    marked = seconds(90).assign(drop_out=np.arange(90) == 41, mains_hum=np.arange(90) == 42)
    rows = background_rows(marked, hammered, (20,))
    strikes = pd.DataFrame({"pile_id": [], "station_id": [], "time_utc": [], "flags": []}, dtype=object)
    vibrated = rows[rows.duration_s == 1.0].dropna(subset="pile_id")
    summary = summary_rows(strikes, pd.DataFrame(index=[]), vibrated, hammered)
    whole = summary[(summary.quantity == "rms_level") & (summary.weighting == "none") & summary.band_hz.isna()]
    assert list(whole.n_strikes) == [60 - 1]  # installation begins with the 30th second


def test_pile_is_named_while_it_is_installed() -> None:
    rows = background_rows(seconds(150), campaign(minutes=1.0), (20,))
    one = rows[rows.duration_s == 1.0]
    assert [bool(v) for v in one.pile_id.notna()] == [30 <= k < 90 for k in range(150)]


def test_intervals_that_work_reaches_into_are_marked() -> None:
    """Work of one minute begins 30 s after the stream: the minutes on either side hold half a minute of it."""
    rows = background_rows(seconds(240), campaign(n_piles=1, minutes=1.0), (20,))
    partly = rows["flags"].map(lambda flags: "partly_work" in flags)
    assert partly[rows.duration_s == 60.0].tolist() == [True, True, False, False]
    assert not partly[rows.duration_s == 1.0].any()  # each second lies wholly within or without
    tens = ten_second_rows(seconds(240), campaign(n_piles=1, minutes=1.0), (20,))
    assert not tens["flags"].map(lambda flags: "partly_work" in flags).any()  # 30 s are three whole intervals
    start_us = np.arange(5, dtype=np.int64) * 10
    two = tuple(
        ActivityPeriod("P1", name, "vibratory", "none", None, start, end)
        for name, start, end in (("a", 12, 30), ("b", 30, 38))
    )
    assert partly_work(start_us, start_us + 10, two).tolist() == [False, True, False, True, False]
    assert partly_work(start_us, start_us + 20, two).tolist() == [True, True, True, True, False]
