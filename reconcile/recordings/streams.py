"""Streams: runs of recordings that abut, so that a strike across a join is one strike.

Files of a station are put in order of their start. A file that begins where the one before ends (within 2 ms) goes on
the same stream; a gap starts a new one; what overlaps the file before is skipped and reported. Stations that share
files (channels of one recorder) share the stream, so that each file is decoded once.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reconcile.recordings.calibration import chain, curve_correction
from reconcile.recordings.clock import StationClock, epoch_us, start_time
from reconcile.recordings.wav import Recording, UnusableRecordingError, open_recording
from reconcile.vocabulary.documents.campaign import Campaign, Station

ABUT_TOLERANCE_S = 0.002


@dataclass(frozen=True, slots=True)
class Segment:
    """Frames of one file: from `first_frame`, `n_frames` long, at sample `at` of the stream."""

    recording: Recording
    first_frame: int
    n_frames: int
    at: int


@dataclass(frozen=True, slots=True)
class Channel:
    """One station's channel of a stream. `channel` counts from 0; the clock turns recorder time to UTC.

    `correction` makes up for a sensitivity curve: pairs of frequency (Hz) and gain (dB). Bands are those within the
    band of the chain and its curve.
    """

    station_id: str
    system_id: str
    channel: int
    pascals_per_unit: float
    valid_from_hz: float
    valid_to_hz: float
    clock: StationClock
    correction: tuple[tuple[float, float], ...] = ()

    @property
    def bands_from_hz(self) -> float:
        return max([self.valid_from_hz, *(f for f, _ in self.correction[:1])])

    @property
    def bands_to_hz(self) -> float:
        return min([self.valid_to_hz, *(f for f, _ in self.correction[-1:])])


@dataclass(frozen=True, slots=True)
class Stream:
    """Abutting files at one rate, and the channels that are used of them."""

    segments: tuple[Segment, ...]
    rate_hz: int
    start_us: int  # recorder time of sample 0, microseconds since 1970
    channels: tuple[Channel, ...]

    @property
    def n_samples(self) -> int:
        return self.segments[-1].at + self.segments[-1].n_frames

    @property
    def name(self) -> str:
        """The first file's name: what a person would look for."""
        return self.segments[0].recording.name

    def recorder_us(self, sample: NDArray[np.float64]) -> NDArray[np.float64]:
        """Recorder time, microseconds since 1970, of sample positions (which may lie between samples)."""
        return self.start_us + np.asarray(sample, dtype=np.float64) * (1e6 / self.rate_hz)

    def locate(self, sample: int) -> tuple[str, int]:
        """Name of the recording that holds a sample of the stream, and the frame in it."""
        starts = [segment.at for segment in self.segments]
        segment = self.segments[max(0, int(np.searchsorted(starts, sample, side="right")) - 1)]
        return segment.recording.name, segment.first_frame + sample - segment.at


@dataclass(slots=True)
class Inventory:
    """All streams of a campaign, and what was wrong with its recordings."""

    streams: list[Stream] = field(default_factory=list)
    recordings: list[Recording] = field(default_factory=list)
    refused: dict[str, str] = field(default_factory=dict)  # recording: reason; not used at all
    damaged: dict[str, str] = field(default_factory=dict)  # recording: what is missing; the rest is used
    warnings: list[str] = field(default_factory=list)


