"""All that was found as one list: strikes, and pulses that a rule rejected; filtered as a person asks for it."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from reconcile.campaign.times import epoch_us
from reconcile.review.doubt import doubtful_in_order, with_doubts
from reconcile.strikes.exposure_periods import microseconds
from reconcile.vocabulary.documents.decisions import REACH_US

COLUMNS = (
    "kind",
    "strike_id",
    "pile_id",
    "blow_number",
    "station_id",
    "time_utc",
    "range_m",
    "energy_kj",
    "peak_level_db",
    "exposure_level_db",
    "exposure_censoring",
    "signal_to_noise_db",
    "noise_level_db",
    "pulse_duration_s",
    "window_s",
    "recording",
    "start_sample",
    "flags",
)


@dataclass(frozen=True, slots=True)
class Filters:
    """What is asked for; None or empty asks for everything. Ranges hold their ends (dB); null values lie in none."""

    flags: tuple[str, ...] = ()
    stations: tuple[str, ...] = ()
    piles: tuple[str, ...] = ()
    level_from_db: float | None = None
    level_to_db: float | None = None
    snr_from_db: float | None = None
    snr_to_db: float | None = None
    doubtful: bool = False


def listed(strikes: pd.DataFrame, rejected: pd.DataFrame, censor_below_snr_db: float) -> pd.DataFrame:
    """One row for each strike and station (`kind` "strike") and for each pulse rejected by rule (`kind` "rejected").

    Columns COLUMNS, `doubts` and `doubt` (`doubt.with_doubts`), in order of time and station. The flags of a rejected
    pulse are the reasons; what is not measured of it is null, and it has no `strike_id`.
    """
    frames = [strikes.assign(kind="strike")[list(COLUMNS)]]
    if len(rejected):
        lost = rejected.rename(columns={"reasons": "flags"}).assign(kind="rejected")
        frames.append(lost.reindex(columns=list(COLUMNS)).astype({"blow_number": "Int32"}))
    table = pd.concat([f for f in frames if len(f)] or frames[:1], ignore_index=True)
    table = table.sort_values(["time_utc", "station_id"], kind="stable").reset_index(drop=True)
    return with_doubts(table, censor_below_snr_db)


def filtered(table: pd.DataFrame, filters: Filters) -> pd.DataFrame:
    """The rows of `listed` that are asked for, in order of time; doubtful ones the most doubtful first."""
    kept = np.ones(len(table), dtype=bool)
    for column, names in (("station_id", filters.stations), ("pile_id", filters.piles)):
        if names:
            kept &= table[column].isin(list(names)).to_numpy(dtype=bool)
    if filters.flags:
        wanted = set(filters.flags)
        kept &= np.array([not wanted.isdisjoint(own) for own in table["flags"]], dtype=bool)
    for column, low, high in (
        ("exposure_level_db", filters.level_from_db, filters.level_to_db),
        ("signal_to_noise_db", filters.snr_from_db, filters.snr_to_db),
    ):
        values = table[column].to_numpy(dtype=np.float64)
        if low is not None:
            kept &= values >= low
        if high is not None:
            kept &= values <= high
    found = table[kept]
    return doubtful_in_order(found) if filters.doubtful else found


def nearest(table: pd.DataFrame, station_id: str, time_utc: datetime) -> int | None:
    """The place in `listed` of the strike that a decision means by station and time; None where there is none."""
    own = np.flatnonzero((table["station_id"] == station_id).to_numpy(dtype=bool))
    if not own.size:
        return None
    apart = np.abs(microseconds(table["time_utc"])[own] - epoch_us(time_utc))
    best = int(np.argmin(apart))
    return int(own[best]) if apart[best] <= REACH_US else None


def records(table: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Rows as JSON takes them: times in RFC 3339, None for null."""
    names = [str(name) for name in table.columns]
    for values in zip(*(_plain(table[name]) for name in names), strict=True):
        yield dict(zip(names, values, strict=True))


def _plain(column: pd.Series) -> list[Any]:
    """A column as JSON takes it."""
    if column.name == "time_utc":
        times = microseconds(column).astype("datetime64[us]")
        return [f"{text}Z" for text in np.datetime_as_string(times, unit="us").tolist()]
    if column.name in ("flags", "doubts"):
        return [[str(one) for one in own] for own in column]
    known = column.notna().to_numpy(dtype=bool)
    return [value if there else None for value, there in zip(column.tolist(), known, strict=True)]


def lines(table: pd.DataFrame, *, as_json: bool) -> Iterator[str]:
    """Rows as text: CSV with a header (lists joined by `;`, numbers to a hundredth), or a JSON object a line."""
    if not as_json:
        yield ",".join(str(name) for name in table.columns)
    for record in records(table):
        if as_json:
            yield json.dumps(record, allow_nan=False, ensure_ascii=False)
        else:
            text = io.StringIO(newline="")
            csv.writer(text, lineterminator="").writerow([_cell(value) for value in record.values()])
            yield text.getvalue()


def _cell(value: Any) -> str:
    if isinstance(value, list):
        return ";".join(value)
    return "" if value is None else f"{value:.2f}" if isinstance(value, float) else str(value)
