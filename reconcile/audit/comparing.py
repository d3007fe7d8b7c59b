"""Two tables or two documents held against each other: to the bit, or by how much."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import isnan
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.running.store import read_table
from reconcile.vocabulary.documents.flat import Leaf

_STRIKE, _LEVEL = ("strike_id", "station_id"), ("quantity", "weighting", "band_hz")
_KEYS = {  # by which a row of one table is found in the other
    "strikes": _STRIKE,
    "bands": _STRIKE,
    "background": ("station_id", "start_utc", "duration_s"),
    "background_10s": ("station_id", "start_utc", "duration_s"),
    "tones": ("station_id", "start_utc", "harmonic"),
    "summary": ("pile_id", "station_id", "installation_method", "abatement", *_LEVEL),
    "phases": ("pile_id", "station_id", "activity_id", "phase"),
    "uncertainty": ("pile_id", "station_id", "abatement", "component"),
    "exposure": ("station_id", "pile_id", "period", "start_utc", "weighting", "installation_method"),
    "comparison": ("prediction_id", "model_id", "pile_id", "station_id", "abatement", *_LEVEL, "statistic"),
    "insertion_loss": ("foundation_type", "abatement", *_LEVEL, "mooring_id"),
    "record": ("pile_id", "station_id", "installation_method", "abatement", *_LEVEL, "statistic"),
    "pile_distances": ("pile_id", "abatement", "prediction_id", *_LEVEL[:2], "threshold_db", "statistic"),
}
_NO_KEY = ("censoring", "reason", "source", "finding", "recording")  # texts that say something rather than name it


@dataclass(frozen=True, slots=True)
class ColumnDifference:
    """One column of two tables: rows that differ, and of numbers the largest difference (second less first).

    `largest` is None for other than numbers; `n_null` counts rows where only one of them holds something.
    """

    column: str
    n_rows: int
    n_null: int
    largest: float | None

    @property
    def in_words(self) -> str:
        """The difference in words."""
        text = f"{self.column}: {self.n_rows} rows differ"
        if self.largest is not None and self.n_rows > self.n_null:
            text += f", by {amount(self.largest, self.column)} at most"
        return f"{text}, {self.n_null} of them null on one side" if self.n_null else text


@dataclass(frozen=True, slots=True)
class TableDifference:
    """Two tables: rows and columns that only one of them has, and columns that differ, the largest in dB first."""

    n_rows: tuple[int, int]
    only_first: int
    only_second: int
    columns_only_first: tuple[str, ...]
    columns_only_second: tuple[str, ...]
    columns: tuple[ColumnDifference, ...]

    @property
    def any(self) -> bool:
        """Whether anything differs in content."""
        only = self.only_first or self.only_second or self.columns_only_first or self.columns_only_second
        return bool(only or self.columns)

    @property
    def largest_db(self) -> float | None:
        """Largest difference of a level; None where none differs."""
        found = [abs(c.largest) for c in self.columns if c.column.endswith("_db") and c.largest is not None]
        return max(found, default=None)


def amount(value: float, name: str) -> str:
    """A difference with its sign and the unit that its column's name states."""
    unit = next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
    text = f"{value:+.4f}".replace("-", "−") if 1e-4 <= abs(value) < 1e6 else f"{value:+.3g}".replace("-", "−")
    return f"{text} {unit}".strip()


_UNITS = {"_db": "dB", "_m": "m", "_s": "s", "_hz": "Hz", "_kj": "kJ", "_utc": "s", "_deg": "°", "_ppm": "ppm"}


