"""Tasks on the workers of a dask scheduler that somebody has started. Nothing of the cluster is started or ended here.

The library (distributed) is imported where a scheduler is named, and only there. It sends tasks as pickles: whoever may
reach a scheduler may run code on its workers, so it belongs into a network of its own or behind TLS (docs/cluster.md).
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any
from uuid import uuid4

from reconcile.running.places import Result, Task, all_results
from reconcile.vocabulary.errors import Fault, InputError, MachineError, ReconcileError

CONNECT_S = 20.0
WITHOUT_WORKERS_S = 120.0  # a batch system may take its time to start others
_GOES_ON = "what was finished is kept, the same command goes on from there"


@dataclass(frozen=True, slots=True)
class DaskCluster:
    """A scheduler by its address (`tcp://host:8786`, `tls://...`) or by the file that it has written."""

    scheduler: str
    without_workers_s: float = WITHOUT_WORKERS_S

    @classmethod
    def at(cls, scheduler: str) -> DaskCluster:
        """The cluster, once its scheduler has answered.

        Raises InputError where the library is missing or the text is neither an address nor a file, MachineError where
        nobody answers.
        """
        cluster = cls(scheduler)
        cluster.n_workers()
        return cluster

    def n_workers(self) -> int:
        """How many tasks can be at work at once; at least one, for workers may come later."""
        with self._client() as client:
            return max(1, sum(int(n) for n in client.nthreads().values()))

    def results(self, function: Callable[[Task], Iterable[Result]], tasks: Sequence[Task]) -> Iterator[Result]:
        """Results of all tasks, of each when it is finished. A task whose worker is lost is done by another.

        Raises what a task raises, and MachineError where the scheduler or all workers are lost.
        """
        if not tasks:
            return
        finished: SimpleQueue[Any] = SimpleQueue()
        with self._client() as client:
            run = uuid4().hex
            futures = [
                client.submit(all_results, function, task, key=f"reconcile-{run}-{n}", pure=False)
                for n, task in enumerate(tasks)
            ]
            for future in futures:
                future.add_done_callback(finished.put)
            try:
                for _ in futures:
                    yield from self._result(self._next(client, finished))
            finally:
                with suppress(Exception):
                    client.cancel(futures)

    def _next(self, client: Any, finished: SimpleQueue[Any]) -> Any:
        """The next future that is finished."""
        seen = time.monotonic()
        while True:
            with suppress(Empty):
                return finished.get(timeout=1.0)
            if client.status != "running":
                raise MachineError(self.scheduler, f"the scheduler was lost; {_GOES_ON}")
            with suppress(Exception):  # the next round tells whether the scheduler is lost
                if client.nthreads():
                    seen = time.monotonic()
            if time.monotonic() - seen > self.without_workers_s:
                reason = f"it has had no worker for {self.without_workers_s:.0f} s; {_GOES_ON}"
                raise MachineError(self.scheduler, reason)

    def _result(self, future: Any) -> list[Any]:
        from distributed import KilledWorker

        try:
            found: list[Any] = future.result(timeout=CONNECT_S)
            return found
        except ReconcileError:
            raise
        except KilledWorker as error:
            reason = f"workers were killed again and again by one task (lack of memory is the usual reason); {_GOES_ON}"
            raise MachineError(self.scheduler, reason) from error
        except ImportError as error:
            raise MachineError(self.scheduler, f"a worker lacks a library: {error}") from error
        except Exception as error:
            if future.status in ("cancelled", "lost", "pending"):
                raise MachineError(self.scheduler, f"the scheduler was lost; {_GOES_ON}") from error
            raise

    @contextmanager
    def _client(self) -> Iterator[Any]:
        try:
            from distributed import Client
        except ImportError as error:
            needed = 'the library that speaks to it: pip install "reconcile[cluster]"'
            raise InputError([Fault("--scheduler", "", "distributed is not installed", needed)]) from error
        for name in [name for name in logging.root.manager.loggerDict if name.startswith("distributed")]:
            logging.getLogger(name).setLevel(logging.CRITICAL)  # what is lost is said here, in words
        address = self._address()
        try:
            client = Client(address, timeout=CONNECT_S, set_as_default=False, name="reconcile")
        except (ValueError, TypeError) as error:
            raise self._no_scheduler() from error
        except OSError as error:  # a time-out among them
            raise MachineError(self.scheduler, f"no scheduler answers there within {CONNECT_S:.0f} s") from error
        try:
            yield client
        finally:
            with suppress(Exception):
                client.close(timeout=5)

    def _address(self) -> str:
        """The address, or what the file says of it."""
        if "://" in self.scheduler:
            return self.scheduler
        try:
            return str(json.loads(Path(self.scheduler).read_text(encoding="utf-8"))["address"])
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise self._no_scheduler() from error

    def _no_scheduler(self) -> InputError:
        needed = "an address such as tcp://host:8786, or the file that a scheduler has written"
        return InputError([Fault("--scheduler", "", repr(self.scheduler), needed)])
