"""One pass over a stream: every sample read once, strikes and seconds out, in parts that can be kept."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import cycle

import numpy as np
from numpy.typing import NDArray

from reconcile.recordings.blocks import ReadingReport, pressure_blocks
from reconcile.recordings.streams import Stream
from reconcile.strikes.channel_path import BLOCK_CELLS, PREROLL_CELLS, ChannelPath
from reconcile.strikes.channel_results import Pulse, Seconds, TickEnergies
from reconcile.strikes.detection import Rise
from reconcile.strikes.ticks import TICKS, Samples
from reconcile.vocabulary.documents.campaign import Settings

PART_CELLS = 60 * BLOCK_CELLS  # sixteen minutes
READ_BLOCK_S = 1.0  # a cell: it stays in the cache from file to ticks
_CELLS_IN_USE = 4  # the one that is filled, and the three that a channel path looks at


@dataclass(frozen=True, slots=True)
class Part:
    """Everything found in one stretch of a stream, [first_cell, first_cell + PART_CELLS) seconds of it."""

    first_cell: int
    pulses: tuple[Pulse, ...]
    seconds: tuple[Seconds, ...]
    energies: tuple[TickEnergies, ...]


def part_starts(stream: Stream) -> range:
    """First cells of the parts of a stream."""
    n_cells = -(-stream.n_samples // stream.rate_hz)
    return range(0, max(1, n_cells), PART_CELLS)


def quantisation_step(stream: Stream) -> float:
    """Step between two sample values in parts of full scale, the coarsest of a stream; 0 where a file holds floats."""
    formats = [segment.recording.sample_format for segment in stream.segments]
    return 0.0 if any(f.is_float for f in formats) else max(2.0 ** (1 - f.valid_bits) for f in formats)


def analyse_stream(
    stream: Stream, settings: Settings, report: ReadingReport, first_cell: int = 0, block_s: float = READ_BLOCK_S
) -> Iterator[Part]:
    """Parts of a stream from a part's first cell on; what is read before it only fills the filters and the floor.

    `block_s` is how much is decoded at a time; the results do not depend on it, to the bit.
    """
    step = quantisation_step(stream)
    paths = [
        ChannelPath(
            channel,
            stream.rate_hz,
            settings.weightings,
            settings.window_max_s,
            first_cell,
            step * channel.pascals_per_unit,
        )
        for channel in stream.channels
    ]
    next_block, ahead = first_cell, paths[0].ahead
    pulses: list[Pulse] = []
    seconds: list[Seconds] = []
    energies: list[TickEnergies] = []
    n_cells = -(-stream.n_samples // stream.rate_hz)
    for cell, raw, clipped in _cells(stream, max(0, first_cell - PREROLL_CELLS), ahead, block_s, report):
        for path, samples, ticks in zip(paths, raw, clipped, strict=True):
            path.push(cell, samples, ticks)
        done = cell - 1  # a cell is filtered once the next one is there
        while next_block < n_cells and done >= next_block + BLOCK_CELLS + ahead - 1:
            ended = stream.n_samples if next_block + BLOCK_CELLS + ahead >= n_cells else None
            for path in paths:
                if ended is not None:
                    path.end_at(ended)
                found, levels, energy = path.block(ended)
                pulses += found
                seconds.append(levels)
                energies.append(energy)
            next_block += BLOCK_CELLS
            if (next_block - first_cell) % PART_CELLS == 0 or next_block >= n_cells:
                start = (next_block - 1) // PART_CELLS * PART_CELLS
                yield Part(start, tuple(pulses), tuple(seconds), tuple(energies))
                pulses, seconds, energies = [], [], []
        if next_block >= n_cells:
            return


def measure_asked(
    stream: Stream,
    settings: Settings,
    report: ReadingReport,
    asked: Mapping[str, Sequence[Rise]],
    block_s: float = READ_BLOCK_S,
) -> list[Pulse]:
    """Pulses of strikes that a second look has found (by station, in ticks of the stream), by the very same code.

    Only the channels and blocks of sixteen seconds that hold them are read, with what fills the filters before them.
    """
    channels = tuple(c for c in stream.channels if asked.get(c.station_id))
    stream = replace(stream, channels=channels)
    wanted = sorted({rise.peak_tick // (BLOCK_CELLS * TICKS) for c in channels for rise in asked[c.station_id]})
    pulses: list[Pulse] = []
    for first, n_blocks in _runs(wanted):
        pulses += _read_run(stream, settings, report, asked, (first * BLOCK_CELLS, n_blocks * BLOCK_CELLS), block_s)
    return pulses


def _runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """Runs of consecutive numbers: the first, and how many. Runs that are close are one: a start reads a block more."""
    runs: list[tuple[int, int]] = []
    for number in numbers:
        if runs and number <= sum(runs[-1]) + 1:
            runs[-1] = (runs[-1][0], number - runs[-1][0] + 1)
        else:
            runs.append((number, 1))
    return runs


def _read_run(
    stream: Stream,
    settings: Settings,
    report: ReadingReport,
    asked: Mapping[str, Sequence[Rise]],
    cells: tuple[int, int],
    block_s: float,
) -> list[Pulse]:
    first, n_cells = cells
    step = quantisation_step(stream)
    paths = [
        ChannelPath(
            channel,
            stream.rate_hz,
            settings.weightings,
            settings.window_max_s,
            first,
            step * channel.pascals_per_unit,
            asked[channel.station_id],
        )
        for channel in stream.channels
    ]
    next_block, ahead, pulses = first, paths[0].ahead, []
    recorded_cells = -(-stream.n_samples // stream.rate_hz)
    for cell, raw, clipped in _cells(stream, max(0, first - PREROLL_CELLS), ahead, block_s, report):
        for path, samples, ticks in zip(paths, raw, clipped, strict=True):
            path.push(cell, samples, ticks)
        if cell - 1 >= next_block + BLOCK_CELLS + ahead - 1:
            ended = stream.n_samples if next_block + BLOCK_CELLS + ahead >= recorded_cells else None
            for path in paths:
                if ended is not None:
                    path.end_at(ended)
                pulses += path.asked_pulses(ended)
            next_block += BLOCK_CELLS
            if next_block >= first + n_cells:
                break
    return pulses


def _cells(
    stream: Stream, first_cell: int, ahead: int, block_s: float, report: ReadingReport
) -> Iterator[tuple[int, Samples, list[NDArray[np.int64]]]]:
    """Whole cells of all channels, and the ticks of each that hold clipped samples.

    A cell's samples hold until three more have come. Behind the end the last sample is held, until the last block is
    complete.
    """
    rate, n_channels = stream.rate_hz, len(stream.channels)
    cell, filled = first_cell, 0
    buffers = cycle([np.empty((n_channels, rate), dtype=np.float32) for _ in range(_CELLS_IN_USE)])
    buffer = next(buffers)
    clipped: list[list[NDArray[np.int64]]] = [[] for _ in range(n_channels)]
    edges = np.arange(1001, dtype=np.int64) * rate // 1000
    last = np.zeros(n_channels, dtype=np.float32)

    def ticks() -> list[NDArray[np.int64]]:
        found = [np.concatenate(c) if c else np.empty(0, dtype=np.int64) for c in clipped]
        return [np.unique(np.searchsorted(edges, f, side="right") - 1) for f in found]

    for block in pressure_blocks(stream, first_cell * rate, block_s, report):
        at = 0
        n = block.pressure_pa.shape[1]
        while at < n:
            take = min(rate - filled, n - at)
            buffer[:, filled : filled + take] = block.pressure_pa[:, at : at + take]
            for found, where in zip(clipped, block.clipped, strict=True):
                inside = where[(where >= at) & (where < at + take)]
                if inside.size:
                    found.append(inside - at + filled)
            at, filled = at + take, filled + take
            if filled == rate:
                yield cell, buffer, ticks()
                last = buffer[:, -1].copy()
                buffer = next(buffers)
                clipped = [[] for _ in range(n_channels)]
                cell, filled = cell + 1, 0
    if filled:
        last = buffer[:, filled - 1].copy()
    buffer[:, filled:] = last[:, None]
    for _ in range(BLOCK_CELLS + ahead + 2):
        yield cell, buffer, ticks()
        buffer = next(buffers)
        buffer[:] = last[:, None]
        clipped = [[] for _ in range(n_channels)]
        cell += 1
