"""The curve of a fit and its intervals, from the entry of the document alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from reconcile.inference import effective_degrees_of_freedom, half_width_factors
from reconcile.spreading.models import spreading_attenuation
from reconcile.vocabulary.documents.fit import Fit
from reconcile.vocabulary.quantities import FloatArray


@dataclass(frozen=True, slots=True)
class CurveIntervals:
    """A fitted curve at some ranges with two intervals, all in dB, one value for each range.

    `confidence` is for the mean curve, what all chains share included. `prediction` is for the mean level over the
    strikes of a new pile at a new place measured by a new chain; single strikes scatter by `strike_sd_db` about it.
    """

    range_m: FloatArray
    level_db: FloatArray
    confidence_low_db: FloatArray
    confidence_high_db: FloatArray
    prediction_low_db: FloatArray
    prediction_high_db: FloatArray
    extrapolated: NDArray[np.bool_]  # true outside the measured ranges


def level_curve(fit: Fit, range_m: ArrayLike) -> FloatArray:
    """Level of the fitted curve at some ranges, for a strike of the reference energy."""
    c = fit.coefficients
    return spreading_attenuation(
        range_m,
        c.level_at_reference_db.value,
        c.spreading_coefficient_db_per_decade.value,
        c.attenuation_db_per_km.value,
        fit.reference_range_m,
    )


def intervals(fit: Fit, range_m: ArrayLike, probability: float = 0.95, log_energy: float = 0.0) -> CurveIntervals:
    """Curve, confidence and prediction interval at some ranges.

    `log_energy` is log10 of a strike energy over the reference energy; it moves the curve by the energy coefficient,
    with that coefficient's uncertainty.
    """
    ranges = np.atleast_1d(np.asarray(range_m, dtype=np.float64))
    energy = fit.coefficients.energy_coefficient_db_per_decade.value
    level = level_curve(fit, ranges) + energy * log_energy
    confidence, prediction = half_widths(fit, ranges, probability, log_energy)
    return CurveIntervals(
        range_m=ranges,
        level_db=level,
        confidence_low_db=level - confidence,
        confidence_high_db=level + confidence,
        prediction_low_db=level - prediction,
        prediction_high_db=level + prediction,
        extrapolated=(ranges < fit.range_min_m) | (ranges > fit.range_max_m),
    )


def half_widths(
    fit: Fit, range_m: FloatArray, probability: float = 0.95, log_energy: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Half-widths in dB of the confidence and of the prediction interval at some ranges."""
    decades = np.log10(range_m / fit.reference_range_m)
    kilometres = (range_m - fit.reference_range_m) / 1000.0
    one = np.ones_like(range_m)
    rows = np.stack([one, -decades, -kilometres, log_energy * one], axis=1)
    variance = np.einsum("mi,ij,mj->m", rows, np.array(fit.covariance.matrix), rows)
    small = fit.small_sample
    gradient = np.einsum("mi,kij,mj->mk", rows[:, :3], np.array(small.gradients), rows[:, :3])
    certainty = np.array(small.covariance)
    new = fit.residual_sd_db**2 + fit.pile_sd_db**2 + fit.station_sd_db**2 + fit.system_sd_db**2
    halves = []
    for extra, step in ((0.0, 0.0), (new, 1.0)):
        degrees = effective_degrees_of_freedom(variance + extra, gradient + step, certainty)
        halves.append(half_width_factors(degrees, probability) * np.sqrt(variance + extra))
    return halves[0], halves[1]
