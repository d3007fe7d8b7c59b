"""Energies of increments in the rows of strikes, and the blows that counts stand for."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from reconcile.campaign.blows import HammerLog
from reconcile.running.provenance import clocks
from reconcile.strikes.association import Association
from reconcile.strikes.exposure import exposure_rows
from reconcile.strikes.increments import counted_log, not_reconciled, with_increment_energies
from reconcile.strikes.pulses import RecordedInterval
from reconcile.vocabulary.documents.campaign import Campaign, DrivingIncrement
from tests.strikes.campaigns import RANGES, SOUND_SPEED, START, campaign, epoch_s
from tests.strikes.count_logs import Driving, Kept, driving


def counted(log: tuple[DrivingIncrement, ...], minutes: float = 60.0) -> Campaign:
    n_logged = {"P1": sum(increment.n_blows for increment in log)}
    return campaign(minutes=minutes).model_copy(update={"driving_log": log, "n_logged": n_logged})


def rows(heard_s: np.ndarray, energy_kj: float = np.nan) -> pd.DataFrame:
    """Strikes at both stations, from the times at which their sound left the pile."""
    frames = [
        pd.DataFrame(
            {
                "strike_id": [f"P1-u{k:05d}" for k in range(len(heard_s))],
                "pile_id": "P1",
                "station_id": station,
                "time_utc": pd.to_datetime(
                    np.round((heard_s + range_m / SOUND_SPEED) * 1e6).astype(np.int64), unit="us", utc=True
                ),
                "energy_kj": energy_kj,
                "exposure_level_db": 150.0,
                "exposure_censoring": "none",
                "exposure_level_nmfs_2024_lf_db": 140.0,
                "exposure_censoring_nmfs_2024_lf": "none",
                "flags": [[] for _ in heard_s],
            }
        )
        for station, range_m in RANGES.items()
    ]
    return pd.concat(frames, ignore_index=True)


def small(timed: bool = True) -> Driving:
    return driving(31, Kept(n_blows=300, n_missed=0, n_extra=0, timed=timed, step_s=0.0))


def test_every_row_of_a_strike_has_the_energy_of_its_increment() -> None:
    truth = small(timed=False)
    found, counts = with_increment_energies(rows(truth.heard_s), counted(truth.log), {})
    expected = 100.0 + truth.increment
    assert found["energy_kj"].tolist() == [*expected, *expected]
    assert all(flags == ["energy_of_increment"] for flags in found["flags"])
    assert [(c.pile_id, c.match.n_logged, c.match.n_heard) for c in counts] == [("P1", 300, 300)]


def test_energies_of_single_blows_win() -> None:
    truth = small()
    table = rows(truth.heard_s, energy_kj=777.0)
    table.loc[table["strike_id"].isin(["P1-u00003", "P1-u00250"]), "energy_kj"] = np.nan
    found, _ = with_increment_energies(table, counted(truth.log), {})
    served = found["flags"].map(bool)
    assert sorted(set(found["strike_id"][served])) == ["P1-u00003", "P1-u00250"]
    assert found["energy_kj"][served].tolist() == [100.0 + truth.increment[k] for k in (3, 250)] * 2
    assert (found["energy_kj"][~served] == 777.0).all()


def test_counts_that_do_not_fit_give_no_energies_and_say_so() -> None:
    truth = small()
    found, counts = with_increment_energies(rows(truth.heard_s[::2]), counted(truth.log), {})
    assert found["energy_kj"].isna().all()
    assert all(flags == ["counts_not_reconciled"] for flags in found["flags"])
    assert not counts[0].match.reconciled
    (said,) = not_reconciled(counts)
    assert said.startswith("pile P1: the increments of its driving log hold 300 blows; with the strikes heard (150)")


def test_an_increment_without_energy_gives_none() -> None:
    truth = small()
    log = (truth.log[0].model_copy(update={"mean_energy_kj": None}), *truth.log[1:])
    found, _ = with_increment_energies(rows(truth.heard_s), counted(log), {})
    first = np.concatenate([truth.increment, truth.increment]) == 0
    assert found["energy_kj"].isna().tolist() == first.tolist()
    assert found["flags"].map(len).tolist() == (~first).astype(int).tolist()


def test_blows_of_counts_lie_where_their_increments_were() -> None:
    """By the stations' clock: the offset of the log is taken off."""
    truth = driving(32, Kept(n_blows=300, n_missed=0, n_extra=0, offset_s=40.0, step_s=0.0))
    there = counted(truth.log)
    _, counts = with_increment_energies(rows(truth.heard_s), there, {})
    (entry,) = clocks(Association([], [], np.zeros(0), [], []), counts).hammer_logs
    assert entry.offset_s == pytest.approx(40.0, abs=1.0)
    assert (entry.n_blows, entry.n_matched, entry.ambiguous) == (300, 300, False)
    log = counted_log(there, None, counts)
    assert log is not None
    times_s = log.time_utc.astype(np.int64) / 1e6
    assert len(log) == 300
    assert np.abs(np.sort(times_s) - truth.heard_s).max() < 0.001
    assert counted_log(campaign(), None, []) is None


