"""Writes a small campaign with truth known: damped sines in noise, two piles, two or three stations.

The samples are made here with numpy and written by soundfile or by hand; nothing of the program's own is used.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 8000
FILE_S = 20.0  # three files of a pile abut: one minute
FIRST_BLOW_S, BLOW_EVERY_S = 3.0, 1.7
FULL_SCALE_PA = 10.0 ** ((164.0 - 120.0) / 20.0)  # of an end-to-end sensitivity of -164 dB re (full scale)/µPa
STARTS = {"P1": datetime(2025, 5, 1, 8, tzinfo=UTC), "P2": datetime(2025, 5, 2, 9, tzinfo=UTC)}
RANGES_M = {"P1": {"NEAR": 600.0, "FAR": 2000.0, "LOW": 600.0}, "P2": {"NEAR": 900.0, "FAR": 3000.0, "LOW": 900.0}}

PILES_HEADER = (
    "pile_id,foundation_type,installation_method,diameter_m,water_depth_m,latitude_deg,longitude_deg,"
    "rated_energy_kj,abatement,start_utc,end_utc,prediction_id"
)
PREDICTIONS_HEADER = (
    "prediction_id,quantity,weighting,band_hz,range_m,level_db,standard_deviation_db,statistic,energy_kj,"
    "model_id,abatement"
)
TOML = """\
format_version = 1
[campaign]
name = "Small campaign"
sound_speed_m_s = 1500.0
[[systems]]
id = "stages"
sensitivity_db = -176.0
gain_db = 20.0
full_scale_v = 2.51188643150958
standard_uncertainty_db = 0.7
[[systems]]
id = "one_number"
end_to_end_sensitivity_db = -164.0
standard_uncertainty_db = 0.7
"""
STATION = """\
[[stations]]
id = "{id}"
system = "{system}"
channel = {channel}
recordings = "recordings/{folder}/*.wav"
time_pattern = "{folder}_%Y%m%dT%H%M%S.%fZ"
"""


@dataclass(slots=True)
class SmallCampaign:
    """What was written: `onset_s` after each pile's first sample and energies of the strikes, by pile."""

    folder: Path
    onset_s: dict[str, list[float]] = field(default_factory=dict)
    energy_kj: dict[str, list[float]] = field(default_factory=dict)

    def recordings(self) -> list[Path]:
        """All recordings, sorted."""
        return sorted((self.folder / "recordings").rglob("*.wav"))


def write_small_campaign(
    folder: Path,
    *,
    files: int = 2,
    file_s: float = FILE_S,
    two_channels: bool = False,
    predictions: bool = False,
    seed: int = 1,
) -> SmallCampaign:
    """Write the campaign: `files` abutting files of `file_s` seconds for each pile and station.

    With `two_channels` a third station LOW is the second channel of NEAR's files.
    """
    campaign = SmallCampaign(folder)
    stations = {"NEAR": ("stages", 1, "NEAR"), "FAR": ("one_number", 1, "FAR")}
    if two_channels:
        stations["LOW"] = ("stages", 2, "NEAR")
    folder.mkdir(parents=True, exist_ok=True)
    parts = [STATION.format(id=s, system=y, channel=c, folder=f) for s, (y, c, f) in stations.items()]
    (folder / "campaign.toml").write_text(TOML + "".join(parts), encoding="utf-8")
    rng = np.random.default_rng(seed)
    for pile, start in STARTS.items():
        n = int((files * file_s - FIRST_BLOW_S - 2.0) / BLOW_EVERY_S)
        campaign.onset_s[pile] = [FIRST_BLOW_S + BLOW_EVERY_S * k + 0.05 * (k % 3) for k in range(n)]
        campaign.energy_kj[pile] = [1000.0 + 20.0 * k for k in range(n)]
        for station in ("NEAR", "FAR"):
            channels = ["NEAR", "LOW"] if station == "NEAR" and two_channels else [station]
            sound = [pressure_pa(campaign, pile, name, round(files * file_s * RATE_HZ), rng) for name in channels]
            _write_files(folder, station, np.stack(sound, axis=1) / FULL_SCALE_PA, start, round(file_s * RATE_HZ))
    _write_tables(campaign, tuple(stations), files * file_s, predictions)
    return campaign


def pressure_pa(
    campaign: SmallCampaign, pile: str, station: str, n_samples: int, rng: np.random.Generator
) -> np.ndarray:
    """Damped sines of 200 Hz (decay 15 ms) at 20 lg of the range, in white noise of 0.1 Pa; pascals."""
    time_s = np.arange(n_samples) / RATE_HZ
    sound = rng.normal(0.0, 0.1, n_samples)
    range_m = RANGES_M[pile][station]
    for onset_s, energy_kj in zip(campaign.onset_s[pile], campaign.energy_kj[pile], strict=True):
        since = time_s - onset_s - range_m / 1500.0
        inside = (since >= 0) & (since < 0.4)
        size = 100.0 * (600.0 / range_m) * np.sqrt(energy_kj / 1000.0) * (0.5 if station == "LOW" else 1.0)
        sound[inside] += size * np.exp(-since[inside] / 0.015) * np.sin(2 * np.pi * 200.0 * since[inside])
    return sound


def _write_files(folder: Path, station: str, samples: np.ndarray, start: datetime, per_file: int) -> None:
    place = folder / "recordings" / station
    place.mkdir(parents=True, exist_ok=True)
    for first in range(0, len(samples), per_file):
        moment = start + timedelta(seconds=first / RATE_HZ)
        name = f"{station}_{moment.strftime('%Y%m%dT%H%M%S.%f')}Z.wav"
        soundfile.write(place / name, samples[first : first + per_file], RATE_HZ, subtype="PCM_16")


def _write_tables(campaign: SmallCampaign, stations: tuple[str, ...], length_s: float, predictions: bool) -> None:
    piles = [PILES_HEADER]
    blows = ["pile_id,blow_number,time_utc,energy_kj,penetration_m"]
    ranges = ["pile_id,station_id,range_m,standard_uncertainty_m"]
    given = "ES1" if predictions else ""
    for pile, start in STARTS.items():
        end = start + timedelta(seconds=length_s)
        piles.append(f"{pile},monopile,impact,8.0,30,,,3000,none,{_utc(start)},{_utc(end)},{given}")
        struck = zip(campaign.onset_s[pile], campaign.energy_kj[pile], strict=True)
        for number, (onset_s, energy_kj) in enumerate(struck, start=1):
            moment = start + timedelta(seconds=onset_s)
            blows.append(f"{pile},{number},{_utc(moment)},{energy_kj:g},{number * 0.05:.2f}")
        ranges += [f"{pile},{station},{RANGES_M[pile][station]:g},5" for station in stations]
    tables = {"piles.csv": piles, "blows.csv": blows, "ranges.csv": ranges}
    if predictions:
        tables["predictions.csv"] = [PREDICTIONS_HEADER]
        for range_m in (500, 1000, 2000, 4000):
            level = 165.0 - 20.0 * np.log10(range_m / 500.0)
            tables["predictions.csv"].append(f"ES1,exposure_level,none,,{range_m},{level:.2f},2.0,median,,model 1,none")
    for name, lines in tables.items():
        (campaign.folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def _utc(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%f") + "Z"
