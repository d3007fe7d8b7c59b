"""Headers and samples of files written byte by byte; damaged ones are read as far as they go, or refused."""

from __future__ import annotations

import struct
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from reconcile.recordings.wav import Recording, SampleFormat, UnusableRecordingError, open_recording
from tests.recordings.reading import samples_of
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
    np.testing.assert_array_equal(samples_of(recording)[0], expected.astype(np.float32))
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
    read = samples_of(recording).T.astype(np.float64)
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


@pytest.mark.parametrize(("riff_size", "size"), [(8, 0), (0, 0), (36, 0), (0, UNKNOWN), (UNKNOWN, UNKNOWN)])
@pytest.mark.parametrize("cut", [0, 1])
def test_a_size_that_was_never_filled_in_means_the_rest_of_the_file(
    riff_size: int, size: int, cut: int, tmp_path: Path
) -> None:
    path = tmp_path / "a.wav"
    content = riff(fmt(PCM, 16), chunk(b"data", integers(range(100), 16), size), size=riff_size)
    path.write_bytes(content[: len(content) - cut])
    recording = open_recording(path, "a")
    assert recording.n_frames == 100 - cut
    assert recording.shortfall == ""
    assert f"the rest of the file is taken, {200 - cut} bytes" in recording.oddities[0]
    assert recording.oddities[1:] == (("ends inside a frame: 1 of 2 bytes are left over",) if cut else ())
    np.testing.assert_array_equal(samples_of(recording)[0] * 2**15, np.arange(100 - cut))


@pytest.mark.parametrize("size", [0, UNKNOWN])
def test_a_long_form_whose_sizes_were_never_filled_in(size: int, tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(ds64(0, 0), fmt(PCM, 16), chunk(b"data", integers(range(100), 16), size), form=b"RF64"))
    recording = open_recording(path, "a")
    assert (recording.n_frames, recording.shortfall, len(recording.oddities)) == (100, "", 1)


def test_the_ds64_chunk_does_not_go_before_a_32_bit_size_that_is_filled_in(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(ds64(100, 50), fmt(PCM, 16), chunk(b"data", integers(range(100), 16)), form=b"RF64"))
    recording = open_recording(path, "a")
    assert recording.n_frames == 100
    assert recording.oddities == ("declares 200 bytes of data, and 100 in its ds64 chunk: the first counts",)


def test_an_empty_data_chunk_before_whole_chunks_is_empty(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(fmt(PCM, 16), chunk(b"data", b""), chunk(b"LIST", b"INFO" * 50)))
    with pytest.raises(UnusableRecordingError, match="holds no samples"):
        open_recording(path, "a")


ODDITIES = {
    "more declared than there is": (
        riff(fmt(PCM, 16), chunk(b"data", bytes(8)), size=100),
        "declares 100 bytes in all",
    ),
    "no pad byte": (riff(b"note\x03\0\0\0odd", fmt(PCM, 16), chunk(b"data", bytes(8))), "note has an odd size"),
    "something behind": (riff(fmt(PCM, 16), chunk(b"data", bytes(8))) + bytes(20), "from byte 52 on, 20 bytes"),
    "a chunk cut short behind": (
        riff(fmt(PCM, 16), chunk(b"data", bytes(8)), chunk(b"LIST", bytes(8), 800)),
        "LIST declares 800 bytes, 8 are left",
    ),
    "two formats": (riff(fmt(PCM, 16), fmt(PCM, 16), chunk(b"data", bytes(8))), "second format"),
    "a wrong byte rate": (
        riff(
            chunk(b"fmt ", struct.pack("<HHIIHH", PCM, 1, 8000, 8000, 2, 16)),
            chunk(b"data", bytes(8)),
        ),
        "declares 8000 bytes a second; by rate and block align it is 16000",
    ),
    "more valid bits than there are": (
        riff(extensible_fmt(PCM, 16, valid_bits=24), chunk(b"data", bytes(8))),
        "24 valid bits in 16",
    ),
    "RF64 without ds64": (riff(fmt(PCM, 16), chunk(b"data", bytes(8)), form=b"RF64"), "without its ds64"),
    "thousands of chunks": (riff(fmt(PCM, 16), chunk(b"data", bytes(8)), chunk(b"null", b"") * 5000), "more than 1000"),
}


@pytest.mark.parametrize("name", ODDITIES)
def test_oddities_that_lose_no_sample(name: str, tmp_path: Path) -> None:
    content, oddity = ODDITIES[name]
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    recording = open_recording(path, "a")
    assert (recording.n_frames, recording.shortfall) == (4, "")
    assert any(oddity in text for text in recording.oddities), recording.oddities
    np.testing.assert_array_equal(samples_of(recording), np.zeros((1, 4)))


def test_samples_behind_a_header_of_an_earlier_moment_are_named(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(fmt(PCM, 16), chunk(b"data", bytes(4000))) + b"\xff\x7f" * 8000)  # a second more
    recording = open_recording(path, "a")
    assert recording.n_frames == 2000
    assert recording.shortfall.startswith("16000 bytes behind the declared samples are not read")


def test_a_second_data_chunk_is_named(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(fmt(PCM, 16), chunk(b"data", bytes(8)), chunk(b"data", bytes(80))))
    recording = open_recording(path, "a")
    assert recording.n_frames == 4
    assert recording.shortfall == "a second data chunk, of 80 bytes, is not read"


