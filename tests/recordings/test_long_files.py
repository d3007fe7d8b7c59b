"""Files past 4 GiB, sparse on the disk: first and last frames read exactly, at once, without memory."""

from __future__ import annotations

import os
import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from reconcile.recordings.blocks import ReadingReport, pressure_blocks
from reconcile.recordings.wav import open_recording
from tests.recordings.reading import stream_of
from tests.recordings.wav_bytes import PCM, UNKNOWN, bext, chunk, fmt, integers, riff

SIZE = 5 * 2**30
RATE_HZ = 96_000
FIRST, LAST = [1, -2, 8_388_607, -8_388_608, 5, 6], [-9, 8, 7, -6, 4_000_000, -4_000_000]


def long_ds64(riff_size: int, data_size: int) -> bytes:
    return chunk(b"ds64", struct.pack("<QQQI", riff_size, data_size, data_size // 6, 0))


def sparse(path: Path, head: bytes, tail: bytes, size: int = SIZE) -> None:
    """A file that begins with `head`, ends with `tail` and holds nothing between them."""
    with path.open("wb") as file:
        file.write(head)
    try:
        os.truncate(path, size)
    except OSError:
        pytest.skip("no file of that size can be made here")
    if path.stat().st_blocks * 512 > 2**20:
        pytest.skip("files here are not sparse")
    with path.open("r+b") as file:
        file.seek(size - len(tail))
        file.write(tail)


def data_bytes(head: int, behind: int = 0) -> int:
    """Whole 24-bit stereo frames that fit."""
    return (SIZE - head - behind) // 6 * 6


def headers() -> dict[str, tuple[bytes, bytes, int, bool]]:
    """Head of the file, what stands behind the samples, bytes of samples, and whether it is an oddity."""
    plain, time = fmt(PCM, 24, 2, RATE_HZ), bext("2025-05-01", 0)
    n_long, n_short = data_bytes(12 + 36 + 24 + 8), data_bytes(12 + 24 + 8)
    n_time = data_bytes(12 + 24 + 8, len(time))
    found = {}
    for form in (b"RF64", b"BW64"):
        total = 4 + 36 + 24 + 8 + n_long
        head = riff(long_ds64(total, n_long), plain, chunk(b"data", b"", UNKNOWN), form=form, size=UNKNOWN)
        found[form.decode()] = (head, b"", n_long, False)

    def short(n_data: int, riff_size: int, data_size: int) -> bytes:
        return riff(plain, chunk(b"data", b"", data_size), size=riff_size)

    wrapped = (4 + 24 + 8 + n_short) % 2**32
    found["both sizes wrapped"] = (short(n_short, wrapped, n_short % 2**32), b"", n_short, True)
    found["data wrapped, RIFF not filled in"] = (short(n_short, 0, n_short % 2**32), b"", n_short, True)
    with_time = (4 + 24 + 8 + n_time + len(time)) % 2**32
    found["wrapped, bext behind"] = (short(n_time, with_time, n_time % 2**32), time, n_time, True)
    found["never filled in"] = (short(n_short, 0, 0), b"", n_short, True)
    found["at the most of 32 bits"] = (short(n_short, UNKNOWN, UNKNOWN), b"", n_short, True)
    found["of an earlier moment"] = (short(n_short, 36 + 6000, 6000), b"", n_short, True)
    return found


@pytest.mark.parametrize("name", headers())
def test_first_and_last_frames(name: str, tmp_path: Path) -> None:
    head, behind, n_data, odd = headers()[name]
    path = tmp_path / "a.wav"
    sparse(path, head + integers(FIRST, 24), integers(LAST, 24) + behind, len(head) + n_data + len(behind))
    tracemalloc.start()
    try:
        recording = open_recording(path, "a")
        stream = stream_of(recording, 0, 1)
        first = next(pressure_blocks(stream, 0, 0.1, ReadingReport())).pressure_pa
        last = list(pressure_blocks(stream, recording.n_frames - 5, 0.1, ReadingReport()))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert recording.n_frames == n_data // 6
    assert recording.shortfall == ""
    assert bool(recording.oddities) == odd, recording.oddities
    assert (recording.origin is not None) == bool(behind)
    np.testing.assert_array_equal(first[:, :4].T.ravel() * 2**23, [*FIRST, 0, 0])
    assert [block.pressure_pa.shape for block in last] == [(2, 5)]
    np.testing.assert_array_equal(last[0].pressure_pa.T.ravel() * 2**23, [0, 0, 0, 0, *LAST])
    assert peak < 4e6


def test_a_long_file_that_was_cut(tmp_path: Path) -> None:
    n_data = 2 * SIZE // 6 * 6
    head = riff(long_ds64(72 + n_data, n_data), fmt(PCM, 24, 2, RATE_HZ), chunk(b"data", b"", UNKNOWN), form=b"RF64")
    path = tmp_path / "a.wav"
    sparse(path, head, b"")
    recording = open_recording(path, "a")
    assert recording.n_frames == (SIZE - len(head)) // 6
    assert recording.shortfall == f"declares {n_data // 6} frames, holds {recording.n_frames}"
