"""Progress of long work: one line on a terminal, nothing elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator
from typing import TypeVar

Item = TypeVar("Item")
_LEAST_S = 0.2


def shown(items: Iterable[Item], total: int, what: str, unit: str) -> Iterator[Item]:
    """The items, counted on standard error while they come, with an estimate of the time left."""
    if not sys.stderr.isatty():
        yield from items
        return
    started, last = time.monotonic(), 0.0
    for done, item in enumerate(items, start=1):
        now = time.monotonic()
        if now - last > _LEAST_S or done == total:
            last = now
            left = (now - started) / done * (total - done)
            sys.stderr.write(f"\r\x1b[K{what}: {done} of {total} {unit}, about {left:.0f} s left")
            sys.stderr.flush()
        yield item
    sys.stderr.write("\r\x1b[K")
    sys.stderr.flush()
