"""Kinds of values that the input's TOML files hold: each says what is needed where it is not right."""

from __future__ import annotations

import re
import zoneinfo
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

import numpy as np
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from reconcile.campaign.faults import id_needed
from reconcile.campaign.recording_files import path_needed, recording_needed
from reconcile.campaign.times import TIME_NEEDED, as_datetime, parse_utc, time_hint
from reconcile.vocabulary.errors import suggestion
from reconcile.vocabulary.weightings import WEIGHTINGS, groups_of, weighting_needed

NEEDED = "needed"  # type of this module's own errors: the message says what is needed, the context may hold a hint


def needed(what: str, hint: str = "", key: str = "", found: str = "") -> PydanticCustomError:
    """An error of a field that says what is needed; of a whole table `key` names the field, `found` its value."""
    return PydanticCustomError(NEEDED, "{what}", {"what": what, "hint": hint, "key": key, "found": found})


def in_order(part: Part, start: str, end: str) -> None:
    """Raise an error of the key `end` where its time is not after that of the key `start`."""
    first, last = getattr(part, start), getattr(part, end)
    if last <= first:
        raise needed(f"after {start}, {_written(first)}", key=end, found=_written(last))


def _written(time: datetime) -> str:
    return time.isoformat().replace("+00:00", "Z")


def _an_id(text: str) -> str:
    if what := id_needed(text):
        raise needed(what)
    return text


def _a_path(text: str) -> str:
    if what := path_needed(text):
        raise needed(what)
    return text


def _a_recording(text: str) -> str:
    if what := recording_needed(text):
        raise needed(what)
    return text


def _a_time(value: Any) -> Any:
    if isinstance(value, str):
        time = parse_utc([value])[0]
        if np.isnat(time):
            raise needed(TIME_NEEDED, time_hint(value))
        return as_datetime(time)
    if isinstance(value, datetime) and value.utcoffset() != timedelta(0):
        raise needed(TIME_NEEDED, "the zone is missing" if value.tzinfo is None else "convert it to UTC and write Z")
    return value.astimezone(UTC) if isinstance(value, datetime) else value


def a_weighting(name: str) -> str:
    """A weighting, or a whole set."""
    what, hint = weighting_needed(name)
    if what:
        raise needed(what, hint)
    return name


def a_group(name: str) -> str:
    """One weighting, not a whole set."""
    if name != "none" and name not in WEIGHTINGS:
        what, hint = weighting_needed(name)
        raise needed(f"none, or {what or f'a group of the set, such as {groups_of(name)[0]}'}", hint)
    return name


def a_time_zone(name: str) -> str:
    """A time zone by its name."""
    if name == "UTC":  # known even where the machine has no time zone data
        return name
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        # abbreviations mean different zones in different places: only regions are proposed
        regions = sorted(zone for zone in zoneinfo.available_timezones() if "/" in zone)
        hint = suggestion(name, regions) if regions else "this machine has no time zone data: install tzdata"
        raise needed("a time zone's name such as UTC or Europe/Berlin", hint) from error
    return name


def a_time_pattern(pattern: str) -> str:
    """A pattern of a time in a file's name."""
    probe = datetime(2023, 11, 28, 17, 46, 39, tzinfo=UTC)
    try:
        read = datetime.strptime(probe.strftime(pattern), pattern)
    except (ValueError, KeyError, IndexError, OverflowError, re.error) as error:  # re: a directive given twice
        raise needed("a strptime pattern", str(error)) from error
    if read.replace(second=0, tzinfo=None) != probe.replace(second=0, tzinfo=None):
        raise needed("a strptime pattern with date, hour and minute, such as S750_%Y%m%dT%H%M%S.%fZ")
    return pattern


def version_1(value: Any) -> Any:
    """The version of the format."""
    if isinstance(value, bool) or value != 1:
        raise needed("1, the version that is read here")
    return value


Id = Annotated[str, AfterValidator(_an_id)]
RelativePath = Annotated[str, AfterValidator(_a_path)]
RecordingPath = Annotated[str, AfterValidator(_a_recording)]
Time = Annotated[datetime, BeforeValidator(_a_time)]
Channel = Annotated[int, Field(ge=1, le=65_535)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class Part(BaseModel):
    """A table of a TOML file: unknown keys are refused, types are not converted, numbers are finite."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


Parts = dict[tuple[str, ...], type[Part]]  # the tables that a file may hold, by their place in it
