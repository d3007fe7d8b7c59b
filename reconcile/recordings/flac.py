"""FLAC through libsndfile, which believes a header's number of frames: here the last one is looked for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import soundfile

from reconcile.campaign.remote_files import BLOCK_BYTES, HEADER_BLOCK_BYTES, RangeReader, RemoteFile, RemoteReadError
from reconcile.campaign.stored_files import StoredFile, open_stored, size_bytes
from reconcile.recordings.pcm import Samples
from reconcile.recordings.recording import SampleFormat, UnusableRecordingError, check_rate

_PIECE_FRAMES = 2**16
_SUBTYPE_BITS = {"PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FEWEST_BLOCK_BYTES, _MOST_BLOCK_FRAMES = 8, 2**16  # of the format: no more frames than this can be in a file
_FIXED_BYTES = 42  # the stream marker and the stream information


@dataclass(frozen=True, slots=True)
class FlacHeader:
    """What a FLAC file holds."""

    rate_hz: int
    n_channels: int
    n_frames: int
    sample_format: SampleFormat
    shortfall: str
    oddities: tuple[str, ...]


def read_flac_header(path: StoredFile) -> FlacHeader:
    """Header of a FLAC file, its number of frames tried.

    Raises UnusableRecordingError where no frame can be decoded, OSError where the file cannot be opened.
    """
    with _opened(path, HEADER_BLOCK_BYTES) as file:
        rate_hz, n_channels, declared = int(file.samplerate), int(file.channels), int(file.frames)
        form, subtype = str(file.format), str(file.subtype)
    if form != "FLAC" or subtype not in _SUBTYPE_BITS:
        raise UnusableRecordingError(f"{form} with {subtype} samples: only WAV and FLAC are read")
    check_rate(rate_hz)
    size = size_bytes(path)
    possible = 0 < declared <= size // _FEWEST_BLOCK_BYTES * _MOST_BLOCK_FRAMES
    n_frames = declared if possible and _has_frame(path, declared - 1) else _count_frames(path)
    known = 0 < declared < 2**36  # the field has 36 bits, and 0 means that it was never filled in
    shortfall = f"declares {declared} frames, holds {n_frames}" if known and n_frames < declared else ""
    if n_frames == 0:
        raise UnusableRecordingError(f"holds no samples{f': it {shortfall}' if shortfall else ''}")
    oddities = () if known else (f"does not say how many frames it holds: {n_frames} were found",)
    container = _SUBTYPE_BITS[subtype]
    valid_bits = min(container, _bits_per_sample(path) or container)
    return FlacHeader(rate_hz, n_channels, n_frames, SampleFormat(container, valid_bits), shortfall, oddities)


def _bits_per_sample(path: StoredFile) -> int:
    """Bits of the converter, which may be fewer than libsndfile's container; 0 where the file begins otherwise."""
    with open_stored(path, HEADER_BLOCK_BYTES) as file:
        head = file.read(_FIXED_BYTES)
    if len(head) < _FIXED_BYTES or head[:4] != b"fLaC":
        return 0
    return (int.from_bytes(head[18:26], "big") >> 36 & 0x1F) + 1


def _has_frame(path: StoredFile, frame: int) -> bool:
    try:
        with _opened(path, HEADER_BLOCK_BYTES) as file:
            file.seek(frame)
            return len(file.read(1, dtype="float32")) == 1
    except RemoteReadError:
        raise
    except OSError:
        return False


def _count_frames(path: StoredFile) -> int:
    """Decode a damaged file as far as it goes: in large pieces, then in ever smaller ones, to the last frame."""
    counted, piece = 0, _PIECE_FRAMES
    while piece:
        try:
            with _opened(path) as file:
                buffer = np.empty((piece, file.channels), dtype=np.float32)
                if counted:
                    file.seek(counted)
                while got := len(file.read(piece, dtype="float32", out=buffer)):
                    counted += got
        except RemoteReadError:
            raise
        except OSError:
            pass
        piece //= 16
    return counted


class _ForwardFile(soundfile.SoundFile):  # type: ignore[misc]
    """A file whose reads do not seek to where they are already: in a damaged file that seek fails, or takes long."""

    def seekable(self) -> bool:
        return False


class _RemoteSource:
    """An object in storage as libsndfile calls for its bytes. A failure ends the file there, and is kept for later.

    An exception cannot pass through libsndfile: it would be printed, and what was read so far taken for all there is.
    """

    def __init__(self, ranges: RangeReader) -> None:
        self._ranges = ranges
        self.failure: RemoteReadError | None = None

    def seek(self, position: int, whence: int = 0) -> int:
        return self._ranges.seek(position, whence)

    def tell(self) -> int:
        return self._ranges.tell()

    def readinto(self, buffer: memoryview) -> int:
        try:
            return 0 if self.failure is not None else self._ranges.readinto(buffer)
        except RemoteReadError as error:
            self.failure = error
            return 0

    def raise_failure(self) -> None:
        if self.failure is not None:
            raise self.failure


class _RemoteFlac(_ForwardFile):
    """A file that lies in storage: what failed there is raised in place of what libsndfile made of it."""

    def __init__(self, source: _RemoteSource) -> None:
        self._source = source
        super().__init__(source)

    def read(self, *args: Any, **options: Any) -> Any:
        got = super().read(*args, **options)
        self._source.raise_failure()
        return got


@contextmanager
def _opened(path: StoredFile, block_bytes: int = BLOCK_BYTES) -> Iterator[soundfile.SoundFile]:
    """A file opened by libsndfile. Raises OSError with the reason where it cannot be opened or read."""
    with ExitStack() as stack:
        source = _RemoteSource(stack.enter_context(path.open(block_bytes))) if isinstance(path, RemoteFile) else None
        try:
            with _ForwardFile(path) if source is None else _RemoteFlac(source) as file:
                yield file
        except soundfile.LibsndfileError as error:
            if source is not None:
                source.raise_failure()
            raise OSError(error.error_string.rstrip(". ") or "not decodable") from error


class FlacDecoder:
    """Decodes the frames of an open FLAC file in pieces; only the channels in use are kept."""

    def __init__(self, file: soundfile.SoundFile, channels: Sequence[int]) -> None:
        self._file, self._channels = file, list(channels)
        self._buffer = np.empty((_PIECE_FRAMES, file.channels), dtype=np.float32)
        self._at = 0

    def read(self, first_frame: int, out: Samples) -> int:
        """Decode frames from `first_frame` on into `out`, shape (channels in use, frames).

        Returns how many there were.
        """
        if first_frame != self._at:
            self._file.seek(first_frame)
        done = 0
        while done < out.shape[1]:
            wanted = min(_PIECE_FRAMES, out.shape[1] - done)
            try:
                got = self._file.read(wanted, dtype="float32", out=self._buffer[:wanted])
            except soundfile.LibsndfileError:
                if done == 0:
                    raise
                self._at = -1  # what went wrong will be met, and told, at the start of the next call
                return done
            if len(got) == 0:
                break
            out[:, done : done + len(got)] = got[:, self._channels].T
            done += len(got)
        self._at = first_frame + done
        return done


@contextmanager
def flac_decoder(path: StoredFile, channels: Sequence[int]) -> Iterator[FlacDecoder]:
    """A decoder of a FLAC file's channels (from 0). Raises OSError where it cannot be opened or decoded."""
    with _opened(path) as file:
        yield FlacDecoder(file, channels)
