"""Where the reading of recordings runs: in this process, or in several, a stretch of a stream each."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from reconcile.recordings.blocks import ReadingReport
from reconcile.recordings.streams import Stream
from reconcile.running.memory import keep_freed_memory
from reconcile.running.resume import PartStore, asked_key, part_key
from reconcile.running.threads import one_thread_each
from reconcile.strikes.detection import Rise
from reconcile.strikes.stream_analysis import PART_CELLS, analyse_stream, measure_asked
from reconcile.vocabulary.documents.campaign import Settings

_STRETCHES_EACH = 4  # for each process: one that is slow holds up little


@dataclass(frozen=True, slots=True)
class MadePart:
    """A part that is on disk: its key, how much was recorded in it, and how many recordings end in it."""

    key: str
    recorded_s: float
    n_ended: int


def made_part(stream: Stream, first_cell: int, key: str) -> MadePart:
    """What a part of a stream holds."""
    first, end = first_cell * stream.rate_hz, (first_cell + PART_CELLS) * stream.rate_hz
    n_ended = sum(first < segment.at + segment.n_frames <= end for segment in stream.segments)
    return MadePart(key, (min(end, stream.n_samples) - first) / stream.rate_hz, n_ended)


def read_stream(stream: Stream, settings: Settings, folder: Path, wanted: Sequence[int]) -> Iterator[MadePart]:
    """Make the parts of a stream that are wanted (by first cell) and not there yet; yields each when it is kept."""
    keep_freed_memory()
    store = PartStore(folder)
    missing = [first for first in wanted if not store.has(part_key(stream, settings, first))]
    while missing:
        report = ReadingReport()
        for part in analyse_stream(stream, settings, report, missing[0]):
            key = part_key(stream, settings, part.first_cell)
            store.write(key, part, stream, settings, report.damaged)
            yield made_part(stream, part.first_cell, key)
            following = part.first_cell + PART_CELLS
            missing.remove(part.first_cell)
            if following not in missing:
                break


def stretches(work: Sequence[tuple[Stream, Sequence[int]]], workers: int) -> list[tuple[Stream, Sequence[int]]]:
    """The same work cut into stretches of streams, some for each worker, the longest first.

    A stretch is whole parts: their numbers are the same wherever reading begins. Each reads sixteen seconds before it.
    """
    longest = max(1, sum(len(wanted) for _, wanted in work) // (_STRETCHES_EACH * workers))
    cut = [(stream, wanted[at : at + longest]) for stream, wanted in work for at in range(0, len(wanted), longest)]
    return sorted(cut, key=lambda one: -len(one[1]) * one[0].rate_hz * len(one[0].channels))


def read_streams(
    work: Sequence[tuple[Stream, Sequence[int]]], settings: Settings, folder: Path, workers: int
) -> Iterator[MadePart]:
    """Make all missing parts of some streams, in `workers` processes; yields each when it is finished."""
    tasks = stretches(work, workers) if workers > 1 else work
    if workers <= 1 or len(tasks) <= 1:
        for stream, wanted in work:
            yield from read_stream(stream, settings, folder, wanted)
        return
    one_thread_each()
    with ProcessPoolExecutor(min(workers, len(tasks)), mp_context=get_context("spawn")) as pool:
        futures = [pool.submit(_read_all, stream, settings, folder, wanted) for stream, wanted in tasks]
        try:
            for future in as_completed(futures):
                yield from future.result()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


@dataclass(frozen=True, slots=True)
class AskedPart:
    """Strikes that a second look has found in one part of a stream, by number of the channel, in order of time."""

    stream: Stream
    first_cell: int
    asked: Mapping[int, tuple[Rise, ...]]

    def key(self, settings: Settings) -> str:
        """Name under which the pulses are kept."""
        return asked_key(part_key(self.stream, settings, self.first_cell), self.asked)


def read_asked(work: Sequence[AskedPart], settings: Settings, folder: Path, workers: int) -> Iterator[str]:
    """Measure strikes that a second look has found, in `workers` processes; yields each part's key when it is kept."""
    if workers <= 1 or len(work) <= 1:
        for part in work:
            yield _read_asked_part(part, settings, folder)
        return
    with ProcessPoolExecutor(min(workers, len(work)), mp_context=get_context("spawn")) as pool:
        futures = [pool.submit(_read_asked_part, part, settings, folder) for part in work]
        try:
            for future in as_completed(futures):
                yield future.result()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _read_asked_part(part: AskedPart, settings: Settings, folder: Path) -> str:
    keep_freed_memory()
    report = ReadingReport()
    by_station = {part.stream.channels[number].station_id: rises for number, rises in part.asked.items()}
    pulses = measure_asked(part.stream, settings, report, by_station)
    key = part.key(settings)
    PartStore(folder).write_asked(key, pulses, part.asked, part.stream, settings, report.damaged)
    return key


def _read_all(stream: Stream, settings: Settings, folder: Path, wanted: Sequence[int]) -> list[MadePart]:
    return list(read_stream(stream, settings, folder, wanted))
