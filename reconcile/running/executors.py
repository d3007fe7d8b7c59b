"""Where the reading of recordings runs: in this process, or in several, one stream each."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from reconcile.recordings.blocks import ReadingReport
from reconcile.recordings.streams import Stream
from reconcile.running.resume import PartStore, asked_key, part_key
from reconcile.running.threads import one_thread_each
from reconcile.strikes.detection import Rise
from reconcile.strikes.stream_analysis import PART_CELLS, analyse_stream, measure_asked
from reconcile.vocabulary.documents.campaign import Settings


def available_workers() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def read_stream(stream: Stream, settings: Settings, folder: Path, wanted: Sequence[int]) -> Iterator[str]:
    """Make the parts of a stream that are wanted (by first cell) and not there yet; yields the key of each."""
    store = PartStore(folder)
    missing = [first for first in wanted if not store.has(part_key(stream, settings, first))]
    while missing:
        report = ReadingReport()
        for part in analyse_stream(stream, settings, report, missing[0]):
            key = part_key(stream, settings, part.first_cell)
            store.write(key, part, stream, settings, report.damaged)
            yield key
            following = part.first_cell + PART_CELLS
            missing.remove(part.first_cell)
            if following not in missing:
                break


def read_streams(
    work: Sequence[tuple[Stream, Sequence[int]]], settings: Settings, folder: Path, workers: int
) -> Iterator[str]:
    """Make all missing parts of some streams, in `workers` processes; yields the key of each as it is finished."""
    if workers <= 1 or len(work) <= 1:
        for stream, wanted in work:
            yield from read_stream(stream, settings, folder, wanted)
        return
    one_thread_each()
    with ProcessPoolExecutor(min(workers, len(work)), mp_context=get_context("spawn")) as pool:
        futures = [pool.submit(_read_all, stream, settings, folder, wanted) for stream, wanted in work]
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
    report = ReadingReport()
    by_station = {part.stream.channels[number].station_id: rises for number, rises in part.asked.items()}
    pulses = measure_asked(part.stream, settings, report, by_station)
    key = part.key(settings)
    PartStore(folder).write_asked(key, pulses, part.asked, part.stream, settings, report.damaged)
    return key


def _read_all(stream: Stream, settings: Settings, folder: Path, wanted: Sequence[int]) -> list[str]:
    return list(read_stream(stream, settings, folder, wanted))