@pytest.mark.parametrize(("cut", "left"), [(1, 99), (4, 99), (5, 98), (396, 1)])
def test_truncated_files_say_what_was_declared_and_what_is_there(cut: int, left: int, tmp_path: Path) -> None:
    content = riff(fmt(PCM, 16, 2), chunk(b"data", integers(range(200), 16)))
    path = tmp_path / "a.wav"
    path.write_bytes(content[:-cut])
    recording = open_recording(path, "a")
    assert recording.n_frames == left
    assert recording.shortfall == f"declares 100 frames, holds {left}"


def strange_fmt(*fields: int) -> bytes:
    """A format chunk of tag, channels, rate, bytes a second, block align and bits as they are given."""
    return chunk(b"fmt ", struct.pack("<HHIIHH", *fields))


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
    "block align of zero": riff(strange_fmt(PCM, 2, 8000, 0, 0, 16), chunk(b"data", bytes(100))),
    "block align of another width": riff(strange_fmt(PCM, 2, 8000, 48000, 6, 16), chunk(b"data", bytes(100))),
    "no bits": riff(strange_fmt(PCM, 2, 8000, 48000, 6, 0), chunk(b"data", bytes(100))),
    "64-bit integers": riff(strange_fmt(PCM, 1, 8000, 64000, 8, 64), chunk(b"data", bytes(100))),
    "16-bit floats": riff(strange_fmt(FLOAT, 1, 8000, 16000, 2, 16), chunk(b"data", bytes(100))),
    "a rate of 4 GHz": riff(strange_fmt(PCM, 1, UNKNOWN, UNKNOWN, 2, 16), chunk(b"data", bytes(100))),
    "an odd format chunk": riff(chunk(b"fmt ", fmt(PCM, 16)[8:] + b"x"), chunk(b"data", bytes(100))),
    "half an extension": riff(chunk(b"fmt ", extensible_fmt(PCM, 16)[8:30]), chunk(b"data", bytes(100))),
    "another subformat": riff(extensible_fmt(PCM, 16)[:-14] + bytes(14), chunk(b"data", bytes(100))),
    "a chunk past the end before the samples": riff(
        fmt(PCM, 16), chunk(b"LIST", b"", UNKNOWN), chunk(b"data", bytes(8))
    ),
    "a thousand chunks before the samples": riff(chunk(b"null", b"") * 1000, fmt(PCM, 16), chunk(b"data", bytes(8))),
    "big-endian": riff(fmt(PCM, 16), chunk(b"data", bytes(8)), form=b"RIFX"),
    "AIFF": b"FORM" + bytes(100),
    "FLAC's four letters alone": b"fLaC" + bytes(100),
}
NAMED = {"a lossy format": "A-law", "big-endian": "RIFX", "AIFF": "AIFF", "a rate of 4 GHz": "4294967295 Hz"}


@pytest.mark.parametrize("name", REFUSED)
def test_refused_with_a_reason(name: str, tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(REFUSED[name])
    with pytest.raises(UnusableRecordingError) as caught:
        open_recording(path, "a.wav")
    assert len(str(caught.value)) > 10
    assert NAMED.get(name, "") in str(caught.value)
    assert str(tmp_path) not in str(caught.value)  # reasons stand in the manifest, and a results folder may move


def test_what_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UnusableRecordingError, match="No such file"):
        open_recording(tmp_path / "none.wav", "none.wav")


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.wav").mkdir()
    with pytest.raises(UnusableRecordingError, match="not a file"):
        open_recording(tmp_path / "a.wav", "a.wav")


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


@pytest.mark.parametrize(
    ("container", "valid", "extensible"),
    [(16, 12, True), (16, 12, False), (24, 20, True), (24, 20, False), (32, 24, True)],
)
def test_valid_bits_stand_at_the_upper_end_of_their_container(
    container: int, valid: int, extensible: bool, tmp_path: Path
) -> None:
    values = np.array([-(2 ** (valid - 1)), -1, 0, 1, 2 ** (valid - 1) - 1])
    path = tmp_path / "a.wav"
    if extensible:
        head = extensible_fmt(PCM, container, valid_bits=valid)
    else:
        head = strange_fmt(PCM, 1, 8000, 8000 * container // 8, container // 8, valid)
    path.write_bytes(riff(head, chunk(b"data", integers(values << (container - valid), container))))
    recording = open_recording(path, "a")
    np.testing.assert_array_equal(samples_of(recording)[0], values / 2 ** (valid - 1))
    assert recording.oddities == ()
    assert recording.clip_value == (2 ** (valid - 1) - 1) * 2 ** (container - valid) / 2 ** (container - 1)
    assert recording.clip_value == samples_of(recording).max()


def test_no_valid_bits_are_all_bits(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(extensible_fmt(PCM, 32, valid_bits=0), chunk(b"data", bytes(8))))
    recording = open_recording(path, "a")
    assert (recording.sample_format.valid_bits, recording.oddities) == (32, ())


def test_clip_value_is_the_largest_integer() -> None:
    def clip_value(sample_format: SampleFormat) -> float:
        return Recording(Path("a"), "a", 8000, 1, 1, sample_format, 44).clip_value

    assert clip_value(SampleFormat(16, 16)) == 32767 / 32768
    assert clip_value(SampleFormat(24, 24)) == 8388607 / 8388608
    assert clip_value(SampleFormat(32, 32, is_float=True)) == 1.0
