"""Abutting files are one stream to the sample; gaps, overlaps, other rates, shared recorders, bad files."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from reconcile.recordings.blocks import ReadingReport, pressure_blocks
from reconcile.recordings.streams import Stream
from tests.recordings.campaigns import RATE_HZ, inventory, station, write


def ramp(first: int, n: int) -> np.ndarray:
    """Sample values that tell where they belong: exact in float32."""
    return np.arange(first, first + n) / 2**20


def sound(stream: Stream) -> np.ndarray:
    """All samples of a stream's first channel; the chain is 1 Pa at 1.0, so these are the sample values."""
    blocks = [block.pressure_pa[0] for block in pressure_blocks(stream, 0, 1.0, ReadingReport())]
    return np.concatenate(blocks)


def test_abutting_files_are_joined_to_the_sample(tmp_path: Path) -> None:
    lengths = [8000, 12345, 1, 16000]
    first = 0
    for n in lengths:
        write(tmp_path, first / RATE_HZ, ramp(first, n))  # names are to the microsecond: 0.4 us off at most
        first += n
    found = inventory(tmp_path, station("A"))
    assert len(found.streams) == 1
    stream = found.streams[0]
    assert stream.n_samples == sum(lengths)
    assert [segment.at for segment in stream.segments] == [0, 8000, 20345, 20346]
    np.testing.assert_array_equal(sound(stream), ramp(0, sum(lengths)))
    assert found.warnings == []
    assert [stream.locate(s) for s in (0, 7999, 8000, 20345, 20346)] == [
        ("20250501T080000.000000.wav", 0),
        ("20250501T080000.000000.wav", 7999),
        ("20250501T080001.000000.wav", 0),
        ("20250501T080002.543125.wav", 0),
        ("20250501T080002.543250.wav", 0),
    ]


@pytest.mark.parametrize(("off_s", "streams"), [(0.0019, 1), (-0.0019, 1), (0.0021, 2), (-0.0021, 2)])
def test_two_milliseconds_still_abut(off_s: float, streams: int, tmp_path: Path) -> None:
    write(tmp_path, 10.0, ramp(0, RATE_HZ))
    write(tmp_path, 11.0 + off_s, ramp(RATE_HZ, RATE_HZ))
    assert len(inventory(tmp_path, station("A")).streams) == streams


def test_small_errors_of_the_names_do_not_add_up(tmp_path: Path) -> None:
    for k in range(10):
        write(tmp_path, k + (0.0015 if k % 2 else 0.0), ramp(k * RATE_HZ, RATE_HZ))
    found = inventory(tmp_path, station("A"))
    assert len(found.streams) == 1
    np.testing.assert_array_equal(sound(found.streams[0]), ramp(0, 10 * RATE_HZ))


def test_a_gap_begins_a_new_stream_and_is_reported(tmp_path: Path) -> None:
    write(tmp_path, 0.0, ramp(0, RATE_HZ))
    write(tmp_path, 3.5, ramp(0, RATE_HZ))
    found = inventory(tmp_path, station("A"))
    assert [s.n_samples for s in found.streams] == [RATE_HZ, RATE_HZ]
    assert found.streams[1].start_us - found.streams[0].start_us == 3_500_000
    assert "gap of 2.500 s before 20250501T080003.500000.wav" in found.warnings[0]


def test_what_overlaps_is_skipped_and_reported(tmp_path: Path) -> None:
    write(tmp_path, 0.0, ramp(0, 2 * RATE_HZ))
    write(tmp_path, 1.5, ramp(12000, 2 * RATE_HZ))
    found = inventory(tmp_path, station("A"))
    first, second = found.streams
    np.testing.assert_array_equal(sound(second), ramp(16000, 12000))  # goes on where the first ends
    assert second.start_us == first.start_us + 2_000_000
    assert second.locate(0) == ("20250501T080001.500000.wav", 4000)
    assert "overlaps the one before by 0.500 s, which is skipped" in found.warnings[0]


def test_a_file_within_another_is_not_used(tmp_path: Path) -> None:
    write(tmp_path, 0.0, ramp(0, 4 * RATE_HZ))
    write(tmp_path, 1.0, ramp(0, RATE_HZ))
    write(tmp_path, 4.0, ramp(4 * RATE_HZ, RATE_HZ))
    found = inventory(tmp_path, station("A"))
    assert len(found.streams) == 1
    np.testing.assert_array_equal(sound(found.streams[0]), ramp(0, 5 * RATE_HZ))
    assert [r.name for r in found.recordings] == ["20250501T080000.000000.wav", "20250501T080004.000000.wav"]
    assert "skipped" in found.warnings[0]


