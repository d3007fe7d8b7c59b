"""The levels stage on a dask cluster: the same bytes as from one process, whatever happens to the workers."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("distributed")

from reconcile.running.cluster import DaskCluster
from reconcile.running.levels_stage import levels
from reconcile.vocabulary.errors import InputError, MachineError
from tests.running.loopback_cluster import LoopbackCluster
from tests.small_campaign import write_small_campaign

N_PARTS = 4  # two piles, two recorders


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_small_campaign(tmp_path_factory.mktemp("spread") / "campaign", predictions=True).folder


@pytest.fixture(scope="module")
def serial(campaign: Path) -> dict[str, str]:
    """Digests of what one process gives."""
    levels(campaign, campaign / "serial", workers=1)
    return digests(campaign / "serial")


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[LoopbackCluster]:
    with LoopbackCluster(tmp_path / "cluster") as started:
        yield started


def digests(results: Path) -> dict[str, str]:
    """Of every file but the manifest (times), and of the parts."""
    files = [path for path in results.rglob("*") if path.is_file() and path.name != "manifest.json"]
    return {path.relative_to(results).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def command(campaign: Path, results: Path, cluster: LoopbackCluster, stage: str = "levels") -> list[str]:
    words = [stage, campaign.name, "--out", str(results), "--scheduler", str(cluster.scheduler_file)]
    return [sys.executable, "-m", "reconcile", *words]


@pytest.mark.long  # the gate's is in test_levels_stage.py
def test_two_processes(campaign: Path, serial: dict[str, str], tmp_path: Path) -> None:
    levels(campaign, tmp_path / "results", workers=2)
    assert digests(tmp_path / "results") == serial


def test_a_worker_killed_midway(
    campaign: Path, serial: dict[str, str], cluster: LoopbackCluster, tmp_path: Path
) -> None:
    """By the command line, with relative paths, from another folder than the workers'."""
    results = tmp_path / "results"
    cluster.start_workers(2)
    with subprocess.Popen(command(campaign, results, cluster), cwd=campaign.parent, stderr=subprocess.PIPE) as run:
        while run.poll() is None and not list((results / "parts").glob("*")):
            time.sleep(0.002)
        whole = len(list((results / "parts").glob("[!.]*")))
        cluster.workers[0].kill()
        assert run.wait() == 0, run.stderr and run.stderr.read()
    assert whole < N_PARTS
    assert digests(results) == serial


@pytest.mark.long
@pytest.mark.parametrize("n", [1, 2, 4])
def test_workers_of_a_cluster(
    n: int, campaign: Path, serial: dict[str, str], cluster: LoopbackCluster, tmp_path: Path
) -> None:
    cluster.start_workers(n)
    levels(campaign, tmp_path / "results", scheduler=str(cluster.scheduler_file))
    assert digests(tmp_path / "results") == serial


@pytest.mark.long
def test_the_only_worker_killed_and_another_started(
    campaign: Path, serial: dict[str, str], cluster: LoopbackCluster, tmp_path: Path
) -> None:
    results = tmp_path / "results"
    cluster.start_workers(1)
    with subprocess.Popen(command(campaign, results, cluster), cwd=campaign.parent) as run:
        while run.poll() is None and not list((results / "parts").glob("*")):
            time.sleep(0.002)
        cluster.workers[0].kill()
        cluster.start_workers(1)
        assert run.wait() == 0
    assert digests(results) == serial


def test_a_scheduler_that_is_lost_is_named_and_the_run_goes_on_without_it(
    campaign: Path, serial: dict[str, str], cluster: LoopbackCluster, tmp_path: Path
) -> None:
    results = tmp_path / "results"  # no worker comes: the run waits
    run = subprocess.Popen(
        command(campaign, results, cluster), cwd=campaign.parent, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    while run.poll() is None and not (results / "campaign.json").exists():
        time.sleep(0.01)
    time.sleep(0.5)
    cluster.scheduler.kill()
    _, said = run.communicate(timeout=90)
    assert run.returncode == 1
    text = said.decode()
    assert text.startswith(f"The machine refused: {cluster.scheduler_file}: the scheduler was lost")
    assert "Traceback" not in text
    assert not (results / "strikes.parquet").exists()
    levels(campaign, results, workers=1)
    assert digests(results) == serial


def test_no_workers_for_too_long(cluster: LoopbackCluster) -> None:
    waiting = DaskCluster(str(cluster.scheduler_file), without_workers_s=1.0)
    assert waiting.n_workers() == 1
    with pytest.raises(MachineError, match="has had no worker for 1 s; what was finished is kept"):
        list(waiting.results(_twice, [1, 2]))


def test_what_is_no_scheduler(tmp_path: Path) -> None:
    for text in ("no-such-file", "carrier-pigeon://loft", str(tmp_path)):
        with pytest.raises(InputError, match="an address such as tcp://host:8786"):
            DaskCluster.at(text)
    (tmp_path / "file.json").write_text("no json", encoding="utf-8")
    with pytest.raises(InputError, match="an address such as tcp://host:8786"):
        DaskCluster.at(str(tmp_path / "file.json"))


def _twice(task: int) -> Iterator[int]:
    yield 2 * task
