"""A curtain switched on between two strikes: no background of the one state reaches a strike of the other."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.ambient import ambient_seconds, is_limit, with_limits
from reconcile.strikes.association import Association
from reconcile.strikes.state_backgrounds import changes_us, state_numbers, with_own_backgrounds
from reconcile.vocabulary.documents.campaign import Activity, Campaign
from tests.strikes.campaigns import RANGES, SOUND_SPEED, START, campaign, epoch_s

SWITCHED_S = 90.0


def switched(gap_s: float = 0.0, method: str = "impact") -> Campaign:
    """Pile P1: 90 s without and then with a curtain; the stop between them lasts `gap_s`."""
    base = campaign(methods=(method,))
    spans = [("none", 0.0, SWITCHED_S - gap_s / 2), ("curtain", SWITCHED_S + gap_s / 2, 180.0)]
    activities = tuple(
        Activity(
            line=k + 2,
            activity_id=f"A{k}",
            pile_id="P1",
            installation_method=method,  # type: ignore[arg-type]
            abatement=state,
            start_utc=START + timedelta(seconds=a),
            end_utc=START + timedelta(seconds=b),
        )
        for k, (state, a, b) in enumerate(spans)
    )
    return base.model_copy(update={"activities": activities})


def pulses(left_s: list[float], station: str = "NEAR") -> tuple[pd.DataFrame, Association]:
    """Strikes whose 5 % point left the pile at some seconds after START; quiet stretch 0.28 to 0.08 s before it."""
    n, travel_s = len(left_s), RANGES[station] / SOUND_SPEED
    frame = pd.DataFrame(
        {
            "station_id": station,
            "time_us": ((epoch_s(START) + travel_s + np.array(left_s)) * 1e6).astype(np.int64),
            "onset_s": 0.05,
            "quiet_s": 0.2,
            "not_heard": False,
            "energy_pa2_s": 100.0,
            "noise_pa2": 1.0,
            "noise_peak_pa": 4.0,
            "band_20": 50.0,
            "band_noise_20": 0.5,
            "weighted_noise_x": 0.2,
        }
    )
    names = [f"k{k}" for k in range(n)]
    return frame, Association(["P1"] * n, [None] * n, np.full(n, np.nan), names, [[] for _ in names])


@pytest.mark.parametrize("station", list(RANGES))
def test_the_quiet_stretch_must_not_span_the_switch(station: str) -> None:
    """Strikes 1 s before, 0.1, 0.27, 0.29 and 2 s after the switch: 0.05 - 0.02 + 0.05 + 0.2 = 0.28 s of stretch."""
    frame, association = pulses([89.0, 90.1, 90.27, 90.29, 92.0], station)
    found = with_own_backgrounds(frame, association, switched())
    lost = [False, True, True, False, False]
    for name in ("noise_pa2", "noise_peak_pa", "band_noise_20", "weighted_noise_x"):
        assert found[name].isna().tolist() == lost, name
    assert found["energy_pa2_s"].tolist() == frame["energy_pa2_s"].tolist()
    assert found["band_20"].tolist() == frame["band_20"].tolist()


def test_states_are_counted_at_the_pile() -> None:
    frame, association = pulses([10.0, 89.99, 90.01, 150.0], "FAR")
    assert state_numbers(frame, association, switched()).tolist() == [0, 0, 1, 1]
    association.station_offsets_s["FAR"] = 0.05
    assert state_numbers(frame, association, switched()).tolist() == [0, 0, 0, 1]


def test_a_change_lies_half_way_between_the_activities_that_it_parts() -> None:
    at = int((epoch_s(START) + SWITCHED_S) * 1e6)
    assert changes_us(switched(gap_s=20.0), "P1").tolist() == [at]
    assert changes_us(campaign(), "P1").size == 0


def test_one_state_changes_nothing() -> None:
    frame, association = pulses([1.0, 2.0])
    assert with_own_backgrounds(frame, association, campaign()) is frame


def test_the_ambient_of_one_state_is_not_used_in_another() -> None:
    """Vibration without a curtain, then with: 100 dB of ambient before, 120 dB after; levels of 115 dB in both."""
    both = switched(gap_s=80.0, method="vibratory")
    offsets = np.arange(-100, 300)
    rows = pd.DataFrame(
        {
            "station_id": "NEAR",
            "pile_id": np.where((offsets >= 0) & (offsets < 180), "P1", None),
            "activity_id": np.select([offsets < 50, offsets < 130], ["A0", None], "A1"),
            "start_utc": pd.Timestamp(START) + pd.to_timedelta(offsets, unit="s"),
            "duration_s": 1.0,
            "level_db": np.where(offsets < 0, 100.0, np.where(offsets > 180, 120.0, 115.0)),
            "flags": [[] for _ in offsets],
        }
    )
    ambient = ambient_seconds(rows, both)
    states = ambient.groupby("abatement", dropna=False)["level_db"].agg(["size", "median"])
    assert states.loc["none", "median"] == 100.0
    assert states.loc["curtain", "median"] == 120.0
    assert (
        ambient["abatement"].isna().sum() == 48
    )  # from 30 s after the one to 2 s before the other: whose is not known
    worked = rows[rows["pile_id"].notna() & rows["activity_id"].notna()]
    limits = is_limit(with_limits(worked, ambient, both), "level_db")
    assert limits.tolist() == (worked["activity_id"] == "A1").tolist()
