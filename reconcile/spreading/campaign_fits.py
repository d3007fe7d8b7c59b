"""Level against range for every quantity, weighting and band of a campaign, group by group."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from reconcile.spreading.cells import cell_index
from reconcile.spreading.fitting import fit_models
from reconcile.spreading.means import CodedStrikes, code_strikes, strike_means
from reconcile.spreading.recomposition import with_recomposition
from reconcile.spreading.rivals import rivals
from reconcile.spreading.strike_levels import LevelKey, group_rows, level_keys, read_levels, usable_strikes
from reconcile.spreading.subject import Subject, not_fitted
from reconcile.spreading.threshold_ranges import threshold_range
from reconcile.vocabulary.decidecades import band_number, centre_hz
from reconcile.vocabulary.documents.campaign import Campaign, PredictedRange
from reconcile.vocabulary.documents.fit import Fit, FitDocument, NotFitted
from reconcile.vocabulary.seawater import francois_garrison_1982
from reconcile.vocabulary.tables import Stage

# Absorption is taken for this water: from 2 to 20 °C it differs by less than 30 % up to 20 kHz.
WATER_TEMPERATURE_C, WATER_SALINITY = 10.0, 35.0

Group = tuple[str, str, str]  # installation method, foundation type, abatement


def fit_campaign(
    strikes: pd.DataFrame,
    bands: pd.DataFrame,
    campaign: Campaign,
    reference_range_m: float = 750.0,
    *,
    robust: bool = False,
) -> FitDocument:
    """Fit every model to every level of every group (installation method, foundation type, abatement).

    `strikes` and `bands` are the results tables. Strikes with a flag that excludes from fits are left out; censored
    ones are in the likelihood with their limits. Thresholds are those of the campaign's predicted ranges.
    """
    usable = usable_strikes(strikes, bands, campaign, Stage.FIT)
    keys = level_keys(usable, campaign)
    fits: list[Fit] = []
    missing: list[NotFitted] = []
    for group, rows in group_rows(usable):
        coded = _coded(rows.reset_index(drop=True), campaign)
        of_group: list[Fit] = []
        for key in keys:
            levels = read_levels(rows, key, campaign.settings.censor_below_snr_db)
            if levels is None or not (levels.known | levels.censored).any():
                continue
            subject = replace(_subject(key, group, campaign, reference_range_m), robust=robust)
            found, reason = fit_models(strike_means(levels.lowest_db, levels.highest_db, coded), subject)
            of_group += [_with_thresholds(fit, campaign.predicted_ranges, rivals(fit, found)) for fit in found]
            if reason:
                missing.append(not_fitted(subject, reason))
        fits += with_recomposition(of_group)
    return FitDocument(fits=tuple(fits), not_fitted=tuple(missing))


def _coded(rows: pd.DataFrame, campaign: Campaign) -> CodedStrikes:
    index = cell_index(rows, campaign)
    fixed = {(r.pile_id, r.station_id): r.range_m for r in campaign.ranges if r.source != "tracks.csv"}
    stated = pd.Series(fixed, dtype=float)
    ranges = rows["range_m"].to_numpy(np.float64)
    if np.isnan(ranges).any() and len(stated):
        pairs = pd.MultiIndex.from_frame(index.labels[["pile_id", "station_id"]])
        ranges = np.where(np.isnan(ranges), stated.reindex(pairs).to_numpy()[index.code], ranges)
    return code_strikes(index, ranges, rows["energy_kj"].to_numpy(np.float64), rows["strike_id"], rows["pile_id"])


def _subject(key: LevelKey, group: Group, campaign: Campaign, reference_range_m: float) -> Subject:
    method, foundation, abatement = group
    return Subject(
        quantity=key.quantity,
        weighting=key.weighting,
        band_hz=key.band_hz,
        installation_method=method,
        foundation_type=foundation,
        abatement=abatement,
        reference_range_m=reference_range_m,
        common_uncertainty_db=campaign.common_uncertainty_db,
        absorption_db_per_km=_absorption_db_per_km(key),
        water_depth_m=campaign.water_depth_m,
    )


def _absorption_db_per_km(key: LevelKey) -> float:
    """Of sea water at a band's centre; broadband levels lie where it is negligible, and have no one frequency."""
    if key.band_hz is None:
        return 0.0
    frequency_hz = centre_hz(band_number(key.band_hz))
    return francois_garrison_1982(frequency_hz, WATER_TEMPERATURE_C, WATER_SALINITY, depth_m=0.0)


def _with_thresholds(fit: Fit, predicted: Iterable[PredictedRange], others: Sequence[Fit]) -> Fit:
    """The fit with the distances to every threshold that was predicted for its quantity and weighting.

    A cumulative threshold is met by the exposure curve and needs the number of strikes; a loudest strike is not
    a statistic that a curve of means can be raised to.
    """
    if fit.band_hz is not None:
        return fit
    asked = {
        (row.threshold_db, row.quantity, row.statistic, row.n_strikes, row.energy_kj): row
        for row in predicted
        if row.weighting == fit.weighting and threshold_applies(fit, row) is None
    }
    found = tuple(
        threshold_range(
            fit,
            row.threshold_db,
            quantity=row.quantity,
            statistic=row.statistic,
            n_strikes=row.n_strikes,
            energy_kj=row.energy_kj,
            rivals=others,
        )
        for row in asked.values()
    )
    return fit.model_copy(update={"threshold_ranges": found})


def threshold_applies(fit: Fit, row: PredictedRange) -> str | None:
    """None where a predicted range can be read off a fit's curve, else the reason why not."""
    if row.statistic == "maximum":
        return "a loudest strike cannot be read off a curve of means"
    if row.quantity == "cumulative_exposure_level":
        if row.n_strikes is None:
            return "the predicted range does not state the number of strikes"
        return None if fit.quantity == "exposure_level" else "the curve is not of exposure"
    return None if fit.quantity == row.quantity else "the curve is of another quantity"
