"""Insertion loss: how much quieter piles were with an abatement than without, for every level and band.

Strikes with and without are held against each other through one model (`state_contrast`), so that energy, range,
receiver depth and bearing (by the place), pile and chain count only as far as the two states differ in them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.comparison.state_contrast import StateContrast, StateLevels, paired, state_contrast
from reconcile.spreading.cells import RANGE_BINS_PER_DECADE, CellIndex
from reconcile.spreading.means import CodedStrikes, code_strikes
from reconcile.spreading.stored_bands import Bands
from reconcile.spreading.strike_levels import LevelKey, Levels, level_keys, plain_abatement, read_levels, usable_strikes
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.tables import INSERTION_LOSS, Stage

WITHOUT = "none"
_FAR_ENERGY = 2.0  # factor between the median energies of the states beyond which the difference is flagged
_FEW_PILES = 3
_COUNTED_BY = ("pile_id", "mooring_id", "abatement", "energy_kj", "phase")

Row = dict[str, object]


def insertion_losses(
    strikes: pd.DataFrame,
    bands: Bands,
    campaign: Campaign,
    reference_range_m: float = 750.0,
    *,
    by_place: bool = True,
) -> pd.DataFrame:
    """The table `insertion_loss`: each abatement of each method and foundation type against the strikes without any.

    `strikes` and `bands` are the results tables; strikes that a flag takes out of comparisons are left out. Full-band
    and weighted levels have rows for each place as well, unless `by_place` is False. Empty where piles were struck in
    one state only.
    """
    usable = usable_strikes(strikes, bands, campaign, Stage.COMPARISON)
    usable = usable[usable["installation_method"] == "impact"]
    rows: list[Row] = []
    for foundation, group in usable.groupby("foundation_type", sort=True):
        plain = group["abatement"].map(plain_abatement)
        for state in sorted(set(plain) - {WITHOUT}):
            if (plain == WITHOUT).any():
                both = group[plain.isin((WITHOUT, state))].reset_index(drop=True)
                groups = [_Strikes.of(both, campaign), *(_at_places(both, campaign) if by_place else ())]
                rows += [
                    {**row, "foundation_type": foundation} for row in _rows(groups, bands, campaign, reference_range_m)
                ]
    return pd.DataFrame(rows, columns=list(INSERTION_LOSS.column_names))


@dataclass(frozen=True, slots=True)
class _Strikes:
    """The strikes of two states, coded once for all levels; at one place where `mooring_id` names it."""

    rows: pd.DataFrame
    coded: CodedStrikes
    abated: NDArray[np.bool_]
    mooring_id: str | None = None

    @classmethod
    def of(cls, rows: pd.DataFrame, campaign: Campaign, mooring_id: str | None = None) -> _Strikes:
        abated = (rows["abatement"].map(plain_abatement) != WITHOUT).to_numpy(bool)
        index = _index(rows, abated, campaign)
        range_m, energy_kj = (rows[name].to_numpy(np.float64) for name in ("range_m", "energy_kj"))
        coded = code_strikes(index, range_m, energy_kj, rows["strike_id"], rows["pile_id"])
        return cls(rows, coded, abated, mooring_id)


def _index(rows: pd.DataFrame, abated: NDArray[np.bool_], campaign: Campaign) -> CellIndex:
    """Cells of one pile, receiver, range and state; the chain that of most of a cell's strikes."""
    keyed = rows[["pile_id", "station_id", "mooring_id", "system_id"]].assign(
        bin=np.floor(np.log10(rows["range_m"].to_numpy(np.float64)) * RANGE_BINS_PER_DECADE), abated=abated
    )
    grouped = keyed.groupby(["pile_id", "station_id", "mooring_id", "bin", "abated"], sort=True, dropna=False)
    labels = grouped["system_id"].agg(lambda ids: ids.mode().iloc[0]).reset_index()
    uncertainties = {system.id: system.uncertainty_db for system in campaign.systems}
    labels["chain_sd_db"] = labels["system_id"].map(uncertainties).astype(float)
    return CellIndex(np.asarray(grouped.ngroup(), dtype=np.intp), labels)


