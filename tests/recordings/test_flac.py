"""FLAC: exact samples, frames by the header where it tells the truth, damaged files as far as they go."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from reconcile.recordings.blocks import ReadingReport, pressure_blocks
from reconcile.recordings.wav import Recording, UnusableRecordingError, open_recording
from tests.recordings.reading import samples_of, stream_of

N_FRAMES = 300_007
BLOCK = 4096  # frames that libsndfile's encoder puts into one block
TOTAL_AT = 21  # byte of the stream information whose lower half begins the 36-bit number of samples


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    """Two channels of noise as 32-bit integers."""
    rng = np.random.default_rng(31)
    return (rng.standard_normal((N_FRAMES, 2)) * 2**27).astype(np.int32)


@pytest.fixture
def flac(sound: np.ndarray, tmp_path: Path) -> Path:
    soundfile.write(tmp_path / "a.flac", sound, 96_000, subtype="PCM_24")
    return tmp_path / "a.flac"


def pressure(recording: Recording, block_s: float = 0.7) -> tuple[np.ndarray, dict[str, str]]:
    report = ReadingReport()
    blocks = [b.pressure_pa for b in pressure_blocks(stream_of(recording, 1), 0, block_s, report)]
    return np.concatenate(blocks, axis=1)[0], report.damaged


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_16", 16), ("PCM_24", 24)])
def test_exact(subtype: str, bits: int, sound: np.ndarray, tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    soundfile.write(path, sound, 96_000, subtype=subtype)
    recording = open_recording(path, "a.flac")
    assert (recording.n_frames, recording.n_channels, recording.rate_hz) == (N_FRAMES, 2, 96_000)
    assert (recording.subtype, recording.sample_format.valid_bits) == (subtype, bits)
    assert (recording.shortfall, recording.oddities) == ("", ())
    assert recording.clip_value == (2 ** (bits - 1) - 1) / 2 ** (bits - 1)
    expected = (sound >> (32 - bits)) / 2 ** (bits - 1)
    np.testing.assert_array_equal(samples_of(recording), expected.T)
    heard, damaged = pressure(recording)
    np.testing.assert_array_equal(heard, expected[:, 1])
    assert damaged == {}


@pytest.mark.parametrize("first", [0, 1, 65_536, 200_000, N_FRAMES - 1])
def test_any_first_sample(first: int, flac: Path, sound: np.ndarray) -> None:
    stream = stream_of(open_recording(flac, "a"), 0)
    blocks = [b.pressure_pa[0] for b in pressure_blocks(stream, first, 0.9, ReadingReport())]
    np.testing.assert_array_equal(np.concatenate(blocks), (sound[first:, 0] >> 8) / 2**23)


@pytest.mark.parametrize("kept", [0.03, 0.3, 0.5, 0.999])
def test_a_truncated_file_is_named_and_used_as_far_as_it_goes(kept: float, flac: Path, sound: np.ndarray) -> None:
    content = flac.read_bytes()
    n_bytes = len(content)
    flac.write_bytes(content[: round(kept * n_bytes)])
    recording = open_recording(flac, "a")
    # Noise takes the same number of bytes in each block but for a percent: the whole blocks that are left, or one less.
    assert recording.n_frames % BLOCK == 0
    assert 0 <= kept * N_FRAMES - recording.n_frames < 2 * BLOCK + 0.01 * N_FRAMES
    assert recording.shortfall == f"declares {N_FRAMES} frames, holds {recording.n_frames}"
    heard, damaged = pressure(recording)
    np.testing.assert_array_equal(heard, (sound[: recording.n_frames, 1] >> 8) / 2**23)
    assert damaged == {}


def test_less_than_a_block_is_refused(flac: Path) -> None:
    flac.write_bytes(flac.read_bytes()[:9000])
    with pytest.raises(UnusableRecordingError, match=f"declares {N_FRAMES} frames, holds 0"):
        open_recording(flac, "a")


@pytest.mark.parametrize(
    ("total", "shortfall"), [(0, ""), (2**36 - 1, "declares 68719476735"), (400_000, "declares 400000")]
)
def test_a_number_of_frames_that_is_not_the_truth(total: int, shortfall: str, flac: Path) -> None:
    content = bytearray(flac.read_bytes())
    content[TOTAL_AT] = content[TOTAL_AT] & 0xF0 | total >> 32
    content[TOTAL_AT + 1 : TOTAL_AT + 5] = (total & 0xFFFFFFFF).to_bytes(4, "big")
    flac.write_bytes(content)
    recording = open_recording(flac, "a")
    assert recording.n_frames == N_FRAMES
    assert recording.shortfall.startswith(shortfall)
    assert bool(recording.shortfall) == bool(shortfall)
    assert len(recording.oddities) == (0 if shortfall else 1)


def test_a_damaged_place_is_zero_and_what_follows_keeps_its_time(flac: Path, sound: np.ndarray) -> None:
    content = bytearray(flac.read_bytes())
    content[len(content) // 2] ^= 0x55
    flac.write_bytes(content)
    heard, damaged = pressure(open_recording(flac, "a"))
    wrong = np.flatnonzero(heard != (sound[:, 1] >> 8) / 2**23)
    assert 0 < wrong.size <= 2**16
    assert np.all(heard[wrong] == 0.0)
    assert wrong[0] < N_FRAMES // 2 + BLOCK
    assert wrong[-1] > N_FRAMES // 2 - BLOCK
    assert "65536 frames could not be read, they count as zero" in damaged["a"]
