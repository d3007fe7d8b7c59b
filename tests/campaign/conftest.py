"""A small right campaign that the tests change in one place each."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from reconcile.campaign import read_campaign
from reconcile.vocabulary.errors import Fault, InputError

TOML = """\
format_version = 1
[campaign]
name = "Invented bank"
water_depth_m = 30.0
sound_speed_m_s = 1490.0
common_uncertainty_db = 0.5
[[systems]]
id = "H1"
sensitivity_db = -176.0
gain_db = 20
full_scale_v = 2.5
standard_uncertainty_db = 0.7
valid_to_hz = 40000.0
[[systems]]
id = "H2"
end_to_end_sensitivity_db = -164.0
standard_uncertainty_db = 0.7
[[stations]]
id = "S750"
system = "H1"
latitude_deg = 54.101
longitude_deg = 6.502
hydrophone_depth_m = 18.0
recordings = "recordings/S750/*.wav"
time_pattern = "S750_%Y%m%dT%H%M%S.%fZ"
[[stations]]
id = "S1500"
system = "H2"
channel = 2
recordings = "recordings/S1500/*.wav"
[recordings]
time_zone = "UTC"
[settings]
window_max_s = 0.75
"""
PILES = """\
pile_id,foundation_type,installation_method,diameter_m,water_depth_m,latitude_deg,longitude_deg,\
rated_energy_kj,abatement,start_utc,end_utc,prediction_id
P1,monopile,impact,8.0,28.0,54.106,6.510,3000,none,2025-05-01T08:00:00Z,2025-05-01T10:30:00Z,ES1
P2,jacket,vibratory,,,54.110,6.520,,double bubble curtain,2025-05-02T08:00:00Z,2025-05-02T10:30:00Z,
"""
BLOWS = """\
pile_id,blow_number,time_utc,energy_kj,penetration_m
P1,1,2025-05-01T08:00:05.000Z,450,2.1
P1,2,2025-05-01T08:00:07.250Z,,2.2
P1,3,2025-05-01T08:00:09Z,470,
"""
RANGES = """\
pile_id,station_id,range_m,standard_uncertainty_m
P1,S1500,1500,5
P2,S1500,2500,
"""
PREDICTIONS = """\
prediction_id,quantity,weighting,band_hz,range_m,level_db,standard_deviation_db,statistic,energy_kj
ES1,exposure_level,none,,750,176.0,2.0,median,3000
ES1,exposure_level,nmfs-2024:LF,,750,170.0,,,
ES1,exposure_level,none,31.5,750,160.0,,mean,
"""
PREDICTED_RANGES = """\
prediction_id,quantity,weighting,threshold_db,range_m,range_statistic
ES1,exposure_level,none,160,8000,r95
"""
FILES = {
    "campaign.toml": TOML,
    "piles.csv": PILES,
    "blows.csv": BLOWS,
    "ranges.csv": RANGES,
    "predictions.csv": PREDICTIONS,
    "predicted_ranges.csv": PREDICTED_RANGES,
    "recordings/S750/S750_20250501T075500.000000Z.wav": "not opened",
    "recordings/S750/S750_20250501T085500.000000Z.wav": "not opened",
    "recordings/S1500/a.wav": "not opened",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A campaign folder without a fault."""
    place = tmp_path / "campaign"
    write_campaign(place)
    return place


def write_campaign(place: Path) -> None:
    """Write the right campaign."""
    for name, text in FILES.items():
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_text(text, encoding="utf-8")


Faults = Callable[[], tuple[Fault, ...]]


@pytest.fixture
def faults(folder: Path) -> Faults:
    """Reads the folder and returns its faults, none where all is well."""

    def read() -> tuple[Fault, ...]:
        try:
            read_campaign(folder)
        except InputError as error:
            return error.faults
        return ()

    return read


@pytest.fixture
def change(folder: Path) -> Callable[[str, str, str], None]:
    """Replaces a text that stands in a file once or more (the first time only)."""

    def replace(name: str, old: str, new: str) -> None:
        path = folder / name
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8", newline="")

    return replace
