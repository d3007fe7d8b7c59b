"""Predicted distances to a level beside those that the fitted curves give."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.campaign.activity_periods import states
from reconcile.comparison.exceedance import circle_km2, distance_of_most_places_m, probabilities_exceeded
from reconcile.spreading.predicted_distances import conditions_of, measured_distance, threshold_applies
from reconcile.spreading.rivals import rivals
from reconcile.spreading.strike_levels import abatement_names, plain_abatement
from reconcile.vocabulary.documents.bias import ThresholdComparison
from reconcile.vocabulary.documents.campaign import Campaign, PredictedRange
from reconcile.vocabulary.documents.fit import Fit, FitDocument

Group = tuple[str, str, str]  # installation method, foundation type, abatement


def threshold_comparisons(fits: FitDocument, campaign: Campaign) -> Iterator[ThresholdComparison]:
    """One entry for each row of predicted_ranges.csv and group of piles that it is for, in the order of the file."""
    for row in campaign.predicted_ranges:
        groups = _groups(row, campaign)
        if not groups:
            yield _without_measurement(row, None, "no pile with this prediction and abatement")
        for group in groups:
            yield _comparison(row, group, fits, campaign)


def _groups(row: PredictedRange, campaign: Campaign) -> list[Group]:
    """The groups of the piles that name the prediction and have its abatement, if it states one."""
    names = abatement_names(campaign)
    found = [
        (pile.installation_method, pile.foundation_type, names[pile.abatement])
        for listed in campaign.piles
        for pile in states(campaign, listed)
        if pile.prediction_id == row.prediction_id
        and (row.abatement is None or plain_abatement(row.abatement) == plain_abatement(pile.abatement))
    ]
    return list(dict.fromkeys(found))


def _comparison(row: PredictedRange, group: Group, fits: FitDocument, campaign: Campaign) -> ThresholdComparison:
    quantity = "exposure_level" if row.quantity == "cumulative_exposure_level" else row.quantity
    fit = fits.selected(quantity, row.weighting, None, *group)
    if fit is None:
        return _without_measurement(row, group, "no level-versus-range fit of this quantity, weighting and group")
    reason = threshold_applies(fit, row)
    if reason:
        return _without_measurement(row, group, reason)
    conditions = conditions_of(fit, row, campaign)
    found = measured_distance(fit, row, conditions, rivals=rivals(fit, fits))
    mean, new_pile = probabilities_exceeded(fit, row, conditions)
    low, high = found.interval_m
    return ThresholdComparison(
        **_stated(row, group),
        measured_m=found.range_m,
        interval_m=found.interval_m,
        extrapolated=found.extrapolated,
        fit_model=fit.model,
        flags=_flags(row, fit, found.extrapolated),
        predicted_area_km2=circle_km2(row.range_m),
        measured_area_km2=circle_km2(found.range_m),
        area_interval_km2=(circle_km2(low), circle_km2(high)),
        probability_exceeded=mean,
        probability_exceeded_new_pile=new_pile,
        measured_r95_m=distance_of_most_places_m(fit, row, conditions),
        reason=None if found.range_m is not None else "the fitted curve does not reach the level beyond 1 m",
    )


def _flags(row: PredictedRange, fit: Fit, extrapolated: bool) -> tuple[str, ...]:
    stated = {
        "extrapolated": extrapolated,
        "abatement_not_stated": row.abatement is None,
        "range_statistic_differs": row.range_statistic in ("r95", "maximum"),
        "energy_not_matched": row.energy_kj is not None and fit.reference_energy_kj is None,
    }
    return tuple(name for name, true in stated.items() if true)


def _without_measurement(row: PredictedRange, group: Group | None, reason: str) -> ThresholdComparison:
    return ThresholdComparison(
        **_stated(row, group),
        measured_m=None,
        interval_m=(None, None),
        extrapolated=True,
        reason=reason,
        predicted_area_km2=circle_km2(row.range_m),
    )


def _stated(row: PredictedRange, group: Group | None) -> dict[str, object]:
    """What the prediction says, and the group of piles it is held against."""
    method, foundation, abatement = group or (None, None, row.abatement)
    return {
        "prediction_id": row.prediction_id,
        "quantity": row.quantity,
        "weighting": row.weighting,
        "threshold_db": row.threshold_db,
        "predicted_m": row.range_m,
        "model_id": row.model_id,
        "installation_method": method,
        "foundation_type": foundation,
        "abatement": abatement,
        "statistic": row.statistic,
        "range_statistic": row.range_statistic,
        "n_strikes": row.n_strikes,
        "energy_kj": row.energy_kj,
    }
