"""Linear measures follow a sensitivity that changes in time; levels that no sea has are warned of."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.recordings.sensitivity_path import SensitivityPath, SensitivityPaths
from reconcile.strikes.sensitivity import corrected_pulses, corrected_seconds, implausible_levels
from reconcile.vocabulary.documents.campaign import Campaign, Settings, Station, System

PATHS = SensitivityPaths({("S", "H"): SensitivityPath(np.array([0, 100]), np.array([0.0, -2.0]))})  # it lost 2 dB


def pulses() -> pd.DataFrame:
    columns = {"peak_pa": 3.0, "noise_pa2": 4.0, "energy_pa2_s": 5.0, "band_17": 6.0, "band_noise_17": 7.0}
    columns |= {"weighted_nmfs-2024:LF": 8.0, "duration_s": 0.1, "kurtosis": 20.0, "window_s": 0.5}
    return pd.DataFrame(
        {"station_id": ["S", "S", "T", "S"], "system_id": ["H", "H", "H", "other"], "time_us": [0, 100, 100, 100]}
        | {name: [value] * 4 for name, value in columns.items()}
    )


def test_pressures_go_with_the_factor_and_energies_with_its_square() -> None:
    before, after = pulses(), corrected_pulses(pulses(), PATHS)
    assert after["peak_pa"].tolist() == pytest.approx([3.0, 3.0 * 10**0.1, 3.0, 3.0])
    for name in ("noise_pa2", "energy_pa2_s", "band_17", "band_noise_17", "weighted_nmfs-2024:LF"):
        value = before[name][0]
        assert after[name].tolist() == pytest.approx([value, value * 10**0.2, value, value])
    same = ["station_id", "system_id", "time_us", "duration_s", "kurtosis", "window_s"]
    pd.testing.assert_frame_equal(after[same], before[same])


def test_seconds_keep_their_type() -> None:
    seconds = pd.DataFrame({"station_id": ["S", "S"], "cell": [0, 1], "start_us": [0, 50]})
    seconds["mean_square"], seconds["clipped"] = [1.0, 1.0], [False, True]
    seconds["band_17"] = np.array([2.0, np.nan], dtype=np.float32)
    after = corrected_seconds(seconds, PATHS, "H")
    assert after["mean_square"].tolist() == pytest.approx([1.0, 10**0.1])
    assert after["band_17"].dtype == np.float32
    assert np.isnan(after["band_17"][1])
    assert after["clipped"].tolist() == [False, True]


def test_without_paths_nothing_is_touched() -> None:
    table = pulses()
    assert corrected_pulses(table, SensitivityPaths({})) is table
    assert corrected_seconds(table, SensitivityPaths({}), "H") is table


def test_levels_that_no_sea_has_are_warned_of() -> None:
    campaign = Campaign(
        name="c",
        sound_speed_m_s=1500.0,
        settings=Settings(),
        systems=(System(id="H", end_to_end_sensitivity_db=-164.0, standard_uncertainty_db=0.7),),
        stations=tuple(Station(id=name, system="H", recordings="*.wav", mooring_id=name) for name in "ABCD"),
        piles=(),
        ranges=(),
    )
    levels = {name: np.array([level, level, np.nan]) for name, level in (("A", 59.0), ("B", 61.0), ("C", 191.0))}
    warnings = implausible_levels(levels | {"D": np.full(3, np.nan)}, campaign)
    assert [text[:10] for text in warnings] == ["station A:", "station C:", "station D:"]
    assert all("check the chain of system H" in text for text in warnings[:2])
    assert "no sound" in warnings[2]
