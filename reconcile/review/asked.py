"""What a browser asks for, checked: numbers within bounds, ids as text, a decision as JSON. Never a path."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from reconcile.campaign.times import TIME_NEEDED, as_datetime, parse_utc, time_hint
from reconcile.review.decision_file import NewDecision
from reconcile.review.strike_list import Filters
from reconcile.vocabulary.errors import Fault, InputError

LONGEST_BODY = 16_384  # bytes
_LONGEST_ID, _MOST_IDS = 200, 200
_FIELDS = frozenset({"seen", "who", "station_id", "time_utc", "action", "reason", "new_time_utc"})
_YEAR_3000_US = 32_503_680_000_000_000

Query = Mapping[str, str]


class AskedWrongError(Exception):
    """A request that cannot be answered; the text says what is wrong with it."""


def whole(query: Query, name: str, low: int, high: int) -> int:
    """A whole number of the query, within its ends."""
    text = query.get(name, "")
    digits = text.removeprefix("-")
    if not (digits.isascii() and digits.isdigit() and len(digits) <= 18 and low <= int(text) <= high):
        raise AskedWrongError(f"{name}: a whole number from {low} to {high} is needed")
    return int(text)


def number(query: Query, name: str, low: float, high: float, default: float | None = None) -> float | None:
    """A number of the query, within its ends; the default where it is not given."""
    text = query.get(name, "")
    if not text:
        return default
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise AskedWrongError(f"{name}: a number from {low:g} to {high:g} is needed")
    return value


def times_us(query: Query) -> tuple[int, int]:
    """The two times of a view, in order: UTC, microseconds since 1970."""
    from_us, to_us = (whole(query, name, -_YEAR_3000_US, _YEAR_3000_US) for name in ("from", "to"))
    if to_us - from_us < 10:
        raise AskedWrongError("to: a time after from is needed")
    return from_us, to_us


def filters(query: Query) -> Filters:
    """The filters of a query; flags, stations and piles are given with a line break between them."""

    def level(name: str) -> float | None:
        return number(query, name, -400.0, 400.0)

    return Filters(
        flags=_ids(query, "flags"),
        stations=_ids(query, "stations"),
        piles=_ids(query, "piles"),
        level_from_db=level("level_from"),
        level_to_db=level("level_to"),
        snr_from_db=level("snr_from"),
        snr_to_db=level("snr_to"),
        doubtful=True,
    )


def _ids(query: Query, name: str) -> tuple[str, ...]:
    ids = tuple(one for one in query.get(name, "").split("\n") if one)
    if len(ids) > _MOST_IDS or any(len(one) > _LONGEST_ID for one in ids):
        raise AskedWrongError(f"{name}: at most {_MOST_IDS} of {_LONGEST_ID} characters")
    return ids


def decision(body: bytes) -> tuple[NewDecision, str]:
    """A decision and the version of decisions.csv that it was made on. Raises AskedWrongError, InputError."""
    try:
        given = json.loads(body)
    except (ValueError, RecursionError):
        raise AskedWrongError("the body is not JSON") from None
    if not isinstance(given, dict) or not given.keys() <= _FIELDS:
        raise AskedWrongError(f"an object with {', '.join(sorted(_FIELDS))} is needed")
    new_time = given.get("new_time_utc") or ""
    return (
        NewDecision(
            who=_text(given, "who"),
            station_id=_text(given, "station_id"),
            time_utc=_time("time_utc", _text(given, "time_utc")),
            action=_text(given, "action"),
            reason=_text(given, "reason"),
            new_time_utc=_time("new_time_utc", _text(given, "new_time_utc")) if new_time else None,
        ),
        _text(given, "seen"),
    )


def _text(given: dict[str, Any], name: str) -> str:
    text = given.get(name)
    if not isinstance(text, str):
        raise AskedWrongError(f"{name}: a text is needed")
    if not text.isascii() and any("\ud800" <= char <= "\udfff" for char in text):
        raise AskedWrongError(f"{name}: half of a character")
    return text


def _time(name: str, text: str) -> datetime:
    found = parse_utc([text])[0]
    if str(found) == "NaT":
        raise InputError([Fault("the decision", name, repr(text[:80]), TIME_NEEDED, time_hint(text))])
    return as_datetime(found)
