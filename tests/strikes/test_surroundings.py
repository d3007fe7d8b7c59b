"""Ambient sound and floors: two things, by hand-made minutes and strikes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.ambient import of_one_kind
from reconcile.strikes.surroundings import surroundings_rows
from tests.strikes.campaigns import START, campaign
from tests.strikes.test_state_backgrounds import switched

TWO = campaign(n_piles=2)  # P1 from 10:00 to 10:03, P2 from 10:20 to 10:23


def minutes(first: int, n: int) -> pd.DataFrame:
    """Minutes from `first` minutes after START on; level 100 dB and a tenth more with each minute."""
    offsets = first + np.arange(n)
    times = pd.Timestamp(START) + pd.to_timedelta(60 * offsets, unit="s")
    return pd.DataFrame(
        {
            "station_id": "NEAR", "pile_id": None, "activity_id": None, "start_utc": times, "duration_s": 60.0,
            "level_db": 100.0 + 0.1 * offsets, "kurtosis": 3.0, "flags": [[] for _ in offsets],
        }
    )  # fmt: skip


def strikes(n: int = 5) -> pd.DataFrame:
    times = pd.Timestamp(START) + pd.to_timedelta(np.arange(n), unit="s")
    return pd.DataFrame(
        {
            "station_id": "NEAR", "pile_id": "P1", "activity_id": None, "time_utc": times,
            "noise_level_db": 110.0 + np.arange(n), "flags": [[], [], [], [], ["not_heard"]][:n],
        }
    )  # fmt: skip


def test_ambient_before_between_and_after_the_work() -> None:
    """Minutes wholly outside 2 s before and 30 s after any work, within an hour of the pile's own."""
    found = surroundings_rows(minutes(-90, 240), strikes(0), TWO, ())
    own = found[found.pile_id == "P1"].set_index("over")
    # before: 60 minutes, less the last, which reaches to the very start; after: from minute 4 to minute 62 without P2's
    assert own.loc["ambient_before", "n_intervals"] == 59
    assert own.loc["ambient_after", "n_intervals"] == 59 - 5
    assert "ambient_between" not in own.index
    assert own.loc["ambient_before", "exceeded_50_db"] == pytest.approx(100.0 - 0.1 * 31)
    assert own.loc["ambient_before", "kurtosis_median"] == 3.0


def test_between_two_states_it_is_of_neither() -> None:
    between = surroundings_rows(minutes(-5, 60), strikes(0), switched(gap_s=160.0), ()).set_index("over")
    assert between.loc["ambient_before", "abatement"] == "none"
    assert between.loc["ambient_after", "abatement"] == "curtain"
    assert between.loc["ambient_between", "abatement"] is None or pd.isna(between.loc["ambient_between", "abatement"])


def test_floors_are_of_strikes_that_were_heard() -> None:
    (row,) = surroundings_rows(minutes(0, 0), strikes(), TWO, ()).to_dict("records")
    assert (row["over"], row["abatement"], row["interval_s"], row["n_intervals"]) == (
        "floor_before_strikes",
        "none",
        0.2,
        4,
    )
    assert (row["exceeded_50_db"], row["exceeded_5_db"]) == (pytest.approx(111.5), pytest.approx(112.85))
    assert np.isnan(row["exposure_level_db"])


def test_minutes_that_work_reaches_into_are_of_no_kind() -> None:
    """A minute whose middle lies before the work but which holds its first strikes."""
    edge = minutes(-2, 2).assign(start_utc=lambda rows: rows["start_utc"] + pd.Timedelta(seconds=20))
    assert len(of_one_kind(edge, TWO)) == 1
    assert len(of_one_kind(edge.assign(pile_id="P1"), TWO)) == 2
