"""Level against range: published and common laws as plain functions.

    L(R) = L_ref - N·log10(R/R_ref) - alpha·(R - R_ref)/1000

Levels in dB (re 1 µPa or 1 µPa² s), ranges in metres, N in dB per decade, alpha in dB/km.
"""

from __future__ import annotations

import math

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


def two_regime(
    range_m: ArrayLike,
    level_at_reference_db: float,
    spreading_coefficient_db_per_decade: float,
    further_spreading_db_per_decade: float,
    transition_range_m: float,
    reference_range_m: float,
) -> FloatArray:
    """Geometric spreading with one coefficient up to a transition and a further loss per decade beyond it.

    Two straight lines on the logarithm of range that meet at the transition (spherical near the source and cylindrical
    or steeper beyond; a common engineering form without one source). The level at the reference range is kept.
    """
    bend = beyond_transition(range_m, transition_range_m, reference_range_m)
    near = spreading(range_m, level_at_reference_db, spreading_coefficient_db_per_decade, reference_range_m)
    return np.asarray(near - further_spreading_db_per_decade * bend)


def beyond_transition(range_m: ArrayLike, transition_range_m: float, reference_range_m: float) -> FloatArray:
    """Decades of range beyond the transition, less those of the reference range."""
    ranges = np.asarray(range_m, dtype=np.float64)
    decades = np.maximum(np.log10(ranges / transition_range_m), 0.0)
    return np.asarray(decades - max(float(np.log10(reference_range_m / transition_range_m)), 0.0))


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


def mach_angle_deg(sound_speed_water_m_s: float, wave_speed_pile_m_s: float) -> float:
    """Angle below the horizontal at which the Mach wave of a struck pile travels, in degrees.

    sin(theta) = c_water / c_pile; Reinhall and Dahl 2011, J. Acoust. Soc. Am. 130, 1209-1216.
    """
    return math.degrees(math.asin(sound_speed_water_m_s / wave_speed_pile_m_s))


def bounce_distance_m(water_depth_m: float, mach_angle: float) -> float:
    """Horizontal distance between two bottom reflections of a Mach wave: 2 H / tan(theta), theta in degrees."""
    return 2.0 * water_depth_m / math.tan(math.radians(mach_angle))


def attenuation_of_bottom_loss(bottom_loss_db: float, water_depth_m: float, mach_angle: float) -> float:
    """Attenuation in dB/km of damped cylindrical spreading, from the loss of one bottom reflection in dB.

    Lippert et al. 2018, IEEE J. Oceanic Eng. 43: one reflection in each cycle distance.
    """
    return 1000.0 * bottom_loss_db / bounce_distance_m(water_depth_m, mach_angle)


def bottom_loss_of_attenuation(attenuation_db_per_km: float, water_depth_m: float, mach_angle: float) -> float:
    """Loss of one bottom reflection in dB that a fitted attenuation of damped cylindrical spreading stands for."""
    return attenuation_db_per_km / 1000.0 * bounce_distance_m(water_depth_m, mach_angle)
