"""Headers and samples of files written byte by byte; damaged ones are read as far as they go, or refused."""

from __future__ import annotations

import struct
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from reconcile.recordings.wav import Recording, UnusableRecordingError, decoder, open_recording
from tests.recordings.wav_bytes import (
    FLOAT,
    PCM,
    UNKNOWN,
    bext,
    chunk,
    ds64,
    extensible_fmt,
    floats,
    fmt,
    integers,
    riff,
)

LEVELS = (-1.0, -0.5, 0.0, 0.25, 0.75)


def whole(bits: int) -> list[int]:
    """The levels as integers, and the smallest and largest steps."""
    full = 2 ** (bits - 1)
    return [round(level * full) for level in LEVELS] + [1, -1, full - 1]


FILES = {
    "pcm16": (riff(fmt(PCM, 16), chunk(b"data", integers(whole(16), 16))), "PCM_16", np.array(whole(16)) / 2**15),
    "pcm24": (riff(fmt(PCM, 24), chunk(b"data", integers(whole(24), 24))), "PCM_24", np.array(whole(24)) / 2**23),
    "pcm32": (riff(fmt(PCM, 32), chunk(b"data", integers(whole(32), 32))), "PCM_32", np.array(whole(32)) / 2**31),
    "float32": (riff(fmt(FLOAT, 32), chunk(b"data", floats(LEVELS, 32))), "FLOAT", np.array(LEVELS)),
    "float64": (riff(fmt(FLOAT, 64), chunk(b"data", floats(LEVELS, 64))), "DOUBLE", np.array(LEVELS)),
    "extensible24": (
        riff(extensible_fmt(PCM, 24), chunk(b"data", integers(whole(24), 24))),
        "PCM_24",
        np.array(whole(24)) / 2**23,
    ),
    "extensible float": (
        riff(extensible_fmt(FLOAT, 32), chunk(b"data", floats(LEVELS, 32))),
        "FLOAT",
        np.array(LEVELS),
    ),
    "odd chunk with its pad byte": (
        riff(chunk(b"note", b"odd"), fmt(PCM, 16), chunk(b"LIST", b"INFO!"), chunk(b"data", integers(whole(16), 16))),
        "PCM_16",
        np.array(whole(16)) / 2**15,
    ),
    "odd data with its pad byte": (
        riff(fmt(PCM, 24), chunk(b"data", integers([1, 2, 3], 24)), chunk(b"note", b"x")),
        "PCM_24",
        np.array([1, 2, 3]) / 2**23,
    ),
}


@pytest.mark.parametrize("name", FILES)
def test_read_exactly(name: str, tmp_path: Path) -> None:
    content, subtype, expected = FILES[name]
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    recording = open_recording(path, "a.wav")
    assert (recording.rate_hz, recording.n_channels, recording.n_frames) == (8000, 1, len(expected))
    assert (recording.subtype, recording.shortfall, recording.origin) == (subtype, "", None)
    with decoder(path) as file:
        np.testing.assert_array_equal(file.read(dtype="float64"), expected)
    np.testing.assert_array_equal(soundfile.read(path, dtype="float64")[0], expected)


@pytest.mark.parametrize("form", [b"RF64", b"BW64"])
@pytest.mark.parametrize("missing", [0, 5])
def test_long_forms_by_their_ds64_chunk(form: bytes, missing: int, tmp_path: Path) -> None:
    data = integers(range(-500, 500), 16)
    path = tmp_path / "a.wav"
    content = riff(ds64(len(data), 500), fmt(PCM, 16, 2), chunk(b"data", data, UNKNOWN), form=form, size=UNKNOWN)
    path.write_bytes(content[: len(content) - missing])
    recording = open_recording(path, "a.wav")
    assert recording.n_frames == (498 if missing else 500)  # five bytes less: one frame and a piece of another
    assert recording.shortfall == ("declares 500 frames, holds 498" if missing else "")
    with decoder(path) as file:
        read = file.read(recording.n_frames, dtype="float64", always_2d=True)
    np.testing.assert_array_equal(read.ravel() * 2**15, np.arange(-500, -500 + 2 * recording.n_frames))


@pytest.mark.parametrize("order", ["before", "after"])
def test_bext_before_or_after_the_samples(order: str, tmp_path: Path) -> None:
    data = chunk(b"data", integers([1, 2, 3], 24))  # nine bytes: the pad byte is passed over
    time = bext("2025-05-01", 8000 * (3600 * 9 + 61) + 2000)  # 09:01:01.25
    path = tmp_path / "a.wav"
    path.write_bytes(riff(time, fmt(PCM, 24), data) if order == "before" else riff(fmt(PCM, 24), data, time))
    assert open_recording(path, "a").origin == datetime(2025, 5, 1, 9, 1, 1, 250_000)


