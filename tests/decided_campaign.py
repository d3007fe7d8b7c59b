"""The small campaign with what a person has to decide about, at station NEAR of pile P1, all of it known.

A knock behind the last strike that no rule rejects, a knock between two strikes that the rules do reject, and a second
blow 250 ms after another that detection takes for its echo.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import soundfile

from tests.small_campaign import FULL_SCALE_PA, RANGES_M, RATE_HZ, STARTS, write_small_campaign

KNOCK_PA, RULED_PA, SECOND_PA = 60.0, 50.0, 30.0
TAU_S, OMEGA = 0.015, 2 * np.pi * 200.0
COLUMNS = "decided_utc,who,station_id,time_utc,action,reason,new_time_utc"


@dataclass(frozen=True, slots=True)
class Decidable:
    """Where it is, and the times (seconds after P1's first sample, at NEAR) of knocks, second blow, and strikes."""

    folder: Path
    knock_s: float
    ruled_s: float
    second_s: float
    strikes_s: list[float]

    def utc(self, seconds: float) -> datetime:
        """The time of some seconds after P1's first sample."""
        return STARTS["P1"] + timedelta(seconds=seconds)

    def decide(self, *lines: tuple[str, float] | tuple[str, float, float], station: str = "NEAR") -> None:
        """Write decisions.csv anew: action, seconds, and new seconds of a move; each line decided a minute later."""
        with (self.folder / "decisions.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow(COLUMNS.split(","))
            for k, (action, *times) in enumerate(lines):
                at = [utc_text(self.utc(s)) for s in times] + [""]
                decided = utc_text(datetime(2025, 6, 1) + timedelta(minutes=k))
                writer.writerow([decided, "A. Person", station, at[0], action, f"because {k}", at[1]])


def utc_text(moment: datetime) -> str:
    """As the files have it."""
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%f") + "Z"


def exposure_level_db(amplitude_pa: float) -> float:
    """Exposure level of a damped sine: the integral of (A exp(-t/tau) sin(wt))^2 in closed form."""
    energy = amplitude_pa**2 * TAU_S / 4 * (1 - 1 / (1 + (OMEGA * TAU_S) ** 2))
    return float(10 * np.log10(energy / 1e-12))


def write_decidable(folder: Path) -> Decidable:
    """Write the campaign."""
    campaign = write_small_campaign(folder, seed=7)
    travel_s = RANGES_M["P1"]["NEAR"] / 1500.0
    strikes_s = [onset + travel_s for onset in campaign.onset_s["P1"]]
    made = Decidable(
        folder,
        knock_s=strikes_s[-1] + 2.4,
        ruled_s=(strikes_s[9] + strikes_s[10]) / 2,
        second_s=strikes_s[4] + 0.25,
        strikes_s=strikes_s,
    )
    paths = sorted((folder / "recordings" / "NEAR").glob("*20250501*.wav"))
    lengths = [soundfile.info(path).frames for path in paths]
    sound = np.concatenate([soundfile.read(path)[0] for path in paths]) * FULL_SCALE_PA
    time_s = np.arange(sound.size) / RATE_HZ
    for at_s, size in ((made.knock_s, KNOCK_PA), (made.ruled_s, RULED_PA), (made.second_s, SECOND_PA)):
        since = time_s - at_s
        inside = (since >= 0) & (since < 0.4)
        sound[inside] += size * np.exp(-since[inside] / TAU_S) * np.sin(OMEGA * since[inside])
    for path, piece in zip(paths, np.split(sound, np.cumsum(lengths)[:-1]), strict=True):
        soundfile.write(path, piece / FULL_SCALE_PA, RATE_HZ, subtype="PCM_16")
    return made
