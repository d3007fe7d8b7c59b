"""Further coefficients of a bias: its slope per kilometre, and the error of the energy coefficient."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from reconcile.comparison.bias_model import allows_slope, pair_structure
from reconcile.inference import Estimate, fit_linear
from reconcile.vocabulary.documents.bias_parts import EnergyCoefficientError, PerKilometre, Subject, Trend
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray

_TOLD_APART = 2.0  # of minus twice the log likelihood, between laws with equally many coefficients
_LEAST_FACTOR = 1.5  # between the smallest and the largest energy, for a coefficient to be told
_LEAST_PILES = 3


def trend(estimate: Estimate) -> Trend:
    """An estimate of a slope as documents have it."""
    return Trend(value=estimate.value, standard_error=estimate.standard_error, interval_95=estimate.interval())


def per_kilometre(
    pairs: pd.DataFrame, campaign: Campaign, reference_range_m: float, column: str = "acoustic_bias_db"
) -> PerKilometre | None:
    """The bias as a straight line on range, beside that on its logarithm; None where the ranges allow no slope."""
    ranges = pairs["range_m"].to_numpy(np.float64)
    if not allows_slope(ranges):
        return None
    y, layout = pairs[column].to_numpy(np.float64), pair_structure(pairs, campaign)
    one, decades = np.ones(y.size), np.log10(ranges / reference_range_m)
    on_range = np.stack([one, (ranges - reference_range_m) / 1000.0], axis=1)
    on_decades = np.stack([one, decades], axis=1)
    slope = fit_linear(y, on_range, layout).contrast([0.0, 1.0])
    likelihoods = [fit_linear(y, X, layout, restricted=False).minus_2_log_likelihood for X in (on_decades, on_range)]
    gain = likelihoods[0] - likelihoods[1]
    better = "per_km" if gain > _TOLD_APART else "per_decade" if gain < -_TOLD_APART else "not_told_apart"
    return PerKilometre.model_validate(
        {"slope_db_per_km": trend(slope), "gain_over_per_decade": gain, "better": better}
    )


def energy_coefficient_error(
    pairs: pd.DataFrame, campaign: Campaign, reference_range_m: float
) -> EnergyCoefficientError | None:
    """The slope of the bias on strike energy, from pairs of one prediction method and group, dB per decade.

    On the predicted energy where several were predicted for; else on how far below the predicted energy piles were
    driven, where that differs between piles. None where the energies are not known or too alike.
    """
    found = _energies(pairs)
    if found is None:
        return None
    of, x = found
    y, ranges = pairs["acoustic_bias_db"].to_numpy(np.float64), pairs["range_m"].to_numpy(np.float64)
    columns = [np.ones(y.size), x - x.mean()]
    if allows_slope(ranges):
        columns.append(np.log10(ranges / reference_range_m))
    X = np.stack(columns, axis=1)
    if np.linalg.matrix_rank(X) < X.shape[1] or y.size <= X.shape[1]:
        return None
    # What the coefficient's own error does to the levels is what is looked for where levels were moved by it.
    used = pairs if of == "prediction" else pairs.assign(energy_uncertainty_db=0.0)
    row = [0.0, 1.0, 0.0][: len(columns)]
    slope = fit_linear(y, X, pair_structure(used, campaign)).contrast(row)
    covered = float(x.max() - x.min())
    return EnergyCoefficientError(error_db_per_decade=trend(slope), of=of, decades_covered=covered)


def _energies(pairs: pd.DataFrame) -> tuple[Subject, FloatArray] | None:
    """What the energy coefficient is an error of, and the decades of energy that tell of it, one for each pair."""
    predicted = np.log10(pairs["predicted_energy_kj"].to_numpy(np.float64))
    gap = pairs["energy_gap_decades"].to_numpy(np.float64)
    if not np.isfinite(predicted).all() or not np.isfinite(gap).all() or pairs["pile_id"].nunique() < _LEAST_PILES:
        return None
    if _differ(predicted):
        return "prediction", np.asarray(predicted)
    # Levels raised by too large a coefficient make the prediction look too low by as much: hence the sign.
    return ("level_adjustment", np.asarray(-gap)) if _differ(gap) else None


def _differ(decades: FloatArray) -> bool:
    """Whether energies differ by enough for a coefficient to be told."""
    return bool(np.ptp(decades) >= math.log10(_LEAST_FACTOR))
