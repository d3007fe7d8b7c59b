"""Blocks of pressure: a stream decoded once, in pieces of any length, channel by channel."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reconcile.recordings.streams import Segment, Stream
from reconcile.recordings.wav import decoder

Samples = NDArray[np.float32]


@dataclass(slots=True)
class ReadingReport:
    """What went wrong while samples were read: recording: reason."""

    damaged: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Block:
    """Pressure in Pa of the channels in use, shape (channels, samples), and where samples are at full scale.

    `clipped` holds sample numbers within the block, one array for each channel.
    """

    pressure_pa: Samples
    clipped: tuple[NDArray[np.int64], ...]


def pressure_blocks(stream: Stream, first_sample: int, block_s: float, report: ReadingReport) -> Iterator[Block]:
    """Decode a stream from a sample on, each frame once, in blocks of `block_s` seconds (shorter at a file's end).

    A file that breaks off while it is read is reported and its missing frames are zero, so that what follows keeps
    its time. Samples that are not finite count as missing, too.
    """
    frames_per_block = max(1, round(block_s * stream.rate_hz))
    for segment in stream.segments:
        skip = max(0, first_sample - segment.at)
        if skip < segment.n_frames:
            yield from _segment_blocks(stream, segment, skip, frames_per_block, report)


def _segment_blocks(
    stream: Stream, segment: Segment, skip: int, frames_per_block: int, report: ReadingReport
) -> Iterator[Block]:
    recording = segment.recording
    left = segment.n_frames - skip
    buffer = np.empty((min(frames_per_block, left), recording.n_channels), dtype=np.float32)
    try:
        with decoder(recording.path) as file:
            file.seek(segment.first_frame + skip)
            while left:
                wanted = min(frames_per_block, left)
                got = file.read(wanted, dtype="float32", always_2d=True, out=buffer[:wanted])
                if len(got) == 0:
                    raise OSError(f"{left} frames could not be read")
                left -= len(got)
                yield _to_pressure(got, stream, segment, report)
    except OSError as error:
        report.damaged[recording.name] = f"broke off while it was read: {error}"
        while left:
            n = min(frames_per_block, left)
            left -= n
            none = tuple(np.empty(0, dtype=np.int64) for _ in stream.channels)
            yield Block(np.zeros((len(stream.channels), n), dtype=np.float32), none)


def _to_pressure(frames: Samples, stream: Stream, segment: Segment, report: ReadingReport) -> Block:
    pressure = np.empty((len(stream.channels), len(frames)), dtype=np.float32)
    clip_value = segment.recording.clip_value
    clipped = []
    for row, channel in zip(pressure, stream.channels, strict=True):
        row[:] = frames[:, channel.channel]
        highest, lowest = float(row.max()), float(row.min())
        if not np.isfinite(highest - lowest):
            missing = ~np.isfinite(row)
            row[missing] = 0.0
            highest, lowest = float(row.max()), float(row.min())
            report.damaged[segment.recording.name] = "holds samples that are not finite; they count as missing"
        at_full_scale = highest >= clip_value or lowest <= -clip_value
        clipped.append(np.flatnonzero(np.abs(row) >= clip_value) if at_full_scale else np.empty(0, dtype=np.int64))
        row *= np.float32(channel.pascals_per_unit)
    return Block(pressure, tuple(clipped))
