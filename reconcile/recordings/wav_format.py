"""The format chunk of a WAV file: which samples, how many channels, how wide; or why they are not read."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from reconcile.recordings.recording import SampleFormat, UnusableRecordingError, check_rate

LONGEST_FORMAT = 40  # bytes that mean something; what a longer chunk holds belongs to formats that are not read
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")  # of every subformat that is a plain format tag
_NOT_READ = {
    0x02: "Microsoft ADPCM",
    0x06: "A-law",
    0x07: "µ-law",
    0x11: "IMA ADPCM",
    0x31: "GSM 6.10",
    0x50: "MPEG audio",
    0x55: "MP3",
}


@dataclass(frozen=True, slots=True)
class WavFormat:
    """What a format chunk says."""

    rate_hz: int
    n_channels: int
    sample_format: SampleFormat
    oddities: tuple[str, ...]

    @property
    def frame_bytes(self) -> int:
        return self.n_channels * self.sample_format.container_bits // 8


def parse_format(size: int, chunk: bytes) -> WavFormat:
    """Understand a format chunk of `size` bytes, the first `LONGEST_FORMAT` of which are `chunk`.

    A block align that contradicts channels and bits is refused: which of them is wrong cannot be known. Sources:
    Microsoft, WAVEFORMATEX and WAVEFORMATEXTENSIBLE.
    """
    if size < 16 or size % 2 or len(chunk) < min(size, LONGEST_FORMAT):
        raise UnusableRecordingError(f"a format chunk of {size} bytes: 16, 18 or 40 are right")
    tag, channels, rate_hz, byte_rate, align, bits = struct.unpack("<HHIIHH", chunk[:16])
    valid_bits = bits
    if tag == _EXTENSIBLE:
        tag, valid_bits = _extension(chunk, bits)
    if tag not in (_PCM, _FLOAT):
        raise UnusableRecordingError(f"{_NOT_READ.get(tag, f'format tag 0x{tag:04X}')}: only PCM and float are read")
    check_rate(rate_hz)
    if channels == 0:
        raise UnusableRecordingError("a format chunk with no channels")
    container = -(-bits // 8) * 8
    if container not in ((32, 64) if tag == _FLOAT else (8, 16, 24, 32)):
        kind = "float" if tag == _FLOAT else "integer"
        raise UnusableRecordingError(f"{kind} samples of {bits} bits: none such are read")
    if align != (right := channels * container // 8):
        found = f"a block align of {align} bytes contradicts {channels} channels of {bits} bits"
        raise UnusableRecordingError(f"{found}, which take {right}")
    oddities = []
    if byte_rate != rate_hz * align:
        oddities.append(f"declares {byte_rate} bytes a second; by rate and block align it is {rate_hz * align}")
    if not 0 < valid_bits <= container:
        oddities.append(f"declares {valid_bits} valid bits in {container}: all are taken as valid")
        valid_bits = container
    sample_format = SampleFormat(container, container if tag == _FLOAT else valid_bits, tag == _FLOAT)
    return WavFormat(rate_hz, channels, sample_format, tuple(oddities))


def _extension(chunk: bytes, bits: int) -> tuple[int, int]:
    """Format tag and valid bits of the extensible form; 0 valid bits is a usual way to say all of them."""
    if len(chunk) < LONGEST_FORMAT:
        raise UnusableRecordingError(f"an extensible format chunk of {len(chunk)} bytes: 40 are needed")
    valid_bits, _, subformat = struct.unpack("<HI16s", chunk[18:40])
    if subformat[2:] != _GUID_TAIL:
        raise UnusableRecordingError(f"an extensible subformat {subformat.hex()} that is not read")
    if bits % 8:
        raise UnusableRecordingError(f"extensible samples in containers of {bits} bits: whole bytes are needed")
    return struct.unpack("<H", subformat[:2])[0], valid_bits or bits
