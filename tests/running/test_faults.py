"""What the machine does to a run: writes refused, files that cannot be read to their end, a clock set back, readers.

Refusals are injected at Python's own audit events (`open`, `os.mkdir`, `os.rename`) and at the one writer that
passes them by; so a write that somebody adds later is counted without being told.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from reconcile.audit.verify import verify
from reconcile.recordings.pcm import PcmDecoder, Samples
from reconcile.running import levels_stage, pipeline, provenance
from reconcile.running.levels_stage import levels
from tests.command_line import Command
from tests.small_campaign import RATE_HZ, SmallCampaign, write_small_campaign

SEED = 104401
TELL_WHEN = ("manifest", "ro-crate-metadata")
GATE_WRITES = 2  # of all; `-m long` refuses each of them once
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT
_EVENTS = {"os.mkdir": 0, "os.rename": 1}  # which argument is what is written


class Refusals:
    """Counts what is written below a folder; from write number `at` on, or at it alone, raises an error."""

    def __init__(self) -> None:
        self.folder, self.count, self.at, self.number, self.lasting = "", 0, -1, errno.ENOSPC, True
        sys.addaudithook(self._event)  # stays until the process ends; without a folder it does nothing

    def watch(self, folder: Path | None, at: int = -1, number: int = errno.ENOSPC, *, lasting: bool = True) -> None:
        self.folder = str(folder) if folder is not None else ""
        self.count, self.at, self.number, self.lasting = 0, at, number, lasting

    def met(self, path: object) -> None:
        """A write to a path."""
        text = os.fspath(path) if isinstance(path, str | os.PathLike) else ""
        if not self.folder or not str(text).startswith(self.folder):
            return
        n, self.count = self.count, self.count + 1
        if 0 <= self.at <= n and (self.lasting or n == self.at):
            raise OSError(self.number, os.strerror(self.number), str(text))

    def _event(self, event: str, arguments: tuple[Any, ...]) -> None:
        if not self.folder:
            return
        if event == "open" and arguments[2] and arguments[2] & _WRITING:
            self.met(arguments[0])
        elif event in _EVENTS and not (event == "os.mkdir" and os.path.isdir(arguments[0])):
            self.met(arguments[_EVENTS[event]])


@pytest.fixture(scope="module")
def refusals() -> Iterator[Refusals]:
    found = Refusals()
    writer = pq.ParquetWriter

    def watched(where: Any, *rest: Any, **named: Any) -> Any:
        found.met(where)  # opened by a library in C++
        return writer(where, *rest, **named)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pq, "ParquetWriter", watched)
        yield found
        found.watch(None)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> SmallCampaign:
    campaign = write_small_campaign(tmp_path_factory.mktemp("faults") / "campaign", files=1, predictions=True)
    pipeline.run(campaign.folder, campaign.folder / "undisturbed", workers=1)
    return campaign


def digests(results: Path) -> dict[str, str]:
    """Of tables and documents but those that tell when they were made."""
    files = [p for p in results.iterdir() if p.suffix in (".parquet", ".json") and p.stem not in TELL_WHEN]
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def complete(results: Path) -> bool:
    path = results / "manifest.json"
    return path.exists() and bool(json.loads(path.read_text(encoding="utf-8"))["complete"])


@pytest.mark.parametrize("most", [GATE_WRITES, pytest.param(0, marks=pytest.mark.long)], ids=["gate", "long"])
def test_every_write_refused(
    most: int,
    small: SmallCampaign,
    refusals: Refusals,
    reconcile: Command,
    tmp_path: Path,
) -> None:
    """Disk full from a write on (even numbers), permission refused at one write (odd ones): the path is named, nothing
    looks complete, what is there can be read, and the same command gives what an undisturbed run gives."""
    words = ("run", small.folder, "--workers", 1, "--no-hash", "--out")
    expected = digests(small.folder / "undisturbed")
    refusals.watch(tmp_path / "counted")
    assert reconcile(*words, tmp_path / "counted").status == 0
    n_writes = refusals.count
    numbers = range(n_writes)
    if most:
        numbers = sorted(np.random.default_rng(SEED).choice(n_writes, most, replace=False).tolist())
    for n in numbers:
        results = tmp_path / str(n)
        full = n % 2 == 0
        refusals.watch(results, n, errno.ENOSPC if full else errno.EACCES, lasting=full)
        ended = reconcile(*words, results)
        refusals.watch(None)
        assert ended.status == 1, (n, ended)
        assert str(results) in ended.err, (n, ended)
        assert ("No space left" if full else "Permission denied") in ended.err, (n, ended)
        assert "Traceback" not in ended.err
        assert not complete(results), n
        for table in results.glob("*.parquet"):
            pd.read_parquet(table)
        assert reconcile(*words, results).status == 0
        assert digests(results) == expected, n
    print(f"{len(numbers)} of {n_writes} writes refused")


def test_a_file_that_cannot_be_read_to_its_end(
    small: SmallCampaign,
    reconcile: Command,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    read = PcmDecoder.read

    def failing(decoder: PcmDecoder, first_frame: int, out: Samples) -> int:
        if first_frame >= 10 * RATE_HZ:
            raise OSError(errno.EIO, "Input/output error")
        return read(decoder, first_frame, out)

    monkeypatch.setattr(PcmDecoder, "read", failing)
    ended = reconcile("levels", small.folder, "--workers", 1, "--out", tmp_path / "results")
    assert ended.status == 4
    for path in small.recordings():
        name = path.relative_to(small.folder).as_posix()
        assert f"{name}: {10 * RATE_HZ} frames could not be read, they count as zero: Input/output error" in ended.err
    manifest = json.loads((tmp_path / "results" / "manifest.json").read_text(encoding="utf-8"))
    assert len(manifest["damaged"]) == len(small.recordings())


def test_a_clock_that_is_set_back_and_recordings_of_the_future(
    small: SmallCampaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class SetBack(datetime):
        """Each look at it shows an earlier time."""

        looks = 0

        @classmethod
        def now(cls, tz: Any = None) -> datetime:  # type: ignore[override]
            SetBack.looks += 1
            return datetime(2030 - SetBack.looks, 1, 1, tzinfo=UTC)

    for module in (levels_stage, provenance):
        monkeypatch.setattr(module, "datetime", SetBack)
    before = {path: path.stat() for path in small.recordings()}
    try:
        for path in before:
            os.utime(path, (4e9, 4e9))
        levels(small.folder, tmp_path / "results", workers=1)
    finally:
        for path, stat in before.items():
            os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    stage = provenance.read_manifest(tmp_path / "results").stages[0]
    assert stage.started_utc > stage.ended_utc  # said as it was seen
    monkeypatch.undo()
    assert not verify(tmp_path / "results", None, None, None).differs
    made = digests(tmp_path / "results")
    assert made.items() <= digests(small.folder / "undisturbed").items()


def test_results_can_be_read_while_the_next_run_writes(small: SmallCampaign, tmp_path: Path) -> None:
    results = tmp_path / "results"
    levels(small.folder, results, workers=1)
    n_rows = len(pd.read_parquet(results / "strikes.parquet"))
    stop, read, wrong = threading.Event(), [0], list[str]()

    def reading() -> None:
        while not stop.is_set():
            try:
                rows = len(pd.read_parquet(results / "strikes.parquet", columns=["strike_id"]))
                json.loads((results / "manifest.json").read_text(encoding="utf-8"))
                read[0] += 1
            except Exception as error:
                wrong.append(repr(error))
                return
            if rows != n_rows:
                wrong.append(f"{rows} rows")

    reader = threading.Thread(target=reading)
    reader.start()
    try:
        levels(small.folder, results, workers=1)
    finally:
        stop.set()
        reader.join()
    assert wrong == []
    assert read[0] > 3
