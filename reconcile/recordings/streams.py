"""Streams: runs of recordings that abut, so that a strike across a join is one strike.

Files of a station are put in order of their start. A file that begins where the one before ends (within 2 ms) goes on
the same stream; a gap starts a new one; what overlaps the file before is skipped and reported. Stations that share
files (channels of one recorder) share the stream, so that each file is decoded once. Where the chain, the channel, the
clock or the place of one of its stations changes, a stream ends and the next one begins with the next sample.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reconcile.campaign.remote_files import RemoteFile
from reconcile.campaign.stored_files import RecordingsFolder, StoredFile
from reconcile.recordings.calibration import chain, curve_correction
from reconcile.recordings.clock import StationClock, epoch_us, start_time, stated_start
from reconcile.recordings.recorder_periods import RecorderPeriod, begins_at_sample, held_at, recorder_periods
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
    band of the chain and its curve. `tonal_cells` are stretches of seconds of the stream in which tonal lines are
    sought.
    """

    station_id: str
    system_id: str
    channel: int
    pascals_per_unit: float
    valid_from_hz: float
    valid_to_hz: float
    clock: StationClock
    correction: tuple[tuple[float, float], ...] = ()
    tonal_cells: tuple[tuple[int, int], ...] = ()

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
    doubts: list[str] = field(default_factory=list)  # hardly meant so: said at the end of a run
    warnings: list[str] = field(default_factory=list)


def take_inventory(campaign: Campaign, files: Mapping[str, Sequence[StoredFile]], root: RecordingsFolder) -> Inventory:
    """Open every recording's header and order them into streams.

    `files` lists each station's recordings; names are relative to `root`, those of objects in storage their own.
    """
    inventory = Inventory()
    opened: dict[StoredFile, Recording | None] = {}
    starts: dict[tuple[StoredFile, str | None, str | None], int] = {}
    shared: dict[tuple[tuple[StoredFile, int], ...], list[_StationFiles]] = defaultdict(list)
    for station in campaign.stations:
        known: list[tuple[Recording, int]] = []
        for path in files[station.id]:
            if path not in opened:
                opened[path] = _open(path, root, inventory)
            recording = opened[path]
            if recording is None:
                continue
            key = (path, station.start_times, station.time_pattern)
            try:
                if key not in starts:
                    starts[key] = epoch_us(_start(recording, station, campaign))
            except UnusableRecordingError as error:
                inventory.refused[recording.name] = str(error)
                continue
            known.append((recording, starts[key]))
        known.sort(key=lambda item: item[1])
        periods = recorder_periods(campaign, station, known)
        known = [item for item in known if _has_channels(station, periods, *item, inventory)]
        if known:
            files_key = tuple((recording.path, start) for recording, start in known)
            shared[files_key].append(_StationFiles(station, periods, known))
    for stations in shared.values():
        inventory.streams += _streams(stations, inventory)
    _settle(inventory)
    return inventory


@dataclass(frozen=True, slots=True)
class _StationFiles:
    """A station, what held at it on its recorder's time, and its recordings with their starts, in order."""

    station: Station
    periods: tuple[RecorderPeriod, ...]
    ordered: list[tuple[Recording, int]]


def _start(recording: Recording, station: Station, campaign: Campaign) -> datetime:
    if station.start_times is not None:
        return stated_start(recording, station.start_times, campaign.start_times[station.start_times])
    return start_time(recording, station.time_pattern, campaign.recordings_time_zone)


def _has_channels(
    station: Station, periods: Sequence[RecorderPeriod], recording: Recording, start_us: int, inventory: Inventory
) -> bool:
    """Whether a recording has every channel that the station needs of it; it is refused where it has not."""
    end_us = start_us + recording.n_frames * 1_000_000 // recording.rate_hz
    then = [p for p in periods if p.claimed and p.begins_us < end_us and p.ends_us > start_us]
    needed = max((p.channel for p in then), default=0)
    if needed > recording.n_channels:
        reason = f"station {station.id} needs channel {needed}, it has {recording.n_channels}"
        inventory.refused[recording.name] = reason
    return needed <= recording.n_channels


def _settle(inventory: Inventory) -> None:
    """List what is used; a recording that only some of its stations can use is not refused altogether."""
    used = {segment.recording.name: segment.recording for stream in inventory.streams for segment in stream.segments}
    inventory.recordings = list(used.values())
    for name in [name for name in inventory.refused if name in used]:
        inventory.damaged[name] = inventory.refused.pop(name)


