"""What the page's view of single strikes is drawn from: every strike, or where they are too many a thinned choice.

The numbers travel in the page itself: whole steps of each column, their differences, byte by byte, deflated, as base64.
Levels of bands are in steps of 0.5 dB, other levels in steps of 0.1 dB. Without JavaScript the figures of the time
history show the same.
"""

from __future__ import annotations

import base64
import json
import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.report.evidence import Evidence
from reconcile.report.figures.style import station_marks
from reconcile.report.figures.time_history import thinned
from reconcile.report.formatting import count
from reconcile.report.words import quantity_words, sentence_case, short_quantity_words, unit_words
from reconcile.spreading.stored_bands import band_level_db, band_rows
from reconcile.vocabulary.decidecades import band_number, nominal_hz
from reconcile.vocabulary.tables.bands import exposure_column

_MOST_ROWS = 20_000  # strikes at stations; beyond it they are thinned, extremes kept
_LEVEL_STEP_DB, _BAND_STEP_DB = 0.1, 0.5
_OCTAVE = 3  # decidecades from one band of the choice to the next
_NUMBERED = re.compile(r"(.*?)(\d{1,9})", re.DOTALL)
_NULL = -(2**31)
_PLAIN = (
    ("exposure_level", "exposure_level_db", "exposure_censoring"),
    ("peak_level", "peak_level_db", "peak_censoring"),
    ("rms_level", "rms_level_db", None),
)
_ORDER, _EXTREMES = ("_pile", "_station", "time_utc", "strike_id"), ("exposure_level_db", "peak_level_db")
_LIMITS = ("none", "at_least", "at_most")
_Codes = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class StrikeView:
    """The head (JSON) and the body (base64) of the data, and how many of how many strikes they hold, in words."""

    head: str
    body: str
    said: str


def strike_view(evidence: Evidence) -> StrikeView | None:
    """The data of the view; None where no strike of a pile has a row."""
    rows = evidence.struck[evidence.struck["pile_id"].notna()]
    if rows.empty:
        return None
    order = [pile.pile_id for pile in evidence.piles]
    rows = rows.assign(
        _pile=rows["pile_id"].map({name: i for i, name in enumerate(order)}),
        _station=rows["station_id"].map({name: i for i, name in enumerate(evidence.station_ids)}),
    )
    rows = rows.reset_index(drop=True)
    ordered = rows[[*_ORDER, *_EXTREMES]].sort_values(list(_ORDER), kind="stable")
    shown = rows.iloc[ordered.index[_chosen(ordered)]].reset_index(drop=True)
    columns = _Columns()
    quantities = _add_all(columns, shown, evidence)
    head = {
        "rows": len(shown),
        "first": shown["time_utc"].min().isoformat().replace("+00:00", "Z"),
        "piles": order,
        "stations": [
            {"name": name, "colour": mark.colour} for name, mark in station_marks(evidence.station_ids).items()
        ],
        "columns": columns.names,
        "words": columns.words,
        "quantities": quantities,
    }
    body = base64.b64encode(zlib.compress(columns.planes(), 9)).decode()
    return StrikeView(json.dumps(head, ensure_ascii=False, separators=(",", ":")), body, _said(len(shown), len(rows)))


def _said(n_shown: int, n_rows: int) -> str:
    if n_shown == n_rows:
        return f"All {count(n_rows)} strikes at their stations, heard or not."
    return (
        f"Thinned: {count(n_shown)} of {count(n_rows)} strikes at their stations; the highest and the lowest exposure"
        " and peak level of each stretch of time are kept, so the scatter looks denser at its edges than it is."
    )


def _chosen(rows: pd.DataFrame) -> NDArray[np.intp]:
    """Places of about `_MOST_ROWS` rows at most, the same share of each pile and station, extremes kept."""
    if len(rows) <= _MOST_ROWS:
        return np.arange(len(rows))
    share = _MOST_ROWS / len(rows)
    kept: list[NDArray[np.intp]] = []
    for _, places in sorted(rows.groupby(["_pile", "_station"]).indices.items()):
        most = max(int(len(places) * share / 2), 2)
        for name in _EXTREMES:
            kept.append(np.asarray(places)[thinned(rows[name].to_numpy(np.float64)[places], most)])
    return np.unique(np.concatenate(kept))


