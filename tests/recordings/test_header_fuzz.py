"""Headers made up and mutated: a recording or a refusal comes out, never more frames than the file has bytes for."""

from __future__ import annotations

import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reconcile.recordings.blocks import ReadingReport, pressure_blocks
from reconcile.recordings.wav import Recording, UnusableRecordingError, open_recording
from tests.recordings.reading import stream_of
from tests.recordings.wav_bytes import PCM, bext, chunk, ds64, extensible_fmt, fmt, riff

MOST_BYTES = 6e6  # a buffer of 192 KiB and one of 256 KiB, FLAC's of 2 MiB, a block, and what Python needs
FLAC_FRAMES_PER_BYTE = 2**16 / 8  # eight bytes of a block may stand for so many samples of one value

EDGES = st.sampled_from([0, 1, 2, 7, 8, 16, 36, 44, 255, 2**15, 2**16 - 1, 2**31 - 1, 2**31, 2**32 - 101, 2**32 - 1])
sizes_32 = EDGES | st.integers(0, 400) | st.integers(0, 2**32 - 1)
sizes_64 = sizes_32 | st.sampled_from([2**32, 2**33 + 5, 2**63 - 1, 2**63, 2**64 - 1])
words = st.sampled_from([0, 1, 2, 3, 4, 6, 8, 12, 16, 20, 24, 32, 64, 0xFFFE, 0xFFFF]) | st.integers(0, 2**16 - 1)
rates = st.sampled_from([0, 999, 1000, 8000, 96_000, 2_000_000, 2_000_001, 2**32 - 1])
names = st.sampled_from([b"fmt ", b"data", b"ds64", b"bext", b"JUNK", b"LIST"]) | st.binary(min_size=4, max_size=4)
contents = st.binary(max_size=120)

good_formats = st.one_of(
    st.builds(
        lambda tag, channels, bits, rate: fmt(tag, bits, channels, rate),
        st.sampled_from([1, 3]),
        st.integers(1, 5),
        st.sampled_from([8, 16, 24, 32, 64]),
        st.sampled_from([8000, 96_000]),
    ),
    st.builds(
        lambda bits, valid, channels: extensible_fmt(PCM, bits, channels, valid_bits=valid),
        st.sampled_from([8, 16, 24, 32]),
        st.integers(0, 40),
        st.integers(1, 5),
    ),
)
formats = good_formats | st.builds(
    lambda tag, channels, rate, a, align, bits, more: chunk(
        b"fmt ", struct.pack("<HHIIHH", tag, channels, rate, a, align, bits) + more
    ),
    words, words, rates, sizes_32, words, words, contents,
)  # fmt: skip
long_sizes = st.builds(
    lambda riff_size, data: chunk(b"ds64", struct.pack("<QQQI", riff_size, data, 0, 0)), sizes_64, sizes_64
)
any_chunk = st.builds(chunk, names, contents, st.none() | sizes_32)
data_chunk = st.builds(lambda content, size: chunk(b"data", content, size), contents, st.none() | sizes_32)
made_up = st.builds(
    lambda form, size, chunks, cut: riff(*chunks, form=form, size=size)[: -cut or None],
    st.sampled_from([b"RIFF", b"RF64", b"BW64", b"RIFX"]),
    st.none() | sizes_32,
    st.lists(formats | long_sizes | any_chunk | data_chunk, max_size=6)
    | st.tuples(good_formats, data_chunk)
    | st.tuples(good_formats, any_chunk, data_chunk, any_chunk)
    | st.tuples(long_sizes, good_formats, data_chunk, any_chunk),
    st.integers(0, 30),
)
WHOLE = riff(
    ds64(600, 100),
    bext("2025-05-01", 7),
    extensible_fmt(PCM, 24, 2),
    chunk(b"LIST", b"INFO!"),
    chunk(b"data", bytes(600)),
)


@st.composite
def mutated(draw: st.DrawFn, whole: bytes, header_bytes: int) -> bytes:
    """A good file with some bytes of its header changed, and perhaps its end cut off."""
    content = bytearray(whole)
    for at in draw(st.lists(st.integers(0, header_bytes - 1), max_size=6)):
        content[at] = draw(st.sampled_from([0, 1, 0x7F, 0x80, 0xFF]) | st.integers(0, 255))
    return bytes(content[: draw(st.just(len(content)) | st.integers(0, len(content)))])


def most_frames(recording: Recording, n_bytes: int) -> float:
    """The frames that a file of so many bytes can hold at most."""
    if recording.data_offset is None:
        return n_bytes * FLAC_FRAMES_PER_BYTE
    return (n_bytes - recording.data_offset) // recording.frame_bytes


def survives(path: Path, content: bytes) -> Recording | None:
    """Open and read whatever the bytes are; the recording, where they are one."""
    path.write_bytes(content)
    recording, reason = None, ""
    try:
        recording = open_recording(path, "a")
    except UnusableRecordingError as error:
        reason = str(error)
    if recording is None:
        assert 0 < len(reason) < 400
        return None
    assert 0 < recording.n_frames <= most_frames(recording, len(content))
    assert recording.n_channels >= 1
    assert len(recording.oddities) < 1200
    stream = stream_of(recording, recording.n_channels - 1)
    n_read = 0
    with np.errstate(over="ignore"):
        for block in pressure_blocks(stream, 0, min(0.1, 65_536 / recording.rate_hz), ReadingReport()):
            assert np.isfinite(block.pressure_pa).all()
            n_read += block.pressure_pa.shape[1]
    assert n_read == recording.n_frames
    return recording


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz") / "a.wav"


def survives_in_little_memory(path: Path, content: bytes) -> None:
    tracemalloc.start()
    try:
        survives(path, content)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < MOST_BYTES


QUIET = settings(max_examples=400, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


@QUIET
@given(content=made_up)
def test_made_up_headers(place: Path, content: bytes) -> None:
    survives_in_little_memory(place, content)


@QUIET
@given(content=mutated(WHOLE, len(WHOLE) - 600))
def test_mutated_headers(place: Path, content: bytes) -> None:
    survives_in_little_memory(place, content)


@QUIET
@given(content=st.binary(max_size=300).map(lambda tail: b"RIFF\0\0\0\0WAVE" + tail))
def test_any_bytes_behind_the_form(place: Path, content: bytes) -> None:
    survives_in_little_memory(place, content)


@pytest.fixture(scope="module")
def flac(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("flac") / "a.flac"
    soundfile.write(path, np.random.default_rng(4).standard_normal(6000) * 0.1, 8000, subtype="PCM_16")
    return path.read_bytes()


@settings(QUIET, max_examples=150)
@given(data=st.data())
def test_mutated_flac_headers(flac: bytes, place: Path, data: st.DataObject) -> None:
    survives_in_little_memory(place, data.draw(mutated(flac, 120)))


def test_the_unmutated_ones_are_read(flac: bytes, place: Path) -> None:
    for content in (WHOLE, flac):
        assert survives(place, content) is not None