def _open(path: StoredFile, root: RecordingsFolder, inventory: Inventory) -> Recording | None:
    name = path.name if isinstance(path, RemoteFile) else path.relative_to(str(root)).as_posix()
    try:
        if (printable := name.encode("utf-8", "replace").decode()) != name:
            name = printable
            raise UnusableRecordingError("its name is not UTF-8")
        recording = open_recording(path, name)
    except UnusableRecordingError as error:
        inventory.refused[name] = str(error)
        return None
    if recording.shortfall:
        inventory.damaged[name] = f"cut short: {recording.shortfall}; what is there is used"
    inventory.warnings += [f"{name}: {oddity}" for oddity in recording.oddities]
    return recording


def _streams(stations: Sequence[_StationFiles], inventory: Inventory) -> list[Stream]:
    """Cut one station's (or several stations' common) files where they do not abut, and where something changes."""
    names = ", ".join(files.station.id for files in stations)
    runs: list[tuple[list[Segment], int, int]] = []  # segments, rate, start
    before: Recording | None = None
    for recording, start in stations[0].ordered:
        skip = 0
        if before is not None:
            inventory.warnings += [f"station {names}: {oddity}" for oddity in _differences(recording, before)]
        before = recording
        if runs:
            segments, rate, run_start = runs[-1]
            end_at = segments[-1].at + segments[-1].n_frames
            gap_s = (start - run_start) / 1e6 - end_at / rate
            if recording.rate_hz == rate and abs(gap_s) <= ABUT_TOLERANCE_S:
                segments.append(Segment(recording, 0, recording.n_frames, end_at))
                continue
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
    pieces = [piece for run in runs for piece in _cut_where_changed(*run, stations)]
    for piece in pieces:
        if not piece.channels:
            length_s, name = piece.n_samples / piece.rate_hz, piece.name
            warning = f"station {names}: {length_s:.3f} s from {name} on lie outside its deployments and are not used"
            inventory.warnings.append(warning)
    return [piece for piece in pieces if piece.channels]


def _differences(recording: Recording, before: Recording) -> Iterator[str]:
    """What is unlike the recording before: rate, sample format, number of channels."""
    if recording.rate_hz != before.rate_hz:
        yield f"{recording.name} is at {recording.rate_hz} Hz, the one before at {before.rate_hz} Hz"
    if recording.subtype != before.subtype:
        yield f"{recording.name} holds {recording.subtype} samples, the one before {before.subtype}"
    if recording.n_channels != before.n_channels:
        yield f"{recording.name} has {_channels(recording)}, the one before {_channels(before)}"


def _channels(recording: Recording) -> str:
    return f"{recording.n_channels} channel" + ("" if recording.n_channels == 1 else "s")


def _cut_where_changed(
    segments: Sequence[Segment], rate_hz: int, start_us: int, stations: Sequence[_StationFiles]
) -> Iterator[Stream]:
    """One run of abutting files, cut at the first sample of each period; what no station claims has no channels."""
    n_samples = segments[-1].at + segments[-1].n_frames
    begins = [begins_at_sample(p, start_us, rate_hz) for files in stations for p in files.periods]
    cuts = sorted({0, n_samples, *(sample for sample in begins if 0 < sample < n_samples)})
    for first, end in pairwise(cuts):
        held = [(files.station, held_at(files.periods, first, start_us, rate_hz)) for files in stations]
        channels = tuple(_channel(station, period, rate_hz) for station, period in held if period.claimed)
        pieces = tuple(_between(segments, first, end))
        yield Stream(pieces, rate_hz, start_us + round(first * 1e6 / rate_hz), channels)


def _between(segments: Sequence[Segment], first: int, end: int) -> Iterator[Segment]:
    """The segments' frames from one sample of the run until before another."""
    for segment in segments:
        start, until = max(segment.at, first), min(segment.at + segment.n_frames, end)
        if start < until:
            yield Segment(segment.recording, segment.first_frame + start - segment.at, until - start, start - first)


def _channel(station: Station, period: RecorderPeriod, rate_hz: int) -> Channel:
    system = period.system
    return Channel(
        station_id=station.id,
        system_id=system.id,
        channel=period.channel - 1,
        pascals_per_unit=chain(system).pascals_per_unit,
        valid_from_hz=system.valid_from_hz,
        valid_to_hz=min(system.valid_to_hz or 0.45 * rate_hz, 0.5 * rate_hz),
        clock=period.clock,
        correction=curve_correction(system),
    )
