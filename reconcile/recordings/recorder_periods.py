"""What held at a station, on its recorder's own time: where a stream must be cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reconcile.campaign.station_periods import BEGINNING_US, END_US, StationPeriod, station_periods
from reconcile.recordings.clock import StationClock
from reconcile.recordings.recording import Recording
from reconcile.vocabulary.documents.campaign import Campaign, Station, System


@dataclass(frozen=True, slots=True)
class RecorderPeriod:
    """Chain, channel (counted from 1), clock and place of a station between two moments of its recorder.

    `begins_us` and `ends_us` are microseconds since 1970. `claimed`: whether the recordings are this station's then.
    """

    begins_us: int
    ends_us: int
    system: System
    channel: int
    mooring_id: str
    clock: StationClock
    claimed: bool


def recorder_periods(
    campaign: Campaign, station: Station, ordered: Sequence[tuple[Recording, int]]
) -> tuple[RecorderPeriod, ...]:
    """The periods of a station on its recorder's time; those between which nothing reaches samples or place are one.

    `ordered` are its recordings with their starts. A period begins when the clock that it states says so; the drift of
    a clock that it states counts from its first sample.
    """
    first_us = ordered[0][1] if ordered else 0
    periods: list[RecorderPeriod] = []
    for period in station_periods(campaign, station.id):
        begins, clock = _clock(period, first_us, ordered)
        claimed = period.deployed or not station.deployed_only
        found = RecorderPeriod(begins, END_US, period.system, period.channel, period.mooring_id, clock, claimed)
        if periods and replace(periods[-1], begins_us=begins, ends_us=END_US) == found:
            continue
        if periods:
            periods[-1] = replace(periods[-1], ends_us=begins)
        periods.append(found)
    return tuple(periods)


def _clock(period: StationPeriod, first_us: int, ordered: Sequence[tuple[Recording, int]]) -> tuple[int, StationClock]:
    """Recorder time at which a period begins, and its clock."""
    clock = StationClock(first_us, period.clock_offset_s, period.clock_drift_ppm)
    if period.start_us == BEGINNING_US:
        return BEGINNING_US, clock
    offset_us = round(period.clock_offset_s * 1e6)
    if not period.clock_restarts:
        # utc = recorder - offset - drift (recorder - first), solved for the recorder's time
        since_us = (period.start_us - first_us + offset_us) / (1.0 - period.clock_drift_ppm * 1e-6)
        return first_us + int(np.ceil(since_us)), clock
    begins = period.start_us + offset_us
    return begins, replace(clock, first_us=_first_sample_us(begins, ordered))


def _first_sample_us(begins_us: int, ordered: Sequence[tuple[Recording, int]]) -> int:
    """Recorder time of the first sample at or after a moment; the moment itself where nothing was recorded later."""
    for recording, start_us in ordered:
        sample = _sample_at(begins_us, start_us, recording.rate_hz)
        if sample < recording.n_frames:
            return start_us + round(max(sample, 0) * 1e6 / recording.rate_hz)
    return begins_us


def _sample_at(moment_us: int, start_us: int, rate_hz: int) -> int:
    """Number of the first sample at or after a moment, of samples that begin at `start_us`."""
    return -((start_us - moment_us) * rate_hz // 1_000_000)


def begins_at_sample(period: RecorderPeriod, start_us: int, rate_hz: int) -> int:
    """First sample of a period in a stream that begins at `start_us` (may lie outside of it)."""
    return _sample_at(period.begins_us, start_us, rate_hz)


def held_at(periods: Sequence[RecorderPeriod], sample: int, start_us: int, rate_hz: int) -> RecorderPeriod:
    """The period that holds a sample of a stream that begins at `start_us`."""
    begun = [period for period in periods if begins_at_sample(period, start_us, rate_hz) <= sample]
    return begun[-1] if begun else periods[0]
