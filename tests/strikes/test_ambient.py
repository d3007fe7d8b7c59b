"""Continuous work against the ambient: closed forms on made-up levels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.ambient import FEWEST, ambient_seconds, is_limit, with_limits
from tests.strikes.campaigns import campaign

VIBRATED = campaign(methods=("vibratory",))
START = pd.Timestamp("2025-05-01T08:00:00Z")


def rows(
    pile: str | None, station: str, offset_s: Sequence[float], level_db: Sequence[float], band_db: float
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "station_id": station,
            "pile_id": pile,
            "start_utc": [START + pd.Timedelta(seconds=s) for s in offset_s],
            "level_db": level_db,
            "level_1000hz_db": band_db,
            "abatement": "none",
            "flags": [[] for _ in offset_s],
        }
    )


def test_what_is_less_than_3_db_above_the_ambient_is_a_limit() -> None:
    seconds = rows("P1", "A", [0, 1, 2, 3], [102.9, 103.1, 99.0, 130.0], 80.0)
    ambient = rows(None, "A", [-600, -300, -299, 900, 901], [99.0, 99.5, 100.0, 103.0, 104.0], 90.0)
    found = with_limits(seconds, ambient, VIBRATED)
    assert is_limit(found, "level_db").tolist() == [True, False, True, False]
    assert is_limit(found, "level_1000hz_db").all()
    assert is_limit(seconds, "level_db").tolist() == [False] * 4


@pytest.mark.parametrize(("station", "first_s", "n"), [("B", -600, 9), ("A", -7200, 9), ("A", -600, FEWEST - 1)])
def test_another_station_another_day_or_too_little_is_no_ambient(station: str, first_s: int, n: int) -> None:
    seconds = rows("P1", "A", [0, 1], [50.0, 60.0], 10.0)
    found = with_limits(seconds, rows(None, station, [first_s + k for k in range(n)], [100.0] * n, 100.0), VIBRATED)
    assert not is_limit(found, "level_db").any()


def test_a_band_whose_ambient_is_not_known_is_not_judged() -> None:
    ambient = rows(None, "A", list(range(-60, -50)), [99.0] * 10, np.nan)
    found = with_limits(rows("P1", "A", [0], [100.0], 10.0), ambient, VIBRATED)
    assert is_limit(found, "level_db").all()
    assert not is_limit(found, "level_1000hz_db").any()


def test_the_ambient_is_of_seconds_without_any_work_near_by() -> None:
    """Work of three minutes by vibration from the start, impact driving 20 minutes later; two hours of seconds."""
    two = campaign(n_piles=2, methods=("vibratory", "impact"))
    offsets = np.arange(-3700, 3900)
    all_rows = rows(None, "S1", offsets.tolist(), [90.0] * offsets.size, 80.0).assign(duration_s=1.0)
    all_rows["start_utc"] = pd.Timestamp(two.piles[0].start_utc) + pd.to_timedelta(offsets, unit="s")
    minutes = all_rows.iloc[::60].assign(duration_s=60.0)
    found = ambient_seconds(pd.concat([all_rows, minutes], ignore_index=True), two)
    kept = (found["start_utc"] - pd.Timestamp(two.piles[0].start_utc)).dt.total_seconds().to_numpy()
    expected = [s for s in offsets if -3600 <= s < 3780 and not -2 <= s < 210 and not 1198 <= s < 1410]
    assert kept.tolist() == expected
