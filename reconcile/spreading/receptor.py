"""Cumulative exposure of a receptor that stays, or flees from the pile in a straight line."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from reconcile.vocabulary.quantities import FloatArray, energy_sum_db


def fleeing_range_m(time_s: ArrayLike, start_range_m: float, speed_m_s: float) -> FloatArray:
    """Distance of the receptor from the pile at some times after the first strike: r0 + v t."""
    return np.asarray(start_range_m + speed_m_s * np.asarray(time_s, dtype=np.float64))


def fleeing_exposure_level_db(
    exposure_level_db: ArrayLike,
    time_s: ArrayLike,
    start_range_m: float,
    speed_m_s: float,
    beside_reference_db: Callable[[FloatArray], FloatArray],
) -> float:
    """Cumulative exposure level, dB re 1 µPa² s, of a receptor that flees straight from the pile at a constant speed.

    L_E,cum = 10 lg Σ_i 10^(L_i(r0 + v t_i)/10), with L_i(R) the strike's level at the reference range and, added to it,
    how far the law lies at R beside its value there (`beside_reference_db` of ranges in metres).

    `exposure_level_db` is the single-strike exposure level at the reference range, one for each strike or one for all;
    `time_s` the strikes' times after the first, which counts and finds the receptor at `start_range_m`. A speed of 0 is
    a receptor that stays. The law holds between the ranges that it was fitted over; the receptor neither dives nor
    turns, and hears every strike alike. NaN without strikes.
    """
    ranges = fleeing_range_m(time_s, start_range_m, speed_m_s)
    return energy_sum_db(np.asarray(exposure_level_db, dtype=np.float64) + beside_reference_db(ranges))
