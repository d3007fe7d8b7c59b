"""Predictions paired with measurements, like with like; everything left over is listed with the reason."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import pandas as pd

from reconcile.campaign.activity_periods import states
from reconcile.comparison.cumulative import Operations
from reconcile.comparison.measured import Measured, Measurements
from reconcile.comparison.row_groups import PredictedLevel, RowGroup, row_groups
from reconcile.spreading.stored_bands import Bands
from reconcile.spreading.strike_levels import abatement_names, plain_abatement
from reconcile.vocabulary.documents.campaign import Campaign, Pile, Station
from reconcile.vocabulary.documents.fit import Fit, FitDocument
from reconcile.vocabulary.tables import COMPARISON, UNPAIRED, Kind, Stage, Table
from reconcile.vocabulary.tables.flags import flags_excluding

_SAME_DEPTH_M = 1.0
_DTYPES: dict[Kind, Any] = {
    Kind.TEXT: object,
    Kind.LEVEL: "float64",
    Kind.COUNT: "Int32",
    Kind.TRUTH: bool,
    Kind.FLAGS: object,
}
_Record = dict[str, Any]


def compare(
    strikes: pd.DataFrame, bands: Bands, summary: pd.DataFrame, fit: FitDocument, campaign: Campaign
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The comparison, and what found no partner: tables by COMPARISON and UNPAIRED.

    One row for each pile, station and predicted curve. `bias_db` is predicted minus measured; `counted` says whether
    a pair enters the bias.
    """
    measurements = Measurements.of(strikes, bands, summary, campaign)
    pairs: list[_Record] = []
    unpaired: list[_Record] = []
    for group in row_groups(campaign.predictions):
        piles = [pile for pile in campaign.piles if pile.prediction_id == group.shared.prediction_id]
        if not piles:
            unpaired.append(_left_over(group, "no pile names this prediction"))
        for pile in (state for listed in piles for state in states(campaign, listed)):
            reason = _unlike(group, pile) or _other_state(group, pile, campaign)
            if reason:
                unpaired.append(_left_over(group, reason, pile))
                continue
            for found in _pile_pairs(group, pile, measurements, fit):
                (unpaired if "reason" in found else pairs).append(found)
    unpaired += _without_prediction(campaign)
    return _table(pairs, COMPARISON), _table(unpaired, UNPAIRED)


def _without_prediction(campaign: Campaign) -> Iterator[_Record]:
    predicted = {row.prediction_id for row in campaign.predictions}
    for pile in campaign.piles:
        if pile.prediction_id is None:
            yield {"pile_id": pile.pile_id, "reason": "the pile names no prediction"}
        elif pile.prediction_id not in predicted:
            yield {
                "pile_id": pile.pile_id,
                "prediction_id": pile.prediction_id,
                "reason": "predictions.csv has no level for the prediction that the pile names",
            }


def _unlike(group: RowGroup, pile: Pile) -> str | None:
    """Why a prediction is not for this pile, or None where it is."""
    shared = group.shared
    for name, words in (("foundation_type", "foundation type"), ("installation_method", "installation method")):
        predicted, built = getattr(shared, name), getattr(pile, name)
        if predicted is not None and predicted != built:
            return f"predicted for {words} {predicted}; the pile's is {built}"
    if shared.abatement is not None and plain_abatement(shared.abatement) != plain_abatement(pile.abatement):
        return f"predicted for abatement {shared.abatement!r}; the pile was driven with {pile.abatement!r}"
    return None


def _other_state(group: RowGroup, pile: Pile, campaign: Campaign) -> str | None:
    """Why a prediction is not for this state of a pile that was installed in several, or None where it is."""
    as_listed = campaign.pile(pile.pile_id)
    n_states = len(states(campaign, as_listed))
    if n_states > 1 and group.shared.quantity == "cumulative_exposure_level":
        return f"a cumulative level of the whole pile, which was installed in {n_states} states of method and abatement"
    if group.shared.installation_method is None and pile.installation_method != as_listed.installation_method:
        return f"predicted for no stated method, so for that of piles.csv; this activity was {pile.installation_method}"
    return None


def _pile_pairs(group: RowGroup, pile: Pile, measurements: Measurements, fits: FitDocument) -> Iterator[_Record]:
    """The pairs of a predicted curve at all stations, and those stations where there is none, with the reason."""
    shared = group.shared
    quantity = "exposure_level" if shared.quantity == "cumulative_exposure_level" else shared.quantity
    abatement = abatement_names(measurements.campaign)[pile.abatement]
    fit = fits.selected(
        quantity, shared.weighting, shared.band_hz, pile.installation_method, pile.foundation_type, abatement
    )
    for station in measurements.campaign.stations:
        measured = measurements.of_group(group, pile, station.id, fit)
        if isinstance(measured, str):
            yield _left_over(group, measured, pile, station)
            continue
        predicted = measured.predicted or group.at(measured.range_m, fit)
        if math.isnan(predicted.level_db):
            reason = f"at {measured.range_m:.0f} m, outside the predicted ranges, and no fit gives a slope"
            yield _left_over(group, reason, pile, station)
            continue
        yield _pair(group, pile, station, measured, predicted, measurements.campaign, fit)


