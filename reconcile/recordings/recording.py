"""What a recording is, once its header has been understood: where its samples lie, how they are written, since when."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from reconcile.campaign.stored_files import StoredFile

LOWEST_RATE_HZ = 1000  # the analysis steps in milliseconds
HIGHEST_RATE_HZ = 2_000_000  # memory is in proportion to the rate: a header's claim must not decide it


class UnusableRecordingError(Exception):
    """A recording that cannot be read at all; the text is the reason."""


@dataclass(frozen=True, slots=True)
class SampleFormat:
    """How one sample is written. Integers of fewer valid bits than their container stand at its upper end."""

    container_bits: int
    valid_bits: int
    is_float: bool = False

    @property
    def name(self) -> str:
        """The name of the format in the manifest."""
        if self.is_float:
            return "FLOAT" if self.container_bits == 32 else "DOUBLE"
        return "PCM_U8" if self.container_bits == 8 else f"PCM_{self.container_bits}"

    @property
    def clip_value(self) -> float:
        """Largest value of a sample, 1.0 being digital full scale; at or beyond it a sample is clipped."""
        return 1.0 if self.is_float else 1.0 - 2.0 ** (1 - self.valid_bits)


@dataclass(frozen=True, slots=True)
class Recording:
    """One file as far as its header goes, checked against the length that the file really has.

    `origin` is the bext chunk's time of the first sample, without a zone. `shortfall` says what was declared and what
    is there where samples are missing, `oddities` what else is wrong with a header that cost no sample.
    """

    path: StoredFile
    name: str  # relative to the campaign folder, with forward slashes; or the URL
    rate_hz: int
    n_channels: int
    n_frames: int
    sample_format: SampleFormat
    data_offset: int | None  # bytes before the first PCM sample of a WAV file; None where a codec finds it (FLAC)
    origin: datetime | None = None
    shortfall: str = ""
    oddities: tuple[str, ...] = ()
    identity: tuple[int, int | str] = (0, 0)  # of the file when its header was read: `stored_files.identity`

    @property
    def frame_bytes(self) -> int:
        """Bytes of one PCM frame: one sample of every channel."""
        return self.n_channels * self.sample_format.container_bits // 8

    @property
    def subtype(self) -> str:
        return self.sample_format.name

    @property
    def clip_value(self) -> float:
        return self.sample_format.clip_value


def check_rate(rate_hz: int) -> None:
    """Raise UnusableRecordingError where no recorder of sound under water has such a sampling rate."""
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        limits = f"from {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz are read"
        raise UnusableRecordingError(f"a sampling rate of {rate_hz} Hz: {limits}")
