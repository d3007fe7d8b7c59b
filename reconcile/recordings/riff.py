"""The chunks of a WAV file, walked once; every size is held against the length that the file really has.

Sources: RIFF/WAVE (Microsoft 1991), EBU Tech 3306 (RF64), ITU-R BS.2088 (BW64). Recorders that crash leave sizes of 0,
of 0xFFFFFFFF, or of the last time they were written; recorders that pass 4 GiB without knowing RF64 leave sizes
that wrapped; copies break off. The walk never reads more than a few bytes of a chunk and ends after a bounded number.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from reconcile.recordings import bext
from reconcile.recordings.recording import UnusableRecordingError
from reconcile.recordings.wav_format import LONGEST_FORMAT, WavFormat, parse_format

_UNKNOWN = 0xFFFFFFFF
_NEVER_FILLED_IN = (0, _UNKNOWN, 2**64 - 1)
_WRAP = 2**32
_MOST_CHUNKS = 1000  # of a sane file there are a dozen
_FORMS = (b"RIFF", b"RF64", b"BW64")


class ByteSource(Protocol):
    """What is needed of a file: bytes from a position on. `read` may return fewer than asked for at the end only."""

    def seek(self, position: int, /) -> int: ...

    def read(self, n_bytes: int, /) -> bytes: ...


@dataclass(frozen=True, slots=True)
class WavHeader:
    """What a WAV file holds: `n_frames` whole frames from byte `data_offset` on, all of them within the file."""

    format: WavFormat
    data_offset: int
    n_frames: int
    origin: datetime | None
    shortfall: str
    oddities: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Data:
    """The data chunk: where it begins, bytes by the header (None where it does not say) and bytes that are there."""

    offset: int
    declared: int | None
    present: int


def read_wav_header(file: ByteSource, file_size: int) -> WavHeader:
    """Walk the chunks of a WAV file. Raises UnusableRecordingError with the reason where no samples can be had."""
    walk = _Walk(file, file_size)
    walk.run()
    if walk.format is None:
        raise UnusableRecordingError(f"no format chunk{walk.where_it_ended}")
    format_size, content = walk.format
    wav_format = parse_format(format_size, content)
    if walk.data is None:
        raise UnusableRecordingError(f"no data chunk{walk.where_it_ended}")
    n_frames, shortfall, oddities = _frames(walk.data, wav_format.frame_bytes)
    if walk.unexplained >= wav_format.rate_hz * wav_format.frame_bytes:
        walk.shortfall = f"{walk.unexplained} bytes behind the declared samples are not read; they may be samples, too"
    if n_frames == 0:
        raise UnusableRecordingError(f"holds no samples{f': it {shortfall}' if shortfall else ''}")
    return WavHeader(
        format=wav_format,
        data_offset=walk.data.offset,
        n_frames=n_frames,
        origin=bext.origin(walk.bext, wav_format.rate_hz),
        shortfall="; ".join(filter(None, (shortfall, walk.shortfall))),
        oddities=(*wav_format.oddities, *walk.oddities, *oddities),
    )


def _frames(data: _Data, frame_bytes: int) -> tuple[int, str, list[str]]:
    """Whole frames that are there, what is missing of those that were declared, and a frame that is not whole."""
    n_frames, left_over = divmod(data.present, frame_bytes)
    if data.declared is not None and data.declared // frame_bytes > n_frames:
        return n_frames, f"declares {data.declared // frame_bytes} frames, holds {n_frames}", []
    if left_over:
        return n_frames, "", [f"ends inside a frame: {left_over} of {frame_bytes} bytes are left over"]
    return n_frames, "", []


class _Walk:
    """One way through the chunks of a file, and what it met."""

    def __init__(self, file: ByteSource, file_size: int) -> None:
        self._file, self._file_size = file, file_size
        self._riff_size = 0
        self._long_sizes: tuple[int, int] | None = None  # of the RIFF form and of the data, by a ds64 chunk
        self.format: tuple[int, bytes] | None = None  # size and beginning of the format chunk
        self.data: _Data | None = None
        self.bext = b""
        self.shortfall = ""
        self.oddities: list[str] = []
        self.unexplained = 0  # bytes at the end of the file that are no whole chunk
        self.where_it_ended = ""

    def run(self) -> None:
        head = self._read(0, 12)
        if head[:4] == b"RIFX":
            raise UnusableRecordingError("RIFX, a WAV file of big-endian samples, is not read")
        if len(head) < 12 or head[:4] not in _FORMS or head[8:] != b"WAVE":
            raise UnusableRecordingError("not a WAV file: it does not begin with RIFF, RF64 or BW64 and WAVE")
        self._riff_size = struct.unpack("<I", head[4:8])[0]
        for name, start, size in self._chunks():
            if name == b"ds64" and size >= 16:
                riff_size, data_size = struct.unpack("<QQ", self._read(start, 16).ljust(16, b"\0"))
                self._long_sizes = riff_size, data_size
            elif name == b"fmt ":
                self._take_format(start, size)
            elif name == b"bext" and not self.bext:
                self.bext = self._read(start, min(size, bext.BYTES_TO_TIME))
        self._check_riff_size(head[:4])

    def _chunks(self) -> Iterator[tuple[bytes, int, int]]:
        """Name, start and size of each chunk; the data chunk is settled here, because its size may not be the truth."""
        at = 12
        for _ in range(_MOST_CHUNKS):
            left = self._file_size - at - 8
            if left < 0:
                self.where_it_ended = " before the end of the file"
                return
            name, size = struct.unpack("<4sI", self._read(at, 8))
            start = at + 8
            if not _is_name(name):
                self.unexplained = left + 8
                self._stop(f"what stands from byte {at} on, {left + 8} bytes, is not a chunk")
                return
            if name == b"data" and self.data is None:
                size = self._settle_data(start, size)
            elif name == b"data":
                self.shortfall = f"a second data chunk, of {size} bytes, is not read"
            if size > left:
                self.unexplained = left + 8
                self._stop(f"the chunk {_text(name)} declares {size} bytes, {left} are left")
                return
            yield name, start, size
            at = self._behind(name, start + size, size)
        self._stop(f"more than {_MOST_CHUNKS} chunks")

    def _stop(self, reason: str) -> None:
        self.where_it_ended = f": {reason}"
        self.oddities.append(reason)

    def _behind(self, name: bytes, end: int, size: int) -> int:
        """Where the next chunk begins: odd ones are followed by a pad byte, which some writers forget."""
        if size % 2 == 0:
            return end
        if not self._is_chunk(end + 1) and self._is_chunk(end):
            self.oddities.append(f"the chunk {_text(name)} has an odd size and no pad byte")
            return end
        return end + 1

    def _is_chunk(self, at: int) -> bool:
        header = self._read(at, 8)
        if len(header) < 8 or not _is_name(header[:4]):
            return False
        return bool(struct.unpack("<I", header[4:])[0] <= self._file_size - at - 8)

    def _take_format(self, start: int, size: int) -> None:
        if self.format is None:
            self.format = size, self._read(start, min(size, LONGEST_FORMAT))
        else:
            self.oddities.append("a second format chunk is passed over")

    def _settle_data(self, start: int, size: int) -> int:
        """Take the data chunk for what the file's length allows, and return its size."""
        rest = self._file_size - start
        declared = self._declared(size)
        if declared in _NEVER_FILLED_IN:
            if declared == 0 and self._only_chunks_from(start):
                self.data = _Data(start, 0, 0)
                return 0
            self.oddities.append(
                f"the size of its data was never filled in ({declared:#x}): the rest of the file is taken, {rest} bytes"
            )
            self.data = _Data(start, None, rest)
            return rest
        if self._long_sizes is None and rest - declared >= _WRAP:
            unwrapped = self._unwrapped(start, declared)
            self.oddities.append(
                f"declares {declared} bytes of data; by the length of the file, past 4 GiB, it holds {unwrapped}"
            )
            self.data = _Data(start, None, unwrapped)
            return unwrapped
        self.data = _Data(start, declared, min(declared, rest))
        return self.data.present

    def _declared(self, size: int) -> int:
        """Bytes of data by the header: the 32-bit size unless it is not filled in or is the long one's remainder."""
        if self._long_sizes is None:
            return size
        long_size = self._long_sizes[1]
        if size in _NEVER_FILLED_IN or long_size % _WRAP == size:
            return long_size
        if long_size:
            self.oddities.append(f"declares {size} bytes of data, and {long_size} in its ds64 chunk: the first counts")
        return size

    def _unwrapped(self, start: int, declared: int) -> int:
        """A data size that wrapped at 4 GiB, where the rest of the header bears it out; else all that there is."""
        rest = self._file_size - start
        longest = declared + (rest - declared) // _WRAP * _WRAP
        riff_bears_it_out = (self._file_size - 8 - self._riff_size) % _WRAP == 0
        end = start + longest
        if riff_bears_it_out or self._is_chunk(end + longest % 2):
            return longest
        return rest

    def _only_chunks_from(self, at: int) -> bool:
        """Whether a data chunk of size 0 is to be believed: the rest of the file, if any, is whole chunks."""
        for _ in range(_MOST_CHUNKS):
            if at in (self._file_size, self._file_size + 1):
                return True
            if not self._is_chunk(at):
                return False
            size = struct.unpack("<I", self._read(at + 4, 4))[0]
            at += 8 + size + size % 2
        return False

    def _check_riff_size(self, form: bytes) -> None:
        declared = self._riff_size
        if form != b"RIFF" and self._long_sizes is None:
            self.oddities.append(f"{_text(form)} without its ds64 chunk: the 32-bit sizes are taken")
        elif form != b"RIFF" and declared == _UNKNOWN and self._long_sizes is not None:
            declared = self._long_sizes[0]
        there = self._file_size - 8
        already_said = self.data is not None and self.data.declared != self.data.present
        if declared > there + 1 and not already_said:  # one more: the pad byte that was not written at the end
            self.oddities.append(f"declares {declared} bytes in all, {there} are there")

    def _read(self, at: int, n_bytes: int) -> bytes:
        self._file.seek(at)
        return self._file.read(n_bytes)


def _is_name(name: bytes) -> bool:
    """Whether four bytes are a chunk's name: printable ASCII."""
    return all(0x20 <= byte <= 0x7E for byte in name)


def _text(name: bytes) -> str:
    return name.decode("ascii").strip()
