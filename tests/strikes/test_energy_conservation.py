"""Energy is conserved: bands against the full band, seconds against the whole, and a second route for each band.

Signals lie where the high-pass at 10 Hz takes less than 1e-6 of the energy, so that time and spectrum must agree.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from reconcile.strikes.band_levels import bands_of
from reconcile.vocabulary.decidecades import centre_hz, lower_edge_hz, upper_edge_hz
from tests.strikes.signals import analysed, write_stream

RATE = 32_000
Floats = NDArray[np.float64]


def band_limited(rng: np.random.Generator, n: int, low_hz: float, high_hz: float) -> Floats:
    """Gaussian noise between two frequencies and nothing outside, unit mean square."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    f = np.fft.rfftfreq(n, 1 / RATE)
    spectrum[(f < low_hz) | (f > high_hz)] = 0.0
    noise = np.fft.irfft(spectrum, n)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


def burst() -> Floats:
    """A pulse of 0.3 s between 400 Hz and 8 kHz: noise of a fixed seed under a smooth envelope."""
    n = round(0.3 * RATE)
    envelope = np.sin(np.pi * np.arange(n) / n) ** 2
    return envelope * band_limited(np.random.default_rng(31), n, 500.0, 7000.0)


def with_burst(amplitude_pa: float, noise_pa: float) -> Floats:
    x = noise_pa * band_limited(np.random.default_rng(32), 16 * RATE, 500.0, 7000.0)
    pulse = amplitude_pa * burst()
    x[12 * RATE : 12 * RATE + pulse.size] += pulse
    return x


def test_bands_of_a_strike_sum_to_its_full_band_within_a_hundredth_of_a_decibel(tmp_path: Path) -> None:
    (found,), _ = analysed(write_stream(tmp_path, with_burst(1000.0, 0.01), RATE))
    assert 10 * np.log10(found.band_energy.sum() / found.measure.energy_pa2_s) == pytest.approx(0.0, abs=0.01)


def test_each_band_by_a_second_route(tmp_path: Path) -> None:
    """The whole recording in one float64 transform, bins between the exact edges of IEC 61260-1:2014 summed by hand."""
    x = with_burst(1000.0, 0.01)
    stream = write_stream(tmp_path, x, RATE)
    (found,), _ = analysed(stream)
    spectrum = np.abs(np.fft.rfft(x)) ** 2 * 2.0 / (x.size * RATE)
    f = np.fft.rfftfreq(x.size, 1 / RATE)
    compared = 0
    for n, got in zip(bands_of(stream.channels[0], RATE), found.band_energy, strict=True):
        if centre_hz(n) * 0.3 >= 30 and lower_edge_hz(n) > 600.0 and upper_edge_hz(n) < 6500.0:
            wanted = spectrum[(f >= lower_edge_hz(n)) & (f < upper_edge_hz(n))].sum()
            assert 10 * np.log10(got / wanted) == pytest.approx(0.0, abs=0.05), n
            compared += 1
    assert compared >= 8


def test_bands_of_a_steady_background_sum_to_it_over_a_minute(tmp_path: Path) -> None:
    noise = band_limited(np.random.default_rng(33), 62 * RATE, 400.0, 8000.0)
    _, seconds = analysed(write_stream(tmp_path, noise, RATE))
    mean_square = np.concatenate([s.mean_square for s in seconds])[1:61]
    bands = np.concatenate([s.bands for s in seconds])[1:61]
    assert np.isfinite(bands).all()
    assert 10 * np.log10(np.sum(bands) / np.sum(mean_square)) == pytest.approx(0.0, abs=0.01)


def test_exposures_of_seconds_sum_to_the_whole(tmp_path: Path) -> None:
    """Within 1e-6 dB of the samples' own sum in float64, over 19 of 20 s.

    Tones at whole kilohertz have no 1 ms mean, so that the high-pass leaves every sample as it is. (Noise above 500 Hz
    leaves a little in those means: the high-pass adds up to 0.004 dB to it.) After its last sample the recording is
    taken to stand still, which the high-pass sees as a step: the last second is left out.
    """
    t = np.arange(20 * RATE) / RATE
    level = np.random.default_rng(34).uniform(1.0, 100.0, 12)
    tones = sum(a * np.sin(2 * np.pi * 1000.0 * k * t) for k, a in enumerate(level, start=1))
    stored = np.asarray(tones).astype(np.float32).astype(np.float64)
    _, seconds = analysed(write_stream(tmp_path, np.asarray(tones), RATE))
    summed = np.sum(np.concatenate([s.mean_square for s in seconds])[:19])  # each second lasts 1 s
    assert 10 * np.log10(summed / (np.sum(stored[: 19 * RATE] ** 2) / RATE)) == pytest.approx(0.0, abs=1e-6)
