"""Rows of `exposure`: cumulative sound exposure by pile, by UTC day, and over 24 h from the first strike.

Only what is not a strike is left out: a flag that takes a strike out of the statistics never lowers an exposure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.blows import HammerLog
from reconcile.campaign.distances import Distances
from reconcile.recordings.clock import epoch_us
from reconcile.strikes.pulses import RecordedInterval
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import energy_mean_db, energy_sum_db, level_db, ratio
from reconcile.vocabulary.tables import EXPOSURE
from reconcile.vocabulary.tables.background import weighted_column
from reconcile.vocabulary.weightings import column_part

_DAY_US = 86_400_000_000


@dataclass(frozen=True, slots=True)
class Period:
    """A stretch of time over which exposure is summed at every station; a pile's own period has its name."""

    kind: str
    pile_id: str | None
    start_us: int
    end_us: int


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
    methods = {p.pile_id: p.installation_method for p in campaign.piles}
    for name, group in hit.groupby("station_id"):
        station = str(name)
        blows = _Blows(campaign, log, log_offset_s, [r for r in recorded if r.station_id == station], station)
        for period in _periods(group["time_utc"], group["pile_id"], campaign):
            inside = _within(group["time_utc"], group["pile_id"], period)
            rows += _impact(group[inside], station, period, blows, campaign.settings.weightings)
    for key, group in seconds.groupby(["station_id", seconds["pile_id"].map(methods)]):
        for period in _periods(group["start_utc"], group["pile_id"], campaign):
            inside = _within(group["start_utc"], group["pile_id"], period)
            rows += _continuous(group[inside], str(key[0]), str(key[1]), period, campaign.settings.weightings)
    return pd.DataFrame(rows, columns=list(EXPOSURE.column_names))


def _microseconds(times: pd.Series) -> NDArray[np.int64]:
    naive = times.dt.tz_convert("UTC").dt.tz_localize(None)
    return np.asarray(naive.to_numpy(dtype="datetime64[us]").astype(np.int64))


def _within(times: pd.Series, piles: pd.Series, period: Period) -> NDArray[np.bool_]:
    if period.pile_id is not None:
        return (piles == period.pile_id).to_numpy(dtype=bool)
    at = _microseconds(times)
    return np.asarray((at >= period.start_us) & (at < period.end_us))


def _periods(times: pd.Series, piles: pd.Series, campaign: Campaign) -> Iterator[Period]:
    """The piles, the UTC days and the 24 h stretches (each from the first strike after the one before) of some rows."""
    for pile in campaign.piles:
        if (piles == pile.pile_id).any():
            yield Period("pile", pile.pile_id, epoch_us(pile.start_utc), epoch_us(pile.end_utc))
    at = np.sort(_microseconds(times))
    for day in np.unique(at // _DAY_US):
        yield Period("utc_day", None, int(day) * _DAY_US, (int(day) + 1) * _DAY_US)
    while at.size:
        yield Period("24_h_from_first_strike", None, int(at[0]), int(at[0]) + _DAY_US)
        at = at[at >= at[0] + _DAY_US]


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
        inside = (
            self.pile_id == period.pile_id
            if period.pile_id is not None
            else (self.arrival_us >= period.start_us) & (self.arrival_us < period.end_us)
        )
        n = int(np.sum(inside))
        return (n, float(np.mean(self.recorded[inside]))) if n else (None, np.nan)


def _impact(
    group: pd.DataFrame, station: str, period: Period, blows: _Blows, weightings: Sequence[str]
) -> Iterator[dict[str, object]]:
    n_logged, fraction = blows.counts(period)
    for name in ("none", *weightings):
        part = "" if name == "none" else f"_{column_part(name)}"
        level = group[f"exposure_level{part}_db"].to_numpy(dtype=np.float64)
        censoring = group[f"exposure_censoring{part}"].to_numpy(dtype=object)
        heard = np.isfinite(level) & (censoring != "at_most")
        measured = energy_sum_db(level[heard])
        hidden = 0.0 if n_logged is None else n_logged * (1.0 - fraction)
        added = ratio(energy_mean_db(level[heard])) * hidden if heard.any() else np.nan
        completed = np.nan if n_logged is None else float(level_db(ratio(measured) + added))
        yield {
            **_head(station, period, "impact", group["pile_id"]),
            "weighting": name,
            "n_logged": n_logged,
            "n_strikes": len(group),
            "recorded_fraction": fraction,
            "measured_db": measured,
            "upper_db": energy_sum_db(level[np.isfinite(level)]),
            "completed_db": completed,
            "censoring": _sum_censoring(censoring, bool(heard.any())),
        }


def _sum_censoring(censoring: NDArray[np.object_], any_heard: bool) -> str:
    if (censoring == "at_least").any():
        return "at_least"
    return "none" if any_heard else "at_most"


def _continuous(
    group: pd.DataFrame, station: str, method: str, period: Period, weightings: Sequence[str]
) -> Iterator[dict[str, object]]:
    """Sound that is not impact: every second of the activity, background included."""
    clipped = group["flags"].map(lambda flags: "clipped_second" in flags).any()
    length_s = (period.end_us - period.start_us) / 1e6
    fraction = min(1.0, len(group) / length_s) if period.pile_id is not None and length_s > 0 else np.nan
    for name in ("none", *weightings):
        level = group["level_db" if name == "none" else weighted_column(name)].to_numpy(dtype=np.float64)
        level = level[np.isfinite(level)]
        total = energy_sum_db(level)
        yield {
            **_head(station, period, method, group["pile_id"]),
            "weighting": name,
            "n_logged": None,
            "n_strikes": level.size,
            "recorded_fraction": fraction,
            "measured_db": total,
            "upper_db": total,
            "completed_db": float(level_db(ratio(total) / fraction)) if fraction > 0 else np.nan,
            "censoring": "at_least" if clipped else "none",
        }


def _head(station: str, period: Period, method: str, piles: pd.Series) -> dict[str, object]:
    return {
        "station_id": station,
        "pile_id": period.pile_id,
        "start_utc": pd.Timestamp(period.start_us, unit="us", tz="UTC"),
        "end_utc": pd.Timestamp(period.end_us, unit="us", tz="UTC"),
        "period": period.kind,
        "installation_method": method,
        "n_piles": int(piles.nunique()),
    }
