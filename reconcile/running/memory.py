"""What glibc does with memory that a process has freed; with another C library nothing happens here."""

from __future__ import annotations

import ctypes
import sys
from functools import cache

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # parameters of mallopt, malloc.h of glibc
_LARGEST, _SOON = 2**28, 2**19


@cache
def keep_freed_memory() -> None:
    """Keep it for what comes next.

    Spectra of some megabytes are made and freed many times a second; each page that comes back from the system is
    filled with zeros first, which took a fifth of the time.
    """
    if (library := _glibc()) is not None:
        for parameter in (_TRIM_THRESHOLD, _MMAP_THRESHOLD):
            library.mallopt(parameter, _LARGEST)


def give_back_freed_memory() -> None:
    """Give all of it back to the system, now and for what comes next: what reading needed, the tables do not."""
    if (library := _glibc()) is not None:
        for parameter in (_TRIM_THRESHOLD, _MMAP_THRESHOLD):
            library.mallopt(parameter, _SOON)
        library.malloc_trim(0)
        keep_freed_memory.cache_clear()


def share_memory_with_tables() -> None:
    """Let Arrow take its memory where everything else does, instead of from arenas of its own."""
    import pyarrow as pa  # not what the processes that read recordings need

    pa.set_memory_pool(pa.system_memory_pool())


def _glibc() -> ctypes.CDLL | None:
    if not sys.platform.startswith("linux"):
        return None
    library = ctypes.CDLL(None)
    return library if hasattr(library, "mallopt") and hasattr(library, "malloc_trim") else None
