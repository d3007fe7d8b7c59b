"""Level against range for every quantity, weighting and band of a campaign, group by group."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.spreading.absorption import absorption_db_per_km, sea_water
from reconcile.spreading.cells import cell_index
from reconcile.spreading.covariates import hydrophone_depth_m
from reconcile.spreading.fitting import fit_models
from reconcile.spreading.means import CodedStrikes, code_strikes, strike_means
from reconcile.spreading.predicted_distances import conditions_of, measured_distance, threshold_applies
from reconcile.spreading.recomposition import with_recomposition
from reconcile.spreading.residual_rows import joined
from reconcile.spreading.rivals import rivals
from reconcile.spreading.stored_bands import Bands
from reconcile.spreading.strike_levels import LevelKey, Levels, group_rows, level_keys, read_levels, usable_strikes
from reconcile.spreading.subject import Subject, not_fitted
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.fit import Fit, FitDocument, NotFitted
from reconcile.vocabulary.tables import Stage

Group = tuple[str, str, str]  # installation method, foundation type, abatement

_CODED_BY = (
    "time_utc", "strike_id", "pile_id", "station_id", "mooring_id", "system_id", "range_m", "energy_kj", "penetration_m"
)  # fmt: skip


def fit_campaign(
    strikes: pd.DataFrame,
    bands: Bands,
    campaign: Campaign,
    reference_range_m: float = 750.0,
    *,
    robust: bool = False,
) -> FitDocument:
    """The document of `fit_with_residuals`."""
    return fit_with_residuals(strikes, bands, campaign, reference_range_m, robust=robust)[0]


def fit_with_residuals(
    strikes: pd.DataFrame,
    bands: Bands,
    campaign: Campaign,
    reference_range_m: float = 750.0,
    *,
    robust: bool = False,
) -> tuple[FitDocument, pd.DataFrame]:
    """Fit every model to every level of every group (installation method, foundation type, abatement).

    `strikes` and `bands` are the results tables. Strikes with a flag that excludes from fits are left out; censored
    ones are in the likelihood with their limits. Thresholds are those of the campaign's predicted ranges. `robust`, or
    the setting `robust_fits`, takes what is left of the cells as Student's t. Beside the document the rows of the table
    `residuals`.
    """
    robust = robust or campaign.settings.robust_fits
    usable = usable_strikes(strikes, bands, campaign, Stage.FIT)
    labels = usable[[name for name in _CODED_BY if name in usable.columns]]
    groups = [
        _Group(key, rows, _coded(labels.take(rows).reset_index(drop=True), campaign))
        for key, rows in group_rows(usable)
    ]
    for key in level_keys(usable, bands, campaign):  # a band's columns are read once for all groups
        levels = read_levels(usable, key, campaign.settings.censor_below_snr_db, bands)
        if levels is None:
            continue
        for group in groups:
            own = levels.of_rows(group.rows)
            if (own.known | own.censored).any():
                subject = replace(_subject(key, group.key, campaign, reference_range_m), robust=robust)
                group.fit(own, subject, campaign)
    fits = tuple(fit for group in groups for fit in with_recomposition(group.fits))
    missing = tuple(one for group in groups for one in group.missing)
    left = joined([rows for group in groups for rows in group.residuals])
    return FitDocument(robust=robust, fits=fits, not_fitted=missing), left


@dataclass(slots=True)
class _Group:
    """The strikes of a group by their places in the table, and what was found of them level by level."""

    key: Group
    rows: NDArray[np.intp]
    coded: CodedStrikes
    fits: list[Fit] = field(default_factory=list)
    missing: list[NotFitted] = field(default_factory=list)
    residuals: list[pd.DataFrame] = field(default_factory=list)

    def fit(self, levels: Levels, subject: Subject, campaign: Campaign) -> None:
        found = fit_models(strike_means(levels.lowest_db, levels.highest_db, self.coded), subject)
        self.fits += [_with_thresholds(fit, campaign, rivals(fit, found.fits)) for fit in found.fits]
        self.residuals.append(found.residuals)
        if found.reason:
            self.missing.append(not_fitted(subject, found.reason))


def _coded(rows: pd.DataFrame, campaign: Campaign) -> CodedStrikes:
    time_us = rows["time_utc"].dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[us]").astype(np.int64)
    depths = hydrophone_depth_m(campaign, rows["station_id"].to_numpy(object), time_us)
    index = cell_index(rows.assign(hydrophone_depth_m=depths), campaign)
    fixed = {(r.pile_id, r.station_id): r.range_m for r in campaign.ranges if r.source != "tracks.csv"}
    stated = pd.Series(fixed, dtype=float)
    ranges = rows["range_m"].to_numpy(np.float64)
    if np.isnan(ranges).any() and len(stated):
        pairs = pd.MultiIndex.from_frame(index.labels[["pile_id", "station_id"]])
        ranges = np.where(np.isnan(ranges), stated.reindex(pairs).to_numpy()[index.code], ranges)
    known = "penetration_m" in rows.columns
    penetration = rows["penetration_m"].to_numpy(np.float64) if known else None
    energy = rows["energy_kj"].to_numpy(np.float64)
    return code_strikes(index, ranges, energy, rows["strike_id"], rows["pile_id"], penetration)


def _subject(key: LevelKey, group: Group, campaign: Campaign, reference_range_m: float) -> Subject:
    method, foundation, abatement = group
    water = sea_water(campaign)
    return Subject(
        quantity=key.quantity,
        weighting=key.weighting,
        band_hz=key.band_hz,
        installation_method=method,
        foundation_type=foundation,
        abatement=abatement,
        reference_range_m=reference_range_m,
        common_uncertainty_db=campaign.common_uncertainty_db,
        absorption_db_per_km=absorption_db_per_km(key.band_hz, water),
        water_depth_m=campaign.water_depth_m,
        sea_water=None if key.band_hz is None else water,
        sound_speed_m_s=campaign.sound_speed_m_s,
    )


def _with_thresholds(fit: Fit, campaign: Campaign, others: Sequence[Fit]) -> Fit:
    """The fit with the distances to every threshold that was predicted for its quantity and weighting.

    A cumulative threshold is met by the exposure curve and needs the number of strikes; a loudest strike is not
    a statistic that a curve of means can be raised to.
    """
    if fit.band_hz is not None:
        return fit
    asked = {}
    for row in campaign.predicted_ranges:
        if row.weighting == fit.weighting and threshold_applies(fit, row) is None:
            conditions = conditions_of(fit, row, campaign)
            stated = (row.threshold_db, row.quantity, row.statistic, row.n_strikes, row.energy_kj, conditions)
            asked[stated] = measured_distance(fit, row, conditions, rivals=others)
    return fit.model_copy(update={"threshold_ranges": tuple(asked.values())})
