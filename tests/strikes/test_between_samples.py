"""The peak between samples: sines that fall between samples, whose values at every instant are closed form."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.strikes.between_samples import FACTOR, oversampled_peak


@pytest.mark.parametrize("cycles_per_sample", [0.01, 0.1, 0.25, 0.3, 0.4, 0.45])
@pytest.mark.parametrize("phase", [0.0, 0.1, 0.25, 0.4])
def test_a_sine_by_its_closed_form(cycles_per_sample: float, phase: float) -> None:
    """Largest |sin| at quarters of a sample within one sample of the largest sample, to 0.01 dB; never above it."""
    n, highest = 400, 200

    def value(at: np.ndarray) -> np.ndarray:
        return 3.0 * np.sin(2 * np.pi * (cycles_per_sample * at + phase))

    samples = value(np.arange(n, dtype=np.float64))
    highest = 150 + int(np.argmax(np.abs(samples[150:250])))
    instants = highest + np.arange(-FACTOR, FACTOR + 1) / FACTOR
    truth = np.abs(value(instants)).max()
    found = oversampled_peak(samples.astype(np.float32), highest)
    assert 20 * np.log10(found / truth) == pytest.approx(0.0, abs=0.01)
    assert found <= 3.0 * 10 ** (0.01 / 20)
    assert found >= np.abs(samples[highest]) * (1 - 1e-6)


def test_a_sine_of_a_quarter_of_the_rate_sampled_at_45_degrees() -> None:
    """Every sample reads A/√2, the peak lies halfway between two: 3.0103 dB higher."""
    samples = np.sin(2 * np.pi * (0.25 * np.arange(200) + 0.125))
    found = oversampled_peak(samples.astype(np.float32), 100)
    assert 20 * np.log10(found / np.abs(samples).max()) == pytest.approx(3.0103, abs=0.005)


def test_a_sine_of_two_fifths_of_the_rate_is_missed_by_no_more_than_the_grid_allows() -> None:
    """Instants are 36 degrees apart: at worst cos 18° of the peak, 0.436 dB low; by samples alone up to cos 72°/2."""
    worst = 0.0
    for phase in np.arange(0, 1, 0.01):
        samples = np.sin(2 * np.pi * (0.4 * np.arange(200) + phase))
        highest = 98 + int(np.argmax(np.abs(samples[98:103])))
        worst = min(worst, 20 * np.log10(oversampled_peak(samples.astype(np.float32), highest)))
    assert worst == pytest.approx(20 * np.log10(np.cos(np.radians(18))), abs=0.02)


@pytest.mark.parametrize("highest", [0, 5, 94, 99])
def test_at_the_ends_of_the_sound(highest: int) -> None:
    samples = np.zeros(100, dtype=np.float32)
    samples[highest] = -2.0
    assert oversampled_peak(samples, highest) == pytest.approx(2.0)  # a single sample is its own largest value
