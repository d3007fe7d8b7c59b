"""All that a results folder says of one strike: its row at each station, and what these rows were made with."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from reconcile.audit.at_hand import manifest_of
from reconcile.campaign.station_periods import StationPeriod, period_at
from reconcile.campaign.times import epoch_us
from reconcile.recordings.sensitivity_path import sensitivity_paths
from reconcile.running.levels_stage import CAMPAIGN
from reconcile.running.provenance import BIAS, FIT
from reconcile.running.store import read_document, read_table
from reconcile.vocabulary.documents.bias import BiasDocument
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.documents.manifest import Manifest, StreamEntry
from reconcile.vocabulary.errors import Fault, ResultsError, suggestion

Row = dict[str, Any]
BEFORE_RISE_S = 0.020  # from the start of the pulse interval to the rise (docs/method.md, Strikes)


@dataclass(frozen=True, slots=True)
class Strike:
    """One strike: its rows by distance, nearest first, all strikes of the folder, and what explains them."""

    strike_id: str
    rows: tuple[Row, ...]
    strikes: pd.DataFrame
    bands: pd.DataFrame
    campaign: Campaign
    manifest: Manifest
    uncertainty: pd.DataFrame
    comparison: pd.DataFrame | None
    bias: BiasDocument | None
    fit: FitDocument | None

    def period(self, row: Row) -> StationPeriod:
        """What held at the row's station when the strike arrived."""
        return period_at(self.campaign, row["station_id"], time_us(row))

    def stream(self, row: Row) -> StreamEntry | None:
        """The run of recordings that the row was measured in; None where it is not known."""
        if row["recording"] is None:
            return None
        moment = row["time_utc"].to_pydatetime()
        of_file = [
            entry
            for entry in self.manifest.streams
            if entry.station_id == row["station_id"] and row["recording"] in entry.recordings
        ]
        around = [entry for entry in of_file if entry.start_utc <= moment <= entry.end_utc]
        return next(iter([*around, *of_file]), None)

    def position(self, row: Row) -> int | None:
        """First sample of a row's pulse interval, counted from the first file of its stream; None where not known."""
        stream = self.stream(row)
        if stream is None or row["start_sample"] is None:
            return None
        return file_starts(self.manifest, stream)[row["recording"]] + int(row["start_sample"])

    def heard_before(self, row: Row) -> int | None:
        """Position of the pulse heard before at the station in the same stream; None where there is none."""
        own, stream = self.position(row), self.stream(row)
        if own is None or stream is None:
            return None
        starts = file_starts(self.manifest, stream)
        table = self.strikes
        there = table["station_id"].eq(row["station_id"]) & table["recording"].isin(list(starts))
        heard = table[there & ~table["flags"].map(lambda flags: "not_heard" in flags)]
        at = heard["recording"].map(starts) + heard["start_sample"]
        before = at[at < own]
        return int(before.max()) if len(before) else None

    def correction_db(self, row: Row) -> float:
        """What field checks add to the levels of a row; 0 where levels follow the certificate."""
        spans: dict[tuple[str, str], tuple[int, int]] = {}
        for entry in self.manifest.streams:
            if entry.system_id is not None:
                key, start, end = (
                    (entry.station_id, entry.system_id),
                    epoch_us(entry.start_utc),
                    epoch_us(entry.end_utc),
                )
                first, last = spans.get(key, (start, end))
                spans[key] = (min(first, start), max(last, end))
        paths, _ = sensitivity_paths(self.manifest.field_checks, self.campaign.settings, spans)
        times = np.array([time_us(row)], dtype=np.int64)
        return float(paths.correction_db(row["station_id"], row["system_id"], times)[0])


def read_strike(results: Path, strike_id: str) -> Strike:
    """Everything about one strike. Raises ResultsError where there is no such strike, or a table is missing."""
    strikes = read_table(results, "strikes", "levels")
    rows = strikes[strikes["strike_id"] == strike_id].sort_values(["range_m", "station_id"], kind="stable")
    if rows.empty:
        hint = suggestion(strike_id, strikes["strike_id"].unique().tolist())
        example = f"a strike_id of strikes.parquet, such as {strikes['strike_id'].iloc[0]}" if len(strikes) else "one"
        raise ResultsError([Fault(str(results / "strikes.parquet"), "", f"no strike {strike_id!r}", example, hint)])
    compared = (results / BIAS).exists()
    return Strike(
        strike_id=strike_id,
        rows=tuple(records(rows)),
        strikes=strikes,
        bands=read_table(results, "bands", "levels"),
        campaign=read_document(results / CAMPAIGN, Campaign, "levels"),
        manifest=manifest_of(results),
        uncertainty=read_table(results, "uncertainty", "levels"),
        comparison=read_table(results, "comparison", "compare") if compared else None,
        bias=read_document(results / BIAS, BiasDocument, "compare") if compared else None,
        fit=read_document(results / FIT, FitDocument, "fit") if (results / FIT).exists() else None,
    )


def records(table: pd.DataFrame) -> list[Row]:
    """Rows of a table, with None for whatever is null."""
    return [
        {str(name): list(v) if name == "flags" else None if pd.isna(v) else v for name, v in record.items()}
        for record in table.to_dict("records")
    ]


def file_starts(manifest: Manifest, stream: StreamEntry) -> dict[str, int]:
    """First sample of each file of a stream, counted from the first file's first sample."""
    frames = {entry.recording: entry.frames for entry in manifest.recordings}
    ends = accumulate((frames.get(name, 0) for name in stream.recordings), initial=0)
    return dict(zip(stream.recordings, ends, strict=False))


def time_us(row: Row) -> int:
    """A row's `time_utc` in microseconds since 1970."""
    return int(row["time_utc"].value // 1000)
