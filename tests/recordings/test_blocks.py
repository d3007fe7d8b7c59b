"""Pressure through every form of the chain, block lengths, clipping, samples that are no numbers, frames read once."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from reconcile.recordings.blocks import ReadingReport, pressure_blocks
from reconcile.recordings.calibration import chain
from reconcile.recordings.pcm import PcmDecoder, Samples
from reconcile.recordings.streams import Stream
from reconcile.vocabulary.documents.campaign import System
from tests.recordings.campaigns import RATE_HZ, inventory, station, write
from tests.recordings.wav_bytes import FLOAT, PCM, chunk, extensible_fmt, floats, fmt, integers, riff

STAGES = System(
    id="H", sensitivity_db=-176.0, gain_db=20.0, full_scale_v=2.5, standard_uncertainty_db=0.5
)  # full scale: 2.5 V / (10^(-156/20) V/µPa) = 157.7393 Pa
END_TO_END = System(id="H", end_to_end_sensitivity_db=-164.0, standard_uncertainty_db=0.5)  # 10^(44/20) Pa
ATTENUATED = System(id="H", sensitivity_db=-211.0, gain_db=-6.0, full_scale_v=1.0, standard_uncertainty_db=0.5)


def full_scale_pa(system: System) -> float:
    """Pressure at digital full scale by way of levels: 20 lg of the volts less gain and sensitivity."""
    if system.end_to_end_sensitivity_db is not None:
        level_db = -system.end_to_end_sensitivity_db
    else:
        assert system.sensitivity_db is not None
        assert system.full_scale_v is not None
        level_db = 20 * math.log10(system.full_scale_v) - (system.gain_db or 0.0) - system.sensitivity_db
    return float(10 ** (level_db / 20) * 1e-6)


def pressure(stream: Stream, block_s: float = 1.0, first_sample: int = 0) -> np.ndarray:
    blocks = [b.pressure_pa for b in pressure_blocks(stream, first_sample, block_s, ReadingReport())]
    return np.concatenate(blocks, axis=1)


def db(ratio: float) -> float:
    return 20 * math.log10(ratio)


@pytest.mark.parametrize("system", [STAGES, END_TO_END, ATTENUATED], ids=["stages", "end to end", "attenuated"])
@pytest.mark.parametrize("form", ["pcm16", "pcm24", "pcm32", "float32", "float64", "extensible"])
def test_a_tone_and_a_pulse_in_pascals_come_back(system: System, form: str, tmp_path: Path) -> None:
    full = full_scale_pa(system)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    tone = 0.5 * full * np.sin(2 * np.pi * 250.0 * time_s)
    since = np.maximum(time_s - 1.0, 0.0)
    pulse = 0.9 * full * np.exp(-since / 0.01) * (time_s >= 1.0)
    samples = np.stack([tone, pulse], axis=1).ravel() / full
    bits = {"pcm16": 16, "pcm24": 24, "pcm32": 32, "float32": 32, "float64": 64, "extensible": 24}[form]
    if form.startswith("float"):
        content = riff(fmt(FLOAT, bits, 2), chunk(b"data", floats(samples, bits)))
    else:
        whole = np.round(samples * 2 ** (bits - 1)).astype(np.int64)
        head = extensible_fmt(PCM, bits, 2) if form == "extensible" else fmt(PCM, bits, 2)
        content = riff(head, chunk(b"data", integers(whole, bits)))
    (tmp_path / "20250501T080000.000000.wav").write_bytes(content)
    found = inventory(tmp_path, station("A", 1), station("B", 2), systems=(system,))
    heard_tone, heard_pulse = pressure(found.streams[0]).astype(np.float64)
    assert db(np.sqrt(np.mean(heard_tone**2)) / (0.5 * full / math.sqrt(2))) == pytest.approx(0.0, abs=0.02)
    assert db(heard_pulse.max() / (0.9 * full)) == pytest.approx(0.0, abs=0.02)
    exposure = float(np.sum(heard_pulse**2) / RATE_HZ)
    step = math.exp(-2 / RATE_HZ / 0.01)  # a geometric series: (0.9 full)^2 / rate / (1 - e^(-2 dt / tau))
    assert db(math.sqrt(exposure / ((0.9 * full) ** 2 / RATE_HZ / (1 - step)))) == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("system", [STAGES, END_TO_END, ATTENUATED], ids=["stages", "end to end", "attenuated"])
def test_full_scale_in_pascals(system: System) -> None:
    made = chain(system)
    assert made.pascals_per_unit == pytest.approx(full_scale_pa(system), rel=1e-12)
    assert made.stages[0].from_unit == "µPa"
    assert made.stages[-1].to_unit == "full scale"


def test_the_published_clipping_level() -> None:
    # 20 lg(2.5) - gain 20 dB - sensitivity (-170 dB re 1 V/µPa) = 157.9588 dB re 1 µPa
    system = System(id="H", sensitivity_db=-170.0, gain_db=20.0, full_scale_v=2.5, standard_uncertainty_db=0.5)
    assert db(chain(system).pascals_per_unit / 1e-6) == pytest.approx(157.9588, abs=1e-4)


def test_an_incomplete_chain_is_refused() -> None:
    with pytest.raises(ValueError, match="neither form"):
        chain(System(id="H", sensitivity_db=-170.0, standard_uncertainty_db=0.5))


@pytest.fixture
def noise(tmp_path: Path) -> tuple[Stream, np.ndarray]:
    """A stream of three abutting files of 16-bit noise, and its samples as integers over 2^15."""
    rng = np.random.default_rng(3)
    whole = rng.integers(-32000, 32000, 3 * 10007)
    for k in range(3):
        part = whole[k * 10007 : (k + 1) * 10007]
        write(tmp_path, k * 10007 / RATE_HZ, part.astype(np.int16), subtype="PCM_16")
    return inventory(tmp_path, station("A")).streams[0], whole / 2**15


@pytest.mark.parametrize("block_s", [1e-9, 0.01, 0.12345, 1.0, 8.0, 100.0])
def test_any_block_length_gives_the_same_samples(block_s: float, noise: tuple[Stream, np.ndarray]) -> None:
    stream, expected = noise
    if block_s < 0.01:  # one sample at a time: only a piece
        blocks = pressure_blocks(stream, stream.n_samples - 50, block_s, ReadingReport())
        np.testing.assert_array_equal([block.pressure_pa.item() for block in blocks], expected[-50:])
        return
    heard = pressure(stream, block_s)
    np.testing.assert_array_equal(heard[0], expected.astype(np.float32))


@pytest.mark.parametrize("first", [0, 1, 10006, 10007, 15000, 30020, 30021, 99999])
def test_any_first_sample(first: int, noise: tuple[Stream, np.ndarray]) -> None:
    stream, expected = noise
    blocks = list(pressure_blocks(stream, first, 0.5, ReadingReport()))
    heard = np.concatenate([b.pressure_pa[0] for b in blocks]) if blocks else np.empty(0)
    np.testing.assert_array_equal(heard, expected[first:].astype(np.float32))


def test_each_frame_is_decoded_once(noise: tuple[Stream, np.ndarray], monkeypatch: pytest.MonkeyPatch) -> None:
    stream, _ = noise
    counted = []
    read = PcmDecoder.read

    def counting(self: PcmDecoder, first_frame: int, out: Samples) -> int:
        counted.append(read(self, first_frame, out))
        return counted[-1]

    monkeypatch.setattr(PcmDecoder, "read", counting)
    pressure(stream, 0.3)
    assert sum(counted) == stream.n_samples
    assert len(counted) <= stream.n_samples / (0.3 * RATE_HZ) + len(stream.segments)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_clipped_samples_are_found(subtype: str, tmp_path: Path) -> None:
    samples = np.zeros(RATE_HZ)
    samples[[10, 4000, 7999]] = [1.0, -1.0, 1.0]
    samples[20] = 0.999  # loud, but not clipped
    write(tmp_path, 0.0, samples, subtype=subtype)
    stream = inventory(tmp_path, station("A")).streams[0]
    blocks = list(pressure_blocks(stream, 0, 0.25, ReadingReport()))
    at = [k * 2000 + int(i) for k, block in enumerate(blocks) for i in block.clipped[0]]
    assert at == [10, 4000, 7999]


def test_samples_that_are_no_numbers_count_as_missing(tmp_path: Path) -> None:
    samples = np.full(RATE_HZ, 0.25)
    samples[[5, 6, 7]] = [np.nan, np.inf, -np.inf]
    path = write(tmp_path, 0.0, samples)
    report = ReadingReport()
    stream = inventory(tmp_path, station("A")).streams[0]
    block = next(pressure_blocks(stream, 0, 1.0, report))
    expected = np.where(np.isfinite(samples), samples, 0.0)
    np.testing.assert_array_equal(block.pressure_pa[0], expected)
    assert block.clipped[0].size == 0
    assert report.damaged == {path.name: "holds samples that are not finite; they count as missing"}


def test_a_file_that_breaks_off_keeps_the_time_of_what_follows(tmp_path: Path) -> None:
    first = write(tmp_path, 0.0, np.full(RATE_HZ, 0.25), subtype="PCM_16")
    write(tmp_path, 1.0, np.full(RATE_HZ, 0.5), subtype="PCM_16")
    stream = inventory(tmp_path, station("A")).streams[0]
    first.write_bytes(first.read_bytes()[: 44 + 2 * 3000])  # cut after the header was read
    report = ReadingReport()
    heard = np.concatenate([b.pressure_pa[0] for b in pressure_blocks(stream, 0, 0.1, report)])
    np.testing.assert_array_equal(heard, np.repeat([0.25, 0.0, 0.5], [3000, 5000, 8000]))
    assert report.damaged == {first.name: "5000 frames could not be read, they count as zero: it broke off"}


def test_a_file_that_vanishes_is_silence_and_named(tmp_path: Path) -> None:
    first = write(tmp_path, 0.0, np.full(RATE_HZ, 0.25))
    stream = inventory(tmp_path, station("A")).streams[0]
    first.unlink()
    report = ReadingReport()
    heard = np.concatenate([b.pressure_pa[0] for b in pressure_blocks(stream, 0, 0.3, report)])
    np.testing.assert_array_equal(heard, np.zeros(RATE_HZ))
    assert set(report.damaged) == {first.name}
