"""Level against range: published and common laws as plain functions.

    L(R) = L_ref - N·log10(R/R_ref) - alpha·(R - R_ref)/1000

Levels in dB (re 1 µPa or 1 µPa² s), ranges in metres, N in dB per decade, alpha in dB/km.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from reconcile.vocabulary.quantities import FloatArray

CYLINDRICAL_DB_PER_DECADE = 10.0  # geometric spreading of a sound field held between two parallel planes


def spreading_attenuation(
    range_m: ArrayLike,
    level_at_reference_db: float,
    spreading_coefficient_db_per_decade: float,
    attenuation_db_per_km: float,
    reference_range_m: float,
) -> FloatArray:
    """Geometric spreading with a loss per distance on top; both fitted to measurements.

    N and alpha trade off over narrow ranges; it is an interpolation within the measured ranges, not beyond.
    """
    ranges = np.asarray(range_m, dtype=np.float64)
    geometric = spreading_coefficient_db_per_decade * np.log10(ranges / reference_range_m)
    return np.asarray(level_at_reference_db - geometric - attenuation_db_per_km * (ranges - reference_range_m) / 1000.0)


def spreading(
    range_m: ArrayLike,
    level_at_reference_db: float,
    spreading_coefficient_db_per_decade: float,
    reference_range_m: float,
) -> FloatArray:
    """Geometric spreading alone: a straight line on the logarithm of range."""
    return spreading_attenuation(
        range_m, level_at_reference_db, spreading_coefficient_db_per_decade, 0.0, reference_range_m
    )


def damped_cylindrical(
    range_m: ArrayLike, level_at_reference_db: float, attenuation_db_per_km: float, reference_range_m: float
) -> FloatArray:
    """Damped cylindrical spreading of the exposure level of a struck pile.

    Lippert et al. 2018, IEEE J. Oceanic Eng. 43; Ainslie et al. 2020, J. Acoust. Soc. Am. 148(1): 108-121: the Mach
    wave loses a constant share at each bottom reflection, so L_E falls by 10 log10(R) and by alpha per distance. The
    formula is recalled from these papers. It is for exposure: peak and rms fall faster as the pulse spreads in time.
    """
    return spreading_attenuation(
        range_m, level_at_reference_db, CYLINDRICAL_DB_PER_DECADE, attenuation_db_per_km, reference_range_m
    )
