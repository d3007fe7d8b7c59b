"""Numbers, distances and times as they are shown."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from reconcile.report import formatting


@pytest.mark.parametrize(
    ("value", "shown"), [(173.44, "173.4"), (-1.25, "−1.2"), (-0.04, "0.0"), (None, "–"), (float("nan"), "–")]
)
def test_decibels(value: float | None, shown: str) -> None:
    assert formatting.decibels(value) == shown


@pytest.mark.parametrize(("value", "shown"), [(2.41, "+2.4"), (-2.41, "−2.4"), (0.04, "0.0"), (-0.04, "0.0")])
def test_signed(value: float, shown: str) -> None:
    assert formatting.signed(value) == shown


def test_value_and_error_have_two_digits_of_the_error() -> None:
    assert formatting.with_error(25.004, 2.26) == "25.0 ± 2.3"
    assert formatting.with_error(2.434, 0.318) == "2.43 ± 0.32"
    assert formatting.with_error(-41.6, 12.3) == "−42 ± 12"


def test_distances_are_rounded_to_what_their_interval_allows() -> None:
    step = formatting.distance_step_m(3881.7, 5474.5)
    assert step == 10
    assert formatting.distance(4562.2, step) == "4560"
    assert formatting.distance_step_m(12_000.0, 31_000.0) == 100
    assert formatting.distance_step_m(500.0, 504.0) == 1
    assert formatting.distance(18_234.0, 100) == "18\u202f200"


def test_times_and_durations() -> None:
    moment = datetime(2031, 5, 2, 8, 3, 4, 900_000, tzinfo=UTC)
    assert formatting.instant(moment) == "2031-05-02 08:03:04"
    assert formatting.day(moment) == "2 May 2031"
    assert formatting.length_of_time(140.0) == "2 min 20 s"
    assert formatting.length_of_time(0.2) == "0 s"
    assert formatting.length_of_time(90_000.0) == "1 d 1 h"


def test_shares_are_never_rounded_up_to_the_whole() -> None:
    assert formatting.percent(0.999) == "> 99 %"
    assert formatting.percent(1.0) == "100 %"
    assert formatting.percent(0.964) == "96 %"


def test_number_and_unit_stay_together() -> None:
    assert formatting.unbroken("95 % of 2.4 dB at 750 m in 3 stations") == (
        "95\u00a0% of 2.4\u00a0dB at 750\u00a0m in 3 stations"
    )


@pytest.mark.parametrize(
    ("value", "shown"), [(31.5, "31.5 Hz"), (1000.0, "1000 Hz"), (21_600.0, "21.6 kHz"), (None, "–")]
)
def test_hertz(value: float | None, shown: str) -> None:
    assert formatting.hertz(value) == shown
