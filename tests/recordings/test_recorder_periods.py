"""Streams are cut at the sample where the chain, channel, clock or place of a station changes."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from reconcile.recordings.blocks import ReadingReport, pressure_blocks
from reconcile.recordings.streams import Inventory, Stream, take_inventory
from reconcile.vocabulary.documents.campaign import Deployment, Station, System
from tests.recordings.campaigns import RATE_HZ, START, SYSTEM, campaign, station, write

OTHER = System(id="L", end_to_end_sensitivity_db=-140.0, standard_uncertainty_db=0.5)  # sample value 1.0 is 10 Pa
STAGES = System(id="G", sensitivity_db=-120.0, gain_db=20.0, full_scale_v=1.0, standard_uncertainty_db=0.5)


def deployment(from_s: float, to_s: float | None = None, station_id: str = "A", **changes: object) -> Deployment:
    facts: dict[str, object] = {"line": 2, "station_id": station_id, "mooring_id": station_id}
    end = None if to_s is None else START + timedelta(seconds=to_s)
    return Deployment(from_utc=START + timedelta(seconds=from_s), to_utc=end, **(facts | changes))  # type: ignore[arg-type]


def taken(folder: Path, stations: tuple[Station, ...], *rows: Deployment, **changes: object) -> Inventory:
    given = campaign(*stations, systems=(SYSTEM, OTHER, STAGES)).model_copy(update={"deployments": rows, **changes})
    files = tuple(sorted(folder.glob("*.wav")))
    return take_inventory(given, {s.id: files for s in stations}, folder)


def sound(stream: Stream, row: int = 0) -> np.ndarray:
    return np.concatenate([b.pressure_pa[row] for b in pressure_blocks(stream, 0, 1.0, ReadingReport())])


def two_files(folder: Path, channels: int = 1) -> np.ndarray:
    """Two abutting seconds; sample values are exact in float32."""
    samples = np.arange(2 * RATE_HZ)[:, None] / 2**20 * np.array([1.0, -1.0][:channels])
    write(folder, 0.0, samples[:RATE_HZ])
    write(folder, 1.0, samples[RATE_HZ:])
    return samples


def test_another_chain_begins_at_the_first_sample_not_before_its_time(tmp_path: Path) -> None:
    samples = two_files(tmp_path)[:, 0]
    found = taken(tmp_path, (station("A"),), deployment(0.50001, 1.25, system_id="L"))
    cuts = [0, 4001, 10000, 16000]  # 0.50001 s lies between samples 4000 and 4001
    assert [s.n_samples for s in found.streams] == np.diff(cuts).tolist()
    assert [s.channels[0].system_id for s in found.streams] == ["H", "L", "H"]
    for stream, first, end, pascals in zip(found.streams, cuts[:-1], cuts[1:], (1.0, 10.0, 1.0), strict=True):
        np.testing.assert_allclose(sound(stream), samples[first:end] * pascals, rtol=1e-6)
        assert stream.start_us == found.streams[0].start_us + round(first * 1e6 / RATE_HZ)
    assert found.streams[1].locate(0) == ("20250501T080000.000000.wav", 4001)
    assert found.streams[1].locate(4000) == ("20250501T080001.000000.wav", 1)
    assert found.warnings == []


def test_another_gain(tmp_path: Path) -> None:
    two_files(tmp_path)
    found = taken(tmp_path, (station("A", system="G"),), deployment(1.0, gain_db=8.0))
    before, after = (s.channels[0].pascals_per_unit for s in found.streams)
    assert after / before == pytest.approx(10 ** (12 / 20))


def test_another_depth_or_position_at_the_same_place_cuts_nothing(tmp_path: Path) -> None:
    two_files(tmp_path)
    found = taken(
        tmp_path, (station("A"),), deployment(1.0, hydrophone_depth_m=5.0, latitude_deg=1.0, longitude_deg=1.0)
    )
    assert [s.n_samples for s in found.streams] == [16000]
    assert len(taken(tmp_path, (station("A"),), deployment(1.0, mooring_id="B")).streams) == 2


def test_a_change_at_one_station_cuts_the_stream_of_its_recorder(tmp_path: Path) -> None:
    samples = two_files(tmp_path, channels=2)
    found = taken(tmp_path, (station("A"), station("B", 2)), deployment(1.0, station_id="B", channel=1, system_id="L"))
    assert [[(c.station_id, c.channel, c.system_id) for c in s.channels] for s in found.streams] == [
        [("A", 0, "H"), ("B", 1, "H")],
        [("A", 0, "H"), ("B", 0, "L")],
    ]
    np.testing.assert_allclose(sound(found.streams[1], 1), samples[8000:, 0] * 10, rtol=1e-6)


def test_one_recorder_at_two_stations_in_turn(tmp_path: Path) -> None:
    two_files(tmp_path)
    stations = tuple(station(name).model_copy(update={"deployed_only": True}) for name in ("A", "B"))
    found = taken(tmp_path, stations, deployment(0.0, 0.5), deployment(1.0, station_id="B"))
    assert [[c.station_id for c in s.channels] for s in found.streams] == [["A"], ["B"]]
    assert [s.n_samples for s in found.streams] == [4000, 8000]
    assert "0.500 s from 20250501T080000.000000.wav on lie outside its deployments" in found.warnings[0]


def test_a_clock_that_is_stated_counts_from_its_first_sample(tmp_path: Path) -> None:
    """The recorder runs 0.25 s late of its new clock: 08:00:01 UTC is 08:00:01.25 by it."""
    two_files(tmp_path)
    found = taken(tmp_path, (station("A"),), deployment(1.0, clock_offset_s=0.25, clock_drift_ppm=100.0))
    first, second = found.streams
    assert [s.n_samples for s in found.streams] == [10000, 6000]
    start, end = (second.channels[0].clock.utc_us(second.recorder_us(np.array([0.0, 6000.0])))).tolist()
    assert start == round(START.timestamp() * 1e6) + 1_000_000
    assert end - start == 750_000 - 75  # 100 ppm of 0.75 s
    assert first.channels[0].clock.utc_us(first.recorder_us(np.zeros(1)))[0] == round(START.timestamp() * 1e6)


def test_the_stations_own_clock_goes_on_through_another_chain(tmp_path: Path) -> None:
    two_files(tmp_path)
    own = station("A").model_copy(update={"clock_offset_s": 0.1, "clock_drift_ppm": 50.0})
    found = taken(tmp_path, (own,), deployment(1.0, system_id="L"))
    assert found.streams[0].channels[0].clock == found.streams[1].channels[0].clock
    begins = found.streams[1].channels[0].clock.utc_us(found.streams[1].recorder_us(np.zeros(1)))[0]
    late_us = begins - round(START.timestamp() * 1e6) - 1_000_000
    assert 0 <= late_us < 125  # the first sample, 125 µs apart, that is not before 08:00:01 UTC


def test_a_channel_that_is_needed_later_only(tmp_path: Path) -> None:
    two_files(tmp_path)
    found = taken(tmp_path, (station("A"),), deployment(1.0, channel=2))
    assert found.refused == {"20250501T080001.000000.wav": "station A needs channel 2, it has 1"}
    assert [s.n_samples for s in found.streams] == [8000]


def test_start_times_of_a_table(tmp_path: Path) -> None:
    two_files(tmp_path)
    own = station("A").model_copy(update={"start_times": "t.csv"})
    table: dict[str, datetime] = {"20250501T080001.000000.wav": START + timedelta(hours=3)}
    found = taken(tmp_path, (own,), start_times={"t.csv": table})
    assert [s.start_us for s in found.streams] == [round((START.timestamp() + 3 * 3600) * 1e6)]
    assert found.refused == {"20250501T080000.000000.wav": "no start time: t.csv does not name it"}


def test_mixed_formats_are_named(tmp_path: Path) -> None:
    write(tmp_path, 0.0, np.zeros(RATE_HZ), subtype="PCM_16")
    write(tmp_path, 1.0, np.zeros(RATE_HZ), subtype="PCM_24")
    write(tmp_path, 2.0, np.zeros((RATE_HZ, 2)), subtype="PCM_24")
    found = taken(tmp_path, (station("A"),))
    assert found.warnings == [
        "station A: 20250501T080001.000000.wav holds PCM_24 samples, the one before PCM_16",
        "station A: 20250501T080002.000000.wav has 2 channels, the one before 1 channel",
    ]
    assert [s.n_samples for s in found.streams] == [3 * RATE_HZ]
