"""True levels of a clean pulse, straight from its spectrum and its pressure: no noise, no chain.

Reference values 1 uPa and 1 uPa^2 s. Spectra are Fourier transforms in Pa/Hz, so an exposure is twice the integral
of their squared magnitude over positive frequencies.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft

from .waveguide import Complexes, Floats

FULL_BAND_FROM_HZ = 10.0
HIGHEST_SHARE_OF_RATE = 0.45
RISE_SHARE = 1e-4
"""Share of the energy at which a pulse is taken to begin."""
PASCAL_DB = 120.0
"""1 Pa re 1 uPa."""

NMFS_2024 = {
    "lf": (0.99, 5.0, 0.168, 26.6, 0.12),
    "hf": (1.55, 5.0, 1.73, 129.0, 0.32),
    "vhf": (2.23, 5.0, 5.93, 186.0, 0.91),
    "pw": (1.63, 5.0, 0.81, 68.3, 0.29),
    "ow": (1.58, 5.0, 2.53, 43.8, 1.37),
}
"""a, b, f1 and f2 in kHz, C in dB: NMFS 2024 (version 3.0), table 5."""

NOMINAL_DIGITS = ("1", "1.25", "1.6", "2", "2.5", "3.15", "4", "5", "6.3", "8")


def full_band_response(frequencies_hz: NDArray[np.floating]) -> Floats:
    """The full band's zero-phase high-pass from 10 Hz."""
    return np.asarray(frequencies_hz**2 / np.sqrt(frequencies_hz**4 + FULL_BAND_FROM_HZ**4))


def weighting_nmfs_2024_db(group: str, frequencies_hz: NDArray[np.floating]) -> Floats:
    """Auditory weighting W(f) of NMFS 2024, equation of table 5; frequencies above 0 Hz."""
    a, b, low_khz, high_khz, constant_db = NMFS_2024[group]
    low, high = (frequencies_hz / 1000.0 / low_khz) ** 2, (frequencies_hz / 1000.0 / high_khz) ** 2
    return np.asarray(constant_db + 10.0 * (a * np.log10(low / (1.0 + low)) - b * np.log10(1.0 + high)))


def level_db(square: ArrayLike) -> Floats:
    """Level of a mean square in Pa^2 or of an exposure in Pa^2 s; NaN where there is nothing."""
    with np.errstate(divide="ignore"):
        level = 10.0 * np.log10(np.asarray(square, dtype=np.float64)) + PASCAL_DB
    return np.where(np.isfinite(level) & (level > -100.0), level, np.nan)


def bands(rate_hz: float) -> dict[str, int]:
    """Decidecades from 10 Hz up to 0.45 of the rate: name as in `31_5hz` and band number n (centre 10^(n/10) Hz)."""
    numbers = range(10, int(10.0 * np.log10(HIGHEST_SHARE_OF_RATE * rate_hz) + 1e-9) + 1)
    return {f"{float(NOMINAL_DIGITS[n % 10]) * 10 ** (n // 10):g}hz".replace(".", "_"): n for n in numbers}


def band_exposures(spectra: Complexes, bin_width_hz: float, numbers: list[int]) -> Floats:
    """Exposure in Pa^2 s in decidecades, bins at an edge by their share; shape (pulse, band)."""
    running = np.cumsum(2.0 * np.abs(spectra) ** 2 * bin_width_hz, axis=-1)
    upper_edges_hz = (np.arange(spectra.shape[-1]) + 0.5) * bin_width_hz
    edges = [[10.0 ** (n / 10.0 + side) for n in numbers] for side in (-0.05, 0.05)]
    below, above = (np.array([np.interp(edge, upper_edges_hz, row) for row in running]) for edge in edges)
    return np.asarray(above - below)


def crossing_s(running: Floats, share: float, rate_hz: float) -> float:
    """When a running energy first reaches a share of its last value, linear between samples."""
    wanted = share * running[-1]
    index = int(np.searchsorted(running, wanted))
    before = running[index - 1] if index else 0.0
    return float((index - 1 + (wanted - before) / max(running[index] - before, 1e-300)) / rate_hz)


def pulse_levels(spectra: Complexes, rate_hz: int, n_samples: int) -> tuple[dict[str, Floats], Floats]:
    """Levels of clean pulses, one row of `spectra` each (grid k rate / n), and their full-band pressure in Pa.

    Times (`rise_s` at 0.01 %, `arrival_s` at 5 % of the energy) count from the first sample of the window.
    """
    width_hz = rate_hz / n_samples
    frequencies_hz = np.arange(spectra.shape[-1]) * width_hz
    filtered = spectra * full_band_response(frequencies_hz)
    pressure = np.asarray(fft.irfft(np.conj(filtered), n_samples, axis=-1, workers=2)) * rate_hz
    running = np.cumsum(pressure**2, axis=-1) / rate_hz
    rise, arrival, end = (np.array([crossing_s(r, q, rate_hz) for r in running]) for q in (RISE_SHARE, 0.05, 0.95))
    exposure = 2.0 * np.sum(np.abs(filtered) ** 2, axis=-1) * width_hz
    levels = {
        "rise_s": rise,
        "arrival_s": arrival,
        "exposure_level_db": level_db(exposure),
        "peak_level_db": level_db(np.max(np.abs(pressure), axis=-1) ** 2),
        "peak_to_peak_level_db": level_db((np.max(pressure, axis=-1) - np.min(pressure, axis=-1)) ** 2),
        "pulse_duration_s": end - arrival,
        "rms_level_db": level_db(0.9 * exposure / (end - arrival)),
    }
    energy = 2.0 * np.abs(spectra[:, 1:]) ** 2 * width_hz
    for group in NMFS_2024:
        weight = 10.0 ** (weighting_nmfs_2024_db(group, frequencies_hz[1:]) / 10.0)
        levels[f"exposure_level_nmfs_2024_{group}_db"] = level_db(energy @ weight)
    named = bands(rate_hz)
    for name, column in zip(named, band_exposures(spectra, width_hz, list(named.values())).T, strict=True):
        levels[f"exposure_level_{name}_db"] = level_db(column)
    return levels, pressure
