"""A recording opened: what it says of itself, checked against what is there, and a decoder of its samples.

WAV files are read by their own header walk (`riff.py`) and decoder (`pcm.py`), because libsndfile reads a truncated
file in silence, refuses what a crashed recorder leaves, and hides the bext chunk. FLAC goes through libsndfile.
"""

from __future__ import annotations

import errno
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from reconcile.campaign.remote_files import HEADER_BLOCK_BYTES, RemoteReadError
from reconcile.campaign.stored_files import StoredFile, identity, open_stored, size_bytes
from reconcile.recordings.pcm import PcmDecoder, Samples
from reconcile.recordings.recording import Recording, SampleFormat, UnusableRecordingError
from reconcile.recordings.riff import read_wav_header
from reconcile.vocabulary.errors import MachineError

__all__ = ["Decoder", "Recording", "SampleFormat", "UnusableRecordingError", "decoder", "open_recording"]

_WAV = (b"RIFF", b"RF64", b"BW64", b"RIFX")
_OTHERS = {b"FORM": "AIFF", b"OggS": "Ogg", b"caf ": "CAF", b".snd": "AU", b"riff": "W64"}


class Decoder(Protocol):
    """Decodes frames from `first_frame` on into `out`, shape (channels in use, frames); returns how many there were."""

    def read(self, first_frame: int, out: Samples, /) -> int: ...


def open_recording(path: StoredFile, name: str) -> Recording:
    """Read a file's header; `name` is what the recording is called in messages and results.

    Raises UnusableRecordingError with the reason where it is not a recording that can be decoded, MachineError where
    the storage in which it lies cannot be reached.
    """
    try:
        if isinstance(path, Path) and not stat.S_ISREG(path.stat().st_mode):
            raise UnusableRecordingError("not a file")
        seen = identity(path)
        with open_stored(path, HEADER_BLOCK_BYTES) as file:
            kind = file.read(4)
            if kind in _WAV:
                header = read_wav_header(file, size_bytes(path))
                return Recording(
                    path=path,
                    name=name,
                    rate_hz=header.format.rate_hz,
                    n_channels=header.format.n_channels,
                    n_frames=header.n_frames,
                    sample_format=header.format.sample_format,
                    data_offset=header.data_offset,
                    origin=header.origin,
                    shortfall=header.shortfall,
                    oddities=header.oddities,
                    identity=seen,
                )
        if kind == b"fLaC":
            from reconcile.recordings.flac import read_flac_header  # its library is not what WAV files need

            flac = read_flac_header(path)
            return Recording(
                path=path,
                name=name,
                rate_hz=flac.rate_hz,
                n_channels=flac.n_channels,
                n_frames=flac.n_frames,
                sample_format=flac.sample_format,
                data_offset=None,
                shortfall=flac.shortfall,
                oddities=flac.oddities,
                identity=seen,
            )
    except RemoteReadError as error:
        if error.errno == errno.EIO:  # the storage is at fault; the next recording would not fare better
            raise MachineError(error.filename, error.strerror or str(error)) from error
        raise UnusableRecordingError(f"cannot be read: {error.strerror}") from error
    except OSError as error:
        raise UnusableRecordingError(f"cannot be decoded: {error.strerror or error}") from error
    found = _OTHERS.get(kind, "not a recording" if kind else "an empty file")
    raise UnusableRecordingError(f"{found}: only WAV and FLAC are read")


@contextmanager
def decoder(recording: Recording, channels: Sequence[int]) -> Iterator[Decoder]:
    """A decoder of a recording's channels (counted from 0) to float32, 1.0 being digital full scale.

    Raises OSError with the reason where the file cannot be opened or read.
    """
    if recording.data_offset is None:
        from reconcile.recordings.flac import flac_decoder

        with flac_decoder(recording.path, channels) as flac:
            yield flac
    else:
        with open_stored(recording.path) as file:
            yield PcmDecoder(file, recording, channels)
