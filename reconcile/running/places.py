"""Where tasks run: in this process, in several of this machine, or on a cluster: one interface for all.

A task is idempotent: what it makes is kept under a key that it carries, by a temporary name that is then replaced. So a
task whose worker was lost is simply done again by another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from typing import Protocol, TypeVar

from reconcile.running.threads import one_thread_each
from reconcile.vocabulary.errors import MachineError

Task = TypeVar("Task")
Result = TypeVar("Result")
MOST_LOSSES = 3  # of worker processes, one after the other, before a run gives up


class Cluster(Protocol):
    """Workers on other machines."""

    def n_workers(self) -> int:
        """How many tasks can be at work at once."""

    def results(self, function: Callable[[Task], Iterable[Result]], tasks: Sequence[Task]) -> Iterator[Result]:
        """Results of all tasks, of each when it is finished."""


def results(
    function: Callable[[Task], Iterable[Result]], tasks: Sequence[Task], workers: int, cluster: Cluster | None = None
) -> Iterator[Result]:
    """What a function yields of each task, on the cluster if there is one, else in `workers` processes.

    In this process results come one by one, elsewhere those of a task together, in the order in which tasks finish.
    Raises what a task raises, and MachineError where workers are lost again and again.
    """
    if cluster is not None:
        yield from cluster.results(function, tasks)
    elif workers <= 1 or len(tasks) <= 1:
        for task in tasks:
            yield from function(task)
    else:
        yield from _in_processes(function, tasks, workers)


def all_results(function: Callable[[Task], Iterable[Result]], task: Task) -> list[Result]:
    """Results of one task, as a worker returns them."""
    return list(function(task))


def _in_processes(
    function: Callable[[Task], Iterable[Result]], tasks: Sequence[Task], workers: int
) -> Iterator[Result]:
    """In a pool of processes; where one of them is killed, in a new and smaller pool what was left."""
    one_thread_each()
    waiting, losses = dict(enumerate(tasks)), 0
    while waiting:
        with ProcessPoolExecutor(min(workers, len(waiting)), mp_context=get_context("spawn")) as pool:
            try:
                futures = {pool.submit(all_results, function, task): n for n, task in waiting.items()}
                for future in as_completed(futures):
                    found = future.result()
                    del waiting[futures[future]]
                    yield from found
            except BrokenProcessPool as error:
                losses, workers = losses + 1, max(1, workers // 2)  # the usual reason is a lack of memory
                if losses == MOST_LOSSES:
                    raise MachineError("a worker process", _LOST) from error
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise


_LOST = (
    f"was killed, {MOST_LOSSES} times in a row (lack of memory is the usual reason: try --workers 1); "
    "what was finished is kept, the same command goes on from there"
)
