"""Where tasks run: a worker process that is killed, a program that changes meanwhile, keys that go with the task."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from reconcile.recordings.streams import Stream
from reconcile.running import executors, places, resume
from reconcile.running.executors import Stretch, make_parts, read_streams
from reconcile.running.places import results
from reconcile.running.resume import PartStore, code_digest, part_key
from reconcile.vocabulary.documents.campaign import Settings
from reconcile.vocabulary.errors import MachineError
from tests.strikes.signals import strikes_in_noise, write_stream

RATE_HZ = 8000


@dataclass(frozen=True, slots=True)
class Doomed:
    """A task: a number, and a file without which the process that does it kills itself, leaving it behind."""

    number: int
    survived: Path | None = None


def square(task: Doomed) -> Iterator[int]:
    if task.survived is not None and not task.survived.exists():
        task.survived.write_text("once", encoding="ascii")
        os.kill(os.getpid(), signal.SIGKILL)
    yield task.number**2


def die(task: Doomed) -> Iterator[int]:
    os.kill(os.getpid(), signal.SIGKILL)
    yield task.number


def test_what_a_killed_process_left_is_done_by_another(tmp_path: Path) -> None:
    tasks = [Doomed(k, tmp_path / "survived" if k == 1 else None) for k in range(4)]
    assert sorted(results(square, tasks, workers=2)) == [0, 1, 4, 9]


def test_processes_killed_again_and_again_end_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(places, "MOST_LOSSES", 2)
    with pytest.raises(MachineError, match="a worker process: was killed") as caught:
        list(results(die, [Doomed(0), Doomed(1)], workers=2))
    assert "the same command goes on from there" in str(caught.value)


@pytest.fixture
def stream(tmp_path: Path) -> Stream:
    (tmp_path / "sound").mkdir()
    return write_stream(tmp_path / "sound", strikes_in_noise(5, RATE_HZ, 3), RATE_HZ)


@pytest.fixture
def task(stream: Stream, tmp_path: Path) -> Stretch:
    return Stretch(stream, Settings(), tmp_path / "parts", ((0, "the-key"),), code_digest())


def test_a_part_is_kept_under_the_key_that_its_task_carries(task: Stretch) -> None:
    assert [part.key for part in make_parts(task)] == ["the-key"]
    assert PartStore(task.folder).has("the-key")
    assert PartStore(task.folder).damaged("the-key") == {}


def test_other_code_in_a_worker_is_named_and_makes_nothing(stream: Stream, tmp_path: Path) -> None:
    """Workers are processes of their own, which know nothing of what this one pretends."""
    with pytest.MonkeyPatch.context() as pretended:
        pretended.setattr(executors, "code_digest", lambda: "of yesterday")
        pretended.setattr(resume, "code_digest", lambda: "of yesterday")
        keys = [part_key(stream, Settings(), first) for first in (0, 960)]
        with pytest.raises(MachineError, match="is not the code that started this run"):
            list(read_streams([(stream, [0]), (stream, [960])], Settings(), tmp_path / "parts", workers=2))
    assert not any(PartStore(tmp_path / "parts").has(key) for key in keys)


def test_keys_are_those_of_the_files_as_their_headers_were_read(stream: Stream) -> None:
    """A file that changes afterwards does not change the keys of a run that is at work."""
    before = part_key(stream, Settings(), 0)
    path = stream.segments[0].recording.path
    assert isinstance(path, Path)
    os.utime(path, ns=(0, 0))
    assert part_key(stream, Settings(), 0) == before


def test_a_recording_that_grows_while_it_is_read_is_named(task: Stretch) -> None:
    path = task.stream.segments[0].recording.path
    assert isinstance(path, Path)
    with path.open("ab") as file:
        file.write(bytes(2000))
    assert len(list(make_parts(task))) == 1
    ((name, said),) = PartStore(task.folder).damaged("the-key").items()
    assert name == task.stream.name
    assert said.startswith("grew while it was read; what it held at first is used")


@pytest.mark.parametrize("change", ["content", "length"])
def test_a_recording_that_changes_while_it_is_read_ends_the_run(task: Stretch, change: str) -> None:
    path = task.stream.segments[0].recording.path
    assert isinstance(path, Path)
    content = path.read_bytes()
    path.write_bytes(content[:-2] + bytes(2) if change == "content" else content[:-2000])
    os.utime(path, ns=(0, 123))
    with pytest.raises(MachineError, match="it changed while it was read") as caught:
        list(make_parts(task))
    assert caught.value.path == str(path)
    assert not PartStore(task.folder).has("the-key")


def test_two_that_make_the_same_part_at_once_leave_one(task: Stretch, monkeypatch: pytest.MonkeyPatch) -> None:
    """As where a scheduler takes a worker for lost that is not."""
    list(make_parts(task))
    before = {path.name: path.read_bytes() for path in (task.folder / "the-key").iterdir()}
    with monkeypatch.context() as blind:
        blind.setattr(PartStore, "has", lambda *_: False)
        list(make_parts(replace(task)))
    assert {path.name: path.read_bytes() for path in (task.folder / "the-key").iterdir()} == before
    assert [path.name for path in task.folder.iterdir()] == ["the-key"]
