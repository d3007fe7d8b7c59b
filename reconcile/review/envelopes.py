"""Envelopes of recordings at levels of detail: what the overview draws, from hours to months, without reading samples.

Made from the 1 ms mean squares that the first pass kept of each part (sixteen minutes): for cells of 50 ms, 0.5 s, 4 s,
40 s and a whole part the least, the mean and the largest of them. They lie beside the parts they are made of and go
with them. A view takes from the coarsest level with cells no longer than its columns, so that what is looked at grows
with the number of columns alone. Cells of 4 s and more are held in memory (a month: 8 MB a station), finer ones and
single milliseconds are read through memory maps.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.octaves import STEP_TICKS
from reconcile.strikes.second_look import Listener
from reconcile.strikes.stream_analysis import PART_CELLS
from reconcile.strikes.ticks import TICKS
from reconcile.vocabulary.errors import MachineError
from reconcile.vocabulary.quantities import FloatArray

LEVEL_TICKS = (50, 500, 4_000, 40_000, 960_000)
PART_TICKS = PART_CELLS * TICKS
_IN_MEMORY = 2  # the first of LEVEL_TICKS that is
_CELLS = tuple(PART_TICKS // ticks for ticks in LEVEL_TICKS)  # of a part
_AT = tuple(int(n) for n in np.concatenate([[0], np.cumsum(_CELLS)]))  # where each level begins in a part's file
MOST_COLUMNS = 10_000
Envelope = NDArray[np.float32]  # shape (3, cells): least, mean, largest mean square (Pa²) of 1 ms; NaN: not recorded


@dataclass(frozen=True, slots=True)
class Columns:
    """What a view draws, a value for each of its columns: mean squares (Pa²) of 1 ms, NaN where nothing was recorded.

    `edges_us` bounds the columns, UTC by the station's stated clock, microseconds since 1970 (one more than columns).
    """

    edges_us: FloatArray
    lowest_pa2: FloatArray
    mean_pa2: FloatArray
    highest_pa2: FloatArray


def envelope(ticks: NDArray[np.float32], n_recorded: int) -> Envelope:
    """All levels of one part one behind the other, from its 1 ms mean squares, of which `n_recorded` are of sound."""
    filled = np.full(PART_TICKS, np.nan, dtype=np.float32)
    n = min(len(ticks), n_recorded, PART_TICKS)
    filled[:n] = ticks[:n]
    lowest, highest = filled, filled
    total, known = np.nan_to_num(filled).astype(np.float64), np.isfinite(filled).astype(np.int64)
    levels, length = [], 1
    for cell_ticks in LEVEL_TICKS:
        shape, length = (-1, cell_ticks // length), cell_ticks
        lowest, highest = np.fmin.reduce(lowest.reshape(shape), axis=1), np.fmax.reduce(highest.reshape(shape), axis=1)
        total, known = total.reshape(shape).sum(axis=1), known.reshape(shape).sum(axis=1)
        mean = np.where(known > 0, total / np.maximum(known, 1), np.nan)
        levels.append(np.stack([lowest, mean.astype(np.float32), highest]))
    return np.concatenate(levels, axis=1)


class StationEnvelopes:
    """The envelopes of one listener (a channel of a stream), part by part; `files` are by first cell as its parts."""

    def __init__(self, listener: Listener, files: Mapping[int, Path]) -> None:
        self.listener = listener
        self.files = dict(files)
        self.n_ticks = listener.stream.n_samples * TICKS // listener.stream.rate_hz
        self._coarse: dict[int, Envelope] = {}  # by level, over the whole stream

    def missing(self) -> list[int]:
        """First cells of the parts whose envelope is not on disk."""
        return [first for first, path in self.files.items() if not path.exists()]

    def make(self, first_cell: int) -> None:
        """Make and keep the envelope of a part. Raises MachineError where it cannot be written."""
        ticks, _ = self.listener.parts[first_cell]()
        path = self.files[first_cell]
        made = envelope(ticks, self.n_ticks - first_cell * TICKS)
        temporary = path.with_name(f".{path.name}.{os.getpid()}.npy")
        try:
            np.save(temporary, made)
            os.replace(temporary, path)
        except OSError as error:
            raise MachineError(str(path), error.strerror or str(error)) from error
        finally:
            temporary.unlink(missing_ok=True)

    def open(self) -> None:
        """Take the coarse levels into memory; all parts must have been made."""
        n_parts = max(1, -(-self.n_ticks // PART_TICKS))
        coarse = {k: np.full((3, n_parts * _CELLS[k]), np.nan, dtype=np.float32) for k in range(len(LEVEL_TICKS))}
        held = {k: coarse[k] for k in range(_IN_MEMORY, len(LEVEL_TICKS))}
        for first_cell, path in self.files.items():
            kept, part = np.load(path, mmap_mode="r"), first_cell // PART_CELLS
            for k, level in held.items():
                level[:, part * _CELLS[k] : (part + 1) * _CELLS[k]] = kept[:, _AT[k] : _AT[k + 1]]
        self._coarse = held

    def cells(self, level: int | None, first: int, end: int) -> Envelope:
        """Cells [first, end) of a level (None: single milliseconds), NaN where nothing was recorded."""
        if level is None:
            ticks = self.listener.mean_squares(first, end).astype(np.float32)
            ticks[ticks <= 0] = np.nan
            return np.stack([ticks, ticks, ticks])
        if level >= _IN_MEMORY:
            held, found = self._coarse[level], np.full((3, end - first), np.nan, dtype=np.float32)
            start, stop = max(first, 0), min(end, held.shape[1])
            if start < stop:
                found[:, start - first : stop - first] = held[:, start:stop]
            return found
        found, per_part = np.full((3, end - first), np.nan, dtype=np.float32), _CELLS[level]
        for part in range(max(first, 0) // per_part, max(end - 1, 0) // per_part + 1):
            path = self.files.get(part * PART_CELLS)
            if path is None:
                continue
            kept = np.load(path, mmap_mode="r")[:, _AT[level] : _AT[level + 1]]
            start, stop = max(first, part * per_part), min(end, (part + 1) * per_part)
            if start < stop:
                found[:, start - first : stop - first] = kept[:, start - part * per_part : stop - part * per_part]
        return found


class Envelopes:
    """The envelopes of all stations. `make` what is missing once, then ask for `columns` as often as you like."""

    def __init__(self, stations: Sequence[StationEnvelopes]) -> None:
        self._all = list(stations)
        self._opened = False

    @property
    def n_missing(self) -> int:
        """Parts whose envelope has still to be made."""
        return sum(len(station.missing()) for station in self._all)

    def make(self) -> Iterator[int]:
        """Make what is missing, a part at a time, and yield how many are done; what was made is kept if interrupted."""
        done = 0
        for station in self._all:
            for first_cell in station.missing():
                station.make(first_cell)
                done += 1
                yield done

    def spans_us(self, station_id: str) -> list[tuple[int, int]]:
        """When a station was recording: UTC, microseconds since 1970, in order."""
        spans = []
        for one in self._of(station_id):
            steps = np.array([0.0, one.listener.n_steps])
            start, end = (int(us) for us in one.listener.time_us(steps))
            spans.append((start, end))
        return sorted(spans)

    def columns(self, station_id: str, from_us: int, to_us: int, n_columns: int) -> Columns:
        """A station's levels between two times in `n_columns` columns (1 to 10,000).

        Raises ValueError where the times are not in order or the columns are too many.
        """
        if not 1 <= n_columns <= MOST_COLUMNS or to_us <= from_us:
            raise ValueError(f"1 to {MOST_COLUMNS} columns between two times in order")
        if not self._opened:
            for _ in self.make():
                pass
            for station in self._all:
                station.open()
            self._opened = True
        edges_us = np.linspace(float(from_us), float(to_us), n_columns + 1)
        lowest, highest = np.full(n_columns, np.nan), np.full(n_columns, np.nan)
        total, known = np.zeros(n_columns), np.zeros(n_columns)
        for station in self._of(station_id):
            _gather(station, edges_us, lowest, highest, (total, known))
        mean = np.where(known > 0, total / np.maximum(known, 1.0), np.nan)
        return Columns(edges_us, lowest, mean, highest)

    def _of(self, station_id: str) -> list[StationEnvelopes]:
        return [one for one in self._all if one.listener.station_id == station_id]


def _gather(
    station: StationEnvelopes,
    edges_us: FloatArray,
    lowest: FloatArray,
    highest: FloatArray,
    sums: tuple[FloatArray, FloatArray],
) -> None:
    """Add one stream's cells to the columns that they reach into."""
    ticks = station.listener.steps(np.round(edges_us).astype(np.int64)) * STEP_TICKS
    inside = np.flatnonzero((ticks[1:] > 0) & (ticks[:-1] < station.n_ticks))
    if not inside.size:
        return
    width = (ticks[-1] - ticks[0]) / (len(ticks) - 1)
    fitting = [k for k, length in enumerate(LEVEL_TICKS) if length <= width]
    level = fitting[-1] if fitting else None
    length = 1 if level is None else LEVEL_TICKS[level]
    most = -(-station.n_ticks // length)
    start = np.clip(np.floor(ticks[inside] / length), 0, most - 1).astype(np.int64)
    stop = np.clip(np.ceil(ticks[inside + 1] / length), start + 1, max(most, 1)).astype(np.int64)
    cells = station.cells(level, int(start[0]), int(stop[-1])).astype(np.float64)
    pairs = np.stack([start - start[0], stop - start[0]], axis=1).ravel()
    padded = np.concatenate([cells, np.full((3, 1), np.nan)], axis=1)  # an end may lie behind the last cell
    lowest[inside] = np.fmin(lowest[inside], np.fmin.reduceat(padded[0], pairs)[::2])
    highest[inside] = np.fmax(highest[inside], np.fmax.reduceat(padded[2], pairs)[::2])
    sums[0][inside] += np.add.reduceat(np.nan_to_num(padded[1]), pairs)[::2]
    sums[1][inside] += np.add.reduceat(np.isfinite(padded[1]).astype(np.float64), pairs)[::2]
