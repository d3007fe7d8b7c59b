"""Where recordings are read: stretches of work, what a worker loads, the same parts from any number of processes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from reconcile.recordings.streams import Stream
from reconcile.running import executors
from reconcile.running.executors import made_part, read_streams, stretches
from reconcile.strikes import stream_analysis
from reconcile.vocabulary.documents.campaign import Settings
from tests.strikes.signals import strikes_in_noise, write_stream

RATE = 8000
NOT_FOR_WORKERS = {"pandas", "pyarrow", "matplotlib", "scipy.signal", "scipy.stats", "scipy.optimize", "scipy.ndimage"}


@pytest.fixture
def stream(tmp_path: Path) -> Stream:
    (tmp_path / "sound").mkdir()
    return write_stream(tmp_path / "sound", strikes_in_noise(100, RATE, 3), RATE)


def test_a_worker_loads_no_tables_and_no_statistics() -> None:
    """Counts modules instead of milliseconds: what a process that reads recordings has imported."""
    words = "import sys, reconcile.running.executors; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    assert not NOT_FOR_WORKERS & set(done.stdout.split())


def test_work_is_cut_into_some_stretches_for_each_worker(stream: Stream) -> None:
    parts = list(range(0, 32 * 960, 960))
    cut = stretches([(stream, parts), (stream, parts[:3])], workers=2)
    assert sorted(first for _, wanted in cut for first in wanted) == sorted([*parts, *parts[:3]])
    assert max(len(wanted) for _, wanted in cut) == 35 // 8
    assert [len(wanted) for _, wanted in cut] == sorted((len(wanted) for _, wanted in cut), reverse=True)
    assert stretches([(stream, parts[:2])], workers=2) == [(stream, parts[:1]), (stream, parts[1:2])]


def test_a_part_tells_how_much_of_the_recordings_it_holds(stream: Stream) -> None:
    assert made_part(stream, 0, "k") == executors.MadePart("k", 100.0, 1)


@pytest.mark.usefixtures("short_parts")
def test_parts_of_stretches_are_the_parts_of_the_whole_to_the_bit(stream: Stream, tmp_path: Path) -> None:
    """Each part read by itself, as another process would, beside all of them in one go."""
    starts = list(range(0, 100, 32))
    whole, alone = tmp_path / "whole", tmp_path / "alone"
    keys = [part.key for part in read_streams([(stream, starts)], Settings(), whole, workers=1)]
    for first in reversed(starts):
        assert len(list(read_streams([(stream, [first])], Settings(), alone, workers=1))) == 1
    assert (
        sorted(path.name for path in whole.iterdir()) == sorted(path.name for path in alone.iterdir()) == sorted(keys)
    )
    for key in keys:
        for path in (whole / key).glob("*.npy"):
            assert path.read_bytes() == (alone / key / path.name).read_bytes(), path.name
            assert np.load(path).size


@pytest.fixture
def short_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts of 32 s, so that a stream of 100 s has four."""
    for module in (stream_analysis, executors):
        monkeypatch.setattr(module, "PART_CELLS", 32)
