"""Continuous work against the ambient: closed forms on made-up levels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.ambient import is_limit, with_limits

START = pd.Timestamp("2025-05-01T08:00:00Z")


def rows(pile: str | None, station: str, offset_s: list[float], level_db: list[float], band_db: float) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "station_id": station,
            "pile_id": pile,
            "start_utc": [START + pd.Timedelta(seconds=s) for s in offset_s],
            "level_db": level_db,
            "level_1000hz_db": band_db,
        }
    )


def test_what_is_less_than_3_db_above_the_ambient_is_a_limit() -> None:
    seconds = rows("V", "A", [0, 1, 2, 3], [102.9, 103.1, 99.0, 130.0], 80.0)
    minutes = pd.concat(
        [rows(None, "A", [-600, -300, 900], [99.0, 100.0, 104.0], 90.0), rows("V", "A", [0], [50.0], 0)]
    )
    found = with_limits(seconds, minutes, 3.0)
    assert is_limit(found, "level_db").tolist() == [True, False, True, False]
    assert is_limit(found, "level_1000hz_db").all()
    assert is_limit(seconds, "level_db").tolist() == [False] * 4


@pytest.mark.parametrize(("station", "offset_s"), [("B", -600.0), ("A", -7200.0)])
def test_another_station_or_another_day_is_no_ambient(station: str, offset_s: float) -> None:
    seconds = rows("V", "A", [0, 1], [50.0, 60.0], 10.0)
    found = with_limits(seconds, rows(None, station, [offset_s], [100.0], 100.0), 3.0)
    assert not is_limit(found, "level_db").any()


def test_a_band_whose_ambient_is_not_known_is_not_judged() -> None:
    found = with_limits(rows("V", "A", [0], [100.0], 10.0), rows(None, "A", [-60], [99.0], np.nan), 3.0)
    assert is_limit(found, "level_db").all()
    assert not is_limit(found, "level_1000hz_db").any()
