"""Every measure of a strike by a second route: time against spectrum, filters against sums of bins, plain sums.

The sound is a logarithmic sweep of 0.3 s, whose spectrum is smooth, so that a band-pass with real flanks and the exact
edges of IEC 61260-1:2014 must agree once the filter's effective width is divided out. Compared are bands of which the
pulse holds 30 cycles and more, between the frequencies that the sweep crosses at full strength.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from reconcile.strikes.band_levels import bands_of
from reconcile.strikes.channel_path import Pulse
from reconcile.vocabulary.decidecades import centre_hz, lower_edge_hz, upper_edge_hz
from tests.strikes.signals import analysed, coloured_noise, ringing, write_stream, zero_phase_high_pass

RATE, SECONDS, AT = 32_000, 20, 12.3456
SWEEP_S, FROM_HZ, TO_HZ, CYCLES = 0.3, 50.0, 14_000.0, 30.0
ORDER = 8  # of each flank of the band-pass
WITHIN_DB = 0.05
Floats = NDArray[np.float64]


def sweep() -> Floats:
    """20 s of silence but for a sweep of 200 Pa with flanks of 10 ms."""
    t = np.arange(SECONDS * RATE) / RATE - AT
    inside = (t >= 0) & (t <= SWEEP_S)
    late = np.clip(t, 0, SWEEP_S)
    octaves = np.log(TO_HZ / FROM_HZ)
    phase = 2 * np.pi * FROM_HZ * SWEEP_S / octaves * (np.exp(late / SWEEP_S * octaves) - 1)
    flank = np.sin(0.5 * np.pi * np.minimum(1.0, np.minimum(late, SWEEP_S - late) / 0.01)) ** 2
    return np.asarray(200.0 * inside * flank * np.sin(phase))


def faint(n: int) -> Floats:
    return coloured_noise(np.random.default_rng(8), n, RATE, 100.0, 1e-3)


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> tuple[Pulse, tuple[int, ...]]:
    sound = sweep()
    stream = write_stream(tmp_path_factory.mktemp("sweep"), sound + faint(sound.size), RATE)
    (found,), _ = analysed(stream)
    return found, bands_of(stream.channels[0], RATE)


@cache
def band_pass(band: int) -> tuple[Floats, float]:
    """Second-order sections of a band-pass, and its effective width over the band's own for sound that falls as 1/f."""
    low, high = lower_edge_hz(band), upper_edge_hz(band)
    sections = signal.butter(ORDER, (low, high), "bandpass", fs=RATE, output="sos")
    f = np.geomspace(low / 4, min(high * 4, 0.499 * RATE), 20_001)
    _, response = signal.sosfreqz(sections, f, fs=RATE)
    width = np.trapezoid(np.abs(response) ** 2, np.log(f)) / np.log(high / low)
    return sections, float(width)


def compared(bands: tuple[int, ...]) -> list[int]:
    return [
        n for n in bands if centre_hz(n) * SWEEP_S >= CYCLES and lower_edge_hz(n) > 80.0 and upper_edge_hz(n) < 9_000.0
    ]


def test_bands_by_filtering_and_summing_squares_in_time(heard: tuple[Pulse, tuple[int, ...]]) -> None:
    found, bands = heard
    sound = sweep()[round(12.0 * RATE) : round(14.0 * RATE)]
    assert len(compared(bands)) >= 18
    for n in compared(bands):
        sections, width = band_pass(n)
        energy = np.sum(signal.sosfilt(sections, sound) ** 2) / RATE / width
        got = found.band_energy[bands.index(n)]
        assert 10 * np.log10(got / energy) == pytest.approx(0.0, abs=WITHIN_DB), n


def test_bands_by_one_long_transform(heard: tuple[Pulse, tuple[int, ...]]) -> None:
    found, bands = heard
    sound = sweep()
    power = np.abs(np.fft.rfft(sound)) ** 2 * 2.0 / (sound.size * RATE)
    f = np.fft.rfftfreq(sound.size, 1 / RATE)
    for n in compared(bands):
        energy = power[(f >= lower_edge_hz(n)) & (f < upper_edge_hz(n))].sum()
        got = found.band_energy[bands.index(n)]
        assert 10 * np.log10(got / energy) == pytest.approx(0.0, abs=WITHIN_DB), n