def _pair(
    group: RowGroup,
    pile: Pile,
    station: Station,
    measured: Measured,
    predicted: PredictedLevel,
    campaign: Campaign,
    fit: Fit | None,
) -> _Record:
    shared = group.shared
    stated = {
        "carried": predicted.carried,
        "beyond_prediction": predicted.extrapolated,
        "basis_unknown": not group.basis_known,
        "abatement_not_stated": shared.abatement is None,
        "receiver_differs": _receiver_differs(shared.receiver, measured.heard.hydrophone_depth_m),
    }
    flags = [name for name, true in stated.items() if true] + list(measured.flags)
    bias = predicted.level_db - measured.measured_db
    done = measured.done
    parts = (
        measured.strike_uncertainty_db,
        measured.energy_uncertainty_db,
        measured.heard.chain_uncertainty_db,
        campaign.common_uncertainty_db,
    )
    return {
        "pile_id": pile.pile_id,
        "station_id": station.id,
        "system_id": measured.heard.system_id,
        "mooring_id": measured.heard.mooring_id,
        **_names(group),
        "statistic": group.statistic,
        "range_m": measured.range_m,
        "n_strikes": measured.n_strikes,
        "measured_db": measured.measured_db,
        "measured_uncertainty_db": math.hypot(*parts),
        "strike_uncertainty_db": measured.strike_uncertainty_db,
        "energy_uncertainty_db": measured.energy_uncertainty_db,
        "predicted_db": predicted.level_db,
        "predicted_extrapolated": predicted.extrapolated,
        "bias_db": bias,
        "n_strikes_as_recorded": measured.n_strikes_as_recorded,
        "measured_as_recorded_db": measured.as_recorded_db,
        "predicted_energy_kj": shared.energy_kj,
        "energy_gap_decades": done.gap_decades,
        "energy_part_db": done.energy_part_db,
        "strike_count_part_db": done.strike_count_part_db,
        "piles_part_db": done.piles_part_db,
        "acoustic_bias_db": bias - _hammer_db(shared.quantity, done),
        "predicted_sd_db": shared.standard_deviation_db,
        "receiver": shared.receiver if stated["receiver_differs"] else None,
        "model_id": shared.model_id,
        "installation_method": pile.installation_method,
        "foundation_type": pile.foundation_type,
        "abatement": abatement_names(campaign)[pile.abatement],
        "counted": math.isfinite(bias) and not flags_excluding(Stage.COMPARISON) & set(flags),
        "flags": flags,
    }


def _hammer_db(quantity: str, done: Operations) -> float:
    """What the hammer did of a difference; NaN where the strikes of a cumulative prediction are not counted."""
    if quantity != "cumulative_exposure_level":
        return 0.0
    energy = 0.0 if math.isnan(done.energy_part_db) else done.energy_part_db
    return done.strike_count_part_db + done.piles_part_db + energy


def _receiver_differs(receiver: str | None, hydrophone_depth_m: float | None) -> bool:
    """Whether a prediction is for another depth than the hydrophone's; one that states none is not held against it."""
    if receiver is None:
        return False
    try:
        depth_m = float(receiver)
    except ValueError:
        return True
    return hydrophone_depth_m is not None and abs(depth_m - hydrophone_depth_m) > _SAME_DEPTH_M


def _names(group: RowGroup) -> _Record:
    shared = group.shared
    return {
        "prediction_id": shared.prediction_id,
        "quantity": shared.quantity,
        "weighting": shared.weighting,
        "band_hz": shared.band_hz,
    }


def _left_over(group: RowGroup, reason: str, pile: Pile | None = None, station: Station | None = None) -> _Record:
    return {
        **_names(group),
        "pile_id": pile.pile_id if pile else None,
        "station_id": station.id if station else None,
        "reason": reason,
    }


def _table(records: list[_Record], table: Table) -> pd.DataFrame:
    """A frame with exactly the table's columns and types; a cell that a record lacks is null."""
    columns = {
        column.name: pd.Series([record.get(column.name) for record in records], dtype=_DTYPES[column.kind])
        for column in table.columns
    }
    return pd.DataFrame(columns)
