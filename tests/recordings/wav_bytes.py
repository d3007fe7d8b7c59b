"""WAV files byte by byte, after the formats' own papers: RIFF/WAVE, WAVEFORMATEXTENSIBLE, EBU Tech 3285 and 3306."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

PCM, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE
GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")  # of KSDATAFORMAT_SUBTYPE_PCM and _IEEE_FLOAT
UNKNOWN = 0xFFFFFFFF


def chunk(name: bytes, content: bytes, size: int | None = None) -> bytes:
    """A chunk, with its pad byte; `size` is what the header declares where that is not the truth."""
    declared = len(content) if size is None else size
    return name + struct.pack("<I", declared) + content + (b"\0" if len(content) % 2 else b"")


def riff(*chunks: bytes, form: bytes = b"RIFF", size: int | None = None) -> bytes:
    """A whole file of chunks."""
    body = b"WAVE" + b"".join(chunks)
    return form + struct.pack("<I", len(body) if size is None else size) + body


def fmt(tag: int, bits: int, channels: int = 1, rate_hz: int = 8000) -> bytes:
    """The format chunk of plain PCM or float."""
    frame = channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, rate_hz, rate_hz * frame, frame, bits))


def extensible_fmt(
    tag: int, bits: int, channels: int = 1, rate_hz: int = 8000, *, valid_bits: int | None = None
) -> bytes:
    """The format chunk in its extensible form; `bits` are the container's."""
    frame = channels * bits // 8
    head = struct.pack("<HHIIHH", EXTENSIBLE, channels, rate_hz, rate_hz * frame, frame, bits)
    valid = bits if valid_bits is None else valid_bits
    return chunk(b"fmt ", head + struct.pack("<HHIH", 22, valid, 0, tag) + GUID_TAIL)


def ds64(data_size: int, n_frames: int) -> bytes:
    """The chunk that holds the true sizes of an RF64 file."""
    return chunk(b"ds64", struct.pack("<QQQI", 0, data_size, n_frames, 0))


def bext(date: str, time_reference: int) -> bytes:
    """A broadcast chunk, version 1: texts, date, time, TimeReference, version and reserve."""
    texts = b"field recording".ljust(256, b"\0") + b"recorder".ljust(32, b"\0") + b"reference".ljust(32, b"\0")
    time = struct.pack("<10s8sII", date.encode(), b"00:00:00", time_reference & UNKNOWN, time_reference >> 32)
    return chunk(b"bext", texts + time + struct.pack("<H", 1) + bytes(254))


def integers(values: Sequence[int] | NDArray[np.int64], bits: int) -> bytes:
    """Little-endian two's complement integers of 16, 24 or 32 bits."""
    return b"".join(struct.pack("<i", int(value))[: bits // 8] for value in values)


def floats(values: Sequence[float] | NDArray[np.float64], bits: int) -> bytes:
    """Little-endian IEEE floats of 32 or 64 bits."""
    return struct.pack(f"<{len(values)}{'f' if bits == 32 else 'd'}", *values)