def test_full_band_in_time_and_by_its_spectrum(heard: tuple[Pulse, tuple[int, ...]]) -> None:
    """Parseval: squares summed behind the filter against the spectrum's power times the response, written out."""
    found, _ = heard
    sound = sweep()
    f = np.fft.rfftfreq(sound.size, 1 / RATE)
    response = f**4 / (f**4 + 10.0**4)
    energy = np.sum(np.abs(np.fft.rfft(sound)) ** 2 * response) * 2.0 / (sound.size * RATE)
    assert 10 * np.log10(found.measure.energy_pa2_s / energy) == pytest.approx(0.0, abs=0.001)


def test_peaks_rms_durations_and_kurtosis_by_plain_sums(tmp_path: Path) -> None:
    """A ringing pulse 60 dB above its background: each measure from the samples behind one long transform."""
    clean = np.zeros(SECONDS * RATE)
    strike = 1000.0 * ringing(RATE)
    clean[round(AT * RATE) : round(AT * RATE) + strike.size] = strike
    (found,), _ = analysed(write_stream(tmp_path, clean + faint(clean.size), RATE))
    p, m = zero_phase_high_pass(clean, RATE, 10.0), found.measure
    share = np.cumsum(p**2) / np.sum(p**2)
    first, last = int(np.argmax(share >= 0.05)), int(np.argmax(share >= 0.95))
    mean_square = float(np.mean(p[first : last + 1] ** 2))
    rms = 0.9 * (m.energy_pa2_s - m.noise_pa2 * found.n_samples / RATE) / m.duration_s
    assert 10 * np.log10(rms / mean_square) == pytest.approx(0.0, abs=0.01)
    assert m.duration_s == pytest.approx((last - first) / RATE, abs=1.5 / RATE)
    assert m.rise_time_s == pytest.approx((int(np.argmax(np.abs(p))) - first) / RATE, abs=1.5 / RATE)
    for got, wanted in (
        (m.peak_pa, np.abs(p).max()),
        (m.compression_peak_pa, p.max()),
        (m.rarefaction_peak_pa, -p.min()),
        (m.peak_to_peak_pa, p.max() - p.min()),
    ):
        assert 20 * np.log10(got / wanted) == pytest.approx(0.0, abs=0.001)
    window = p[found.start_sample : found.start_sample + found.n_samples]
    moments = [np.mean((window - window.mean()) ** k) for k in (2, 4)]
    assert m.kurtosis == pytest.approx(moments[1] / moments[0] ** 2, rel=1e-3)
    assert m.fourth_power_pa4_s == pytest.approx(np.sum(window**4) / RATE, rel=1e-3)
    summed = np.cumsum(p**2)
    fast = float(np.max(summed[RATE // 8 :] - summed[: -(RATE // 8)])) / (RATE // 8)
    assert 10 * np.log10(m.max_125ms_pa2 / fast) == pytest.approx(0.0, abs=0.01)  # steps of 1 ms


def test_the_peak_between_samples_by_a_long_interpolation(tmp_path: Path) -> None:
    """Four times the rate by zeros in the spectrum of the whole recording, near the largest sample."""
    clean = np.zeros(SECONDS * RATE)
    strike = 1000.0 * ringing(RATE)
    clean[round(AT * RATE) : round(AT * RATE) + strike.size] = strike
    (found,), _ = analysed(write_stream(tmp_path, clean + faint(clean.size), RATE))
    p = zero_phase_high_pass(clean, RATE, 10.0)
    fine = signal.resample(p, 4 * p.size)
    near = 4 * int(np.argmax(np.abs(p)))
    truth = np.abs(fine[near - 4 : near + 5]).max()
    assert 20 * np.log10(found.measure.oversampled_peak_pa / truth) == pytest.approx(0.0, abs=0.005)
