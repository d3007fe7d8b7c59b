"""Quantities after ISO 18405:2017, and the only place where a level is taken of a ratio.

Reference values in water: sound pressure 1 µPa, sound exposure 1 µPa² s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

REFERENCE_PRESSURE_PA = 1e-6
_REFERENCE_SQUARE = REFERENCE_PRESSURE_PA**2  # of pressure squared (Pa²) and of exposure (Pa² s) alike


@dataclass(frozen=True, slots=True)
class Quantity:
    """An acoustic quantity: identifier in tables, symbol, reading name, unit of its level."""

    identifier: str
    symbol: str
    name: str
    unit: str


PEAK_LEVEL = Quantity("peak_level", "L_p,pk", "zero-to-peak sound pressure level", "dB re 1 µPa")
EXPOSURE_LEVEL = Quantity("exposure_level", "L_E", "single-strike sound exposure level", "dB re 1 µPa² s")
RMS_LEVEL = Quantity("rms_level", "L_p", "mean-square sound pressure level", "dB re 1 µPa")
CUMULATIVE_EXPOSURE_LEVEL = Quantity(
    "cumulative_exposure_level", "L_E,cum", "cumulative sound exposure level", "dB re 1 µPa² s"
)
MAX_125MS_LEVEL = Quantity(
    "max_125ms_level", "L_p,125ms", "highest mean-square sound pressure level over 125 ms", "dB re 1 µPa"
)
QUANTITIES = {q.identifier: q for q in (PEAK_LEVEL, EXPOSURE_LEVEL, RMS_LEVEL, CUMULATIVE_EXPOSURE_LEVEL)}


def level_db(ratio: ArrayLike) -> FloatArray:
    """10 lg of a ratio of powers or energies; null (NaN) where the ratio is not positive."""
    values = np.asarray(ratio, dtype=np.float64)
    positive = values > 0
    return np.where(positive, 10.0 * np.log10(np.where(positive, values, 1.0)), np.nan)


def ratio(level: ArrayLike) -> FloatArray:
    """The ratio of powers or energies that a level in dB states: 10^(level/10)."""
    return np.asarray(10.0 ** (np.asarray(level, dtype=np.float64) / 10.0))


def mean_square_level_db(mean_square_pa2: ArrayLike) -> FloatArray:
    """Mean-square sound pressure level, dB re 1 µPa, of a mean-square pressure in Pa²."""
    return level_db(np.asarray(mean_square_pa2, dtype=np.float64) / _REFERENCE_SQUARE)


def exposure_level_db(exposure_pa2_s: ArrayLike) -> FloatArray:
    """Sound exposure level, dB re 1 µPa² s, of a sound exposure in Pa² s."""
    return level_db(np.asarray(exposure_pa2_s, dtype=np.float64) / _REFERENCE_SQUARE)


def peak_level_db(pressure_pa: ArrayLike) -> FloatArray:
    """Zero-to-peak (or peak-to-peak) sound pressure level, dB re 1 µPa, of a pressure in Pa."""
    return level_db((np.asarray(pressure_pa, dtype=np.float64) / REFERENCE_PRESSURE_PA) ** 2)


def mean_square_pa2(level: ArrayLike) -> FloatArray:
    """Mean-square pressure in Pa² of a level in dB re 1 µPa."""
    return ratio(level) * _REFERENCE_SQUARE


def exposure_pa2_s(level: ArrayLike) -> FloatArray:
    """Sound exposure in Pa² s of a level in dB re 1 µPa² s."""
    return ratio(level) * _REFERENCE_SQUARE


def energy_mean_db(levels: ArrayLike) -> float:
    """Level of the mean energy of some levels; NaN for none. Not their arithmetic mean."""
    values = np.asarray(levels, dtype=np.float64)
    return float(level_db(np.mean(ratio(values)))) if values.size else float("nan")


def energy_sum_db(levels: ArrayLike) -> float:
    """Level of the summed energy of some levels; NaN for none."""
    values = np.asarray(levels, dtype=np.float64)
    return float(level_db(np.sum(ratio(values)))) if values.size else float("nan")
