"""Cumulative exposure against sums worked by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.exposure import exposure_rows
from reconcile.strikes.pulses import RecordedInterval
from reconcile.vocabulary.documents.campaign import Settings, StatedPeriod
from tests.reference_rows import reference_rows
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


SUMS = [row for row in reference_rows("cumulative_exposure_examples.csv") if row["check"] == "identical_strikes"]
TEN_LG_N = [row for row in reference_rows("cumulative_exposure_examples.csv") if row["check"] == "ten_lg_n"]


def whole_pile(levels: list[float]) -> float:
    return float(rows(strikes(levels)).query("period == 'pile' and weighting == 'none'").iloc[0].measured_db)


@pytest.mark.parametrize("row", SUMS, ids=lambda row: row["source"].replace(" ", "_"))
def test_published_sums_of_identical_strikes(row: dict[str, str]) -> None:
    """Printed in whole decibels in the papers named in the rows; Formula 9 of ISO 18406:2017."""
    found = whole_pile([float(row["exposure_level_db"])] * int(row["n_strikes"]))
    assert found == pytest.approx(float(row["expected_db"]), abs=5e-5)
    assert abs(found - float(row["printed_db"])) <= float(row["tolerance"])


@pytest.mark.parametrize("row", TEN_LG_N, ids=lambda row: row["n_strikes"])
def test_ten_lg_n(row: dict[str, str]) -> None:
    found = whole_pile([float(row["exposure_level_db"])] * int(row["n_strikes"]))
    assert found == pytest.approx(float(row["expected_db"]), abs=float(row["tolerance"]))


def test_sums_of_unequal_strikes() -> None:
    """Rows energy_sum of the same table: closed form."""
    assert whole_pile([170.0, 172.0, 168.0]) == pytest.approx(175.073, abs=1e-4)
    assert whole_pile([160.0 + k for k in range(10)]) == pytest.approx(175.4107, abs=1e-4)


@pytest.mark.parametrize(("n", "level"), [(5012, 187.0), (1995, 183.0)])
def test_strikes_at_effective_quiet_that_reach_a_threshold(n: int, level: float) -> None:
    """Rows strikes_to_threshold: 5011.87 and 1995.26 strikes of exactly 150 dB; a strike below is not in the sum."""
    settings = Settings(weightings=("nmfs-2024:LF",), effective_quiet_db=150.0)
    quiet = strikes([150.0] * n + [149.9] * 100)
    found = exposure_rows(quiet, NO_SECONDS, campaign(settings=settings), None, {}, ALWAYS)
    pile = found[(found.period == "pile") & (found.weighting == "none")].iloc[0]
    assert pile.above_quiet_db == pytest.approx(level, abs=1e-3)  # a whole number of strikes
    assert pile.n_above_quiet == n
    assert pile.measured_db > pile.above_quiet_db
    weighted = found[found.weighting != "none"]
    assert weighted.above_quiet_db.isna().all()
    assert rows(strikes([150.0])).above_quiet_db.isna().all()  # not asked for


def test_local_days_and_stated_periods() -> None:
    """A strike at 10:00:10 UTC on 4 March 2031 lies in the day of New York from 05:00 UTC to 05:00 UTC."""
    settings = Settings(weightings=(), local_time_zone="America/New_York")
    start = pd.Timestamp("2031-03-04T10:00:30Z").to_pydatetime()
    stated = StatedPeriod(id="later", start_utc=start, end_utc=start.replace(minute=5))
    empty = StatedPeriod(id="never", start_utc=start.replace(year=2032), end_utc=start.replace(year=2033))
    there = campaign(settings=settings).model_copy(update={"periods": (stated, empty)})
    found = exposure_rows(strikes([150.0] * 40), NO_SECONDS, there, None, {}, ALWAYS)
    day = found[found.period == "local_day"].iloc[0]
    assert (day.start_utc, day.end_utc) == (pd.Timestamp("2031-03-04T05:00:00Z"), pd.Timestamp("2031-03-05T05:00:00Z"))
    later = found[found.period == "stated"].iloc[0]
    assert (later.period_name, later.n_strikes) == ("later", 20)  # strikes at 10 s to 49 s, one each second
    assert later.measured_db == pytest.approx(150.0 + 10 * np.log10(20))
    assert "never" not in set(found.period_name.dropna())


def test_a_local_day_may_have_23_hours() -> None:
    """Summer time in Berlin began on 30 March 2025: the day ran from 23:00 UTC to 22:00 UTC."""
    table = strikes([150.0, 150.0])
    table["time_utc"] = pd.to_datetime(["2025-03-30T12:00:00Z", "2025-03-30T22:30:00Z"], utc=True)
    settings = Settings(weightings=(), local_time_zone="Europe/Berlin")
    days = exposure_rows(table, NO_SECONDS, campaign(settings=settings), None, {}, ALWAYS).query(
        "period == 'local_day'"
    )
    assert list(days.n_strikes) == [1, 1]
    assert list(days.start_utc) == [pd.Timestamp("2025-03-29T23:00:00Z"), pd.Timestamp("2025-03-30T22:00:00Z")]
    assert list(days.end_utc) == [pd.Timestamp("2025-03-30T22:00:00Z"), pd.Timestamp("2025-03-31T22:00:00Z")]


def test_24_hours_begin_with_the_first_strike_after_the_24_before() -> None:
    table = strikes([150.0] * 4)
    hours = np.array([0.0, 23.9, 24.0, 50.0])
    table["time_utc"] = pd.to_datetime((epoch_s(START) + 3600.0 * hours) * 1e6, unit="us", utc=True)
    found = rows(table).query("period == '24_h_from_first_strike' and weighting == 'none'")
    assert list(found.n_strikes) == [2, 1, 1]
    assert list(found.start_utc) == list(table.time_utc[[0, 2, 3]])


def test_24_hours_from_the_first_strike_hold_its_logged_blow() -> None:
    """A strike's time is that of 5 % of its energy, some milliseconds after the blow's computed arrival."""
    times = epoch_s(START) + 10.0 + np.arange(5.0)
    travel = RANGES["NEAR"] / SOUND_SPEED
    found = rows(strikes([150.0] * 5, start_s=10.0 + travel + 0.02), log_of(times))
    assert list(found[found.weighting == "none"].n_logged) == [5, 5, 5]


def test_exclusion_from_statistics_does_not_lower_it() -> None:
    """A flag that takes a strike out of every statistic leaves it in the sum."""
    table = strikes([150.0, 150.0])
    table.at[1, "flags"] = ["drop_out", "recording_edge"]
    assert rows(table).iloc[0].measured_db == pytest.approx(153.0103, abs=1e-4)


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
    for period in ("utc_day", "24_h_from_first_strike"):
        day = found[(found.period == period) & (found.weighting == "none")].iloc[0]
        assert day.recorded_fraction == pytest.approx(0.5)
        assert day.completed_db == pytest.approx(140.0 + 10 * np.log10(60))


def test_a_day_is_completed_by_the_work_of_all_piles_in_it() -> None:
    """Two piles of a minute each; half of the one was recorded, the other not at all: a quarter."""
    there = campaign(n_piles=2, methods=("vibratory", "vibratory"), minutes=1.0)
    at_s = epoch_s(START) + np.arange(30)
    seconds = pd.DataFrame(
        {
            "station_id": "NEAR",
            "pile_id": "P1",
            "start_utc": pd.to_datetime(at_s * 1e6, unit="us", utc=True),
            "level_db": 140.0,
            "level_nmfs_2024_lf_db": 130.0,
            "flags": [[] for _ in range(30)],
        }
    )
    found = exposure_rows(strikes([150.0]).iloc[:0], seconds, there, None, {}, ALWAYS)
    day = found[(found.period == "utc_day") & (found.weighting == "none")].iloc[0]
    assert day.recorded_fraction == pytest.approx(0.25)
    assert day.completed_db == pytest.approx(140.0 + 10 * np.log10(120))
