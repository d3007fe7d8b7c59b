"""Cumulative exposure against sums worked by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.exposure import exposure_rows
from reconcile.strikes.pulses import RecordedInterval
from tests.strikes.campaigns import RANGES, SOUND_SPEED, START, campaign, epoch_s
from tests.strikes.test_association import log_of


def strikes(
    levels: list[float], censoring: list[str] | None = None, pile: str = "P1", start_s: float = 10.0
) -> pd.DataFrame:
    n = len(levels)
    kinds = censoring or ["none"] * n
    return pd.DataFrame(
        {
            "pile_id": pile,
            "station_id": "NEAR",
            "time_utc": pd.to_datetime((epoch_s(START) + start_s + np.arange(n)) * 1e6, unit="us", utc=True),
            "exposure_level_db": levels,
            "exposure_censoring": kinds,
            "exposure_level_nmfs_2024_lf_db": np.array(levels) - 5.0,
            "exposure_censoring_nmfs_2024_lf": kinds,
            "flags": [["window_cut"]] * n,
        }
    )


NO_SECONDS = pd.DataFrame({"station_id": [], "pile_id": [], "start_utc": [], "level_db": [], "flags": []})
ALWAYS = [RecordedInterval("NEAR", 0, 2**62)]


def rows(table: pd.DataFrame, log=None, recorded=ALWAYS, n_piles: int = 1) -> pd.DataFrame:  # type: ignore[no-untyped-def]
    return exposure_rows(table, NO_SECONDS, campaign(n_piles=n_piles), log, {}, recorded)


def test_equal_strikes_add_ten_log_n() -> None:
    found = rows(strikes([150.0] * 100))
    pile = found[(found.period == "pile") & (found.weighting == "none")].iloc[0]
    assert pile.measured_db == pytest.approx(170.0)
    assert pile.n_strikes == 100
    assert pile.n_logged is None or np.isnan(pile.n_logged)
    weighted = found[(found.period == "pile") & (found.weighting == "nmfs-2024:LF")].iloc[0]
    assert weighted.measured_db == pytest.approx(165.0)
    assert set(found.period) == {"pile", "utc_day", "24_h_from_first_strike"}


def test_limits_are_only_in_the_upper_sum() -> None:
    pile = rows(strikes([150.0, 150.0], ["none", "at_most"])).iloc[0]
    assert pile.measured_db == pytest.approx(150.0)
    assert pile.upper_db == pytest.approx(153.0103, abs=1e-4)
    assert pile.censoring == "none"
    assert rows(strikes([150.0, 151.0], ["at_most"] * 2)).iloc[0].censoring == "at_most"
    assert rows(strikes([150.0, 151.0], ["none", "at_least"])).iloc[0].censoring == "at_least"


def test_a_gap_is_made_up_at_the_mean_of_what_was_recorded() -> None:
    """Ten blows logged, the first five recorded: five more of the same energy make 3 dB."""
    times = epoch_s(START) + 10.0 + np.arange(10.0)
    travel = RANGES["NEAR"] / SOUND_SPEED
    recorded = [RecordedInterval("NEAR", 0, round((times[4] + travel + 0.5) * 1e6))]
    pile = rows(strikes([150.0] * 5), log_of(times), recorded).iloc[0]
    assert pile.n_logged == 10
    assert pile.recorded_fraction == pytest.approx(0.5)
    assert pile.measured_db == pytest.approx(150.0 + 10 * np.log10(5))
    assert pile.completed_db == pytest.approx(160.0, abs=1e-6)


def test_two_piles_of_one_day_are_one_day() -> None:
    both = pd.concat([strikes([150.0]), strikes([150.0], pile="P2", start_s=1210.0)], ignore_index=True)
    found = rows(both, n_piles=2)
    day = found[(found.period == "utc_day") & (found.weighting == "none")].iloc[0]
    assert (day.n_piles, day.n_strikes) == (2, 2)
    assert day.measured_db == pytest.approx(153.0103, abs=1e-4)
    assert day.start_utc == pd.Timestamp("2031-03-04T00:00:00Z")


def test_continuous_work_sums_its_seconds_apart_from_impact() -> None:
    there = campaign(n_piles=1, methods=("vibratory",), minutes=1.0)
    seconds = pd.DataFrame(
        {
            "station_id": "NEAR",
            "pile_id": "P1",
            "start_utc": pd.to_datetime((epoch_s(START) + np.arange(30)) * 1e6, unit="us", utc=True),
            "level_db": 140.0,
            "level_nmfs_2024_lf_db": 130.0,
            "flags": [[] for _ in range(30)],
        }
    )
    empty = strikes([150.0]).iloc[:0]
    found = exposure_rows(empty, seconds, there, None, {}, ALWAYS)
    pile = found[(found.period == "pile") & (found.weighting == "none")].iloc[0]
    assert pile.installation_method == "vibratory"
    assert pile.measured_db == pytest.approx(140.0 + 10 * np.log10(30))
    assert pile.recorded_fraction == pytest.approx(0.5)  # 30 s of a minute
    assert pile.completed_db == pytest.approx(140.0 + 10 * np.log10(60))
