"""A recording's file wherever it lies: a path on a disk or an object in storage."""

from __future__ import annotations

from io import FileIO
from pathlib import Path

from reconcile.campaign.remote_files import BLOCK_BYTES, RangeReader, RemoteFile, RemoteFolder

StoredFile = Path | RemoteFile
RecordingsFolder = Path | RemoteFolder


def open_stored(file: StoredFile, block_bytes: int = BLOCK_BYTES) -> FileIO | RangeReader:
    """Open a file for reading; `block_bytes` are read ahead of an object, none of a file on a disk.

    Raises OSError, of an object RemoteReadError, with the reason.
    """
    return file.open(block_bytes) if isinstance(file, RemoteFile) else file.open("rb", buffering=0)


def size_bytes(file: StoredFile) -> int:
    """Length of a file; of an object as it was listed."""
    return file.size_bytes if isinstance(file, RemoteFile) else file.stat().st_size


def identity(file: StoredFile) -> tuple[int, int | str]:
    """What changes where the content does: the size, and the time of modification (ns) or an object's version."""
    if isinstance(file, RemoteFile):
        return file.size_bytes, file.version
    stat = file.stat()
    return stat.st_size, stat.st_mtime_ns


def key(file: StoredFile) -> str:
    """The one address of a file that may be reached by several."""
    return file.url if isinstance(file, RemoteFile) else str(file.resolve())
