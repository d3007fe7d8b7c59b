"""Values of campaign.toml as resolved: sound speed, settings, time zone, time patterns."""

from __future__ import annotations

import zoneinfo
from collections.abc import Callable
from pathlib import Path

import pytest

from reconcile.campaign import read_campaign
from reconcile.vocabulary.documents.campaign import Settings

Change = Callable[[str, str, str], None]
STATED = "sound_speed_m_s = 1490.0"


def test_defaults_are_those_of_the_contract(folder: Path, change: Change) -> None:
    change("campaign.toml", "[settings]\nwindow_max_s = 0.75\n", "")
    change("campaign.toml", '[recordings]\ntime_zone = "UTC"\n', "")
    campaign, _ = read_campaign(folder)
    assert campaign.settings == Settings(
        weightings=("nmfs-2024:LF", "nmfs-2024:HF", "nmfs-2024:VHF", "nmfs-2024:PW", "nmfs-2024:OW"),
        calibration_source="certificate",
        field_check_tolerance_db=0.5,
        censor_below_snr_db=3.0,
        window_max_s=0.75,
        equivalence_margin_db=3.0,
    )
    assert campaign.recordings_time_zone == "UTC"


def test_sound_speed_by_mackenzie_at_mid_depth(folder: Path, change: Change) -> None:
    change("campaign.toml", "water_depth_m = 30.0", "water_depth_m = 60.0")
    change("campaign.toml", STATED, "temperature_c = 10\nsalinity = 35")
    campaign, _ = read_campaign(folder)
    assert campaign.sound_speed_m_s == pytest.approx(1490.2926, abs=1e-4)  # 10 °C, 35, 30 m: tests/reference
    assert campaign.notes == ()


def test_sound_speed_outside_the_range_of_the_equation_is_noted(folder: Path, change: Change) -> None:
    change("campaign.toml", "water_depth_m = 30.0", "water_depth_m = 40.0")
    change("campaign.toml", STATED, "temperature_c = 8\nsalinity = 7")
    campaign, _ = read_campaign(folder)
    assert campaign.sound_speed_m_s == pytest.approx(1447.5171, abs=1e-4)  # 8 °C, 7, 20 m: tests/reference
    assert "outside the range" in campaign.notes[0]


def test_sound_speed_not_stated(folder: Path, change: Change) -> None:
    change("campaign.toml", STATED + "\n", "")
    campaign, _ = read_campaign(folder)
    assert campaign.sound_speed_m_s == 1500.0
    assert campaign.notes == ("campaign.toml: no sound speed is stated; 1500 m/s is used",)


def test_sound_speed_stated_outranks_temperature(folder: Path, change: Change) -> None:
    change("campaign.toml", STATED, f"{STATED}\ntemperature_c = 10\nsalinity = 35")
    campaign, _ = read_campaign(folder)
    assert campaign.sound_speed_m_s == 1490.0
    assert "serve the absorption only" in campaign.notes[0]


def test_utc_is_known_without_time_zone_data(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def none_known(name: str) -> None:
        raise zoneinfo.ZoneInfoNotFoundError(name)

    monkeypatch.setattr(zoneinfo, "ZoneInfo", none_known)
    assert read_campaign(folder)[0].recordings_time_zone == "UTC"


@pytest.mark.parametrize("zone", ["Europe/Berlin", "Etc/GMT-2"])
def test_other_time_zones(folder: Path, change: Change, zone: str) -> None:
    if zone not in zoneinfo.available_timezones():
        pytest.skip("no time zone data on this machine")
    change("campaign.toml", '"UTC"', f'"{zone}"')
    assert read_campaign(folder)[0].recordings_time_zone == zone


@pytest.mark.parametrize("pattern", ["%Y%m%d_%H%M", "%y%j%H%M%S", "A (1) %d.%m.%Y %I-%M-%S %p", "%Y-%m-%dT%H%M%S%z"])
def test_time_patterns(folder: Path, change: Change, pattern: str) -> None:
    change("campaign.toml", "S750_%Y%m%dT%H%M%S.%fZ", pattern)
    assert read_campaign(folder)[0].station("S750").time_pattern == pattern