def test_another_rate_is_another_stream(tmp_path: Path) -> None:
    write(tmp_path, 0.0, ramp(0, RATE_HZ))
    write(tmp_path, 1.0, ramp(0, 4000), rate_hz=4000)
    found = inventory(tmp_path, station("A"))
    assert [s.rate_hz for s in found.streams] == [RATE_HZ, 4000]
    assert [s.channels[0].valid_to_hz for s in found.streams] == [0.45 * RATE_HZ, 1800.0]
    assert "is at 4000 Hz, the one before at 8000 Hz" in found.warnings[0]


def test_two_stations_of_one_recorder_share_its_stream(tmp_path: Path) -> None:
    both = np.stack([ramp(0, RATE_HZ), -ramp(0, RATE_HZ)], axis=1)
    write(tmp_path, 0.0, both)
    found = inventory(tmp_path, station("A", 1), station("B", 2))
    assert len(found.streams) == 1
    stream = found.streams[0]
    assert [(c.station_id, c.channel) for c in stream.channels] == [("A", 0), ("B", 1)]
    block = next(pressure_blocks(stream, 0, 1.0, ReadingReport()))
    np.testing.assert_array_equal(block.pressure_pa, both.T.astype(np.float32))


def test_a_channel_that_is_not_there(tmp_path: Path) -> None:
    write(tmp_path, 0.0, np.stack([ramp(0, RATE_HZ)] * 2, axis=1))
    write(tmp_path, 1.0, ramp(0, RATE_HZ))
    found = inventory(tmp_path, station("A", 1), station("B", 2))
    assert found.refused == {}
    assert found.damaged == {"20250501T080001.000000.wav": "station B needs channel 2, it has 1"}
    assert {c.station_id: s.n_samples for s in found.streams for c in s.channels} == {"A": 16000, "B": 8000}
    alone = inventory(tmp_path, station("B", 3))
    assert set(alone.refused) == {"20250501T080000.000000.wav", "20250501T080001.000000.wav"}
    assert alone.streams == []
    assert alone.recordings == []


def test_unusable_files_are_named_and_the_rest_goes_on(tmp_path: Path) -> None:
    write(tmp_path, 0.0, ramp(0, RATE_HZ))
    (tmp_path / "20250501T080001.000000.wav").write_text("not sound", encoding="utf-8")
    write(tmp_path, 2.0, ramp(0, RATE_HZ)).rename(tmp_path / "unnamed.wav")
    cut = write(tmp_path, 3.0, ramp(0, RATE_HZ), subtype="PCM_16")
    cut.write_bytes(cut.read_bytes()[:-1001])
    found = inventory(tmp_path, station("A"))
    assert set(found.refused) == {"20250501T080001.000000.wav", "unnamed.wav"}
    assert found.damaged == {cut.name: "cut short: declares 8000 frames, holds 7499; what is there is used"}
    assert [s.n_samples for s in found.streams] == [8000, 7499]


def test_oddities_are_warnings_and_the_file_is_used_whole(tmp_path: Path) -> None:
    path = write(tmp_path, 0.0, ramp(0, RATE_HZ), subtype="PCM_24")
    content = bytearray(path.read_bytes())
    content[4:8] = content[40:44] = bytes(4)  # a recorder that lost its power before it wrote the sizes
    path.write_bytes(content)
    found = inventory(tmp_path, station("A"))
    assert (found.refused, found.damaged) == ({}, {})
    assert [s.n_samples for s in found.streams] == [RATE_HZ]
    (warning,) = found.warnings
    assert warning.startswith(f"{path.name}: the size of its data was never filled in (0x0)")


@pytest.mark.skipif(os.name == "nt", reason="names there are not bytes")
def test_a_name_that_is_not_utf_8_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path, 0.0, ramp(0, RATE_HZ))
    os.rename(path, os.fsencode(tmp_path) + b"/caf\xe9.wav")
    found = inventory(tmp_path, station("A"))
    assert found.refused == {"caf?.wav": "its name is not UTF-8"}
