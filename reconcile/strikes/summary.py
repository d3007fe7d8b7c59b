"""Rows of `summary`: statistics of the strikes (or seconds) of one pile at one station.

A censored value moves a statistic between two bounds: with limits taken as they stand, and with `at_most` values as if
they were nothing and `at_least` values as if they were boundless. A statistic whose bounds differ is null.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import with_states
from reconcile.campaign.distances import Distances
from reconcile.campaign.station_periods import chain_uncertainty_db
from reconcile.inference.resampling import quantile_share_interval
from reconcile.strikes.ambient import is_limit
from reconcile.vocabulary.decidecades import bands_within, nominal_hz
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray, energy_mean_db, energy_sum_db
from reconcile.vocabulary.tables import SUMMARY
from reconcile.vocabulary.tables.background import band_column, weighted_column
from reconcile.vocabulary.tables.bands import exposure_column, is_at_most, noise_column
from reconcile.vocabulary.tables.flags import Stage, flags_excluding
from reconcile.vocabulary.weightings import column_part

_QUANTILES = {
    "median_db": 0.5,
    "exceeded_5_db": 0.95,
    "exceeded_50_db": 0.5,
    "exceeded_90_db": 0.1,
    "exceeded_95_db": 0.05,
    "minimum_db": 0.0,
    "maximum_db": 1.0,
}
_WITH_INTERVAL = {"median": 0.5, "exceeded_5": 0.95}
_INTERVALS = tuple(f"{name}_{end}_db" for name in _WITH_INTERVAL for end in ("lower", "upper"))
_UNIT = ["pile_id", "station_id", "installation_method", "abatement"]
_SAME_DB = 0.005  # bounds this close are one number
_BOUNDLESS_DB = 1e6  # finite, so that interpolation between two of them stays a number


@dataclass(frozen=True, slots=True)
class Series:
    """Levels of one quantity over the strikes (or seconds) of a pile at a station, with their censoring."""

    quantity: str
    weighting: str
    band_hz: float
    level_db: FloatArray
    censoring: NDArray[np.object_]


def statistics(series: Series) -> dict[str, float]:
    """The statistics of SUMMARY over the levels that are not null; null (NaN) where censored values could move them.

    Intervals (95 %) of median and 95th percentile are by blocks of neighbours: levels are in order of time.
    """
    known = ~np.isnan(series.level_db)
    level, censoring = series.level_db[known], series.censoring[known]
    lowest = np.where(censoring == "at_most", -_BOUNDLESS_DB, level)
    highest = np.where(censoring == "at_least", _BOUNDLESS_DB, level)
    result = {"n_strikes": float(level.size), "n_censored": float(np.sum(censoring != "none"))}
    if level.size == 0:
        return result | dict.fromkeys((*_QUANTILES, *_INTERVALS, "mean_db", "energy_mean_db"), np.nan)
    result |= dict(zip(_QUANTILES, _quantiles(lowest, highest, list(_QUANTILES.values())), strict=True))
    for name, share in _WITH_INTERVAL.items():
        below = highest <= result[f"{name}_db"]
        ends = _quantiles(lowest, highest, quantile_share_interval(below, share))
        result |= dict(zip((f"{name}_lower_db", f"{name}_upper_db"), ends, strict=True))
    whole = not np.any(censoring != "none")
    result["mean_db"] = float(level.mean()) if whole else np.nan
    bounded = not np.any(censoring == "at_least")
    result["energy_mean_db"] = _if_same(energy_mean_db(lowest), energy_mean_db(level)) if bounded else np.nan
    if series.quantity == "exposure_level":
        total = _if_same(energy_sum_db(lowest), energy_sum_db(level)) if bounded else np.nan
        result["cumulative_exposure_level_db"] = total
    return result


def _quantiles(lowest: FloatArray, highest: FloatArray, shares: Sequence[float]) -> list[float]:
    """Quantiles at some shares (0 to 1, or NaN); NaN where they are not the same whatever censored values truly are."""
    if np.isnan(shares).any():
        return [np.nan] * len(shares)
    low, high = np.quantile(lowest, shares), np.quantile(highest, shares)
    return [float(value) for value in np.where(high - low < _SAME_DB, high, np.nan)]


def _if_same(low: float, high: float) -> float:
    return high if abs(high - low) < _SAME_DB else np.nan


def summary_rows(strikes: pd.DataFrame, bands: pd.DataFrame, seconds: pd.DataFrame, campaign: Campaign) -> pd.DataFrame:
    """All rows: impact piles over their strikes, other piles over the 1 s rows of `background`.

    `bands` has the same order of rows as `strikes`; `seconds` holds the 1 s rows of piles not driven by impact.
    """
    excluded = flags_excluding(Stage.SUMMARY)
    used = strikes["pile_id"].notna() & ~strikes["flags"].map(lambda flags: bool(excluded.intersection(flags)))
    strikes, seconds = (with_states(rows, campaign) for rows in (strikes, seconds))
    numbers, distances = _band_numbers(bands), Distances(campaign)
    rows: list[dict[str, object]] = []
    for key, group in strikes[used].sort_values("time_utc", kind="stable").groupby(_UNIT):
        unit = _unit(key, group["time_utc"], campaign, distances)
        for series in _strike_series(group, bands.loc[group.index], campaign, numbers):
            rows.append(_row(unit, series, campaign))
    sound = ~seconds["flags"].map(lambda flags: bool(excluded.intersection(flags))).astype(bool)
    for key, group in seconds[sound].groupby(_UNIT):
        unit = _unit(key, group["start_utc"], campaign, distances)
        for series in _second_series(group, campaign, numbers):
            rows.append(_row(unit, series, campaign))
    table = pd.DataFrame(rows, columns=list(SUMMARY.column_names))
    order = [*_UNIT, "quantity", "weighting", "band_hz"]
    return table.sort_values(order, na_position="first").reset_index(drop=True)


@dataclass(frozen=True, slots=True)
class _Unit:
    """A pile in one state, and a station: median distance and the chain's uncertainty over its strikes or seconds."""

    pile_id: str
    station_id: str
    installation_method: str
    abatement: str
    range_m: float
    chain_uncertainty_db: float


