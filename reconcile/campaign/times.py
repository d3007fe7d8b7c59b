"""Times of the input: RFC 3339 in UTC, with `Z`."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

TimeArray = NDArray[np.datetime64]

TIME_NEEDED = "a time in UTC such as 2025-05-01T08:00:00Z"
_RFC_3339_UTC = re.compile(r"[12][0-9]{3}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?Z")
_NO_ZONE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]+)?)?")
_OFFSET = re.compile(r".*[+-][0-9]{2}:?[0-9]{2}")
_MICROSECONDS = len("2025-05-01T08:00:00.123456")  # digits beyond these are cut off
_NAT = "NaT"


def parse_utc(texts: Sequence[str]) -> TimeArray:
    """Times as datetime64[us]; NaT where a text is not a time in UTC with `Z` (or is empty)."""
    cut = [text[:-1][:_MICROSECONDS] if _RFC_3339_UTC.fullmatch(text) else _NAT for text in texts]
    try:
        return np.array(cut, dtype="datetime64[us]")
    except ValueError:  # somewhere a 30 February or a 25th hour: find out where
        return np.array([_one(text) for text in cut], dtype="datetime64[us]")


def _one(text: str) -> np.datetime64:
    try:
        return np.datetime64(text, "us")
    except ValueError:
        return np.datetime64("NaT", "us")


def time_hint(text: str) -> str:
    """What is probably wrong with a text that is not a time in UTC with `Z`; may be empty."""
    if _NO_ZONE.fullmatch(text):
        return "the zone is missing; turn a local time to UTC first, then write Z after it"
    if _OFFSET.fullmatch(text) and "T" in text:
        return "convert it to UTC and write Z"
    return ""


def epoch_us(moment: datetime) -> int:
    """Microseconds since 1970-01-01 UTC, exactly."""
    whole = moment.replace(microsecond=0)
    return round(whole.timestamp()) * 1_000_000 + moment.microsecond


def as_datetime(time: np.datetime64) -> datetime:
    """The same time as a datetime that knows it is UTC."""
    moment = time.astype("datetime64[us]").item()
    assert isinstance(moment, datetime)
    return moment.replace(tzinfo=UTC)