def test_days_of_a_count_log_with_a_restrike_after_midnight() -> None:
    """START is 10:00; 14 hours later it is the next day. 200 blows, then 20; all recorded."""
    log = tuple(
        DrivingIncrement(line=j, pile_id="P1", from_penetration_m=j, to_penetration_m=j + 1.0, n_blows=n,
                         mean_energy_kj=100.0 * j)
        for j, n in ((1, 90), (2, 110), (3, 20))
    )  # fmt: skip
    struck = epoch_s(START) + np.concatenate([10.0 + 1.5 * np.arange(200), 14.2 * 3600 + 1.5 * np.arange(20)])
    there = counted(log, minutes=15 * 60.0)
    table, counts = with_increment_energies(rows(struck), there, {})
    always = [RecordedInterval(station, 0, 2**62) for station in RANGES]
    nothing = pd.DataFrame({"station_id": [], "pile_id": [], "start_utc": [], "level_db": [], "flags": []})
    found = exposure_rows(table, nothing, there, counted_log(there, None, counts), {}, always)
    near = found[(found["weighting"] == "none") & (found["station_id"] == "NEAR")]
    days = near[near["period"] == "utc_day"]
    assert days["n_logged"].tolist() == [200, 20]
    assert days["n_strikes"].tolist() == [200, 20]
    assert days["recorded_fraction"].tolist() == [1.0, 1.0]
    assert days["start_utc"].dt.day.tolist() == [START.day, (START + timedelta(days=1)).day]
    assert near[near["period"] == "pile"]["n_logged"].tolist() == [220]


def test_a_gap_in_the_recordings_is_completed_from_counts() -> None:
    """Increments with times; the second was not recorded: as many blows of the same energy again, 3 dB."""
    log = tuple(
        DrivingIncrement(line=j, pile_id="P1", start_utc=START + timedelta(seconds=60 * j),
                         end_utc=START + timedelta(seconds=60 * j + 60), n_blows=50, mean_energy_kj=100.0)
        for j in range(2)
    )  # fmt: skip
    there = counted(log)
    struck = epoch_s(START) + 0.6 + 1.2 * np.arange(50)
    travel_s = RANGES["NEAR"] / SOUND_SPEED
    recorded = [RecordedInterval("NEAR", 0, round((epoch_s(START) + 60.0 + travel_s) * 1e6))]
    table, counts = with_increment_energies(rows(struck), there, {})
    nothing = pd.DataFrame({"station_id": [], "pile_id": [], "start_utc": [], "level_db": [], "flags": []})
    found = exposure_rows(table, nothing, there, counted_log(there, None, counts), {}, recorded)
    pile = found[(found["period"] == "pile") & (found["weighting"] == "none") & (found["station_id"] == "NEAR")].iloc[0]
    assert pile["n_logged"] == 100
    assert pile["recorded_fraction"] == pytest.approx(0.5, abs=0.02)
    assert pile["completed_db"] - pile["measured_db"] == pytest.approx(3.01, abs=0.2)


def test_single_blows_of_other_piles_stay_in_the_log() -> None:
    truth = small()
    single = HammerLog(
        np.array(["P2", "P2"]),
        np.array([1, 2], dtype=np.int32),
        np.array(["2031-03-04T12:00:00", "2031-03-04T12:00:02"], dtype="datetime64[us]"),
        np.array([500.0, 510.0]),
        np.full(2, np.nan),
    )
    there = counted(truth.log)
    _, counts = with_increment_energies(rows(truth.heard_s), there, {})
    log = counted_log(there, single, counts)
    assert log is not None
    assert dict(zip(*np.unique(log.pile_id, return_counts=True), strict=True)) == {"P1": 300, "P2": 2}
    assert counted_log(there.model_copy(update={"driving_log": ()}), single, []) is single
