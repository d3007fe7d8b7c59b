"""What a recording says of itself: rate, channels, frames, start time, and whether its header tells the truth.

Samples are decoded by libsndfile (soundfile); the header is walked here as well, because libsndfile reads a truncated
file in silence and hides the bext chunk. Sources: RIFF/WAVE (Microsoft 1991), EBU Tech 3285 (bext), EBU Tech 3306
(RF64).
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    import soundfile
    from _typeshed import WriteableBuffer

_UNKNOWN_SIZE = 0xFFFFFFFF
_LONGEST_WALK = 10_000  # chunks; a header that holds more is damaged
_BEXT_TIME_OFFSET = 256 + 32 + 32  # Description, Originator, OriginatorReference (EBU Tech 3285)
_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOAT_BITS = {"FLOAT": 32, "DOUBLE": 64}
_FORMATS = ("WAV", "WAVEX", "RF64", "FLAC")
_LOWEST_RATE_HZ = 1000  # the grid's ticks are 1 ms


class UnusableRecordingError(Exception):
    """A recording that cannot be read at all; the text is the reason."""


@dataclass(frozen=True, slots=True)
class Recording:
    """One file as far as its header goes. `origin` is the bext chunk's time of the first sample, without a zone."""

    path: Path
    name: str  # relative to the campaign folder, with forward slashes
    rate_hz: int
    n_channels: int
    n_frames: int
    subtype: str
    origin: datetime | None
    shortfall: str  # what was declared and what is there, where frames are missing; else empty

    @property
    def clip_value(self) -> float:
        """Largest sample value that is surely below digital full scale; at or beyond it a sample is clipped."""
        bits = _BITS.get(self.subtype)
        return (2 ** (bits - 1) - 1) / 2 ** (bits - 1) if bits else 1.0


def open_recording(path: Path, name: str) -> Recording:
    """Read a file's header.

    Raises UnusableRecordingError with the reason where it is not a recording that can be decoded.
    """
    try:
        with decoder(path) as file:
            rate, channels, frames = int(file.samplerate), int(file.channels), int(file.frames)
            form, subtype = str(file.format), str(file.subtype)
        with path.open("rb") as stream:
            origin, declared, present = _walk(stream, path.stat().st_size)
    except OSError as error:
        raise UnusableRecordingError(f"cannot be decoded: {error.strerror or error}") from error
    bits = (_BITS | _FLOAT_BITS).get(subtype)
    if form not in _FORMATS or bits is None:
        raise UnusableRecordingError(f"{form} with {subtype} samples: only WAV and FLAC, integer or float, are read")
    if rate < _LOWEST_RATE_HZ:
        raise UnusableRecordingError(f"a sampling rate of {rate} Hz: at least {_LOWEST_RATE_HZ} Hz is needed")
    frame_bytes = channels * bits // 8
    shortfall = ""
    if declared is not None and present < declared:
        shortfall = f"declares {declared // frame_bytes} frames, holds {present // frame_bytes}"
        frames = min(frames, present // frame_bytes)
    elif declared is None and present and frames <= 0:
        shortfall = f"the header declares none, {present} bytes follow it: the recorder did not close the file"
    if frames <= 0:
        raise UnusableRecordingError(f"holds no samples{f' ({shortfall})' if shortfall else ''}")
    return Recording(path, name, rate, channels, frames, subtype, origin, shortfall)


@contextmanager
def decoder(path: Path) -> Iterator[soundfile.SoundFile]:
    """A file opened by libsndfile, which knows RF64 but not its later name BW64 (ITU-R BS.2088).

    Raises OSError with the reason where it cannot be opened or read.
    """
    import soundfile

    try:
        with path.open("rb") as stream:
            renamed = stream.read(4) == b"BW64"
        with (
            _AsRf64(path) if renamed else nullcontext(path) as source,
            soundfile.SoundFile(source) as file,
        ):
            yield file
    except soundfile.LibsndfileError as error:
        raise OSError(error.error_string) from error


class _AsRf64(io.FileIO):
    """A BW64 file whose first four bytes read `RF64`."""

    def readinto(self, buffer: WriteableBuffer, /) -> int | None:
        at = self.tell()
        n_read = super().readinto(buffer)
        overlap = max(0, min(4 - at, n_read or 0))
        memoryview(buffer).cast("B")[:overlap] = b"RF64"[at : at + overlap]
        return n_read


def _walk(stream: BinaryIO, file_size: int) -> tuple[datetime | None, int | None, int]:
    """Time of the bext chunk, bytes of samples declared (None where the header does not say) and present."""
    head = stream.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
        return None, None, 0
    origin_fields: tuple[str, int] | None = None
    declared: int | None = None
    present, long_size, rate = 0, None, 0
    for _ in range(_LONGEST_WALK):
        header = stream.read(8)
        if len(header) < 8:
            break
        chunk, size = header[:4], struct.unpack("<I", header[4:])[0]
        start = stream.tell()
        if chunk == b"ds64" and size >= 16:
            long_size = struct.unpack("<Q", stream.read(16)[8:16].ljust(8, b"\0"))[0]
        elif chunk == b"fmt " and size >= 16:
            rate = struct.unpack("<I", stream.read(8)[4:8].ljust(4, b"\0"))[0]
        elif chunk == b"bext" and size >= _BEXT_TIME_OFFSET + 26:
            origin_fields = _bext_fields(stream.read(_BEXT_TIME_OFFSET + 26))
        elif chunk == b"data":
            if size == _UNKNOWN_SIZE and long_size is not None:
                size = long_size
            known = size not in (0, _UNKNOWN_SIZE)
            declared = size if known else None
            present = min(size, file_size - start) if known else file_size - start
            if not known:
                break
        stream.seek(start + size + (size & 1))
    return _origin(origin_fields, rate), declared, present


def _bext_fields(chunk: bytes) -> tuple[str, int] | None:
    """OriginationDate and TimeReference (samples since midnight)."""
    if len(chunk) < _BEXT_TIME_OFFSET + 26:
        return None
    date = chunk[_BEXT_TIME_OFFSET : _BEXT_TIME_OFFSET + 10].decode("ascii", "replace")
    low, high = struct.unpack("<II", chunk[_BEXT_TIME_OFFSET + 18 : _BEXT_TIME_OFFSET + 26])
    return date, low + (high << 32)


def _origin(fields: tuple[str, int] | None, rate_hz: int) -> datetime | None:
    if fields is None or rate_hz <= 0:
        return None
    date, samples = fields
    try:
        midnight = datetime.strptime(date[:4] + date[5:7] + date[8:10], "%Y%m%d")
        return midnight + timedelta(microseconds=round(samples * 1_000_000 / rate_hz))
    except (ValueError, OverflowError):
        return None