def _at_places(both: pd.DataFrame, campaign: Campaign) -> Iterator[_Strikes]:
    """The strikes at each place that heard both states."""
    for mooring_id, own in both.groupby("mooring_id", sort=True):
        if own["abatement"].map(plain_abatement).eq(WITHOUT).nunique() == 2:
            yield _Strikes.of(own.reset_index(drop=True), campaign, str(mooring_id))


def _rows(groups: Sequence[_Strikes], bands: Bands, campaign: Campaign, reference_range_m: float) -> Iterator[Row]:
    """All rows of one abatement; bands at all places together only, the first of `groups`."""
    for key in level_keys(groups[0].rows, bands, campaign):
        for group in groups if key.band_hz is None else groups[:1]:
            levels = read_levels(group.rows, key, campaign.settings.censor_below_snr_db, bands)
            if levels is not None and (row := _row(group, key, levels, reference_range_m)) is not None:
                yield row


def _row(group: _Strikes, key: LevelKey, levels: Levels, reference_range_m: float) -> Row | None:
    state = StateLevels(levels.lowest_db, levels.highest_db, group.coded, group.abated)
    contrast = state_contrast(state, reference_range_m)
    if contrast is None:
        return None
    used = state.used
    labels = group.rows[[name for name in _COUNTED_BY if name in group.rows]][used].assign(abated=group.abated[used])
    return {
        "installation_method": "impact",
        "abatement": str(labels.loc[labels["abated"], "abatement"].iloc[0]),
        "reference_abatement": WITHOUT,
        "quantity": key.quantity,
        "weighting": key.weighting,
        "band_hz": np.nan if key.band_hz is None else key.band_hz,
        "mooring_id": group.mooring_id,
        **_numbers(contrast),
        **_counts(state, labels),
        "flags": _flags(state, contrast, labels),
    }


def _numbers(contrast: StateContrast) -> Row:
    low, high = contrast.interval_95_db
    return {
        "insertion_loss_db": contrast.loss.value,
        "standard_uncertainty_db": contrast.loss.standard_error,
        "lower_95_db": low,
        "upper_95_db": high,
        "degrees_of_freedom": contrast.loss.degrees_of_freedom,
        "censoring": contrast.censoring,
        "energy_shift_db": contrast.energy_shift_db,
        "energy_uncertainty_db": contrast.energy_uncertainty_db,
        "spread_between_piles_db": contrast.spread_between_piles_db,
    }


def _counts(state: StateLevels, labels: pd.DataFrame) -> Row:
    limited = state.used & ~state.known
    return {
        "n_piles": labels.loc[labels["abated"], "pile_id"].nunique(),
        "n_reference_piles": labels.loc[~labels["abated"], "pile_id"].nunique(),
        "n_paired_piles": paired(labels, "pile_id"),
        "n_paired_places": paired(labels, "mooring_id"),
        "n_strikes": int((state.used & state.abated).sum()),
        "n_censored": int((limited & state.abated).sum()),
        "n_reference_strikes": int((state.used & ~state.abated).sum()),
        "n_reference_censored": int((limited & ~state.abated).sum()),
    }


def _flags(state: StateLevels, contrast: StateContrast, labels: pd.DataFrame) -> list[str]:
    reference = labels[~labels["abated"]]
    energy = [labels.loc[labels["abated"] == side, "energy_kj"].median() for side in (False, True)]
    phases = set(reference["phase"].dropna().unique()) if "phase" in reference else set()
    stated = {
        "censored_rows": bool((state.used & ~state.known).any()),
        "one_reference_pile": reference["pile_id"].nunique() == 1,
        "few_abated_piles": labels.loc[labels["abated"], "pile_id"].nunique() < _FEW_PILES,
        "reference_is_soft_start": bool(phases) and phases <= {"soft_start", "test_blow"},
        "energies_apart": bool(max(energy) > _FAR_ENERGY * min(energy)),
        "energies_not_known": bool(np.isnan(energy).any()),
        "energy_coefficient_assumed": contrast.energy_assumed and not np.isnan(energy).any(),
        "slope_assumed": contrast.slope_assumed,
        "places_not_shared": paired(labels, "mooring_id") == 0,
    }
    return [name for name, true in stated.items() if true]
