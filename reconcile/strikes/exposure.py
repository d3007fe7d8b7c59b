"""Rows of `exposure`: cumulative sound exposure by pile, by day, over 24 h from the first strike, by stated period.

Only what is not a strike is left out: a flag that takes a strike out of the statistics never lowers an exposure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import activity_periods, with_states
from reconcile.campaign.blows import HammerLog
from reconcile.campaign.distances import Distances
from reconcile.strikes.ambient import is_limit
from reconcile.strikes.exposure_periods import Period, periods_with
from reconcile.strikes.pulses import RecordedInterval
from reconcile.vocabulary.documents.campaign import Campaign, Settings
from reconcile.vocabulary.quantities import FloatArray, energy_sum_db, level_db, ratio
from reconcile.vocabulary.tables import EXPOSURE
from reconcile.vocabulary.tables.background import weighted_column
from reconcile.vocabulary.weightings import column_part

_BEFORE_FIRST_US = 500_000  # less than the time between two blows


def exposure_rows(
    strikes: pd.DataFrame,
    seconds: pd.DataFrame,
    campaign: Campaign,
    log: HammerLog | None,
    log_offset_s: dict[str, float],
    recorded: Sequence[RecordedInterval],
) -> pd.DataFrame:
    """All rows. `seconds` are the 1 s rows of `background` of piles not driven by impact.

    `log_offset_s` (by pile, log minus station time) places logged blows on the stations' clock.
    """
    rows: list[dict[str, object]] = []
    hit = strikes[strikes["pile_id"].notna()]
    for name, group in hit.groupby("station_id"):
        station = str(name)
        blows = _Blows(campaign, log, log_offset_s, [r for r in recorded if r.station_id == station], station)
        for period in periods_with(group["time_utc"], group["pile_id"], campaign):
            inside = period.holds(group["time_utc"], group["pile_id"])
            rows += _impact(group[inside], station, period, blows, campaign.settings)
    for key, group in with_states(seconds, campaign).groupby(["station_id", "installation_method"]):
        for period in periods_with(group["start_utc"], group["pile_id"], campaign):
            inside = period.holds(group["start_utc"], group["pile_id"])
            length_s = _worked_s(campaign, period, str(key[1]))
            rows += _continuous(group[inside], (str(key[0]), str(key[1])), period, length_s, campaign)
    return pd.DataFrame(rows, columns=list(EXPOSURE.column_names))


class _Blows:
    """Logged blows on a station's clock, and which of them fell into its recordings."""

    def __init__(
        self,
        campaign: Campaign,
        log: HammerLog | None,
        offset_s: dict[str, float],
        recorded: Sequence[RecordedInterval],
        station_id: str,
    ) -> None:
        self.pile_id: NDArray[np.str_] | None = log.pile_id if log is not None else None
        if log is None:
            return
        distances = Distances(campaign)
        logged_us = log.time_utc.astype("datetime64[us]").astype(np.int64)
        self.arrival_us = logged_us.astype(np.float64)
        for pile_id in np.unique(log.pile_id):
            rows = np.flatnonzero(log.pile_id == pile_id)
            stations = np.full(rows.size, station_id, dtype=object)
            travel_s = distances.travel_s(str(pile_id), stations, logged_us[rows])
            self.arrival_us[rows] += (travel_s - offset_s.get(str(pile_id), 0.0)) * 1e6
        self.recorded = np.zeros(len(log.pile_id), dtype=bool)
        for interval in recorded:
            self.recorded |= (self.arrival_us >= interval.start_us) & (self.arrival_us < interval.end_us)

    def counts(self, period: Period) -> tuple[int | None, float]:
        """Logged blows in a period and the share of them that was recorded (None and NaN without a log)."""
        if self.pile_id is None:
            return None, np.nan
        # a period that begins with a strike's 5 % point holds the blow that made it, logged a moment before
        early_us = _BEFORE_FIRST_US if period.kind == "24_h_from_first_strike" else 0
        inside = (
            self.pile_id == period.pile_id
            if period.pile_id is not None
            else (self.arrival_us >= period.start_us - early_us) & (self.arrival_us < period.end_us - early_us)
        )
        n = int(np.sum(inside))
        return (n, float(np.mean(self.recorded[inside]))) if n else (None, np.nan)


