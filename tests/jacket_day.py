"""An invented jacket day: four pin piles, vibratory then impact at 65 blows a minute, a restrike after midnight.

The log holds only counts by penetration. Two hydrophones of one mooring hear everything, the lower one 3 dB louder.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import soundfile

EVENING = datetime(2031, 7, 8, 20, 0, tzinfo=UTC)
PILES = ("J1", "J2", "J3", "J4")
RANGE_M, SOUND_SPEED_M_S = {"J1": 600.0, "J2": 620.0, "J3": 640.0, "J4": 610.0}, 1500.0
STATIONS_DB = {"LOWER": 0.0, "UPPER": -3.0}
EVERY_S = 60.0 / 65.0
ABATEMENT = {"J1": "none", "J2": "none", "J3": "curtain", "J4": "curtain"}


@dataclass(frozen=True, slots=True)
class Sizes:
    """How long a pile took. Counts are blows of each increment; the first ones of a drive are the soft start."""

    vibratory_s: float
    gap_s: float
    soft: tuple[int, ...]
    full: tuple[int, ...]
    restrike: tuple[int, ...]
    soft_kj: float = 150.0
    full_kj: float = 600.0
    restrike_kj: float = 550.0

    def start(self, pile_id: str) -> datetime:
        """When the pile's vibratory hammer starts: an hour apart, on the hour."""
        return EVENING + timedelta(hours=PILES.index(pile_id))

    @property
    def restrike_start(self) -> datetime:
        """When the first pile is struck again: twenty past midnight."""
        return EVENING.replace(hour=0, minute=20) + timedelta(days=1)

    @property
    def n_drive(self) -> int:
        return sum(self.soft) + sum(self.full)

    def struck_s(self, pile_id: str, rng: np.random.Generator) -> np.ndarray:
        """Blows of the drive, seconds after the pile's start; the rhythm is uneven by 2 %."""
        gaps = EVERY_S * (1.0 + 0.02 * np.clip(rng.standard_normal(self.n_drive), -2.5, 2.5))
        return self.vibratory_s + self.gap_s + np.cumsum(gaps)

    def restruck_s(self, rng: np.random.Generator) -> np.ndarray:
        """Blows of the restrike, seconds after its start."""
        gaps = EVERY_S * (1.0 + 0.02 * np.clip(rng.standard_normal(sum(self.restrike)), -2.5, 2.5))
        return 2.0 + np.cumsum(gaps)

    def increments(self, pile_id: str) -> list[tuple[int, float]]:
        """Blows and mean energy of each increment of a pile, in the order of driving."""
        drive = [(n, self.soft_kj) for n in self.soft] + [(n, self.full_kj) for n in self.full]
        return drive + ([(n, self.restrike_kj) for n in self.restrike] if pile_id == "J1" else [])