def test_bext_time_reference_beyond_32_bits(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    rate_hz = 192_000
    content = riff(bext("2025_05_01", rate_hz * 86_399), fmt(PCM, 16, 1, rate_hz), chunk(b"data", bytes(8)))
    path.write_bytes(content)
    assert rate_hz * 86_399 > 2**33
    assert open_recording(path, "a").origin == datetime(2025, 5, 1, 23, 59, 59)


@pytest.mark.parametrize(("date", "reference"), [("2025-05-01", 2**64 - 1), ("\0" * 10, 0), ("2025-13-45", 0)])
def test_a_senseless_bext_time_is_no_time(date: str, reference: int, tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(bext(date, reference), fmt(PCM, 16), chunk(b"data", bytes(8))))
    assert open_recording(path, "a").origin is None


@pytest.mark.parametrize(("riff_size", "size"), [(8, 0), (0, UNKNOWN), (UNKNOWN, UNKNOWN)])
def test_a_size_that_was_never_filled_in_means_the_rest_of_the_file(riff_size: int, size: int, tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(fmt(PCM, 16), chunk(b"data", integers(range(100), 16), size), size=riff_size))
    recording = open_recording(path, "a")
    assert recording.n_frames == 100
    assert recording.shortfall == ""


def test_a_file_that_was_not_closed_and_cannot_be_read_says_so(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(fmt(PCM, 16), chunk(b"data", integers(range(100), 16), 0), size=0))
    with pytest.raises(UnusableRecordingError, match="200 bytes follow it"):
        open_recording(path, "a")


@pytest.mark.parametrize(("cut", "left"), [(1, 99), (4, 99), (5, 98), (396, 1)])
def test_truncated_files_say_what_was_declared_and_what_is_there(cut: int, left: int, tmp_path: Path) -> None:
    content = riff(fmt(PCM, 16, 2), chunk(b"data", integers(range(200), 16)))
    path = tmp_path / "a.wav"
    path.write_bytes(content[:-cut])
    recording = open_recording(path, "a")
    assert recording.n_frames == left
    assert recording.shortfall == f"declares 100 frames, holds {left}"


ALAW = chunk(b"fmt ", struct.pack("<HHIIHH", 6, 1, 8000, 8000, 1, 8))
REFUSED = {
    "text": b"This is not sound, whatever its name says.\n" * 20,
    "empty": b"",
    "only a header": riff(fmt(PCM, 16)),
    "no samples": riff(fmt(PCM, 16), chunk(b"data", b"")),
    "all samples missing": riff(fmt(PCM, 16), chunk(b"data", bytes(100)))[:-100],
    "less than a frame": riff(fmt(PCM, 16, 2), chunk(b"data", bytes(100)))[:-98],
    "no format": riff(chunk(b"data", bytes(100))),
    "no channels": riff(fmt(PCM, 16, 0), chunk(b"data", bytes(100))),
    "no rate": riff(fmt(PCM, 16, 1, 0), chunk(b"data", bytes(100))),
    "too low a rate": riff(fmt(PCM, 16, 1, 800), chunk(b"data", bytes(100))),
    "zeros": bytes(1000),
    "a lossy format": riff(ALAW, chunk(b"data", bytes(100))),
    "half a header": riff(fmt(PCM, 16))[:14],
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused_with_a_reason(name: str, tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(REFUSED[name])
    with pytest.raises(UnusableRecordingError) as caught:
        open_recording(path, "a.wav")
    assert len(str(caught.value)) > 10
    assert str(tmp_path) not in str(caught.value)  # reasons stand in the manifest, and a results folder may move


def test_what_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UnusableRecordingError, match="No such file"):
        open_recording(tmp_path / "none.wav", "none.wav")


def test_every_prefix_and_many_flipped_bytes_raise_nothing_else(tmp_path: Path) -> None:
    content = riff(bext("2025-05-01", 0), fmt(PCM, 16), chunk(b"data", integers(range(20), 16)))
    rng = np.random.default_rng(20)
    damaged = [content[:n] for n in range(0, len(content), 7)]
    header = np.r_[0:20, 330:370, len(content) - 84 : len(content)]
    for _ in range(300):
        copy = bytearray(content)
        for at in rng.choice(header, 3):
            copy[at] = rng.integers(256)
        damaged.append(bytes(copy))
    path = tmp_path / "a.wav"
    usable = 0
    for data in damaged:
        path.write_bytes(data)
        try:
            recording = open_recording(path, "a")
        except UnusableRecordingError:
            continue
        usable += 1
        assert recording.n_frames > 0
        assert recording.n_channels > 0
    assert usable > 10


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_16", 16), ("PCM_24", 24)])
def test_flac(subtype: str, bits: int, tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    values = np.array(whole(bits))
    soundfile.write(path, (values << (32 - bits)).astype(np.int32), 8000, subtype=subtype)
    recording = open_recording(path, "a.flac")
    assert (recording.n_frames, recording.subtype) == (len(values), subtype)
    with decoder(path) as file:
        np.testing.assert_array_equal(file.read(dtype="float64") * 2 ** (bits - 1), values)


def test_clip_value_is_the_largest_integer() -> None:
    def clip_value(subtype: str) -> float:
        return Recording(Path("a"), "a", 8000, 1, 1, subtype, None, "").clip_value

    assert clip_value("PCM_16") == 32767 / 32768
    assert clip_value("PCM_24") == 8388607 / 8388608
    assert clip_value("FLOAT") == 1.0
