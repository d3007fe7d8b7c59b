"""What the streaming shape promises: same bits however the samples were cut, each sample read once, flat memory."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
import soundfile

from reconcile.recordings.blocks import ReadingReport
from reconcile.recordings.pcm import PcmDecoder
from reconcile.strikes import stream_analysis
from reconcile.strikes.band_levels import ROWS
from reconcile.strikes.channel_path import BLOCK_CELLS
from reconcile.strikes.channel_results import Pulse, Seconds
from reconcile.strikes.stream_analysis import Part, analyse_stream
from reconcile.strikes.ticks import TICKS
from reconcile.vocabulary.documents.campaign import Settings
from tests.strikes.signals import (
    analysed,
    strikes_in_noise,
    write_stream,
    zero_phase_high_pass,
)

RATE = 12_000


def bits(found: tuple[list[Pulse], list[Seconds]]) -> list[object]:
    pulses, seconds = found
    rows: list[object] = [
        (
            p.station_id,
            p.start_sample,
            p.n_samples,
            repr(p.measure),
            p.clipped,
            p.cut,
            p.at_edge,
            p.short_quiet,
            repr(p.quality),
        )
        for p in pulses
    ]
    for p in pulses:
        rows += [a.tobytes() for a in (p.band_energy, p.band_noise, p.weighted_energy, p.weighted_noise)]
    for s in seconds:
        rows += [
            s.station_id,
            s.first_cell,
            *(a.tobytes() for a in (s.mean_square, s.bands, s.weighted, s.clipped, s.marks)),
        ]
    return rows


def energy_bits(parts: list[Part]) -> list[object]:
    return [
        (e.station_id, e.first_cell, e.mean_square.tobytes(), e.octaves.tobytes()) for p in parts for e in p.energies
    ]


@pytest.mark.parametrize("rate_hz", [12_000, 11_025])
def test_energies_of_ticks_are_those_of_the_sound_for_any_block_length(tmp_path: Path, rate_hz: int) -> None:
    """1 ms mean squares against the high-passed sound in one transform; zero behind the end; the same bits."""
    x = strikes_in_noise(37, rate_hz, 9)[: round(36.4 * rate_hz)]
    stream = write_stream(tmp_path, x, rate_hz)
    whole = list(analyse_stream(stream, Settings(), ReadingReport()))
    for block_s in (0.11, 3.0):
        assert energy_bits(list(analyse_stream(stream, Settings(), ReadingReport(), block_s=block_s))) == energy_bits(
            whole
        )
    ticks = np.concatenate([e.mean_square for p in whole for e in p.energies])
    octaves = np.concatenate([e.octaves for p in whole for e in p.energies], axis=1)
    assert not ticks[36_400:].any()
    assert not octaves[:, 7_283:].any()
    edges = np.arange(36_401) * rate_hz // 1000
    sound = zero_phase_high_pass(x[:, 0] - x[0, 0], rate_hz, 10.0)
    wanted = np.add.reduceat(sound**2, edges[:-1]) / np.diff(edges)
    inner = slice(2000, 34_000)
    assert np.all(np.abs(ticks[:36_400][inner] - wanted[inner]) < 0.02 * (wanted[inner] + wanted.mean()))
    assert np.all(octaves[:, : 36_390 // 5] >= 0)


@pytest.mark.parametrize("rate_hz", [12_000, 11_025])
def test_same_bits_for_any_block_length(tmp_path: Path, rate_hz: int) -> None:
    stream = write_stream(tmp_path, strikes_in_noise(53, rate_hz, 1), rate_hz)
    whole = bits(analysed(stream, block_s=60.0))
    for block_s in (0.05, 0.37, 1.0, 5.0, 16.0):
        assert bits(analysed(stream, block_s=block_s)) == whole


def test_same_bits_from_one_file_and_from_several_that_abut(tmp_path: Path) -> None:
    x = strikes_in_noise(40, RATE, 2)
    (tmp_path / "one").mkdir()
    (tmp_path / "many").mkdir()
    one = write_stream(tmp_path / "one", x, RATE)
    many = write_stream(tmp_path / "many", x, RATE, cuts=(100_001, 100_500, 333_333))
    assert bits(analysed(one)) == bits(analysed(many))


def test_same_bits_from_a_start_in_mid_stream(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_analysis, "PART_CELLS", 32)
    stream = write_stream(tmp_path, strikes_in_noise(140, RATE, 3), RATE)
    whole = list(analyse_stream(stream, Settings(), ReadingReport()))
    assert [part.first_cell for part in whole] == [0, 32, 64, 96, 128]
    for k, first in enumerate((32, 64, 128)):
        later = list(analyse_stream(stream, Settings(), ReadingReport(), first_cell=first))
        wanted = [part for part in whole if part.first_cell >= first]
        assert len(later) == len(wanted)
        for got, want in zip(later, wanted, strict=True):
            assert bits((list(got.pulses), list(got.seconds))) == bits((list(want.pulses), list(want.seconds))), k
            assert energy_bits([got]) == energy_bits([want])


def test_channels_of_one_file_are_as_if_alone(tmp_path: Path) -> None:
    x = strikes_in_noise(30, RATE, 4, channels=2)
    (tmp_path / "both").mkdir()
    (tmp_path / "second").mkdir()
    both, _ = analysed(write_stream(tmp_path / "both", x, RATE))
    alone, _ = analysed(write_stream(tmp_path / "second", x[:, 1], RATE))
    second = [p for p in both if p.station_id == "S2"]
    assert [repr(p.measure) for p in second] == [repr(p.measure) for p in alone]
    assert {p.station_id for p in both} == {"S1", "S2"}


def test_every_strike_is_found_once_and_none_invented(tmp_path: Path) -> None:
    x = strikes_in_noise(120, RATE, 5)
    pulses, seconds = analysed(write_stream(tmp_path, x, RATE))
    assert len(pulses) == len(np.arange(0.9, 119.0, 1.31))
    assert sum(len(s.mean_square) for s in seconds) == 120


def test_each_byte_is_read_once_and_transforms_grow_with_seconds_and_strikes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A guard that counts, not times: bytes read, and how much is transformed for each second and each strike."""
    read, transformed = [0], [0]
    original_fill, original_fft = PcmDecoder._fill, scipy.fft.rfft

    def counting_fill(self: PcmDecoder, n_frames: int) -> int:
        got = original_fill(self, n_frames)
        read[0] += got * self._frame_bytes
        return got

    def counting_fft(x: np.ndarray, n: int | None = None, **kwargs: object) -> np.ndarray:
        transformed[0] += len(x) * (n or x.shape[-1]) if x.ndim == 2 else n or x.size
        return original_fft(x, n, **kwargs)  # type: ignore[no-any-return, call-overload]

    monkeypatch.setattr(PcmDecoder, "_fill", counting_fill)
    monkeypatch.setattr(scipy.fft, "rfft", counting_fft)
    counts = []
    for seconds in (64, 128):
        (tmp_path / str(seconds)).mkdir()
        stream = write_stream(tmp_path / str(seconds), strikes_in_noise(seconds, RATE, 6), RATE)
        read[0] = transformed[0] = 0
        pulses, _ = analysed(stream)
        recording = stream.segments[0].recording
        assert read[0] == recording.n_frames * recording.frame_bytes
        counts.append((transformed[0], len(pulses)))
    more, strikes = counts[1][0] - counts[0][0], counts[1][1] - counts[0][1]
    frames, slow = 64 * 2 * RATE, 64 * 3 * TICKS  # two seconds each second; three of 1 ms means
    rows = strikes + (ROWS - 1) * 64 // BLOCK_CELLS  # a batch at the end of a block may not be full
    assert frames + slow < more <= frames + slow + rows * 1.5 * RATE  # a second and half a second of quiet each


