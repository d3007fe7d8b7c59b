"""Samples are the bits that libsndfile gives, for every form, any number of channels, any place to start."""

from __future__ import annotations

import tracemalloc
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

from reconcile.recordings.blocks import ReadingReport, pressure_blocks
from reconcile.recordings.wav import Recording, decoder, open_recording
from tests.recordings.reading import samples_of, stream_of
from tests.recordings.wav_bytes import PCM, chunk, fmt, riff

BITS = {"PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64}


def any_bits(path: Path, subtype: str, n_channels: int, n_frames: int, form: str = "WAV") -> Recording:
    """A file whose samples are arbitrary bits, the extremes among them; floats so far as they are finite."""
    rng = np.random.default_rng(BITS[subtype] + n_channels)
    raw = rng.bytes(n_frames * n_channels * BITS[subtype] // 8)
    if subtype in ("FLOAT", "DOUBLE"):
        values = np.frombuffer(raw, f"<f{BITS[subtype] // 8}").copy()
        values[~np.isfinite(values)] = 0.5
        values[: values.size // 2] = rng.uniform(-1.0, 1.0, values.size // 2)
    else:
        integers = np.frombuffer(rng.bytes(4 * n_frames * n_channels), "<i4").copy()
        integers[:4] = [-(2**31), 2**31 - 1, 0, -1]
        values = integers
    soundfile.write(path, values.reshape(n_frames, n_channels), 96_000, subtype=subtype, format=form)
    return open_recording(path, path.name)


def read(recording: Recording, channels: Sequence[int], first: int, n: int) -> np.ndarray:
    out = np.empty((len(channels), n), dtype=np.float32)
    with decoder(recording, channels) as source:
        return out[:, : source.read(first, out)]


@pytest.mark.parametrize("form", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("n_channels", [1, 2, 3, 7])
@pytest.mark.parametrize("subtype", BITS)
def test_bit_identical_to_libsndfile(subtype: str, n_channels: int, form: str, tmp_path: Path) -> None:
    recording = any_bits(tmp_path / "a.wav", subtype, n_channels, 5003, form)
    assert (recording.subtype, recording.n_channels, recording.n_frames) == (subtype, n_channels, 5003)
    assert recording.oddities == ()
    expected = soundfile.read(recording.path, dtype="float32", always_2d=True)[0].T
    np.testing.assert_array_equal(samples_of(recording).view(np.int32), np.ascontiguousarray(expected).view(np.int32))


@pytest.mark.parametrize("subtype", BITS)
def test_across_the_pieces_of_a_long_read(subtype: str, tmp_path: Path) -> None:
    recording = any_bits(tmp_path / "a.wav", subtype, 2, 600_001)  # several buffers long
    expected = soundfile.read(recording.path, dtype="float32", always_2d=True)[0].T
    np.testing.assert_array_equal(samples_of(recording), expected)
    np.testing.assert_array_equal(read(recording, [1], 12_345, 500_000), expected[1:, 12_345:512_345])


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_some_channels_from_any_frame(subtype: str, tmp_path: Path) -> None:
    recording = any_bits(tmp_path / "a.wav", subtype, 5, 997)
    expected = soundfile.read(recording.path, dtype="float32", always_2d=True)[0].T
    for channels in ([0], [4], [4, 0], [1, 1], [2, 3, 4]):
        for first, n in [(0, 1), (996, 1), (996, 50), (500, 300), (997, 5), (5000, 5), (0, 997)]:
            np.testing.assert_array_equal(read(recording, channels, first, n), expected[channels, first : first + n])


def test_hundreds_of_channels(tmp_path: Path) -> None:
    recording = any_bits(tmp_path / "a.wav", "PCM_24", 300, 100)
    expected = soundfile.read(recording.path, dtype="float32", always_2d=True)[0].T
    np.testing.assert_array_equal(read(recording, [0, 299], 3, 90), expected[[0, 299], 3:93])


def test_the_widest_frame_that_a_header_can_declare(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(fmt(PCM, 8, 65535), chunk(b"data", bytes([200]) * 65535 * 3 + bytes(9))))
    recording = open_recording(path, "a")
    assert recording.n_frames == 3
    np.testing.assert_array_equal(read(recording, [65534], 0, 9), np.full((1, 3), 72 / 128))


def test_floats_that_float32_cannot_hold_are_not_finite(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.array([1e300, -1e300, np.nan, 0.25]), 8000, subtype="DOUBLE")
    recording = open_recording(path, "a")
    np.testing.assert_array_equal(samples_of(recording)[0], np.array([np.inf, -np.inf, np.nan, 0.25], dtype=np.float32))
    report = ReadingReport()
    block = next(pressure_blocks(stream_of(recording), 0, 1.0, report))
    assert block.pressure_pa.tolist() == [[0.0, 0.0, 0.0, 0.25]]
    assert "not finite" in report.damaged["a"]


@pytest.mark.parametrize("block_s", [0.5, 60.0])
def test_memory_beside_the_block_itself_does_not_grow_with_it(block_s: float, tmp_path: Path) -> None:
    recording = any_bits(tmp_path / "a.wav", "PCM_24", 4, 96_000 * 20)
    stream = stream_of(recording, 2)
    n_frames = min(recording.n_frames, round(block_s * 96_000))
    tracemalloc.start()
    try:
        for block in pressure_blocks(stream, 0, block_s, ReadingReport()):
            assert block.pressure_pa.shape[0] == 1
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    held = 3 * 4 * n_frames  # the block before, this one, and a copy while full scale is looked for
    assert peak < held + 4e6