def _impact(
    group: pd.DataFrame, station: str, period: Period, blows: _Blows, settings: Settings
) -> Iterator[dict[str, object]]:
    n_logged, fraction = blows.counts(period)
    for name in ("none", *settings.weightings):
        part = "" if name == "none" else f"_{column_part(name)}"
        level = group[f"exposure_level{part}_db"].to_numpy(dtype=np.float64)
        censoring = group[f"exposure_censoring{part}"].to_numpy(dtype=object)
        heard = np.isfinite(level) & (censoring != "at_most")
        measured = energy_sum_db(level[heard])
        hidden = 0.0 if n_logged is None else n_logged * (1.0 - fraction)
        known = np.isfinite(level)
        added = ratio(measured) / np.sum(known) * hidden if heard.any() else np.nan
        completed = np.nan if n_logged is None else float(level_db(ratio(measured) + added))
        yield {
            **_head(station, period, "impact", group["pile_id"]),
            "weighting": name,
            "n_logged": n_logged,
            "n_strikes": len(group),
            "recorded_fraction": fraction,
            "measured_db": measured,
            "upper_db": energy_sum_db(level[known]),
            "completed_db": completed,
            "censoring": _sum_censoring(censoring, bool(heard.any())),
            **_above_quiet(level[heard], settings.effective_quiet_db if name == "none" else None),
        }


def _above_quiet(level_db: FloatArray, quiet_db: float | None) -> dict[str, object]:
    """The sum without strikes below effective quiet: a rule for unweighted single-strike levels, where it is asked for.

    US West Coast practice leaves strikes below 150 dB re 1 µPa² s out of the exposure of fish (from memory).
    """
    if quiet_db is None:
        return {"above_quiet_db": np.nan, "n_above_quiet": None}
    counted = level_db[level_db >= quiet_db]
    return {"above_quiet_db": energy_sum_db(counted), "n_above_quiet": counted.size}


def _sum_censoring(censoring: NDArray[np.object_], any_heard: bool) -> str:
    if (censoring == "at_least").any():
        return "at_least"
    return "none" if any_heard else "at_most"


def _continuous(
    group: pd.DataFrame, key: tuple[str, str], period: Period, length_s: float, campaign: Campaign
) -> Iterator[dict[str, object]]:
    """Sound that is not impact: the seconds of the activity, background included. `key`: station and method."""
    station, method = key
    clipped = group["flags"].map(lambda flags: "clipped_second" in flags).any()
    for name in ("none", *campaign.settings.weightings):
        column = "level_db" if name == "none" else weighted_column(name)
        level = group[column].to_numpy(dtype=np.float64)
        heard = np.isfinite(level) & ~is_limit(group, column)
        total, level = energy_sum_db(level[heard]), level[np.isfinite(level)]
        fraction = min(1.0, level.size / length_s) if length_s > 0 else np.nan
        yield {
            **_head(station, period, method, group["pile_id"]),
            "weighting": name,
            "n_logged": None,
            "n_strikes": level.size,
            "recorded_fraction": fraction,
            "measured_db": total,
            "upper_db": energy_sum_db(level),
            "completed_db": float(level_db(ratio(total) / fraction)) if fraction > 0 else np.nan,
            "censoring": "at_least" if clipped else "none" if heard.any() else "at_most",
            **_above_quiet(level, None),
        }


def _worked_s(campaign: Campaign, period: Period, method: str) -> float:
    """How long was worked by a method in a period; what several piles share counts once, as their seconds do."""
    of_method = [p for p in activity_periods(campaign) if p.installation_method == method]
    if period.pile_id is not None:
        spans = [(p.start_us, p.end_us) for p in of_method if p.pile_id == period.pile_id]
    else:
        spans = [(max(p.start_us, period.start_us), min(p.end_us, period.end_us)) for p in of_method]
    total, reached = 0, 0
    for start, end in sorted(spans):
        total += max(0, end - max(start, reached))
        reached = max(reached, end)
    return total / 1e6


def _head(station: str, period: Period, method: str, piles: pd.Series) -> dict[str, object]:
    return {
        "station_id": station,
        "pile_id": period.pile_id,
        "start_utc": pd.Timestamp(period.start_us, unit="us", tz="UTC"),
        "end_utc": pd.Timestamp(period.end_us, unit="us", tz="UTC"),
        "period": period.kind,
        "period_name": period.name,
        "installation_method": method,
        "n_piles": int(piles.nunique()),
    }