def _unit(key: tuple[object, ...], times: pd.Series, campaign: Campaign, distances: Distances) -> _Unit:
    pile_id, station_id, method, abatement = (str(part) for part in key)
    naive = times.dt.tz_convert("UTC").dt.tz_localize(None)
    time_us = naive.to_numpy(dtype="datetime64[us]").astype(np.int64)
    range_m, _ = distances.at(pile_id, station_id, time_us)
    known = range_m[np.isfinite(range_m)]
    median_m = float(np.median(known)) if known.size else np.nan
    return _Unit(pile_id, station_id, method, abatement, median_m, chain_uncertainty_db(campaign, station_id, time_us))


def _band_numbers(bands: pd.DataFrame) -> list[int]:
    return [n for n in bands_within(1.0, 500_000.0) if exposure_column(n) in bands.columns]


def _strike_series(
    strikes: pd.DataFrame, bands: pd.DataFrame, campaign: Campaign, numbers: Sequence[int]
) -> Iterator[Series]:
    exposure_censoring = strikes["exposure_censoring"].to_numpy(dtype=object)
    for quantity, censoring in (
        ("peak_level", strikes["peak_censoring"].to_numpy(dtype=object)),
        ("exposure_level", exposure_censoring),
        ("rms_level", np.where(exposure_censoring == "at_least", "at_least", "none").astype(object)),
    ):
        yield Series(quantity, "none", np.nan, strikes[f"{quantity}_db"].to_numpy(dtype=np.float64), censoring)
    for name in campaign.settings.weightings:
        part = column_part(name)
        level = strikes[f"exposure_level_{part}_db"].to_numpy(dtype=np.float64)
        yield Series(
            "exposure_level", name, np.nan, level, strikes[f"exposure_censoring_{part}"].to_numpy(dtype=object)
        )
    for n in numbers:
        level = bands[exposure_column(n)].to_numpy(dtype=np.float64)
        if not np.isnan(level).all():
            noise = bands[noise_column(n)].to_numpy(dtype=np.float64)
            faint = is_at_most(level, noise, n, campaign.settings.censor_below_snr_db)
            kind = np.where(exposure_censoring == "at_least", "at_least", np.where(faint, "at_most", "none"))
            yield Series("exposure_level", "none", nominal_hz(n), level, kind.astype(object))


def _second_series(seconds: pd.DataFrame, campaign: Campaign, numbers: Sequence[int]) -> Iterator[Series]:
    """Continuous sound: the level of a second is its rms level, and its exposure level over that second."""
    clipped = seconds["flags"].map(lambda flags: "clipped_second" in flags).to_numpy(dtype=bool)
    columns = [("level_db", "none", np.nan)]
    columns += [(weighted_column(name), name, np.nan) for name in campaign.settings.weightings]
    columns += [(band_column(n), "none", nominal_hz(n)) for n in numbers]
    for column, weighting, band_hz in columns:
        level = seconds[column].to_numpy(dtype=np.float64)
        faint = np.where(is_limit(seconds, column), "at_most", "none")
        censoring = np.where(clipped, "at_least", faint).astype(object)
        if not np.isnan(level).all():
            for quantity in ("rms_level", "exposure_level"):
                yield Series(quantity, weighting, band_hz, level, censoring)


def _row(unit: _Unit, series: Series, campaign: Campaign) -> dict[str, object]:
    values = statistics(series)
    known = series.level_db[~np.isnan(series.level_db)]
    between = float(np.std(known, ddof=1)) if known.size > 1 else 0.0
    parts = (between**2 / max(known.size, 1), unit.chain_uncertainty_db**2, campaign.common_uncertainty_db**2)
    return {
        "pile_id": unit.pile_id,
        "station_id": unit.station_id,
        "installation_method": unit.installation_method,
        "abatement": unit.abatement,
        "quantity": series.quantity,
        "weighting": series.weighting,
        "band_hz": series.band_hz,
        "range_m": unit.range_m,
        **values,
        "n_strikes": int(values["n_strikes"]),
        "n_censored": int(values["n_censored"]),
        "standard_uncertainty_db": float(np.sqrt(sum(parts))) if known.size else np.nan,
    }
