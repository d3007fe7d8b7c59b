"""URLs of recordings in object storage: which are read, with what libraries, and what they may hold.

A URL in a campaign file names a place and nothing else. Who asks (keys, tokens, accounts) and where (endpoints) stands
in the environment, so that a campaign can be given away, and so that it cannot make the program read local files.
"""

from __future__ import annotations

import re
from importlib.util import find_spec
from typing import NamedTuple


class _Protocol(NamedTuple):
    library: str  # imported by fsspec for this protocol
    extra: str  # of this package, that brings the library


PROTOCOLS = {
    "s3": _Protocol("s3fs", "s3"),
    "gs": _Protocol("gcsfs", "gcs"),
    "gcs": _Protocol("gcsfs", "gcs"),
    "az": _Protocol("adlfs", "azure"),
    "abfs": _Protocol("adlfs", "azure"),
    "abfss": _Protocol("adlfs", "azure"),
    "https": _Protocol("aiohttp", "https"),
    "http": _Protocol("aiohttp", "https"),
}
_WILDCARDS = set("*?[]")
_USER, _QUERY = re.compile(r"(?<=://)[^/\s]*@"), re.compile(r"(?<=\w)(://[^\s?]*)\?[^\s'\"]*=[^\s'\"]*")


def is_url(text: str) -> bool:
    """Whether a text is meant as a URL and not as a path."""
    return "://" in text


def url_needed(text: str) -> str:
    """What a URL of recordings (or a glob of such) must be, where this text is not one; else an empty string."""
    protocol, _, rest = text.partition("://")
    host, _, path = rest.partition("/")
    if not text.isprintable() or len(text) > 1000:
        return "a URL of printable characters"
    if protocol in ("file", "local"):
        return "a path in the folder: local files are not reached by URL"
    if "::" in text or is_url(rest):
        return "one URL, not several in a chain"
    if protocol not in PROTOCOLS:
        return f"a URL that begins with one of {', '.join(f'{name}://' for name in PROTOCOLS)}"
    if "@" in host:
        return "a URL without user, password or account: they belong into the environment"
    if _is_web(protocol) and set("?#") & set(rest):
        return "a URL without a query: keys belong into the environment"
    if not host or _WILDCARDS & set(host):
        return "a bucket (or host) without wildcards behind ://"
    if "\\" in rest or {"..", "."} & set(path.split("/")):
        return "a URL with forward slashes, without . and .. as parts"
    return _libraries_needed(protocol)


def _libraries_needed(protocol: str) -> str:
    library, extra = PROTOCOLS[protocol]
    missing = [name for name in ("fsspec", library) if find_spec(name) is None]
    if not missing:
        return ""
    return f'{" and ".join(missing)} to be installed, which reads {protocol}:// (pip install "reconcile[{extra}]")'


def _is_web(protocol: str) -> bool:
    return protocol in ("http", "https")


def storage_options(protocol: str) -> dict[str, object]:
    """What the program itself asks of the library: a web server cannot send it on to somewhere else."""
    return {"allow_redirects": False} if _is_web(protocol) else {}


def fixed_part(url: str) -> str:
    """A glob URL up to the last slash before its first wildcard."""
    wild = next((at for at, char in enumerate(url) if char in _WILDCARDS), None)
    return url if wild is None else url[: url.rindex("/", 0, wild) + 1]


def without_secrets(text: str) -> str:
    """A text as it may be shown: users and passwords, and queries with keys in them, are cut out of its URLs."""
    return _QUERY.sub(r"\1?...", _USER.sub("...@", text))
