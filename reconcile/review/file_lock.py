"""A lock between processes (and threads) on a file beside the one it is for; gone with the process that held it."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from reconcile.vocabulary.errors import MachineError

_EVERY_S = 0.02


@contextmanager
def locked(path: Path, wait_s: float = 10.0) -> Iterator[None]:
    """Hold the lock while the block runs.

    The file stays: removing it would let two hold it. Raises MachineError where it cannot be had within `wait_s`.
    """
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o666)
    except OSError as error:
        raise MachineError(str(path), error.strerror or str(error)) from error
    try:
        until = time.monotonic() + wait_s
        while not _taken(handle):
            if time.monotonic() > until:
                raise MachineError(str(path), f"another program has held this lock for {wait_s:g} s")
            time.sleep(_EVERY_S)
        yield
    finally:
        os.close(handle)


def _taken(handle: int) -> bool:
    if sys.platform == "win32":
        import msvcrt

        with suppress(OSError):
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
            return True
    else:
        import fcntl

        with suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
    return False
