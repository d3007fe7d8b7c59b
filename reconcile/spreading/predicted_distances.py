"""A row of predicted_ranges.csv read off a fitted curve: for its strike, its statistic and the pile it was made for."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.spreading.conditions import AT_REFERENCE, Conditions
from reconcile.spreading.threshold_ranges import threshold_range
from reconcile.vocabulary.documents.campaign import Campaign, PredictedRange
from reconcile.vocabulary.documents.fit import Fit, ThresholdRange


def threshold_applies(fit: Fit, row: PredictedRange) -> str | None:
    """None where a predicted range can be read off a fit's curve, else the reason why not."""
    if row.statistic == "maximum":
        return "a loudest strike cannot be read off a curve of means"
    if row.quantity == "cumulative_exposure_level":
        if row.n_strikes is None:
            return "the predicted range does not state the number of strikes"
        return None if fit.quantity == "exposure_level" else "the curve is not of exposure"
    return None if fit.quantity == row.quantity else "the curve is of another quantity"


def conditions_of(fit: Fit, row: PredictedRange, campaign: Campaign) -> Conditions:
    """The pile that a distance was predicted for, where the fit knows what its diameter does and it is but one."""
    if fit.coefficients.pile_diameter_coefficient_db_per_decade is None:
        return AT_REFERENCE
    diameters = {pile.diameter_m for pile in campaign.piles if pile.prediction_id == row.prediction_id}
    return Conditions(pile_diameter_m=diameters.pop() if len(diameters) == 1 else None)


def measured_distance(
    fit: Fit,
    row: PredictedRange,
    conditions: Conditions = AT_REFERENCE,
    *,
    rivals: Sequence[Fit] = (),
    lowered_db: float = 0.0,
) -> ThresholdRange:
    """Where the curve meets the row's threshold, or one that lies `lowered_db` below it (see `threshold_range`)."""
    return threshold_range(
        fit,
        row.threshold_db - lowered_db,
        quantity=row.quantity,
        statistic=row.statistic,
        n_strikes=row.n_strikes,
        energy_kj=row.energy_kj,
        rivals=rivals,
        conditions=conditions,
    )
