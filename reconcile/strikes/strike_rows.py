"""From linear pulse measures to the rows of `strikes` and `bands`: levels, signal to noise, censoring, flags."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.distances import strike_ranges_m
from reconcile.campaign.station_periods import moorings
from reconcile.strikes.association import Association
from reconcile.strikes.band_backgrounds import pooled
from reconcile.strikes.flat_tops import reaching_limit
from reconcile.strikes.quality import PULSE_MARKS
from reconcile.strikes.state_backgrounds import state_numbers
from reconcile.strikes.strike_intervals import since_previous_s
from reconcile.strikes.subtraction import (
    COVERAGE_FACTOR,
    effective_duration_s,
    energy_uncertainty,
    subtracted_energy,
)
from reconcile.strikes.twin_channels import heard_better_elsewhere
from reconcile.vocabulary.band_limits import has_few_numbers, margin_db
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray, exposure_level_db, level_db, mean_square_level_db, peak_level_db
from reconcile.vocabulary.tables import bands_table, strikes_table
from reconcile.vocabulary.tables.bands import exposure_column, noise_column
from reconcile.vocabulary.weightings import column_part

SHAPE_NEEDS_SNR_DB = 6.0  # below it duration, rms, rise time and kurtosis are null
PEAK_ABOVE_NOISE_DB = 6.0
_FLAG_OF_MARK = {
    "clipped": "clipped",
    "cut": "window_cut",
    "at_edge": "recording_edge",
    "short_quiet": "background_short",
    "second_look": "second_look",
    "not_heard": "not_heard",
    **{mark: mark for mark in PULSE_MARKS},
}


def durations_s(pulses: pd.DataFrame, pile_id: Sequence[str | None]) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Duration over which each pulse is held against its background, and whether it is the pulse's own.

    Its own 5-95 % duration where signal to noise over it is 6 dB or more, else the median of those of its pile and
    station (of its station, of all, or its interval's length, where there are none).
    """
    own = pulses["duration_s"].to_numpy(dtype=np.float64)
    subtracted = subtracted_energy(pulses)
    with np.errstate(invalid="ignore", divide="ignore"):
        snr = subtracted / (pulses["noise_pa2"].to_numpy() * own)
        measurable = np.isfinite(own) & (own > 0) & ~(snr < 10 ** (SHAPE_NEEDS_SNR_DB / 10))
    frame = pd.DataFrame(
        {
            "pile": [p or "" for p in pile_id],
            "station": pulses["station_id"].to_numpy(),
            "s": np.where(measurable, own, np.nan),
        }
    )
    fallback = frame.groupby(["pile", "station"])["s"].transform("median")
    fallback = fallback.fillna(frame.groupby("station")["s"].transform("median")).fillna(frame["s"].median())
    used = frame["s"].fillna(fallback).fillna(pulses["window_s"].reset_index(drop=True))
    return used.to_numpy(dtype=np.float64), np.asarray(measurable, dtype=bool)


