"""The time in a broadcast chunk (EBU Tech 3285): the date, and samples since its midnight."""

from __future__ import annotations

import struct
from datetime import datetime, timedelta

_TIME_AT = 256 + 32 + 32  # Description, Originator, OriginatorReference
BYTES_TO_TIME = _TIME_AT + 26  # then OriginationDate (10), OriginationTime (8), TimeReference (8)


def origin(chunk: bytes, rate_hz: int) -> datetime | None:
    """Time of the first sample by the first `BYTES_TO_TIME` bytes of the chunk; None where they make no sense."""
    if len(chunk) < BYTES_TO_TIME or rate_hz <= 0:
        return None
    date = chunk[_TIME_AT : _TIME_AT + 10].decode("ascii", "replace")
    samples = struct.unpack("<Q", chunk[_TIME_AT + 18 : BYTES_TO_TIME])[0]
    try:
        midnight = datetime.strptime(date[:4] + date[5:7] + date[8:10], "%Y%m%d")
        return midnight + timedelta(microseconds=round(samples * 1_000_000 / rate_hz))
    except (ValueError, OverflowError):
        return None