MEMORY = """
import resource, sys
from pathlib import Path
from tests.strikes.signals import write_stream
from reconcile.recordings.blocks import ReadingReport
from reconcile.recordings.pcm import PcmDecoder
from reconcile.recordings.clock import StationClock
from reconcile.recordings.streams import Channel, Segment, Stream
from reconcile.recordings.wav import open_recording
from reconcile.strikes.stream_analysis import Part, analyse_stream
from reconcile.vocabulary.documents.campaign import Settings
recording = open_recording(Path(sys.argv[1]), "r.wav")
channel = Channel("S1", "H1", 0, 1.0, 10.0, 0.45 * recording.rate_hz, StationClock(0, 0.0, 0.0))
stream = Stream((Segment(recording, 0, recording.n_frames, 0),), recording.rate_hz, 0, (channel,))
n = sum(len(part.pulses) for part in analyse_stream(stream, Settings(), ReadingReport()))
print(n, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def peak_kib(path: Path) -> tuple[int, int]:
    done = subprocess.run([sys.executable, "-c", MEMORY, str(path)], capture_output=True, text=True, check=True)
    n, kib = done.stdout.split()
    return int(n), int(kib)


def test_memory_does_not_grow_with_length(tmp_path: Path) -> None:
    """Peak memory of 30 min within 5 MiB of 2 min, as a process of its own."""
    rate, minute = 16_000, strikes_in_noise(60, 16_000, 7)[:, 0] / 1e5
    peaks = []
    for minutes in (2, 30):
        path = tmp_path / f"{minutes}.wav"
        with soundfile.SoundFile(path, "w", rate, 1, "PCM_24") as file:
            for _ in range(minutes):
                file.write(minute)
        peaks.append(peak_kib(path))
    assert peaks[1][0] > 14 * peaks[0][0]
    assert peaks[1][1] - peaks[0][1] < 5 * 1024