def censored_exposure(
    energy: FloatArray, noise: FloatArray, duration_s: FloatArray, clipped: NDArray[np.bool_], below_db: float
) -> tuple[FloatArray, NDArray[np.object_], FloatArray]:
    """Exposure level, its censoring, and signal to noise, all in dB, by a quantity's own background.

    `energy` (Pa² s) has the background subtracted, `noise` is its mean square (Pa²). Where signal to noise lies below
    `below_db` the level is the limit: the background's energy over the same duration, raised by that setting.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        snr = level_db(energy / (noise * duration_s))
    faint = np.isfinite(noise) & ~(snr >= below_db)
    limit = exposure_level_db(noise * duration_s) + below_db
    level = np.where(faint & ~clipped, limit, exposure_level_db(energy))
    kind = np.where(clipped, "at_least", np.where(faint, "at_most", "none")).astype(object)
    return level, kind, snr


def strike_rows(pulses: pd.DataFrame, association: Association, campaign: Campaign) -> pd.DataFrame:
    """The rows of `strikes`, in order of time and station."""
    pulses = pulses.assign(flattened=_flattened(pulses))
    limited = (pulses["clipped"] | pulses["flattened"]).to_numpy(dtype=bool)
    below = campaign.settings.censor_below_snr_db
    duration, own = durations_s(pulses, association.pile_id)
    noise, energy = pulses["noise_pa2"].to_numpy(dtype=np.float64), subtracted_energy(pulses)
    level, censoring, snr = censored_exposure(energy, noise, duration, limited, below)
    own = own & ~pulses["not_heard"].to_numpy(dtype=bool)
    shaped = own & (censoring != "at_most") & ~(snr < SHAPE_NEEDS_SNR_DB)
    stations, time_us = pulses["station_id"].to_numpy(dtype=object), pulses["time_us"].to_numpy(dtype=np.int64)
    piles = np.array(association.pile_id, dtype=object)
    range_m, range_uncertainty_m = strike_ranges_m(campaign, piles, stations, time_us)
    elsewhere = heard_better_elsewhere(pulses, association.strike_id, limited, snr, level, campaign)
    columns: dict[str, object] = {
        "strike_id": association.strike_id,
        "pile_id": association.pile_id,
        "blow_number": pd.array(association.blow_number, dtype="Int32"),
        "activity_id": None,  # filled with the phases, which need the levels
        "phase": None,
        "station_id": pulses["station_id"].to_numpy(),
        "system_id": pulses["system_id"].to_numpy(),
        "mooring_id": moorings(campaign, stations, time_us),
        "time_utc": pd.to_datetime(pulses["time_us"].to_numpy(), unit="us", utc=True),
        "range_m": range_m,
        "range_standard_uncertainty_m": range_uncertainty_m,
        "energy_kj": association.energy_kj,
        "penetration_m": np.nan,  # filled from the log
        "recording": pulses["recording"].to_numpy(),
        "start_sample": pulses["start_sample"].to_numpy(),
        **_peaks(pulses, limited, campaign.settings.oversampled_peak),
        "exposure_level_db": level,
        **_exposure_interval(energy, energy_uncertainty(pulses), censoring),
        "rms_level_db": np.where(shaped, mean_square_level_db(0.9 * energy / np.where(own, duration, 1.0)), np.nan),
        "pulse_duration_s": np.where(shaped, duration, np.nan),
        "effective_duration_s": np.where(shaped, effective_duration_s(pulses), np.nan),
        "rise_time_s": np.where(shaped, pulses["rise_time_s"], np.nan),
        "kurtosis": np.where(shaped, pulses["kurtosis"], np.nan),
        "max_125ms_level_db": mean_square_level_db(pulses["max_125ms_pa2"]),
        "noise_level_db": mean_square_level_db(noise),
        "noise_peak_level_db": peak_level_db(pulses["noise_peak_pa"]),
        "signal_to_noise_db": snr,
        "window_s": pulses["window_s"].to_numpy(),
        "unsubtracted_exposure_level_db": exposure_level_db(pulses["energy_pa2_s"]),
        "strike_interval_s": since_previous_s(piles, stations, time_us),
        "exposure_censoring": censoring,
        "flags": _flags(pulses, association, elsewhere),
    }
    for name in campaign.settings.weightings:
        part = column_part(name)
        noise = pulses[f"weighted_noise_{name}"].to_numpy(dtype=np.float64)
        share = np.nan_to_num(noise * pulses["window_s"].to_numpy(dtype=np.float64))
        energy = pulses[f"weighted_{name}"].to_numpy(dtype=np.float64) - share
        level, censoring, _ = censored_exposure(energy, noise, duration, limited, below)
        columns[f"exposure_level_{part}_db"] = level
        columns[f"exposure_censoring_{part}"] = censoring
    table = pd.DataFrame(columns)[list(strikes_table(campaign.settings.weightings).column_names)]
    return table.sort_values(["time_utc", "station_id"], kind="stable").reset_index(drop=True)


def _flattened(pulses: pd.DataFrame) -> NDArray[np.bool_]:
    """Strikes with flat tops, and those of the same station and chain that reach the limit which these show."""
    flat = pulses[["flat_above", "flat_below"]].to_numpy(dtype=bool)
    tops = pulses[["highest", "lowest"]].to_numpy(dtype=np.float64)
    result = np.zeros(len(pulses), dtype=bool)
    for rows in pulses.groupby(["station_id", "system_id"]).indices.values():
        result[rows] = reaching_limit(tops[rows], flat[rows])
    clipped = pulses["clipped"].to_numpy(dtype=bool)
    return np.asarray(result & ~clipped)


def _peaks(pulses: pd.DataFrame, limited: NDArray[np.bool_], oversampled: bool) -> dict[str, object]:
    """Levels of the peaks, each of either sign with its own censoring; the one between samples where asked for."""
    columns: dict[str, object] = {"peak_to_peak_level_db": peak_level_db(pulses["peak_to_peak_pa"])}
    for name, measure in (
        ("peak", "peak_pa"),
        ("peak_compression", "compression_peak_pa"),
        ("peak_rarefaction", "rarefaction_peak_pa"),
    ):
        columns[f"{name}_level_db"], columns[f"{name}_censoring"] = _censored_peak(pulses, measure, limited)
    known = oversampled & (columns["peak_censoring"] != np.array("at_most", dtype=object))
    columns["oversampled_peak_level_db"] = np.where(known, peak_level_db(pulses["oversampled_peak_pa"]), np.nan)
    return columns


def _exposure_interval(
    energy: FloatArray, uncertainty: FloatArray, censoring: NDArray[np.object_]
) -> dict[str, FloatArray]:
    """Levels of the ends of the 95 % interval of the energy; null for limits and where the lower end is no energy."""
    reach = np.where(censoring == "none", COVERAGE_FACTOR * uncertainty, np.nan)
    return {
        "exposure_level_lower_95_db": exposure_level_db(energy - reach),
        "exposure_level_upper_95_db": exposure_level_db(energy + reach),
    }


def _censored_peak(
    pulses: pd.DataFrame, measure: str, limited: NDArray[np.bool_]
) -> tuple[FloatArray, NDArray[np.object_]]:
    peak, noise_peak = peak_level_db(pulses[measure]), peak_level_db(pulses["noise_peak_pa"])
    faint = ~limited & np.isfinite(noise_peak) & ~(peak >= noise_peak + PEAK_ABOVE_NOISE_DB)
    kind = np.where(limited, "at_least", np.where(faint, "at_most", "none")).astype(object)
    return np.where(faint, noise_peak + PEAK_ABOVE_NOISE_DB, peak), kind


def _flags(pulses: pd.DataFrame, association: Association, elsewhere: NDArray[np.bool_]) -> list[list[str]]:
    marks = {flag: pulses[mark].to_numpy(dtype=bool) for mark, flag in _FLAG_OF_MARK.items()}
    missing = ~np.isfinite(pulses["noise_pa2"].to_numpy(dtype=np.float64))
    marks["background_missing"] = missing
    marks["other_channel_used"] = elsewhere
    marks["background_short"] = marks["background_short"] & ~missing
    return [
        sorted([*association.flags[i], *(flag for flag, rows in marks.items() if rows[i])]) for i in range(len(pulses))
    ]


def band_rows(pulses: pd.DataFrame, association: Association, campaign: Campaign, bands: Sequence[int]) -> pd.DataFrame:
    """The rows of `bands`, in the order of `strikes`: level and background's exposure over the pulse's duration.

    A band below the censoring limit holds the limit. Bands that a station does not record are null.
    """
    duration, _ = durations_s(pulses, association.pile_id)
    window, below = pulses["window_s"].to_numpy(dtype=np.float64), campaign.settings.censor_below_snr_db
    never = np.zeros(len(pulses), dtype=bool)
    columns: dict[str, object] = {
        "strike_id": association.strike_id,
        "station_id": pulses["station_id"].to_numpy(),
        "time_us": pulses["time_us"].to_numpy(),
    }
    heard = ~pulses["not_heard"].to_numpy(dtype=bool)
    stations, time_us = pulses["station_id"].to_numpy(dtype=object), pulses["time_us"].to_numpy(dtype=np.int64)
    state = state_numbers(pulses, association, campaign)
    for n in bands:
        noise = pulses[f"band_noise_{n}"].to_numpy(dtype=np.float64, copy=True)
        if has_few_numbers(n):
            noise[heard] = pooled(noise[heard], stations[heard], time_us[heard], state[heard])
        energy = pulses[f"band_{n}"].to_numpy(dtype=np.float64) - np.nan_to_num(noise * window)
        level, _, _ = censored_exposure(energy, noise, duration, never, margin_db(n, below))
        columns[exposure_column(n)] = level.astype(np.float32)
        columns[noise_column(n)] = exposure_level_db(noise * duration).astype(np.float32)
    table = pd.DataFrame(columns).sort_values(["time_us", "station_id"], kind="stable").reset_index(drop=True)
    return table[list(bands_table(bands).column_names)]
