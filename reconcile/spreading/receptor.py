"""Cumulative exposure of a receptor that stays, or flees from the pile in a straight line."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from reconcile.spreading.models import spreading_attenuation
from reconcile.vocabulary.quantities import FloatArray, energy_sum_db


def fleeing_range_m(time_s: ArrayLike, start_range_m: float, speed_m_s: float) -> FloatArray:
    """Distance of the receptor from the pile at some times after the first strike: r0 + v t."""
    return np.asarray(start_range_m + speed_m_s * np.asarray(time_s, dtype=np.float64))


def fleeing_exposure_level_db(
    exposure_level_db: ArrayLike,
    time_s: ArrayLike,
    start_range_m: float,
    speed_m_s: float,
    spreading_coefficient_db_per_decade: float,
    attenuation_db_per_km: float = 0.0,
    reference_range_m: float = 750.0,
) -> float:
    """Cumulative exposure level, dB re 1 µPa² s, of a receptor that flees straight from the pile at a constant speed.

    L_E,cum = 10 lg Σ_i 10^(L_i(r0 + v t_i)/10), with L(R) = L_ref − N lg(R/R_ref) − alpha (R − R_ref)/1000

    `exposure_level_db` is the single-strike exposure level at the reference range, one for each strike or one for all;
    `time_s` the strikes' times after the first, which counts and finds the receptor at `start_range_m`. A speed of 0 is
    a receptor that stays. The law holds between the ranges that it was fitted over; the receptor neither dives nor
    turns, and hears every strike alike. NaN without strikes.
    """
    ranges = fleeing_range_m(time_s, start_range_m, speed_m_s)
    loss = spreading_attenuation(
        ranges, 0.0, spreading_coefficient_db_per_decade, attenuation_db_per_km, reference_range_m
    )
    return energy_sum_db(np.asarray(exposure_level_db, dtype=np.float64) + loss)