def compare_tables(first: Path, second: Path, name: str) -> TableDifference:
    """Compare a table of two results folders row by row. Raises ResultsError where one cannot be read."""
    one, other = (read_table(folder, name, "levels") for folder in (first, second))
    shared = [column for column in one.columns if column in other.columns]
    key = _key(name, one, shared)
    one, other = (_numbered(frame, key) for frame in (one, other))
    joined = one.merge(other, on=[*key, _NUMBER], how="outer", suffixes=("\0first", "\0second"), indicator=True)
    both = joined[joined["_merge"] == "both"]
    found = [
        _column(column, both[f"{column}\0first"], both[f"{column}\0second"]) for column in shared if column not in key
    ]
    differing = [column for column in found if column is not None]
    differing.sort(key=lambda c: (not c.column.endswith("_db"), -abs(c.largest or 0.0)))
    return TableDifference(
        (len(one), len(other)),
        int((joined["_merge"] == "left_only").sum()),
        int((joined["_merge"] == "right_only").sum()),
        tuple(c for c in one.columns if c not in shared and c != _NUMBER),
        tuple(c for c in other.columns if c not in shared and c != _NUMBER),
        tuple(differing),
    )


_NUMBER = "\0number"  # of rows with one key


def _key(name: str, frame: pd.DataFrame, shared: list[str]) -> list[str]:
    if name in _KEYS:
        return [column for column in _KEYS[name] if column in shared]
    texts = [c for c in shared if isinstance(frame[c].dtype, pd.StringDtype) or c == "band_hz"]
    return [c for c in texts if not any(part in c for part in _NO_KEY)]


def _numbered(frame: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    number = frame.groupby(key, dropna=False).cumcount() if key else pd.Series(range(len(frame)), index=frame.index)
    return frame.assign(**{_NUMBER: number})


def _column(name: str, first: pd.Series, second: pd.Series) -> ColumnDifference | None:
    missing = (first.isna() ^ second.isna()).to_numpy(dtype=bool)
    there = (first.notna() & second.notna()).to_numpy(dtype=bool)
    differs = there & ~_same(first, second)
    if not (differs.any() or missing.any()):
        return None
    largest = _largest(first[differs], second[differs]) if differs.any() else None
    return ColumnDifference(name, int(differs.sum() + missing.sum()), int(missing.sum()), largest)


def _same(first: pd.Series, second: pd.Series) -> NDArray[np.bool_]:
    if first.dtype == object and len(first) and any(isinstance(v, list | np.ndarray) for v in first):
        pairs = zip(first, second, strict=True)
        return np.array([list(_items(a)) == list(_items(b)) for a, b in pairs], dtype=bool)
    return (first == second).fillna(False).to_numpy(dtype=bool)


def _items(value: object) -> Iterator[object]:
    yield from value if isinstance(value, list | tuple | np.ndarray) else (value,)


def _largest(first: pd.Series, second: pd.Series) -> float | None:
    if isinstance(first.dtype, pd.DatetimeTZDtype):
        change = (second - first).dt.total_seconds().to_numpy(dtype=np.float64)
    elif pd.api.types.is_numeric_dtype(first) and not pd.api.types.is_bool_dtype(first):
        change = second.to_numpy(dtype=np.float64) - first.to_numpy(dtype=np.float64)
    else:
        return None
    return float(change[np.argmax(np.abs(change))])


def changed_leaves(first: Mapping[str, Leaf], second: Mapping[str, Leaf]) -> list[tuple[str, Leaf, Leaf]]:
    """Places at which two flattened documents differ, with both values; None for what is not there."""
    places = dict.fromkeys([*first, *second])
    return [
        (place, first.get(place), second.get(place))
        for place in places
        if not _alike(first.get(place), second.get(place))
    ]


def _alike(one: Leaf, other: Leaf) -> bool:
    both_nan = isinstance(one, float) and isinstance(other, float) and isnan(one) and isnan(other)
    return both_nan or (one == other and type(one) is type(other))


def change_in_words(place: str, first: Leaf, second: Leaf) -> str:
    """One changed value: `systems[H1].gain_db: 20 to 26 (+6.0000 dB)`."""
    text = f"{place}: {_value(first)} to {_value(second)}"
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (first, second))
    if numbers and isinstance(first, int | float) and isinstance(second, int | float):
        name = place.removesuffix(".value").removesuffix(".standard_error")
        return f"{text} ({amount(second - first, name)})"
    return text


def _value(value: Leaf) -> str:
    if value is None:
        return "nothing"
    return f"{value:.10g}" if isinstance(value, float) else str(value)
