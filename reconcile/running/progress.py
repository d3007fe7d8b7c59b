"""Progress of long work: one line on a terminal, nothing elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TypeVar

Item = TypeVar("Item")
_LEAST_S = 0.2


@dataclass(frozen=True, slots=True)
class Amount:
    """So many files, and hours of recording."""

    n_files: int
    hours: float


def shown(items: Iterable[Item], total: int, what: str, unit: str) -> Iterator[Item]:
    """The items, counted on standard error while they come, with an estimate of the time left."""
    return _shown(items, total, lambda _: 1.0, lambda n: f"{what}: {n:.0f} of {total} {unit}")


def shown_hours(items: Iterable[Item], of: Callable[[Item], Amount], total: Amount, what: str) -> Iterator[Item]:
    """The items, their files and hours of recording counted on standard error, with an estimate of the time left."""
    n_files = 0

    def hours(item: Item) -> float:
        nonlocal n_files
        amount = of(item)
        n_files += amount.n_files
        return amount.hours

    def line(done: float) -> str:
        return f"{what}: {done:.1f} of {total.hours:.1f} h, {n_files} of {total.n_files} files"

    return _shown(items, total.hours, hours, line)


def _shown(
    items: Iterable[Item], total: float, size: Callable[[Item], float], line: Callable[[float], str]
) -> Iterator[Item]:
    if not sys.stderr.isatty():
        yield from items
        return
    started, last, done = time.monotonic(), 0.0, 0.0
    for item in items:
        done += size(item)
        now = time.monotonic()
        if now - last > _LEAST_S or done >= total:
            last = now
            left_s = (now - started) / max(done, 1e-9) * max(0.0, total - done)
            sys.stderr.write(f"\r\x1b[K{line(done)}, about {duration(left_s)} left")
            sys.stderr.flush()
        yield item
    sys.stderr.write("\r\x1b[K")
    sys.stderr.flush()


def duration(seconds: float) -> str:
    """A time as a person says it: 40 s, 12 min, 3.5 h."""
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 6000 else f"{seconds / 3600:.1f} h"
