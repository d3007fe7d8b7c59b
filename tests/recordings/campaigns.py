"""Campaigns of stations and recordings alone, for the tests of this room."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import soundfile

from reconcile.recordings.streams import Inventory, take_inventory
from reconcile.vocabulary.documents.campaign import Campaign, Pile, Settings, Station, System

RATE_HZ = 8000
START = datetime(2025, 5, 1, 8, tzinfo=UTC)
SYSTEM = System(id="H", end_to_end_sensitivity_db=-120.0, standard_uncertainty_db=0.5)  # sample value 1.0 is 1 Pa
PILE = Pile(
    pile_id="P",
    foundation_type="monopile",
    installation_method="impact",
    abatement="none",
    start_utc=START,
    end_utc=datetime(2025, 5, 1, 9, tzinfo=UTC),
)


def station(name: str, channel: int = 1, *, system: str = "H", pattern: str | None = "%Y%m%dT%H%M%S.%f") -> Station:
    """A station; its recordings' stems are the time of their first sample."""
    return Station(id=name, system=system, channel=channel, recordings="*.wav", time_pattern=pattern, mooring_id=name)


def campaign(*stations: Station, systems: Sequence[System] = (SYSTEM,)) -> Campaign:
    """A campaign of these stations."""
    return Campaign(
        name="streams",
        sound_speed_m_s=1500.0,
        settings=Settings(),
        systems=tuple(systems),
        stations=stations,
        piles=(PILE,),
        ranges=(),
    )


def write(folder: Path, start_s: float, samples: np.ndarray, rate_hz: int = RATE_HZ, subtype: str = "FLOAT") -> Path:
    """Write a recording that begins `start_s` after 08:00:00; samples of shape (frames,) or (frames, channels)."""
    seconds, micro = divmod(round(start_s * 1e6), 1_000_000)
    path = folder / f"20250501T08{seconds // 60:02d}{seconds % 60:02d}.{micro:06d}.wav"
    soundfile.write(path, samples, rate_hz, subtype=subtype)
    return path


def inventory(folder: Path, *stations: Station, systems: Sequence[System] = (SYSTEM,)) -> Inventory:
    """The streams of all recordings in a folder, which all stations share."""
    files = tuple(sorted(folder.glob("*.wav")))
    return take_inventory(campaign(*stations, systems=systems), {s.id: files for s in stations}, folder)