class _Columns:
    """Columns of whole numbers, with the words that some of them point to."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self.words: dict[str, list[str]] = {}
        self._codes: list[_Codes] = []

    def add(self, name: str, codes: _Codes) -> None:
        self.names.append(name)
        self._codes.append(codes)

    def add_levels(self, name: str, values: pd.Series, step: float) -> None:
        steps = np.round(values.to_numpy(np.float64) / step)
        self.add(name, np.where(np.isfinite(steps), np.nan_to_num(steps), _NULL).astype(np.int64))

    def add_words(self, name: str, values: Sequence[str]) -> None:
        known = sorted(set(values))
        place = {word: i for i, word in enumerate(known)}
        self.words[name] = known
        self.add(name, np.array([place[word] for word in values], dtype=np.int64))

    def planes(self) -> bytes:
        """Differences from row to row as 32-bit numbers, their first bytes, then their second ones, and so on."""
        parts = []
        for codes in self._codes:
            steps = np.diff(codes, prepend=0).astype(np.uint32)  # modulo 2**32, as it is read
            parts.append(np.ascontiguousarray(steps.astype("<u4").view(np.uint8).reshape(-1, 4).T).tobytes())
        return b"".join(parts)


def _add_all(columns: _Columns, rows: pd.DataFrame, evidence: Evidence) -> list[dict[str, Any]]:
    """Fill the columns; returns what there is to choose: title, unit, column, step, column of limits."""
    columns.add("pile", rows["_pile"].to_numpy(np.int64))
    columns.add("station", rows["_station"].to_numpy(np.int64))
    elapsed = (rows["time_utc"] - rows["time_utc"].min()).dt.total_seconds().to_numpy(np.float64)
    columns.add("time_ms", np.round(elapsed * 1e3).astype(np.int64) % 2**32)
    matches = [_NUMBERED.fullmatch(str(name)) for name in rows["strike_id"]]
    columns.add_words("before", [m[1] if m else str(name) for m, name in zip(matches, rows["strike_id"], strict=True)])
    columns.add("number", np.array([int(m[2]) if m else _NULL for m in matches], dtype=np.int64))
    columns.add("digits", np.array([len(m[2]) if m else 0 for m in matches], dtype=np.int64))
    columns.add_words("recording", [str(name) if pd.notna(name) else "" for name in rows["recording"]])
    columns.add("sample", rows["start_sample"].fillna(0).to_numpy(np.int64) % 2**32)
    columns.add_levels("energy", rows["energy_kj"], 1.0)
    columns.add_words("flags", [", ".join(flags).replace("_", " ") for flags in rows["flags"]])
    return [*_levels(columns, rows, evidence), *_bands(columns, rows, evidence)]


def _levels(columns: _Columns, rows: pd.DataFrame, evidence: Evidence) -> list[dict[str, Any]]:
    found = []
    weighted = []
    for name in evidence.campaign.settings.weightings:
        part = name.lower().replace("-", "_").replace(":", "_")
        weighted.append(("exposure_level", f"exposure_level_{part}_db", f"exposure_censoring_{part}", name))
    for quantity, column, limits, weighting in (*((*plain, "none") for plain in _PLAIN), *weighted):
        if column not in rows:
            continue
        columns.add_levels(column, rows[column], _LEVEL_STEP_DB)
        if limits is not None:
            places = rows[limits].map({word: i for i, word in enumerate(_LIMITS)}).fillna(0)
            columns.add(limits, places.to_numpy(np.int64))
        title = sentence_case(short_quantity_words(quantity, weighting))
        found.append(_quantity(title, quantity, column, _LEVEL_STEP_DB, limits))
    return found


def _bands(columns: _Columns, rows: pd.DataFrame, evidence: Evidence) -> list[dict[str, Any]]:
    """Exposure levels of one decidecade in each octave."""
    numbers = sorted({band_number(f) for f in evidence.summary["band_hz"].dropna()})
    chosen = [n for n in numbers if n % _OCTAVE == 0 and exposure_column(n) in evidence.bands.columns]
    if not chosen:
        return []
    numbered = band_rows(rows[["strike_id", "station_id"]], evidence.bands)
    found = []
    for n in chosen:
        name = exposure_column(n)
        columns.add_levels(name, pd.Series(band_level_db(numbered, evidence.bands, name)), _BAND_STEP_DB)
        title = sentence_case(quantity_words("exposure_level", "none", nominal_hz(n)))
        found.append(_quantity(title, "exposure_level", name, _BAND_STEP_DB, None))
    return found


def _quantity(title: str, quantity: str, column: str, step: float, limits: str | None) -> dict[str, Any]:
    return {"title": title, "unit": unit_words(quantity), "column": column, "step": step, "limits": limits}
