"""Blocks of pressure: a stream decoded once, in pieces of any length, channel by channel."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reconcile.campaign.remote_files import RemoteReadError
from reconcile.recordings.pcm import Samples
from reconcile.recordings.streams import Segment, Stream
from reconcile.recordings.wav import decoder
from reconcile.vocabulary.errors import MachineError

_MOST_PA = 1e8  # 280 dB re 1 µPa, no sound: sums of fourth powers of what is less stay within float32
_MOST_SAMPLE = 1e37  # of a chain that makes less than nothing of it
_SKIPPED_FRAMES = 2**16  # past a place that cannot be read, before the next try


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

    A file that breaks off or has a damaged place is reported and its missing frames are zero, so that what follows
    keeps its time. Samples that are not finite, or no sound's, count as missing, too. Raises MachineError where an
    object in storage cannot be reached or has changed since it was listed.
    """
    frames_per_block = max(1, round(block_s * stream.rate_hz))
    for segment in stream.segments:
        skip = max(0, first_sample - segment.at)
        if skip < segment.n_frames:
            yield from _segment_blocks(stream, segment, skip, frames_per_block, report)


def _segment_blocks(
    stream: Stream, segment: Segment, skip: int, frames_per_block: int, report: ReadingReport
) -> Iterator[Block]:
    recording, channels = segment.recording, [channel.channel for channel in stream.channels]
    at, end, missing = segment.first_frame + skip, segment.first_frame + segment.n_frames, 0
    while at < end:
        try:
            with decoder(recording, channels) as source:
                while at < end:
                    samples = np.empty((len(channels), min(frames_per_block, end - at)), dtype=np.float32)
                    n_read = source.read(at, samples)
                    if n_read == 0:
                        raise OSError("it broke off")
                    at += n_read
                    yield _to_pressure(samples[:, :n_read], stream, segment, report)
        except RemoteReadError as error:  # may be over in a minute: what is made of zeros now would be kept
            raise MachineError(error.filename, f"{error.strerror} (the same command goes on from there)") from error
        except OSError as error:
            n_skipped = min(_SKIPPED_FRAMES, frames_per_block, end - at)
            at, missing = at + n_skipped, missing + n_skipped
            reason = error.strerror or error
            report.damaged[recording.name] = f"{missing} frames could not be read, they count as zero: {reason}"
            none = tuple(np.empty(0, dtype=np.int64) for _ in channels)
            yield Block(np.zeros((len(channels), n_skipped), dtype=np.float32), none)


def _to_pressure(samples: Samples, stream: Stream, segment: Segment, report: ReadingReport) -> Block:
    """Sample values to pressure, in place."""
    clip_value = segment.recording.clip_value
    clipped = []
    for row, channel in zip(samples, stream.channels, strict=True):
        highest, lowest = float(row.max()), float(row.min())
        most = min(_MOST_PA / channel.pascals_per_unit, _MOST_SAMPLE)
        if not (highest <= most and lowest >= -most):  # a NaN compares with nothing
            missing = ~(np.abs(row) <= most)
            reason = f"of more than {_MOST_PA:.0e} Pa" if np.isfinite(row).all() else "that are not finite"
            row[missing] = 0.0
            highest, lowest = float(row.max()), float(row.min())
            report.damaged[segment.recording.name] = f"holds samples {reason}; they count as missing"
        at_full_scale = highest >= clip_value or lowest <= -clip_value
        clipped.append(np.flatnonzero(np.abs(row) >= clip_value) if at_full_scale else np.empty(0, dtype=np.int64))
        row *= np.float32(channel.pascals_per_unit)
    return Block(samples, tuple(clipped))
