"""Matching to the hammer log: truth is the log from which the arrivals were made."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.campaign.blows import HammerLog
from reconcile.strikes.association import associate
from reconcile.strikes.expected import expected_arrivals
from tests.strikes.campaigns import RANGES, SOUND_SPEED, START, campaign, epoch_s


def blows(rng: np.random.Generator, n: int, interval_s: float, jitter_s: float) -> np.ndarray:
    """Times of blows in seconds since 1970, from 5 s into the pile."""
    return epoch_s(START) + 5.0 + np.cumsum(interval_s + jitter_s * rng.standard_normal(n))


def log_of(times_s: np.ndarray, pile_id: str = "P1") -> HammerLog:
    n = len(times_s)
    return HammerLog(
        np.full(n, pile_id),
        np.arange(1, n + 1, dtype=np.int32),
        np.round(times_s * 1e6).astype(np.int64).astype("datetime64[us]"),
        np.linspace(500.0, 1500.0, n),
        np.full(n, np.nan),
    )


def arrivals(times_s: np.ndarray, clock_s: dict[str, float]) -> pd.DataFrame:
    frames = [
        pd.DataFrame(
            {
                "station_id": station,
                "time_us": np.round((times_s + range_m / SOUND_SPEED + clock_s[station]) * 1e6).astype(np.int64),
                "truth": np.arange(1, len(times_s) + 1),
            }
        )
        for station, range_m in RANGES.items()
    ]
    return pd.concat(frames, ignore_index=True)


@pytest.mark.parametrize("offset_s", [0.0, 1.7, -12.3, 40.0])
def test_blows_are_matched_through_offset_drift_and_missing_ones(offset_s: float) -> None:
    rng = np.random.default_rng(31)
    struck = blows(rng, 100, 1.4, 0.03)
    pulses = arrivals(struck, {"NEAR": 0.04, "FAR": -0.03})
    drift = 20e-6 * (struck - struck[0])
    logged = struck + offset_s + drift + 0.01 * rng.standard_normal(100)
    log = log_of(logged)
    kept = np.setdiff1d(np.arange(100), [3, 50, 51])
    log = HammerLog(
        *(getattr(log, name)[kept] for name in ("pile_id", "blow_number", "time_utc", "energy_kj", "penetration_m"))
    )
    found = associate(pulses, campaign(), log)
    numbers = np.array([n or 0 for n in found.blow_number])
    truth = np.where(np.isin(pulses["truth"], [4, 51, 52]), 0, pulses["truth"])
    assert (numbers == truth).all()
    assert found.log_clocks[0].offset_s == pytest.approx(offset_s, abs=0.02)
    assert not found.log_clocks[0].ambiguous
    assert found.station_offsets_s["NEAR"] - found.station_offsets_s["FAR"] == pytest.approx(0.07, abs=0.01)
    near, far = pulses.index[pulses.station_id == "NEAR"], pulses.index[pulses.station_id == "FAR"]
    assert [found.strike_id[i] for i in near] == [found.strike_id[i] for i in far]
    assert len(set(found.strike_id)) == 100
    unlogged = [i for i in pulses.index if pulses.truth[i] in (4, 51, 52)]
    assert all(found.flags[i] == ["not_in_log"] for i in unlogged)
    assert sum(bool(f) for f in found.flags) == len(unlogged)


def test_energy_is_that_of_the_matched_blow() -> None:
    struck = blows(np.random.default_rng(32), 40, 1.5, 0.05)
    found = associate(arrivals(struck, {"NEAR": 0.0, "FAR": 0.0}), campaign(), log_of(struck + 0.5))
    assert found.energy_kj[:40] == pytest.approx(np.linspace(500.0, 1500.0, 40))


def test_perfectly_regular_blows_without_a_landmark_are_not_guessed() -> None:
    """Heard in the middle of a longer regular log: any shift by a whole interval fits as well."""
    every = epoch_s(START) + 5.0 + 1.5 * np.arange(60)
    pulses = arrivals(every[20:40], {"NEAR": 0.0, "FAR": 0.0})
    found = associate(pulses, campaign(), log_of(every + 3.0))
    assert found.log_clocks[0].ambiguous
    assert set(found.blow_number) == {None}
    assert np.isnan(found.energy_kj).all()
    assert all(flags == ["match_ambiguous"] for flags in found.flags)
    assert len(set(found.strike_id)) == 20


def test_sound_outside_piling_and_during_vibratory_work() -> None:
    there = campaign(n_piles=2, methods=("impact", "vibratory"))
    struck = epoch_s(START) + np.array([10.0, 12.0, 600.0, 1210.0])  # 600 s: between the piles; 1210 s: vibratory
    found = associate(arrivals(struck, {"NEAR": 0.0, "FAR": 0.0}), there, None)
    assert found.pile_id == ["P1", "P1", None, None] * 2
    assert found.flags[:4] == [[], [], ["outside_piling"], ["outside_piling"]]


def test_without_a_log_stations_share_strikes_by_travel_time() -> None:
    struck = blows(np.random.default_rng(33), 30, 1.2, 0.05)
    found = associate(arrivals(struck, {"NEAR": 0.02, "FAR": 0.0}), campaign(), None)
    assert found.strike_id[:30] == found.strike_id[30:]
    assert all(not flags for flags in found.flags)


NOTHING = pd.DataFrame({"station_id": np.zeros(0, dtype=object), "time_us": np.zeros(0, dtype=np.int64)})


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_hardly_any_blows(n: int) -> None:
    """Nothing fails; one or two blows cannot be told from others that the log may lack."""
    struck = blows(np.random.default_rng(34), n, 1.5, 0.05)
    pulses = arrivals(struck, {"NEAR": 0.0, "FAR": 0.0}) if n else NOTHING
    for log in (None, log_of(struck + 3.0), log_of(blows(np.random.default_rng(35), 40, 1.5, 0.05))):
        found = associate(pulses, campaign(), log if log is not None and len(log) else None)
        assert len(found.strike_id) == 2 * n
        assert found.pile_id == ["P1"] * (2 * n)
        assert expected_arrivals(pulses, found, campaign(), log, []).empty


def test_logged_blows_at_one_instant_and_without_energy() -> None:
    struck = blows(np.random.default_rng(36), 60, 1.5, 0.05)
    log = log_of(np.concatenate([struck, struck[:3]]) + 2.0)
    log = HammerLog(log.pile_id, log.blow_number, log.time_utc, np.full(63, np.nan), log.penetration_m)
    found = associate(arrivals(struck, {"NEAR": 0.0, "FAR": 0.0}), campaign(), log)
    numbers = [n for n in found.blow_number if n is not None]
    assert sorted(set(numbers)) == list(range(4, 61))
    assert all(found.flags[i] == ["match_ambiguous"] for i in (0, 1, 2))
    assert np.isnan(found.energy_kj).all()
