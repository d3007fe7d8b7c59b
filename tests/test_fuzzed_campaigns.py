"""Campaign folders with faults at random: refused with a message, or a right result; nothing else, nowhere else.

In the gate 40 folders (seeds 0 to 39) in this process through `levels`, `-m long` 1,000 (seeds 0 to 999), the first 50
of them through `run`.
A result is taken for right where the folder verifies, every table can be read, and, where what was given comes to the
same campaign with the same recordings, the tables are those of the good campaign to the byte.
"""

from __future__ import annotations

import hashlib
import os
import signal
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from reconcile.audit.verify import verify
from tests.command_line import Command, Ended
from tests.fuzz.campaign_mutations import mutate, write_good_campaign

TELL_WHEN = ("manifest", "ro-crate-metadata")
GATE, LONG = 40, 1000
IN_SHARDS = 20
LONGEST_S = 120
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT
_CHANGING = {
    "os.mkdir": 0,
    "os.rename": 1,
    "os.remove": 0,
    "os.rmdir": 0,
    "os.symlink": 1,
    "os.link": 1,
    "os.truncate": 0,
}


class Writes:
    """Paths that this process writes to while it is watched, by Python's audit events."""

    def __init__(self) -> None:
        self.watched = False
        self.paths: list[str] = []
        sys.addaudithook(self._event)

    def _event(self, event: str, arguments: tuple[Any, ...]) -> None:
        if not self.watched:
            return
        if event == "open" and isinstance(arguments[0], str) and arguments[2] and arguments[2] & _WRITING:
            self.paths.append(arguments[0])
        elif event in _CHANGING:
            self.paths.append(os.fsdecode(arguments[_CHANGING[event]]))

    @contextmanager
    def seen(self) -> Iterator[None]:
        self.paths.clear()
        self.watched = True
        try:
            yield
        finally:
            self.watched = False


@pytest.fixture(scope="module")
def writes() -> Writes:
    return Writes()


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fuzz") / "good"
    write_good_campaign(folder)
    return folder


def expected(stage: str, good: Path, place: Path, command: Command) -> dict[str, str]:
    """Digests of the good campaign's results."""
    results = place / "expected"
    assert command(stage, good, "--out", results, "--workers", 1).status == 0
    return digests(results)


def digests(results: Path) -> dict[str, str]:
    """Of tables and documents but those that tell when they were made."""
    files = [p for p in results.iterdir() if p.suffix in (".parquet", ".json") and p.stem not in TELL_WHEN]
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def sounds(folder: Path) -> dict[str, bytes]:
    found = sorted(folder.glob("recordings/*/*"))
    return {path.name: path.read_bytes() if path.is_file() and not path.is_symlink() else b"" for path in found}


def state(folder: Path) -> dict[str, tuple[int, int]]:
    """Everything below a folder, with size and time of modification."""
    found = ((path, path.lstat()) for path in sorted(folder.rglob("*")))
    return {str(path): (stat.st_size, stat.st_mtime_ns) for path, stat in found if path.name != "__pycache__"}


def in_time(command: Command, *words: object) -> Ended:
    """How a command ended; a test that fails where it takes too long."""

    def too_long(*_: object) -> None:
        raise AssertionError(f"{words} was still at work after {LONGEST_S} s")

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(LONGEST_S)
    try:
        return command(*words)
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@dataclass(frozen=True, slots=True)
class Check:
    """What a mutated folder is held against; `stage` is the command."""

    stage: str
    good: Path
    place: Path
    command: Command
    writes: Writes
    expected: dict[str, str]


def check_one(seed: int, check: Check) -> str:
    """Mutate, run, and say how it ended; what must not be is collected by the caller."""
    folder, results, writes = check.place / str(seed), check.place / f"results{seed}", check.writes
    done = mutate(check.good, folder, seed)
    before = state(folder)
    with writes.seen():
        ended = in_time(check.command, check.stage, folder, "--out", results, "--workers", 1)
    about = f"seed {seed} ({', '.join(done)}): {ended}"
    outside = [p for p in writes.paths if not p.startswith(str(results)) and p != os.devnull and "__pycache__" not in p]
    assert outside == [], about
    assert state(folder) == before, about
    assert ended.status in (0, 3, 4), about
    assert "Traceback" not in ended.err + ended.out, about
    assert "Warning:" not in ended.err, about  # of a library
    if ended.status:
        assert ended.err.strip(), about
    if ended.status == 3:
        assert "needed: " in ended.err, about
        return "refused (3)"
    assert not verify(results, None, None, None).differs, about
    for table in results.glob("*.parquet"):
        pd.read_parquet(table)
    made = digests(results)
    if made["campaign.json"] == check.expected["campaign.json"] and sounds(folder) == sounds(check.good):
        assert made == check.expected, about
        return "the good campaign's result"
    return "done (0)" if ended.status == 0 else "done, with what could not be used named (4)"


def check_seeds(seeds: range, check: Check) -> Counter[str]:
    """How many ended how; all that fail are named together."""
    ends: Counter[str] = Counter()
    wrong = []
    for seed in seeds:
        try:
            ends[check_one(seed, check)] += 1
        except Exception as error:
            wrong.append(f"{type(error).__name__}: {str(error)[:1500]}")
    print(f"\nseeds {seeds.start} to {seeds.stop - 1}: {dict(ends)}")
    assert not wrong, "\n\n".join(wrong)
    return ends


def test_a_sample(good: Path, tmp_path: Path, reconcile: Command, writes: Writes) -> None:
    made = expected("levels", good, tmp_path, reconcile)
    ends = check_seeds(range(GATE), Check("levels", good, tmp_path, reconcile, writes, made))
    assert len(ends) >= 3  # neither all refused nor all well


@pytest.mark.long
@pytest.mark.parametrize("shard", range(IN_SHARDS))
def test_a_thousand(
    shard: int,
    good: Path,
    tmp_path: Path,
    reconcile: Command,
    writes: Writes,
) -> None:
    each, stage = LONG // IN_SHARDS, "run" if shard == 0 else "levels"
    made = expected(stage, good, tmp_path, reconcile)
    check = Check(stage, good, tmp_path, reconcile, writes, made)
    check_seeds(range(shard * each, (shard + 1) * each), check)
