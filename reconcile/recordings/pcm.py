"""PCM samples of a WAV file to float32, straight from its bytes: the bits that libsndfile gives, in less time.

A piece of the file is read into one buffer that is used again and again. The samples of a channel are a strided view of
it: 24-bit samples are the upper three bytes of 32-bit integers that overlap, one byte before each sample on.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from reconcile.recordings.recording import Recording, SampleFormat

Samples = NDArray[np.float32]
_PIECE_BYTES = 3 * 2**16  # stays in the cache; larger pieces are no faster
_LEAD = 8  # bytes before the samples: room for the byte before a first 24-bit sample, and alignment
_LITTLE_ENDIAN = {8: "u1", 16: "<i2", 24: "<i4", 32: "<i4"}


class BinaryFile(Protocol):
    """What is needed of an open file. `readinto` may fill less than the buffer."""

    def seek(self, position: int, /) -> int: ...

    def readinto(self, buffer: memoryview, /) -> int | None: ...


class PcmDecoder:
    """Decodes the frames of an open WAV file; only the channels in use are converted."""

    def __init__(self, file: BinaryFile, recording: Recording, channels: Sequence[int]) -> None:
        if recording.data_offset is None:
            raise ValueError(f"{recording.name} holds no PCM samples")
        self._file, self._channels = file, tuple(channels)
        self._offset, self._n_frames = recording.data_offset, recording.n_frames
        self._format, self._frame_bytes = recording.sample_format, recording.frame_bytes
        self._piece = max(1, _PIECE_BYTES // self._frame_bytes)
        self._raw = bytearray(_LEAD + self._piece * self._frame_bytes)
        self._integers = np.empty(self._piece if self._format.container_bits == 24 else 0, dtype=np.int32)

    def read(self, first_frame: int, out: Samples) -> int:
        """Decode frames from `first_frame` on into `out`, shape (channels in use, frames); 1.0 is full scale.

        Returns how many frames there were, which is fewer at the end of the recording or of the file.
        """
        wanted = max(0, min(out.shape[1], self._n_frames - first_frame))
        self._file.seek(self._offset + first_frame * self._frame_bytes)
        done = 0
        while done < wanted:
            n = self._fill(min(self._piece, wanted - done))
            for row, channel in zip(out, self._channels, strict=True):
                self._convert(channel, row[done : done + n])
            done += n
            if n == 0:
                break
        return done

    def _fill(self, n_frames: int) -> int:
        """Read the next frames into the buffer; whole frames read."""
        view = memoryview(self._raw)[_LEAD : _LEAD + n_frames * self._frame_bytes]
        filled = 0
        while filled < len(view):
            got = self._file.readinto(view[filled:])
            if not got:
                break
            filled += got
        return filled // self._frame_bytes

    def _convert(self, channel: int, row: Samples) -> None:
        """Samples of one channel, as many as `row` is long, from the buffer."""
        bits = self._format.container_bits
        offset = _LEAD + channel * bits // 8 - (1 if bits == 24 else 0)
        samples: NDArray[np.generic] = np.ndarray(
            row.shape, _numpy_type(self._format), buffer=self._raw, offset=offset, strides=(self._frame_bytes,)
        )
        if self._format.is_float:
            with np.errstate(over="ignore", invalid="ignore"):  # a float64 beyond float32 is infinite, and found later
                np.copyto(row, samples, casting="same_kind")
            return
        if bits == 24:
            samples = np.right_shift(samples, 8, out=self._integers[: row.size])
        np.multiply(samples, np.float32(2.0 ** (1 - bits)), out=row, dtype=np.float32, casting="unsafe")
        if bits == 8:
            row -= np.float32(1.0)  # 8-bit samples are unsigned: silence is 128


def _numpy_type(sample_format: SampleFormat) -> str:
    if sample_format.is_float:
        return f"<f{sample_format.container_bits // 8}"
    return _LITTLE_ENDIAN[sample_format.container_bits]
