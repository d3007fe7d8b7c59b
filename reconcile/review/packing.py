"""Numbers for the page: a JSON head and arrays behind it in one body, which a browser reads without parsing text.

Four bytes hold the length of the head (little-endian), then come the head (UTF-8 JSON, filled up with blanks so that
it ends at a multiple of eight) and the arrays, each beginning at a multiple of eight bytes after the head.
`head["arrays"]` gives for each name the type, the first byte after the head, and the number of values.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

TYPES = {"f4": "<f4", "f8": "<f8", "i2": "<i2", "i4": "<i4", "u1": "u1"}
_EVERY = 8


def packed(head: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """One body of a head and named arrays of one dimension, of a type in TYPES."""
    places: dict[str, tuple[str, int, int]] = {}
    parts: list[bytes] = []
    at = 0
    for name, values in arrays.items():
        kind = f"{values.dtype.kind}{values.dtype.itemsize}"
        data = np.ascontiguousarray(values, dtype=TYPES[kind]).tobytes()
        places[name] = (kind, at, values.size)
        parts += [data, bytes(-len(data) % _EVERY)]
        at += len(data) + -len(data) % _EVERY
    text = json.dumps({**head, "arrays": places}, allow_nan=False, ensure_ascii=False).encode()
    text += b" " * (-(len(text) + 4) % _EVERY)
    return b"".join((len(text).to_bytes(4, "little"), text, *parts))
