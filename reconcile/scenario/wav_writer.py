"""A WAV writer of the scenario's own: integer PCM of 16 or 24 bits, plain or extensible header, bext chunk.

Layouts by Microsoft's multimedia documentation (RIFF, WAVE_FORMAT_EXTENSIBLE) and EBU Tech 3285 (bext), recalled.
"""

from __future__ import annotations

import os
import struct
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .waveguide import Floats

FRAMES_PER_BLOCK = 1 << 19
PCM_SUBFORMAT = bytes.fromhex("0100000000001000800000aa00389b71")


def to_integers(samples: ArrayLike, bits: int) -> NDArray[np.int32]:
    """Sample values re full scale as integers of `bits` bits; value 1.0 is 2^(bits - 1).

    Raises ValueError where a sample would be clipped: a scenario must stay within full scale.
    """
    scaled = np.rint(np.asarray(samples, dtype=np.float64) * 2.0 ** (bits - 1))
    largest = float(np.max(np.abs(scaled), initial=0.0))
    if not largest <= 2.0 ** (bits - 1) - 1:
        raise ValueError(f"sample of {largest / 2.0 ** (bits - 1):.3f} times full scale: beyond {bits}-bit integers")
    return scaled.astype(np.int32)


def encode(integers: NDArray[np.int32], bits: int) -> bytes:
    """Little-endian bytes of frames, shape (frame, channel)."""
    if bits == 16:
        return integers.astype("<i2").tobytes()
    if bits == 24:
        four = np.ascontiguousarray(integers.astype("<i4")).view(np.uint8).reshape(*integers.shape, 4)
        return four[..., :3].tobytes()
    raise ValueError(f"{bits} bits: this writer knows 16 and 24")


def format_chunk(n_channels: int, rate_hz: int, bits: int, *, extensible: bool) -> bytes:
    """The `fmt ` chunk with its header."""
    frame = n_channels * bits // 8
    tag = 0xFFFE if extensible else 1
    body = struct.pack("<HHIIHH", tag, n_channels, rate_hz, rate_hz * frame, frame, bits)
    if extensible:
        body += struct.pack("<HHI", 22, bits, 0) + PCM_SUBFORMAT
    return b"fmt " + struct.pack("<I", len(body)) + body


def bext_chunk(first_sample: datetime, rate_hz: int) -> bytes:
    """A `bext` chunk, version 1, whose time reference counts samples since midnight of the first sample's day."""
    midnight = first_sample.replace(hour=0, minute=0, second=0, microsecond=0)
    reference = round((first_sample - midnight).total_seconds() * rate_hz)
    body = struct.pack(
        "<256s32s32s10s8sQH64s190s",
        b"piling noise, invented",
        b"scenario",
        b"",
        first_sample.strftime("%Y-%m-%d").encode("ascii"),
        first_sample.strftime("%H:%M:%S").encode("ascii"),
        reference,
        1,
        b"",
        b"",
    )
    return b"bext" + struct.pack("<I", len(body)) + body


def write_wav(
    path: Path,
    channels: list[Floats] | list[NDArray[np.float32]],
    rate_hz: int,
    *,
    bits: int = 24,
    extensible: bool = False,
    first_sample: datetime | None = None,
) -> None:
    """Write one file: sample values re full scale, one equally long array per channel.

    With `first_sample` a bext chunk states when the first sample was taken. The file appears under its name when it
    is complete. Raises ValueError for a sample beyond full scale.
    """
    n_frames = len(channels[0])
    data_bytes = n_frames * len(channels) * bits // 8
    chunks = bext_chunk(first_sample, rate_hz) if first_sample is not None else b""
    chunks += format_chunk(len(channels), rate_hz, bits, extensible=extensible)
    padding = data_bytes % 2
    riff_bytes = 4 + len(chunks) + 8 + data_bytes + padding
    partial = path.with_name(path.name + ".part")
    with partial.open("wb") as file:
        file.write(b"RIFF" + struct.pack("<I", riff_bytes) + b"WAVE" + chunks + b"data" + struct.pack("<I", data_bytes))
        write_frames(file, channels, bits)
        file.write(b"\0" * padding)
    os.replace(partial, path)


def write_frames(file: BinaryIO, channels: list[Floats] | list[NDArray[np.float32]], bits: int) -> None:
    """Write interleaved frames in blocks."""
    for first in range(0, len(channels[0]), FRAMES_PER_BLOCK):
        block = np.stack([channel[first : first + FRAMES_PER_BLOCK] for channel in channels], axis=1)
        file.write(encode(to_integers(block, bits), bits))
