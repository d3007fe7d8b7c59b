"""The strikes that fits and comparisons may use, and each level of theirs with its censoring."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.station_periods import listeners
from reconcile.vocabulary.decidecades import band_number, nominal_hz
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray
from reconcile.vocabulary.tables import Stage
from reconcile.vocabulary.tables.bands import exposure_column, noise_column
from reconcile.vocabulary.tables.flags import flags_excluding
from reconcile.vocabulary.weightings import column_part

GROUP = ("installation_method", "foundation_type", "abatement")

_LOWEST_BAND, _HIGHEST_BAND = 0, 60  # 1 Hz to 1 MHz


@dataclass(frozen=True, slots=True, order=True)
class LevelKey:
    """Which level: quantity, weighting (`none` or set and group), nominal band or None for the full band."""

    quantity: str
    weighting: str = "none"
    band_hz: float | None = None


@dataclass(frozen=True, slots=True)
class Levels:
    """A level of each strike, and the bounds between which its true value lies; NaN where not measured at all."""

    level_db: FloatArray
    lowest_db: FloatArray  # -inf where only an upper limit is known
    highest_db: FloatArray  # +inf where only a lower limit is known

    @property
    def known(self) -> NDArray[np.bool_]:
        """Whether the level itself is known."""
        return np.asarray(self.lowest_db == self.highest_db)

    @property
    def censored(self) -> NDArray[np.bool_]:
        """Whether only a limit of the level is known."""
        return np.asarray(self.lowest_db < self.highest_db)


def usable_strikes(strikes: pd.DataFrame, bands: pd.DataFrame, campaign: Campaign, stage: Stage) -> pd.DataFrame:
    """Strikes that no flag takes out of the stage, in order of time, with their bands and the group of their pile.

    Twin channels take turns as strikes clip or not: all are put down to the first of their stations, because each
    alone would hold the loud strikes or the faint ones only.
    """
    piles = {pile.pile_id: pile for pile in campaign.piles}
    strikes = strikes.reset_index(drop=True)
    flagged = strikes["flags"].explode().isin(list(flags_excluding(stage)))
    excluded = flagged.groupby(level=0).any().reindex(strikes.index, fill_value=False)
    kept = strikes[~excluded & strikes["pile_id"].isin(list(piles))].sort_values("time_utc", kind="stable")
    if len(bands):
        kept = kept.merge(bands, on=["strike_id", "station_id"], how="left")
    kept = kept.reset_index(drop=True)
    if len(kept):
        naive = kept["time_utc"].dt.tz_convert("UTC").dt.tz_localize(None)
        time_us = naive.to_numpy(dtype="datetime64[us]").astype(np.int64)
        kept["station_id"] = listeners(campaign, kept["station_id"].to_numpy(dtype=object), time_us)
    for name in GROUP:
        kept[name] = kept["pile_id"].map({pile_id: getattr(pile, name) for pile_id, pile in piles.items()})
    kept["abatement"] = kept["abatement"].map(abatement_names(campaign))
    return kept


def abatement_names(campaign: Campaign) -> dict[str, str]:
    """The one spelling under which each abatement state of the piles is kept: the first."""
    first: dict[str, str] = {}
    return {
        pile.abatement: first.setdefault(plain_abatement(pile.abatement), pile.abatement) for pile in campaign.piles
    }


def plain_abatement(text: str) -> str:
    """An abatement state as it is compared: case and spaces at the ends do not matter."""
    return text.strip().casefold()


def level_keys(strikes: pd.DataFrame, campaign: Campaign) -> list[LevelKey]:
    """Every level that the strikes hold: peak, exposure, rms, weighted exposures, bands."""
    present = set(strikes.columns)
    keys = [LevelKey(q) for q in ("exposure_level", "peak_level", "rms_level") if f"{q}_db" in present]
    keys += [
        LevelKey("exposure_level", weighting)
        for weighting in campaign.settings.weightings
        if f"exposure_level_{column_part(weighting)}_db" in present
    ]
    keys += [
        LevelKey("exposure_level", "none", nominal_hz(n))
        for n in range(_LOWEST_BAND, _HIGHEST_BAND + 1)
        if exposure_column(n) in present
    ]
    return keys


def read_levels(strikes: pd.DataFrame, key: LevelKey, censor_below_db: float) -> Levels | None:
    """The levels of one key, or None where the strikes do not hold it.

    Rms has no censoring column of its own: where it is null the strike was too faint and nothing is known of it.
    A band is `at_most` where its exposure is less than `censor_below_db` above its background's.
    """
    columns = _columns(key)
    if columns is None or columns[0] not in strikes.columns:
        return None
    level = strikes[columns[0]].to_numpy(np.float64)
    stated = strikes[columns[1]] if columns[1] in strikes.columns else pd.Series("none", index=strikes.index)
    at_least = stated.eq("at_least").fillna(False).to_numpy(bool)
    at_most = stated.eq("at_most").fillna(False).to_numpy(bool)
    if key.band_hz is not None:
        # A band has its own signal to noise: the full band may be a limit where a band stands clear, and the reverse.
        noise = strikes[noise_column(band_number(key.band_hz))].to_numpy(np.float64)
        at_most = level < noise + censor_below_db
    missing = np.isnan(level)
    lowest = np.where(at_most, -np.inf, level)
    highest = np.where(at_least, np.inf, level)
    if key.quantity == "rms_level":
        lowest, highest = np.where(missing, -np.inf, lowest), np.where(missing, np.inf, highest)
    else:
        lowest, highest = np.where(missing, np.nan, lowest), np.where(missing, np.nan, highest)
    return Levels(level, lowest, highest)


def _columns(key: LevelKey) -> tuple[str, str] | None:
    """Names of the level's column and of the column with its censoring."""
    if key.band_hz is not None:
        if key.quantity != "exposure_level" or key.weighting != "none":
            return None
        try:
            return exposure_column(band_number(key.band_hz)), "exposure_censoring"
        except ValueError:
            return None
    if key.weighting != "none":
        part = column_part(key.weighting)
        return (f"exposure_level_{part}_db", f"exposure_censoring_{part}") if key.quantity == "exposure_level" else None
    censoring = "peak_censoring" if key.quantity == "peak_level" else "exposure_censoring"
    return (f"{key.quantity}_db", censoring)


def group_rows(strikes: pd.DataFrame) -> Iterable[tuple[tuple[str, str, str], pd.DataFrame]]:
    """The strikes of each group: method, foundation type, abatement; never mixed."""
    for key, rows in strikes.groupby(list(GROUP), sort=True):
        yield (str(key[0]), str(key[1]), str(key[2])), rows
