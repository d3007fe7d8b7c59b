"""The reading of recordings as tasks: a stretch of a stream each, wherever they run (`places.py`)."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from reconcile.campaign.remote_files import RemoteFile
from reconcile.campaign.stored_files import identity
from reconcile.recordings.blocks import ReadingReport
from reconcile.recordings.streams import Stream
from reconcile.running.memory import keep_freed_memory
from reconcile.running.places import Cluster, results
from reconcile.running.resume import PartStore, asked_key, check_code, code_digest, part_key
from reconcile.strikes.channel_path import PREROLL_CELLS
from reconcile.strikes.detection import Rise
from reconcile.strikes.stream_analysis import PART_CELLS, analyse_stream, measure_asked
from reconcile.vocabulary.documents.campaign import Settings
from reconcile.vocabulary.errors import MachineError

_STRETCHES_EACH = 4  # for each process: one that is slow holds up little
_SEEN_WITHIN_S = 60.0  # network file systems remember for a while that a file was not there


@dataclass(frozen=True, slots=True)
class MadePart:
    """A part that is on disk: its key, how much was recorded in it, and how many recordings end in it."""

    key: str
    recorded_s: float
    n_ended: int


@dataclass(frozen=True, slots=True)
class Stretch:
    """A task: parts of a stream to be made, first cell and key of each, and the digest of the code to make them.

    Keys are given by the process that starts the run, once: an upgrade of the program meanwhile cannot split them.
    """

    stream: Stream
    settings: Settings
    folder: Path
    wanted: tuple[tuple[int, str], ...]
    code: str


def made_part(stream: Stream, first_cell: int, key: str) -> MadePart:
    """What a part of a stream holds."""
    first, end = first_cell * stream.rate_hz, (first_cell + PART_CELLS) * stream.rate_hz
    n_ended = sum(first < segment.at + segment.n_frames <= end for segment in stream.segments)
    return MadePart(key, (min(end, stream.n_samples) - first) / stream.rate_hz, n_ended)


def make_parts(task: Stretch) -> Iterator[MadePart]:
    """Make the parts of a stretch that are not there yet; yields each when it is kept.

    Raises MachineError where this process has other code than the one that gave the keys, or where a recording
    changes while it is read.
    """
    check_code(task.code)
    keep_freed_memory()
    store, stream, settings = PartStore(task.folder), task.stream, task.settings
    missing = []
    for first, key in task.wanted:
        if store.has(key):
            yield made_part(stream, first, key)
        else:
            missing.append(first)
    keys = dict(task.wanted)
    while missing:
        report = ReadingReport()
        for part in analyse_stream(stream, settings, report, missing[0]):
            key = keys[part.first_cell]
            store.write(key, part, stream, settings, report.damaged | grown(stream, part.first_cell))
            yield made_part(stream, part.first_cell, key)
            following = part.first_cell + PART_CELLS
            missing.remove(part.first_cell)
            if following not in missing:
                break


def grown(stream: Stream, first_cell: int) -> dict[str, str]:
    """Recordings of a part that have become longer since their headers were read: what was there then is used.

    Raises MachineError where one has changed otherwise: it may have been read half before, half after. Objects in
    storage tell that themselves when they are read.
    """
    found = {}
    first, end = (first_cell - PREROLL_CELLS) * stream.rate_hz, (first_cell + PART_CELLS) * stream.rate_hz
    for recording in (s.recording for s in stream.segments if s.at < end and s.at + s.n_frames > first):
        if isinstance(recording.path, RemoteFile):
            continue
        try:
            now = identity(recording.path)
        except OSError:  # gone: what could not be read of it is reported where it was read
            continue
        if now[0] > recording.identity[0]:
            found[recording.name] = "grew while it was read; what it held at first is used, run again for the rest"
        elif now != recording.identity:
            reason = "it changed while it was read (the same command goes on from there)"
            raise MachineError(str(recording.path), reason)
    return found


def stretches(work: Sequence[tuple[Stream, Sequence[int]]], workers: int) -> list[tuple[Stream, Sequence[int]]]:
    """The same work cut into stretches of streams, some for each worker, the longest first.

    A stretch is whole parts: their numbers are the same wherever reading begins. Each reads sixteen seconds before it.
    """
    longest = max(1, sum(len(wanted) for _, wanted in work) // (_STRETCHES_EACH * workers))
    cut = [(stream, wanted[at : at + longest]) for stream, wanted in work for at in range(0, len(wanted), longest)]
    return sorted(cut, key=lambda one: -len(one[1]) * one[0].rate_hz * len(one[0].channels))


def read_streams(
    work: Sequence[tuple[Stream, Sequence[int]]],
    settings: Settings,
    folder: Path,
    workers: int,
    cluster: Cluster | None = None,
) -> Iterator[MadePart]:
    """Make all missing parts of some streams, in `workers` processes or on a cluster; yields each when finished."""
    if cluster is not None:
        workers = cluster.n_workers()
    cut = stretches(work, workers) if workers > 1 or cluster is not None else work
    tasks = [
        Stretch(stream, settings, folder, tuple((at, part_key(stream, settings, at)) for at in wanted), code_digest())
        for stream, wanted in cut
    ]
    for part in results(make_parts, tasks, workers, cluster):
        if cluster is not None:
            _wait_for(PartStore(folder), part.key)
        yield part


@dataclass(frozen=True, slots=True)
class AskedPart:
    """Strikes that a second look has found in one part of a stream, by number of the channel, in order of time."""

    stream: Stream
    first_cell: int
    part_key: str
    asked: Mapping[int, tuple[Rise, ...]]

    @property
    def key(self) -> str:
        """Name under which the pulses are kept."""
        return asked_key(self.part_key, self.asked)


@dataclass(frozen=True, slots=True)
class _Asked:
    part: AskedPart
    settings: Settings
    folder: Path
    code: str


def read_asked(
    work: Sequence[AskedPart], settings: Settings, folder: Path, workers: int, cluster: Cluster | None = None
) -> Iterator[str]:
    """Measure strikes that a second look has found, in `workers` processes or on a cluster; yields each part's key."""
    tasks = [_Asked(part, settings, folder, code_digest()) for part in work]
    for key in results(_measure, tasks, workers, cluster):
        if cluster is not None:
            _wait_for(PartStore(folder), key)
        yield key


def _measure(task: _Asked) -> Iterator[str]:
    check_code(task.code)
    keep_freed_memory()
    report, stream, asked = ReadingReport(), task.part.stream, task.part.asked
    by_station = {stream.channels[number].station_id: rises for number, rises in asked.items()}
    pulses = measure_asked(stream, task.settings, report, by_station)
    damaged = report.damaged | grown(stream, task.part.first_cell)
    PartStore(task.folder).write_asked(task.part.key, pulses, asked, stream, task.settings, damaged)
    yield task.part.key


def _wait_for(store: PartStore, key: str) -> None:
    """Until a part that another machine has written is seen by this one."""
    until = time.monotonic() + _SEEN_WITHIN_S
    while not store.has(key):
        if time.monotonic() > until:
            reason = "written by a worker, but not seen here: RESULTS must lie on a disk that all workers share"
            raise MachineError(str(store.folder / key), reason)
        time.sleep(0.2)
