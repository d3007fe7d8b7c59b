"""A real dask scheduler and workers on loopback, in processes of their own; only what was started here is ended."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

STARTED_WITHIN_S = 60.0


class LoopbackCluster:
    """A scheduler that writes `scheduler_file`, and workers of one thread each, which can be killed."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True)
        self.folder, self.scheduler_file = folder, folder / "scheduler.json"
        self.workers: list[subprocess.Popen[bytes]] = []
        one_thread = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
        self._environment = os.environ | one_thread
        self.scheduler = self._start("dask_scheduler", "--port", "0", "--no-show")
        until = time.monotonic() + STARTED_WITHIN_S
        while not self.scheduler_file.exists():
            assert self.scheduler.poll() is None
            assert time.monotonic() < until
            time.sleep(0.05)

    def __enter__(self) -> LoopbackCluster:
        return self

    def __exit__(self, *_: object) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()

    def start_workers(self, n: int) -> None:
        """Start `n` more workers; does not wait for them."""
        self.workers += [
            self._start("dask_worker", "--nthreads", "1", "--no-nanny", "--name", f"w{len(self.workers) + k}")
            for k in range(n)
        ]

    def _start(self, module: str, *words: str) -> subprocess.Popen[bytes]:
        words = ("--host", "127.0.0.1", "--no-dashboard", "--scheduler-file", str(self.scheduler_file), *words)
        if module == "dask_worker":
            words = (*words, "--local-directory", str(self.folder))
        return subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.{module}", *words],
            env=self._environment,
            cwd=self.folder,  # not the folder of the one who asks
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
