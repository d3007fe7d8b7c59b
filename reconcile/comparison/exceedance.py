"""How likely it is that a threshold was met further out than predicted, and the areas within it."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.optimize import brentq

from reconcile.spreading.conditions import AT_REFERENCE, Conditions, raised_by_db
from reconcile.spreading.curves import half_widths, level_curve
from reconcile.spreading.predicted_distances import measured_distance
from reconcile.spreading.threshold_ranges import raised_db
from reconcile.vocabulary.documents.campaign import PredictedRange
from reconcile.vocabulary.documents.fit import Fit

_SURE = 1.0 - 1e-9  # no interval is asked for beyond
_NONE = 1e-12  # nor below
_PERCENTILE_95 = 1.6448536269514722  # standard normal


def circle_km2(range_m: float | None) -> float | None:
    """The area of a circle, km²; None for an unknown radius."""
    return None if range_m is None else math.pi * (range_m / 1000.0) ** 2


def probabilities_exceeded(fit: Fit, row: PredictedRange, conditions: Conditions = AT_REFERENCE) -> tuple[float, float]:
    """The probability that the level at the predicted range lies above the threshold.

    Of the mean over piles and places (that the true distance is greater than predicted), and of one new pile at one
    new place. From the intervals of the fitted curve (Student's t), which hold for its model.
    """
    log_energy = 0.0
    if row.energy_kj is not None and fit.reference_energy_kj is not None:
        log_energy = math.log10(row.energy_kj / fit.reference_energy_kj)
    above = float(level_curve(fit, [row.range_m])[0]) - row.threshold_db
    above += fit.coefficients.energy_coefficient_db_per_decade.value * log_energy + raised_by_db(fit, conditions)
    above += raised_db(fit, row.quantity, row.statistic, row.n_strikes, row.energy_kj)
    at = np.array([row.range_m])

    def half_db(probability: float) -> tuple[float, float]:
        mean, new = half_widths(fit, at, probability, log_energy, "site", conditions)
        return float(mean[0]), float(new[0])

    return _probability(above, lambda p: half_db(p)[0]), _probability(above, lambda p: half_db(p)[1])


def _probability(above_db: float, half_db: Callable[[float], float]) -> float:
    """One-sided probability from the two-sided interval that just reaches the threshold."""
    distance = abs(above_db)
    if half_db(_NONE) >= distance:
        return 0.5
    inner = _SURE
    if half_db(_SURE) > distance:
        inner = float(brentq(lambda p: half_db(p) - distance, _NONE, _SURE))
    return 0.5 + inner / 2.0 if above_db > 0 else 0.5 - inner / 2.0


def distance_of_most_places_m(fit: Fit, row: PredictedRange, conditions: Conditions = AT_REFERENCE) -> float | None:
    """The distance to the threshold that 95 % of places do not exceed, by the spread of places about the curve.

    The fitted curve raised by 1.645 standard deviations of places: what a 95th percentile over bearings is held
    against. None where the curve does not meet it.
    """
    return measured_distance(fit, row, conditions, lowered_db=_PERCENTILE_95 * fit.station_sd_db).range_m
