"""Broadband exposure recomposed from the fits of the bands, beside the direct fit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from reconcile.spreading.curves import level_curve
from reconcile.spreading.threshold_ranges import ENERGY_MEAN
from reconcile.vocabulary.documents.fit import Fit, RecomposedLevel
from reconcile.vocabulary.quantities import FloatArray, energy_sum_db

LARGEST_DIFFERENCE_DB = 1.0
LEAST_BANDS = 5
_POINTS = 5


def with_recomposition(fits: Sequence[Fit]) -> list[Fit]:
    """The fits of one group, the selected broadband one of exposure with the sum of the selected bands beside it.

    At five ranges over those that were measured, spaced evenly in log range, both for the mean energy of strikes, since
    only energies add: curves of mean levels raised by ln(10)/20 times the variance of single strikes. Each band has a
    law of its own, so the sum bends where one law for all cannot; it misses what lies outside the bands fitted.
    """
    bands = [fit for fit in fits if fit.selected and fit.band_hz is not None and fit.weighting == "none"]
    return [_beside(fit, bands) if _is_broadband(fit) and len(bands) >= LEAST_BANDS else fit for fit in fits]


def _is_broadband(fit: Fit) -> bool:
    return fit.selected and (fit.quantity, fit.weighting, fit.band_hz) == ("exposure_level", "none", None)


def _beside(fit: Fit, bands: Sequence[Fit]) -> Fit:
    ranges = np.geomspace(fit.range_min_m, fit.range_max_m, _POINTS)
    levels = np.stack([_energy_mean(band, ranges) for band in bands])
    summed = np.array([energy_sum_db(levels[:, k]) for k in range(_POINTS)])
    differences = summed - _energy_mean(fit, ranges)
    found = tuple(
        RecomposedLevel(range_m=float(r), level_db=float(level), difference_db=float(difference))
        for r, level, difference in zip(ranges, summed, differences, strict=True)
    )
    flag = ("bands_disagree",) if float(np.abs(differences).max()) > LARGEST_DIFFERENCE_DB else ()
    return fit.model_copy(update={"recomposed": found, "flags": fit.flags + flag})


def _energy_mean(fit: Fit, range_m: FloatArray) -> FloatArray:
    """Level of the mean energy of strikes of the reference energy: their levels taken as normally distributed."""
    return np.asarray(level_curve(fit, range_m) + ENERGY_MEAN * (fit.strike_sd_db or 0.0) ** 2)
