"""Sample number to UTC: the recorder's own time of a file's first sample, and the station's stated clock error."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from reconcile.campaign.times import epoch_us as epoch_us
from reconcile.recordings.wav import Recording, UnusableRecordingError

MICROSECOND = 1e-6


def start_time(recording: Recording, time_pattern: str | None, time_zone: str) -> datetime:
    """Recorder time of the first sample as UTC: by the file's stem where a pattern is given, else its bext chunk.

    Raises UnusableRecordingError where neither tells, or where a local time is ambiguous or does not exist.
    """
    if time_pattern is not None:
        try:
            stated = datetime.strptime(recording.path.stem, time_pattern)
        except ValueError as error:
            raise UnusableRecordingError(f"the name does not follow {time_pattern!r}") from error
    elif recording.origin is not None:
        stated = recording.origin
    else:
        raise UnusableRecordingError("no start time: the station has no time_pattern and the file no bext chunk")
    return stated.astimezone(UTC) if stated.tzinfo else _to_utc(stated, time_zone)


def stated_start(recording: Recording, table: str, starts: Mapping[str, datetime]) -> datetime:
    """Recorder time of the first sample by a table of start times.

    Raises UnusableRecordingError where the table does not name the recording.
    """
    if recording.name not in starts:
        raise UnusableRecordingError(f"no start time: {table} does not name it")
    return starts[recording.name]


def _to_utc(local: datetime, time_zone: str) -> datetime:
    if time_zone.upper() in ("UTC", "Z"):
        return local.replace(tzinfo=UTC)
    try:
        zone = ZoneInfo(time_zone)
    except ZoneInfoNotFoundError as error:
        raise UnusableRecordingError(f"time zone {time_zone!r} is not known on this machine") from error
    early, late = local.replace(tzinfo=zone, fold=0), local.replace(tzinfo=zone, fold=1)
    if early.utcoffset() != late.utcoffset():
        raise UnusableRecordingError(f"local time {local} is ambiguous or does not exist in {time_zone}")
    return early.astimezone(UTC)


@dataclass(frozen=True, slots=True)
class StationClock:
    """A station's stated clock error: `utc = recorder - offset - drift * (recorder - first sample)`."""

    first_us: int  # recorder time of the deployment's first sample
    offset_s: float
    drift_ppm: float

    def utc_us(self, recorder_us: NDArray[np.float64]) -> NDArray[np.int64]:
        """UTC in microseconds since 1970 of recorder times in the same unit."""
        since_first = recorder_us - self.first_us
        error_us = self.offset_s * 1e6 + self.drift_ppm * 1e-6 * since_first
        return np.asarray(np.round(since_first - error_us), dtype=np.int64) + self.first_us
