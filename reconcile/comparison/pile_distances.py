"""Predicted distances to levels beside those of single piles.

A pile's own levels say how far it lies above or below the fitted curve of its group (mean over its stations); the
distance is where the curve, moved by that, meets the level. The interval is the curve's.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd

from reconcile.campaign.activity_periods import states
from reconcile.spreading.curves import level_curve
from reconcile.spreading.rivals import rivals
from reconcile.spreading.strike_levels import abatement_names, plain_abatement
from reconcile.spreading.threshold_ranges import threshold_range
from reconcile.vocabulary.documents.campaign import Campaign, Pile, PredictedRange
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.tables import PILE_DISTANCES

Row = dict[str, object]


@dataclass(frozen=True, slots=True)
class _Levels:
    """Statistics of a pile at its stations, and how far from them."""

    value_db: list[float]
    range_m: list[float]


def pile_distances(record: pd.DataFrame, fitted: FitDocument | None, campaign: Campaign) -> pd.DataFrame:
    """The table `pile_distances`; `record` is the table of that name."""
    rows = [
        _row(state, predicted, record, fitted, campaign)
        for pile in campaign.piles
        for state in states(campaign, pile)
        for predicted in _for_pile(state, campaign)
    ]
    return pd.DataFrame(rows, columns=list(PILE_DISTANCES.column_names))


def _for_pile(pile: Pile, campaign: Campaign) -> Iterator[PredictedRange]:
    for row in campaign.predicted_ranges:
        same = row.abatement is None or plain_abatement(row.abatement) == plain_abatement(pile.abatement)
        if row.prediction_id == pile.prediction_id and same:
            yield row


def _row(
    pile: Pile, predicted: PredictedRange, record: pd.DataFrame, fitted: FitDocument | None, campaign: Campaign
) -> Row:
    levels = _levels(record, pile, predicted)
    stated = {
        "pile_id": pile.pile_id,
        "abatement": pile.abatement,
        "prediction_id": predicted.prediction_id,
        "quantity": predicted.quantity,
        "weighting": predicted.weighting,
        "threshold_db": predicted.threshold_db,
        "statistic": predicted.statistic,
        "range_statistic": predicted.range_statistic,
        "predicted_m": predicted.range_m,
        "n_stations": len(levels.value_db),
    }
    return {**stated, **_measured(pile, predicted, levels, fitted, campaign)}


def _levels(record: pd.DataFrame, pile: Pile, predicted: PredictedRange) -> _Levels:
    sums = predicted.quantity == "cumulative_exposure_level"
    own = record[
        (record["pile_id"] == pile.pile_id)
        & (record["quantity"] == predicted.quantity)
        & (record["weighting"] == predicted.weighting)
        & (record["statistic"] == ("completed" if sums else predicted.statistic or "median"))
        & (record["installation_method"] == pile.installation_method)
        & record["band_hz"].isna()
        & record["value_db"].notna()
        & record["range_m"].notna()
    ]
    if not sums:
        own = own[own["abatement"].map(plain_abatement) == plain_abatement(pile.abatement)]
    return _Levels(own["value_db"].tolist(), own["range_m"].tolist())


def _measured(
    pile: Pile, predicted: PredictedRange, levels: _Levels, fitted: FitDocument | None, campaign: Campaign
) -> Row:
    """Distance, interval, and what it says; or why there is none."""
    quantity = predicted.quantity
    if quantity == "cumulative_exposure_level":
        quantity = "exposure_level"
        if len(states(campaign, campaign.pile(pile.pile_id))) > 1:
            return _none("the pile was in several states of abatement or method: its sum is of no one of them")
    name = abatement_names(campaign).get(pile.abatement, pile.abatement)
    group = (pile.installation_method, pile.foundation_type, name)
    fit = None if fitted is None else fitted.selected(quantity, predicted.weighting, None, *group)
    if not levels.value_db:
        return _none("no level of this quantity, weighting and statistic was measured")
    if fit is None:
        return _none("no fit of level against range: too few ranges")
    curve = level_curve(fit, levels.range_m)
    above = math.fsum(v - float(c) for v, c in zip(levels.value_db, curve, strict=True)) / len(levels.value_db)
    found = threshold_range(fit, predicted.threshold_db - above, rivals=rivals(fit, fitted or ()))
    if found.range_m is None:
        return _none("the curve does not reach the level beyond 1 m")
    low, high = found.interval_m
    return {
        "measured_m": found.range_m,
        "lower_95_m": math.nan if low is None else low,
        "upper_95_m": math.nan if high is None else high,
        "extrapolated": found.extrapolated,
        "outcome": _outcome(predicted.range_m, found.range_m, low),
        "reason": None,
    }


def _outcome(predicted_m: float, measured_m: float, low_m: float | None) -> str:
    if measured_m <= predicted_m:
        return "not_beyond"
    return "beyond" if low_m is not None and low_m > predicted_m else "within_uncertainty"


def _none(reason: str) -> Row:
    nothing = dict.fromkeys(("measured_m", "lower_95_m", "upper_95_m"), math.nan)
    return {**nothing, "extrapolated": None, "outcome": None, "reason": reason}
