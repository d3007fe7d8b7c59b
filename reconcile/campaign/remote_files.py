"""Files in object storage: found by a glob URL, read in ranges.

The library (fsspec) is imported where a URL is met, and only there. It finds its credentials and endpoints in the
environment; nothing of them is kept, handed to other processes or shown.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any, Self

from reconcile.campaign.faults import plain
from reconcile.campaign.recording_urls import fixed_part, storage_options
from reconcile.vocabulary.errors import Fault, InputError, MachineError

BLOCK_BYTES = 8 * 2**20  # of one request for samples
HEADER_BLOCK_BYTES = 2**13  # of one request where only a few bytes are looked at
_VERSIONS = ("ETag", "etag", "md5Hash", "LastModified", "last_modified", "Last-Modified", "mtime", "updated", "created")
_URL = re.compile(r"[a-z][a-z0-9+.-]*://[^\s'\"]+", re.IGNORECASE)


class RemoteReadError(OSError):
    """A file in object storage could not be read: `filename` is its URL, `strerror` the reason.

    It is no property of the file, as a damaged place is: the same file may be read in full the next time. `errno` is
    EACCES (not permitted), ENOENT (not there), ESTALE (no longer what was listed), or else EIO.
    """


@dataclass(frozen=True, slots=True)
class RemoteFolder:
    """A URL to which globs are relative."""

    url: str  # without a slash at its end

    def __str__(self) -> str:
        return self.url


@dataclass(frozen=True, slots=True)
class RemoteFile:
    """An object as it was when it was listed. `version` is its ETag, or its time where there is none."""

    url: str
    name: str  # what it is called in results: the URL, or its path below a RemoteFolder
    size_bytes: int
    version: str

    @property
    def stem(self) -> str:
        """The last part of the URL without its ending."""
        return PurePosixPath(self.url).stem

    def open(self, block_bytes: int = BLOCK_BYTES) -> RangeReader:
        """Open it for reading in ranges, `block_bytes` read ahead.

        Raises RemoteReadError where it cannot be reached or is no longer what was listed.
        """
        try:
            system, path = _system(self.url)
            handle = system.open(path, "rb", block_size=block_bytes, cache_type="readahead")
            details = getattr(handle, "details", None) or {}
            now = details if details.get("size") is not None and _version(details) else system.info(path)
        except Exception as error:
            raise self.failure(error) from error
        if (now.get("size"), _version(now)) != (self.size_bytes, self.version):
            raise RemoteReadError(errno.ESTALE, "it has changed since it was listed", self.url)
        return RangeReader(self, handle)

    def failure(self, error: Exception) -> RemoteReadError:
        """What a library raised, as the error of this file."""
        if isinstance(error, PermissionError) or getattr(error, "status", None) in (401, 403):
            return RemoteReadError(errno.EACCES, _reason(error), self.url)
        number = errno.ENOENT if isinstance(error, FileNotFoundError) else errno.EIO
        return RemoteReadError(number, _reason(error), self.url)


class RangeReader:
    """An open RemoteFile: what is needed of a binary file. Every failure is a RemoteReadError."""

    def __init__(self, file: RemoteFile, handle: Any) -> None:
        self._file, self._handle = file, handle

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._handle.close()

    def tell(self) -> int:
        return int(self._handle.tell())

    def seek(self, position: int, whence: int = 0, /) -> int:
        return int(self._handle.seek(position, whence))

    def read(self, n_bytes: int = -1, /) -> bytes:
        """The next bytes; fewer than asked for at the end only."""
        left = max(0, self._file.size_bytes - self.tell())
        wanted = left if n_bytes < 0 else min(n_bytes, left)
        if not wanted:
            return b""
        try:
            content = bytes(self._handle.read(wanted))
        except Exception as error:
            raise self._file.failure(error) from error
        if len(content) != wanted:
            raise RemoteReadError(errno.EIO, f"{wanted} bytes asked for, {len(content)} received", self._file.url)
        return content

    def readinto(self, buffer: memoryview, /) -> int:
        """Fill a buffer; fewer bytes than it holds at the end only."""
        content = self.read(len(buffer))
        buffer[: len(content)] = content
        return len(content)


def list_files(glob_url: str, folder: RemoteFolder | None = None) -> tuple[RemoteFile, ...]:
    """The objects that a glob URL means, as they are now, in the order of their names; hidden ones are left out.

    Names are relative to `folder` where one is given, else URLs. Raises InputError where nothing can be listed by this
    URL (no such bucket, not permitted, not a glob), MachineError where the storage cannot be reached.
    """
    fixed = fixed_part(glob_url)
    try:
        system, pattern = _system(glob_url)
        system.invalidate_cache()
        found = {path: info for path, info in system.glob(pattern, detail=True).items() if info["type"] == "file"}
        if not found and fixed != glob_url:
            system.ls(fixed)  # a glob is silent about a bucket that is not there or not to be listed
        below = system.unstrip_protocol(system._strip_protocol(fixed))
        files = [_listed(system, path, info, folder) for path, info in found.items()]
    except Exception as error:
        raise _listing_error(glob_url, error) from error
    hidden = re.compile(r"/\.")
    inside = (file for file in files if file.url.startswith(below) and not hidden.search(file.url, len(below) - 1))
    return tuple(sorted(inside, key=lambda file: file.name))


def find_file(url: str, folder: RemoteFolder | None = None) -> RemoteFile | None:
    """The object of a URL; None where there is none. Raises as `list_files`."""
    try:
        system, path = _system(url)
        system.invalidate_cache()
        info = system.info(path)
        return _listed(system, path, info, folder) if info["type"] == "file" else None
    except FileNotFoundError:
        return None
    except Exception as error:
        raise _listing_error(url, error) from error


def _system(url: str) -> tuple[Any, str]:
    """The library's file system of a URL, and the path in it."""
    import fsspec

    protocol = url.partition("://")[0]
    system = fsspec.filesystem(protocol, **storage_options(protocol))
    return system, system._strip_protocol(url)


def _listed(system: Any, path: str, info: Mapping[str, Any], folder: RemoteFolder | None) -> RemoteFile:
    if info.get("size") is None or not _version(info):  # a listing of web pages does not say
        info = system.info(path)
    if info.get("size") is None:
        raise ValueError("the server does not say how long it is")
    url = str(system.unstrip_protocol(path))
    name = url
    if folder is not None:
        root = str(system.unstrip_protocol(system._strip_protocol(folder.url))).rstrip("/") + "/"
        name = url.removeprefix(root)
    return RemoteFile(url, name, int(info["size"]), _version(info))


def _version(info: Mapping[str, Any]) -> str:
    return next((str(info[key]).strip('"') for key in _VERSIONS if info.get(key)), "")


def _listing_error(url: str, error: Exception) -> InputError | MachineError:
    """The input's fault where another URL, another permission or a credential is needed; else the machine's."""
    ours = isinstance(error, FileNotFoundError | PermissionError | ValueError | ImportError)
    if ours or "Credentials" in type(error).__name__:
        needed = "a URL that can be listed with the credentials in the environment"
        return InputError([Fault(plain(url), "", _reason(error), needed)])
    return MachineError(plain(url), _reason(error))


def _reason(error: Exception) -> str:
    """What a library says of an error, without the URLs in it: an endpoint may hold a user's name."""
    if isinstance(error, FileNotFoundError):
        return "it is not there"
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    text = _URL.sub("(URL)", str(text).splitlines()[0])
    return plain(f"not permitted: {text}" if isinstance(error, PermissionError) else text)
