"""A run that is killed, or that the machine refuses to write for, leaves nothing that looks complete and is not.

From outside, as the command line: SIGKILL at moments drawn once, and a limit on the size of files that stands for a
full disk. Afterwards the same command gives the same bytes as an undisturbed run.
"""

from __future__ import annotations

import hashlib
import json
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.small_campaign import write_small_campaign

SEED = 100401
GATE, LONG = 2, 50  # moments
SIZES = (2_000, 60_000)  # bytes that a file may have at most
SIZES_LONG = tuple(int(size) for size in np.geomspace(200, 2_000_000, 40))


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_small_campaign(tmp_path_factory.mktemp("killed") / "campaign", files=2, predictions=True).folder


@pytest.fixture(scope="module")
def undisturbed(campaign: Path) -> tuple[dict[str, str], int]:
    """Digests of what an undisturbed run leaves, and how many files it wrote."""
    results = campaign / "undisturbed"
    assert run(campaign, results).returncode == 0
    return digests(results), n_files(results)


def n_files(results: Path) -> int:
    try:
        return sum(path.is_file() for path in results.rglob("*"))
    except FileNotFoundError:  # a temporary name that took its place meanwhile
        return 0


def run(campaign: Path, results: Path, before: Callable[[], None] | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command(campaign, results), capture_output=True, text=True, preexec_fn=before, check=False)


def command(campaign: Path, results: Path) -> list[str]:
    return [sys.executable, "-m", "reconcile", "run", str(campaign), "--out", str(results), "--workers", "2"]


def digests(results: Path) -> dict[str, str]:
    """Of tables and documents by name, but those that hold times, as the page does."""
    told = ("manifest.json", "ro-crate-metadata.json")
    files = [path for path in results.iterdir() if path.suffix in (".parquet", ".json") and path.name not in told]
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def claims_to_be_complete(results: Path) -> bool:
    path = results / "manifest.json"
    return path.exists() and json.loads(path.read_text(encoding="utf-8"))["complete"]


@pytest.mark.parametrize("n", [GATE, pytest.param(LONG, marks=pytest.mark.long)])
def test_killed_at_any_moment(campaign: Path, undisturbed: tuple[dict[str, str], int], tmp_path: Path, n: int) -> None:
    """Moments are told by how many files there are, and a few milliseconds: the machine's speed does not matter."""
    expected, most = undisturbed
    random = np.random.default_rng(SEED + n)
    killed = 0
    for k in range(n):
        results, at, after_s = tmp_path / str(k), random.integers(1, most), random.uniform(0.0, 0.3)
        process = subprocess.Popen(
            command(campaign, results), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        )
        while process.poll() is None and n_files(results) < at:
            time.sleep(0.002)
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
        killed += process.wait() == -signal.SIGKILL
        assert not claims_to_be_complete(results) or digests(results).items() <= expected.items()
        for table in results.glob("*.parquet"):
            pd.read_parquet(table)  # what is there can be read
        assert run(campaign, results).returncode == 0
        assert digests(results) == expected
    print(f"killed {killed} of {n} runs; all ended as the undisturbed one when run again")
    assert killed >= n // 2


@pytest.mark.parametrize("sizes", [SIZES, pytest.param(SIZES_LONG, marks=pytest.mark.long)], ids=["gate", "long"])
def test_a_disk_that_takes_no_more(
    campaign: Path, undisturbed: tuple[dict[str, str], int], tmp_path: Path, sizes: tuple[int, ...]
) -> None:
    refused = 0
    for size in sizes:
        results = tmp_path / str(size)
        ended = run(campaign, results, partial(resource.setrlimit, resource.RLIMIT_FSIZE, (size, size)))
        if ended.returncode == 0:
            assert digests(results) == undisturbed[0]
            continue
        refused += 1
        assert ended.returncode == 1, ended.stderr
        assert str(results) in ended.stderr
        assert "Traceback" not in ended.stderr
        assert not claims_to_be_complete(results)
        for table in results.glob("*.parquet"):
            pd.read_parquet(table)
        assert run(campaign, results).returncode == 0
        assert digests(results) == undisturbed[0]
    print(f"{refused} of {len(sizes)} sizes were refused")
    assert refused
