from __future__ import annotations

import struct
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from reconcile.scenario.wav_writer import to_integers, write_wav


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("extensible", [False, True])
@pytest.mark.parametrize("n_channels", [1, 2, 3])
@pytest.mark.parametrize("with_bext", [False, True])
def test_libsndfile_reads_the_exact_samples(
    tmp_path: Path, bits: int, extensible: bool, n_channels: int, with_bext: bool
) -> None:
    rng = np.random.default_rng(7)
    integers = rng.integers(-(2 ** (bits - 1)) + 1, 2 ** (bits - 1), size=(997, n_channels))
    integers[0], integers[1] = -(2 ** (bits - 1)) + 1, 2 ** (bits - 1) - 1
    path = tmp_path / "one.wav"
    first_sample = datetime(2031, 5, 12, 8, 30, tzinfo=UTC) if with_bext else None
    channels = list((integers / 2.0 ** (bits - 1)).T)
    write_wav(path, channels, 44100, bits=bits, extensible=extensible, first_sample=first_sample)
    read, rate_hz = soundfile.read(path, dtype="int32", always_2d=True)
    assert rate_hz == 44100
    assert np.array_equal(read >> (32 - bits), integers)
    info = soundfile.info(path)
    assert (info.subtype, info.format) == (f"PCM_{bits}", "WAVEX" if extensible else "WAV")
    assert path.stat().st_size % 2 == 0
    assert [p.name for p in tmp_path.iterdir()] == ["one.wav"]


def test_bext_counts_samples_since_midnight(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", [np.zeros(5)], 48000, first_sample=datetime(2031, 5, 12, 8, 31, 10, tzinfo=UTC))
    data = (tmp_path / "a.wav").read_bytes()
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    at = data.index(b"bext") + 8
    assert struct.unpack("<I", data[at - 4 : at])[0] == 602
    assert data[at + 320 : at + 338] == b"2031-05-1208:31:10"
    assert struct.unpack("<Q", data[at + 338 : at + 346])[0] == (8 * 3600 + 31 * 60 + 10) * 48000


@pytest.mark.parametrize("sample", [1.0, -1.001, float("nan")])
def test_a_sample_beyond_full_scale_is_refused(sample: float) -> None:
    with pytest.raises(ValueError, match="beyond 16-bit"):
        to_integers(np.array([0.0, sample]), 16)
