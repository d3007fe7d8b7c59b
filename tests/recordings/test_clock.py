"""Start times by name and by bext chunk, time zones, and a station's clock error by hand-calculated numbers."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from reconcile.recordings.clock import StationClock, epoch_us, start_time
from reconcile.recordings.wav import Recording, SampleFormat, UnusableRecordingError

PATTERN = "S750_%Y%m%dT%H%M%S.%fZ"


def recording(name: str, origin: datetime | None = None) -> Recording:
    return Recording(Path("recordings") / name, name, 8000, 1, 8000, SampleFormat(16, 16), 44, origin)


def test_by_the_pattern_of_the_stem() -> None:
    moment = start_time(recording("S750_20250501T075500.250000Z.wav"), PATTERN, "UTC")
    assert moment == datetime(2025, 5, 1, 7, 55, 0, 250_000, tzinfo=UTC)


def test_the_pattern_goes_before_the_bext_chunk() -> None:
    both = recording("S750_20250501T075500.000000Z.wav", datetime(2001, 1, 1))
    assert start_time(both, PATTERN, "UTC") == datetime(2025, 5, 1, 7, 55, tzinfo=UTC)


def test_by_the_bext_chunk() -> None:
    origin = datetime(2025, 5, 1, 9, 1, 1, 250_000)
    assert start_time(recording("a.wav", origin), None, "UTC") == origin.replace(tzinfo=UTC)


def test_by_neither() -> None:
    with pytest.raises(UnusableRecordingError, match="no time_pattern and the file no bext"):
        start_time(recording("a.wav"), None, "UTC")


def test_a_name_that_does_not_follow_the_pattern() -> None:
    with pytest.raises(UnusableRecordingError, match="does not follow"):
        start_time(recording("S750_2025-05-01.wav", datetime(2025, 5, 1)), PATTERN, "UTC")


def test_a_zone_in_the_name_goes_before_the_campaigns() -> None:
    moment = start_time(recording("20250501T0955+0200.wav"), "%Y%m%dT%H%M%z", "America/New_York")
    assert moment == datetime(2025, 5, 1, 7, 55, tzinfo=UTC)


@pytest.mark.parametrize(
    ("local", "utc"),
    [
        (datetime(2025, 1, 15, 12), datetime(2025, 1, 15, 11, tzinfo=UTC)),  # Berlin in winter: UTC + 1 h
        (datetime(2025, 7, 15, 12), datetime(2025, 7, 15, 10, tzinfo=UTC)),  # in summer: UTC + 2 h
        (datetime(2025, 3, 30, 1, 59), datetime(2025, 3, 30, 0, 59, tzinfo=UTC)),  # the last minute of winter time
        (datetime(2025, 3, 30, 3, 0), datetime(2025, 3, 30, 1, 0, tzinfo=UTC)),  # the first of summer time
    ],
)
def test_local_times(local: datetime, utc: datetime) -> None:
    assert start_time(recording("a.wav", local), None, "Europe/Berlin") == utc


@pytest.mark.parametrize("local", [datetime(2025, 10, 26, 2, 30), datetime(2025, 3, 30, 2, 30)])
def test_local_times_that_are_twice_or_never_are_refused(local: datetime) -> None:
    with pytest.raises(UnusableRecordingError, match="ambiguous or does not exist"):
        start_time(recording("a.wav", local), None, "Europe/Berlin")


def test_an_unknown_zone_is_refused() -> None:
    with pytest.raises(UnusableRecordingError, match="not known"):
        start_time(recording("a.wav", datetime(2025, 5, 1)), None, "Europe/Nowhere")


def test_epoch_microseconds_are_exact() -> None:
    # 2025-05-01 is day 20209 after 1970-01-01 (55 years of 365 days, 14 leap days, 120 days)
    assert epoch_us(datetime(2025, 5, 1, 0, 0, 0, 1, tzinfo=UTC)) == 20209 * 86400 * 1_000_000 + 1


def test_offset_and_drift() -> None:
    first_us = 1_746_057_600_000_000
    clock = StationClock(first_us, offset_s=2.5, drift_ppm=20.0)
    # The recorder is 2.5 s ahead at its first sample; after 1000 s of its own it has gained 20 ms more.
    recorder_us = first_us + np.array([0.0, 1000e6])
    assert clock.utc_us(recorder_us).tolist() == [first_us - 2_500_000, first_us + 1_000_000_000 - 2_520_000]


def test_a_slow_recorder() -> None:
    clock = StationClock(0, offset_s=-1.0, drift_ppm=-10.0)
    assert clock.utc_us(np.array([100e6])).tolist() == [100_000_000 + 1_000_000 + 1_000]


def test_a_right_clock_changes_nothing() -> None:
    first_us = 1_746_057_600_123_456
    times = first_us + np.array([0.0, 1.0, 86_400e6 + 7])
    day_us = 86_400_000_007
    assert StationClock(first_us, 0.0, 0.0).utc_us(times).tolist() == [first_us, first_us + 1, first_us + day_us]
