"""Everything in the recording that is not the work: ambient noise, a ship, swell.

Noise is drawn in the frequency domain with the wanted density, so its level is known and the same draw can be
filtered exactly.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from .waveguide import Floats

Density = Callable[[NDArray[np.floating]], Floats]
"""Spectral density in Pa^2/Hz at frequencies in Hz."""


def ambient_density(level_db: float, floor_db: float) -> Density:
    """Density of ambient noise over a recorder's white floor.

    `level_db` is the broadband level above 10 Hz re 1 uPa^2 without the floor, `floor_db` the floor's density level
    re 1 uPa^2/Hz. Flat up to about 120 Hz, falling by 17 dB per decade above (the slope of wind noise as usually
    quoted, from memory).
    """

    def shape(frequencies_hz: NDArray[np.floating]) -> Floats:
        return np.asarray(1.0 / (1.0 + (frequencies_hz / 120.0) ** 1.7))

    grid = np.arange(10.0, 24000.0)
    scale = 10.0 ** (level_db / 10.0 - 12.0) / float(np.sum(shape(grid)))
    return lambda f: np.asarray(scale * shape(f) + 10.0 ** (floor_db / 10.0 - 12.0))


def ship_density(level_db: float) -> Density:
    """Density of a passing ship's noise: a hump from 40 to 200 Hz, falling by 20 dB per decade and more above."""

    def shape(frequencies_hz: NDArray[np.floating]) -> Floats:
        ratio = np.maximum(frequencies_hz, 1e-3) / 80.0
        return np.asarray(1.0 / (ratio**-3 + 1.0 + ratio**2.2))

    grid = np.arange(10.0, 24000.0)
    scale = 10.0 ** (level_db / 10.0 - 12.0) / float(np.sum(shape(grid)))
    return lambda f: np.asarray(scale * shape(f))


def noise_pair(
    n_samples: int, rate_hz: int, density: Density, response: Density, rng: np.random.Generator
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """One draw of Gaussian noise in Pa, as it is and through a zero-phase filter of the given response."""
    length = fft.next_fast_len(n_samples, real=True)
    frequencies_hz = np.arange(length // 2 + 1) * (rate_hz / length)
    draw = rng.standard_normal(2 * frequencies_hz.size, dtype=np.float32).view(np.complex64)
    draw[0] = 0.0
    draw *= np.sqrt(density(frequencies_hz) * (rate_hz * length / 4.0)).astype(np.float32)
    plain = fft.irfft(draw, length, workers=2)[:n_samples]
    draw *= response(frequencies_hz).astype(np.float32)
    return plain, fft.irfft(draw, length, workers=2)[:n_samples]


def passage(time_s: Floats, closest_s: float, half_width_s: float) -> Floats:
    """Amplitude of a passing ship's noise, 1 at its closest, falling as 1/distance."""
    return np.asarray(1.0 / np.sqrt(1.0 + ((time_s - closest_s) / half_width_s) ** 2))


def swell(time_s: Floats, amplitude_pa: float, rng: np.random.Generator) -> Floats:
    """Pressure of a swell near 0.3 Hz: three waves of close frequencies, their amplitudes summing to the one given."""
    waves = ((0.27, 0.3), (0.30, 0.45), (0.34, 0.25))
    phases = rng.uniform(0.0, 2.0 * np.pi, size=len(waves))
    return np.asarray(
        sum(
            amplitude_pa * share * np.cos(2.0 * np.pi * frequency_hz * time_s + phase)
            for (frequency_hz, share), phase in zip(waves, phases, strict=True)
        )
    )
