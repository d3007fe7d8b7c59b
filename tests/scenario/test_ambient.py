from __future__ import annotations

import numpy as np
import pytest

from reconcile.scenario import ambient
from reconcile.scenario.truth import full_band_response


def test_noise_has_the_level_asked_for() -> None:
    rng = np.random.default_rng(3)
    density = ambient.ambient_density(108.0, 0.0)
    plain, filtered = ambient.noise_pair(48000 * 60, 48000, density, full_band_response, rng)
    level_db = 10.0 * np.log10(np.mean(filtered.astype(float) ** 2)) + 120.0
    # The high-pass takes part of the band just above 10 Hz and leaves some below; 60 s of noise scatters by 0.05 dB.
    assert level_db == pytest.approx(108.0, abs=0.3)
    assert np.mean(plain.astype(float) ** 2) > np.mean(filtered.astype(float) ** 2)


def test_noise_has_the_density_asked_for() -> None:
    rng = np.random.default_rng(4)
    plain, _ = ambient.noise_pair(32000 * 100, 32000, lambda f: 1e-6 + 0.0 * f, lambda f: 1.0 + 0.0 * f, rng)
    assert np.mean(plain.astype(float) ** 2) == pytest.approx(1e-6 * 16000.0, rel=0.01)


def test_swell_stays_within_its_amplitude_and_below_half_a_hertz() -> None:
    time_s = np.arange(0.0, 400.0, 0.1)
    pressure = ambient.swell(time_s, 12.0, np.random.default_rng(5))
    assert 9.0 < np.max(np.abs(pressure)) <= 12.0
    energy = np.abs(np.fft.rfft(pressure)) ** 2
    frequencies_hz = np.fft.rfftfreq(time_s.size, 0.1)
    assert np.sum(energy[(frequencies_hz > 0.2) & (frequencies_hz < 0.4)]) > 0.99 * np.sum(energy)


def test_a_ship_is_loudest_at_its_closest() -> None:
    loudness = ambient.passage(np.array([0.0, 60.0, 72.0]), 60.0, 12.0)
    assert loudness.tolist() == pytest.approx([1.0 / np.sqrt(26.0), 1.0, np.sqrt(0.5)])
