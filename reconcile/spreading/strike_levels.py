"""The strikes that fits and comparisons may use, and each level of theirs with its censoring."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import with_states
from reconcile.campaign.station_periods import listeners
from reconcile.spreading.stored_bands import Bands, band_level_db, band_rows
from reconcile.vocabulary.decidecades import band_number, nominal_hz
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray
from reconcile.vocabulary.tables import Stage
from reconcile.vocabulary.tables.bands import exposure_column, is_at_most, noise_column
from reconcile.vocabulary.tables.flags import flags_excluding
from reconcile.vocabulary.weightings import column_part

GROUP = ("installation_method", "foundation_type", "abatement")

RMS_NEEDS_SNR_DB = 6.0  # below it no rms level is given (as in `strikes.strike_rows`, which a test holds this to)
ENERGY_IN_DURATION = 0.9  # from 5 % to 95 %

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

    def of_rows(self, rows: NDArray[np.intp]) -> Levels:
        """The levels of some of the strikes."""
        return Levels(self.level_db[rows], self.lowest_db[rows], self.highest_db[rows])

    @property
    def censored(self) -> NDArray[np.bool_]:
        """Whether only a limit of the level is known."""
        return np.asarray(self.lowest_db < self.highest_db)


def usable_strikes(strikes: pd.DataFrame, bands: Bands, campaign: Campaign, stage: Stage) -> pd.DataFrame:
    """Strikes that no flag takes out of the stage, in order of time, with the row of their bands and their group.

    Method and abatement are those of a strike's activity, or of its pile where it has none.

    Twin channels take turns as strikes clip or not: all are put down to the first of their stations, because each
    alone would hold the loud strikes or the faint ones only.
    """
    piles = {pile.pile_id: pile for pile in campaign.piles}
    strikes = strikes.reset_index(drop=True)
    if len(bands):
        strikes = band_rows(strikes, bands)
    rows = np.flatnonzero(~_excluded(strikes["flags"], stage) & strikes["pile_id"].isin(list(piles)).to_numpy(bool))
    in_time = strikes["time_utc"].iloc[rows].reset_index(drop=True).sort_values(kind="stable").index.to_numpy()
    kept = strikes.take(rows[in_time]).reset_index(drop=True)
    if len(kept):
        naive = kept["time_utc"].dt.tz_convert("UTC").dt.tz_localize(None)
        time_us = naive.to_numpy(dtype="datetime64[us]").astype(np.int64)
        kept["station_id"] = listeners(campaign, kept["station_id"].to_numpy(dtype=object), time_us)
    kept = with_states(kept, campaign)
    kept["foundation_type"] = kept["pile_id"].map({pile_id: pile.foundation_type for pile_id, pile in piles.items()})
    kept["abatement"] = kept["abatement"].map(abatement_names(campaign))
    return kept


def _excluded(flags: pd.Series, stage: Stage) -> NDArray[np.bool_]:
    """Which rows have a flag that takes them out of a stage."""
    excluding = flags_excluding(stage)
    return flags.map(lambda own: not excluding.isdisjoint(own)).to_numpy(bool)


def abatement_names(campaign: Campaign) -> dict[str, str]:
    """The one spelling under which each abatement state of the piles and activities is kept: the first."""
    first: dict[str, str] = {}
    stated = [pile.abatement for pile in campaign.piles] + [activity.abatement for activity in campaign.activities]
    return {name: first.setdefault(plain_abatement(name), name) for name in stated}


def plain_abatement(text: str) -> str:
    """An abatement state as it is compared: case and spaces at the ends do not matter."""
    return text.strip().casefold()


def level_keys(strikes: pd.DataFrame, bands: Bands, campaign: Campaign) -> list[LevelKey]:
    """Every level that the strikes and their bands hold: peak, exposure, rms, weighted exposures, bands."""
    present = set(strikes.columns) | set(bands.columns if len(bands) else ())
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


def read_levels(
    strikes: pd.DataFrame, key: LevelKey, censor_below_db: float, bands: Bands | None = None
) -> Levels | None:
    """The levels of one key, or None where the strikes, or of a band the `bands`, do not hold it.

    Rms has no censoring column of its own: where it is null the signal to noise lay below 6 dB, so that it is less than
    0.9 of four times the background's mean square; nothing is known where that background is not.
    A band is `at_most` where its exposure is less than `censor_below_db` above its background's.
    """
    columns = _columns(key)
    held = strikes if key.band_hz is None else bands
    if columns is None or held is None or not len(held) or columns[0] not in held.columns:
        return None
    if key.band_hz is None or bands is None:
        level = strikes[columns[0]].to_numpy(np.float64)
    else:
        level = band_level_db(strikes, bands, columns[0])
    stated = strikes[columns[1]] if columns[1] in strikes.columns else pd.Series("none", index=strikes.index)
    at_least = stated.eq("at_least").fillna(False).to_numpy(bool)
    at_most = stated.eq("at_most").fillna(False).to_numpy(bool)
    if key.band_hz is not None and bands is not None:
        # A band has its own signal to noise: the full band may be a limit where a band stands clear, and the reverse.
        band = band_number(key.band_hz)
        noise = band_level_db(strikes, bands, noise_column(band))
        at_most = is_at_most(level, noise, band, censor_below_db)
    missing = np.isnan(level)
    lowest = np.where(at_most, -np.inf, level)
    highest = np.where(at_least, np.inf, level)
    if key.quantity == "rms_level":
        limit = _rms_limit_db(strikes)
        lowest = np.where(missing, -np.inf, lowest)
        highest = np.where(missing, np.where(np.isnan(limit), np.inf, limit), highest)
    else:
        lowest, highest = np.where(missing, np.nan, lowest), np.where(missing, np.nan, highest)
    return Levels(level, lowest, highest)


def _rms_limit_db(strikes: pd.DataFrame) -> FloatArray:
    """The most that a strike's rms level can be where it was too faint to be measured; NaN where not known."""
    if "noise_level_db" not in strikes.columns:
        return np.full(len(strikes), np.nan)
    above = RMS_NEEDS_SNR_DB + 10.0 * math.log10(ENERGY_IN_DURATION)
    return np.asarray(strikes["noise_level_db"].to_numpy(np.float64) + above)


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


def group_rows(strikes: pd.DataFrame) -> Iterable[tuple[tuple[str, str, str], NDArray[np.intp]]]:
    """The places of the strikes of each group: method, foundation type, abatement; never mixed."""
    for key, rows in strikes[list(GROUP)].reset_index(drop=True).groupby(list(GROUP), sort=True):
        yield (str(key[0]), str(key[1]), str(key[2])), rows.index.to_numpy(np.intp)