def write_tables(folder: Path, sizes: Sizes) -> None:
    """All of the campaign but its recordings."""
    toml = [f'format_version = 1\n[campaign]\nname = "A jacket day"\nsound_speed_m_s = {SOUND_SPEED_M_S}\n']
    for name in STATIONS_DB:
        toml.append(f'[[systems]]\nid = "{name}"\nend_to_end_sensitivity_db = -170.0\nstandard_uncertainty_db = 0.5\n')
    for channel, name in enumerate(STATIONS_DB, start=1):
        toml.append(
            f'[[stations]]\nid = "{name}"\nsystem = "{name}"\nchannel = {channel}\nmooring_id = "M1"\n'
            f'hydrophone_depth_m = {10.0 * channel}\nrecordings = "recordings/*.wav"\ntime_pattern = "%Y%m%dT%H%M%S"\n'
        )
    toml.append('[settings]\nweightings = ["nmfs-2024:LF"]\n')
    (folder / "recordings").mkdir(parents=True)
    (folder / "campaign.toml").write_text("".join(toml))
    piles = [
        "pile_id,foundation_type,installation_method,diameter_m,water_depth_m,latitude_deg,longitude_deg,"
        "rated_energy_kj,abatement,start_utc,end_utc,prediction_id"
    ]
    activities = ["activity_id,pile_id,installation_method,phase,abatement,start_utc,end_utc"]
    log = ["pile_id,start_utc,end_utc,from_penetration_m,to_penetration_m,n_blows,mean_energy_kj"]
    ranges = ["pile_id,station_id,range_m,standard_uncertainty_m"]
    for pile_id in PILES:
        start = sizes.start(pile_id)
        vibrated = start + timedelta(seconds=sizes.vibratory_s)
        end = vibrated + timedelta(seconds=sizes.gap_s + 1.05 * EVERY_S * sizes.n_drive + 2.0)
        method = "vibratory" if pile_id == "J2" else "impact"  # what is stated of the whole pile does not matter
        piles.append(f"{pile_id},jacket,{method},2.4,30,,,800,{ABATEMENT[pile_id]},{utc(start)},{utc(end)},")
        activities.append(f"{pile_id}-V,{pile_id},vibratory,,,{utc(start)},{utc(vibrated)}")
        activities.append(f"{pile_id}-I,{pile_id},impact,,,{utc(vibrated)},{utc(end)}")
        if pile_id == "J1":
            restruck = sizes.restrike_start
            until = restruck + timedelta(seconds=4.0 + 1.05 * EVERY_S * sum(sizes.restrike))
            activities.append(f"{pile_id}-R,{pile_id},impact,,,{utc(restruck)},{utc(until)}")
        for j, (n_blows, energy_kj) in enumerate(sizes.increments(pile_id)):
            log.append(f"{pile_id},,,{5 + 0.25 * j:.2f},{5.25 + 0.25 * j:.2f},{n_blows},{energy_kj:g}")
        ranges += [f"{pile_id},{name},{RANGE_M[pile_id]:g},5" for name in STATIONS_DB]
    for name, lines in {
        "piles.csv": piles,
        "activities.csv": activities,
        "driving_log.csv": log,
        "ranges.csv": ranges,
    }.items():
        (folder / name).write_text("\n".join(lines) + "\n")


def utc(moment: datetime) -> str:
    """RFC 3339 with microseconds."""
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%f") + "Z"


def write_sound(folder: Path, sizes: Sizes, rate_hz: int, rng: np.random.Generator) -> None:
    """One recording of two channels for each drive: noise, a hammer at 25 Hz and its harmonics, damped sines."""
    stretches = [(p, sizes.start(p), sizes.vibratory_s, sizes.struck_s(p, rng), sizes.increments(p)) for p in PILES]
    restrike = [(n, sizes.restrike_kj) for n in sizes.restrike]
    stretches.append(("J1", sizes.restrike_start, 0.0, sizes.restruck_s(rng), restrike))
    for pile_id, start, vibratory_s, struck_s, increments in stretches:
        lead_s = 15.0
        time_s = np.arange(round((lead_s + struck_s[-1] + 10.0) * rate_hz)) / rate_hz - lead_s
        sound = np.zeros(time_s.size)
        late_s = RANGE_M[pile_id] / SOUND_SPEED_M_S
        on = (time_s >= late_s) & (time_s < vibratory_s + late_s)
        sound[on] += sum(3.0 / k * np.sin(2 * np.pi * 25.0 * k * time_s[on]) for k in (1, 2, 3, 4))
        energies = np.repeat([kj for _, kj in increments], [n for n, _ in increments])
        for at_s, energy_kj in zip(struck_s + late_s, energies, strict=False):
            first = int(np.ceil((at_s + lead_s) * rate_hz))
            since = time_s[first : first + round(0.3 * rate_hz)] - at_s
            size = 60.0 * np.sqrt(energy_kj / 600.0)
            sound[first : first + since.size] += size * np.exp(-since / 0.012) * np.sin(2 * np.pi * 220.0 * since)
        channels = [
            10 ** (gain_db / 20) * (sound + rng.normal(0.0, 0.05, time_s.size)) for gain_db in STATIONS_DB.values()
        ]
        samples = np.stack(channels, axis=1) * 1e6 * 10 ** (-170.0 / 20)
        name = (start - timedelta(seconds=lead_s)).strftime("%Y%m%dT%H%M%S")
        soundfile.write(folder / "recordings" / f"{name}.wav", samples, rate_hz, subtype="PCM_24")