def take_inventory(campaign: Campaign, files: Mapping[str, Sequence[Path]], root: Path) -> Inventory:
    """Open every recording's header and order them into streams.

    `files` lists each station's recordings; names are relative to `root`.
    """
    inventory = Inventory()
    opened: dict[Path, Recording | None] = {}
    starts: dict[tuple[Path, str | None], int] = {}
    shared: dict[tuple[tuple[Path, int], ...], list[Station]] = defaultdict(list)
    for station in campaign.stations:
        usable: list[tuple[Path, int]] = []
        for path in files[station.id]:
            if path not in opened:
                opened[path] = _open(path, root, inventory)
            recording = opened[path]
            if recording is None:
                continue
            key = (path, station.time_pattern)
            try:
                if key not in starts:
                    moment = start_time(recording, station.time_pattern, campaign.recordings_time_zone)
                    starts[key] = epoch_us(moment)
                if station.channel > recording.n_channels:
                    reason = f"station {station.id} needs channel {station.channel}, it has {recording.n_channels}"
                    raise UnusableRecordingError(reason)
            except UnusableRecordingError as error:
                inventory.refused[recording.name] = str(error)
                continue
            usable.append((path, starts[key]))
        if usable:
            shared[tuple(sorted(usable, key=lambda item: item[1]))].append(station)
    for ordered, stations in shared.items():
        known = [(recording, start) for path, start in ordered if (recording := opened[path]) is not None]
        inventory.streams += _streams(known, stations, campaign, inventory)
    _settle(inventory)
    return inventory


def _settle(inventory: Inventory) -> None:
    """List what is used; a recording that only some of its stations can use is not refused altogether."""
    used = {segment.recording.name: segment.recording for stream in inventory.streams for segment in stream.segments}
    inventory.recordings = list(used.values())
    for name in [name for name in inventory.refused if name in used]:
        inventory.damaged[name] = inventory.refused.pop(name)


def _open(path: Path, root: Path, inventory: Inventory) -> Recording | None:
    name = path.relative_to(root).as_posix()
    try:
        if (printable := name.encode("utf-8", "replace").decode()) != name:
            name = printable
            raise UnusableRecordingError("its name is not UTF-8")
        recording = open_recording(path, name)
    except UnusableRecordingError as error:
        inventory.refused[name] = str(error)
        return None
    if recording.shortfall:
        inventory.damaged[name] = f"cut short: {recording.shortfall}"
    return recording


def _streams(
    ordered: Sequence[tuple[Recording, int]], stations: Sequence[Station], campaign: Campaign, inventory: Inventory
) -> list[Stream]:
    """Cut one station's (or several stations' common) files where they do not abut."""
    names = ", ".join(station.id for station in stations)
    runs: list[tuple[list[Segment], int, int]] = []  # segments, rate, start
    for recording, start in ordered:
        skip = 0
        if runs:
            segments, rate, run_start = runs[-1]
            end_at = segments[-1].at + segments[-1].n_frames
            gap_s = (start - run_start) / 1e6 - end_at / rate
            if recording.rate_hz == rate and abs(gap_s) <= ABUT_TOLERANCE_S:
                segments.append(Segment(recording, 0, recording.n_frames, end_at))
                continue
            if recording.rate_hz != rate:
                warning = f"station {names}: {recording.name} is at {recording.rate_hz} Hz, the one before at {rate} Hz"
                inventory.warnings.append(warning)
            if gap_s < -ABUT_TOLERANCE_S:
                skip = min(recording.n_frames, round(-gap_s * recording.rate_hz))
                inventory.warnings.append(
                    f"station {names}: {recording.name} overlaps the one before by {-gap_s:.3f} s, which is skipped"
                )
            elif gap_s > ABUT_TOLERANCE_S:
                inventory.warnings.append(f"station {names}: gap of {gap_s:.3f} s before {recording.name}")
        if skip < recording.n_frames:
            first = Segment(recording, skip, recording.n_frames - skip, 0)
            runs.append(([first], recording.rate_hz, start + round(skip * 1e6 / recording.rate_hz)))
    return [
        Stream(tuple(segments), rate, start, tuple(_channel(s, campaign, rate, ordered[0][1]) for s in stations))
        for segments, rate, start in runs
    ]


def _channel(station: Station, campaign: Campaign, rate_hz: int, first_us: int) -> Channel:
    system = campaign.system(station.system)
    return Channel(
        station_id=station.id,
        system_id=system.id,
        channel=station.channel - 1,
        pascals_per_unit=chain(system).pascals_per_unit,
        valid_from_hz=system.valid_from_hz,
        valid_to_hz=min(system.valid_to_hz or 0.45 * rate_hz, 0.5 * rate_hz),
        clock=StationClock(first_us, station.clock_offset_s, station.clock_drift_ppm),
        correction=curve_correction(system),
    )
