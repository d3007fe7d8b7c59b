"""What campaign.toml may hold: every key, its type and its bounds. What keys mean together is checked in `settings`."""

from __future__ import annotations

import zoneinfo
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from reconcile.campaign.faults import id_needed
from reconcile.campaign.recording_files import path_needed, recording_needed
from reconcile.campaign.times import TIME_NEEDED, as_datetime, parse_utc, time_hint
from reconcile.vocabulary.documents.campaign import Settings
from reconcile.vocabulary.errors import suggestion
from reconcile.vocabulary.weightings import WEIGHTINGS

DEFAULTS = Settings()
NEEDED = "needed"  # type of this module's own errors: the message says what is needed, the context may hold a hint


def needed(what: str, hint: str = "") -> PydanticCustomError:
    """An error of a field that says what is needed."""
    return PydanticCustomError(NEEDED, "{what}", {"what": what, "hint": hint})


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


def _a_weighting(name: str) -> str:
    if name not in WEIGHTINGS:
        raise needed(f"one of {', '.join(WEIGHTINGS)}", suggestion(name, WEIGHTINGS))
    return name


def _a_time_zone(name: str) -> str:
    if name == "UTC":  # known even where the machine has no time zone data
        return name
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        zones = zoneinfo.available_timezones()
        hint = suggestion(name, sorted(zones)) if zones else "this machine has no time zone data: install tzdata"
        raise needed("a time zone's name such as UTC or Europe/Berlin", hint) from error
    return name


def _a_time_pattern(pattern: str) -> str:
    probe = datetime(2023, 11, 28, 17, 46, 39, tzinfo=UTC)
    try:
        read = datetime.strptime(probe.strftime(pattern), pattern)
    except (ValueError, KeyError, IndexError, OverflowError) as error:
        raise needed("a strptime pattern", str(error)) from error
    if read.replace(second=0, tzinfo=None) != probe.replace(second=0, tzinfo=None):
        raise needed("a strptime pattern with date, hour and minute, such as S750_%Y%m%dT%H%M%S.%fZ")
    return pattern


def _version_1(value: Any) -> Any:
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
    """A table of campaign.toml: unknown keys are refused, types are not converted, numbers are finite."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class CampaignPart(Part):
    """[campaign]"""

    name: Annotated[str, Field(min_length=1, max_length=1000)]
    water_depth_m: Positive | None = None
    sound_speed_m_s: Annotated[float, Field(ge=1300, le=1700)] | None = None
    temperature_c: Annotated[float, Field(ge=-3, le=45)] | None = None
    salinity: Annotated[float, Field(ge=0, le=60)] | None = None
    common_uncertainty_db: NotNegative = 0.0


class CheckPart(Part):
    """[[systems.checks]]"""

    file: RecordingPath
    channel: Channel = 1
    level_db: float
    frequency_hz: Positive
    when: Literal["before", "after"] | None = None
    time_utc: Time | None = None
    standard_uncertainty_db: NotNegative
    drift: Literal["linear", "step"] = "linear"
    step_utc: Time | None = None


class UncertaintyPart(Part):
    """[systems.uncertainty_components_db]: parts of the whole chain's standard uncertainty that are known."""

    sensitivity: NotNegative | None = None
    gain: NotNegative | None = None
    converter: NotNegative | None = None
    frequency_response: NotNegative | None = None
    directivity: NotNegative | None = None


class SystemPart(Part):
    """[[systems]]"""

    id: Id
    sensitivity_db: Annotated[float, Field(lt=0)] | None = None
    sensitivity_curve: str | None = None
    gain_db: float | None = None
    full_scale_v: Positive | None = None
    end_to_end_sensitivity_db: Annotated[float, Field(lt=0)] | None = None
    standard_uncertainty_db: NotNegative
    uncertainty_components_db: UncertaintyPart = UncertaintyPart()
    valid_from_hz: Annotated[float, Field(ge=2)] = 10.0
    valid_to_hz: Positive | None = None
    checks: list[CheckPart] = []


class StationPart(Part):
    """[[stations]]"""

    id: Id
    system: str
    channel: Channel = 1
    latitude_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    longitude_deg: Annotated[float, Field(ge=-180, le=180)] | None = None
    hydrophone_depth_m: NotNegative | None = None
    water_depth_m: Positive | None = None
    recordings: RecordingPath
    time_pattern: Annotated[str, AfterValidator(_a_time_pattern)] | None = None
    start_times: RelativePath | None = None
    mooring_id: Id | None = None
    clock_offset_s: float = 0.0
    clock_drift_ppm: float = 0.0


class RecordingsPart(Part):
    """[recordings]"""

    time_zone: Annotated[str, AfterValidator(_a_time_zone)] = "UTC"


class SettingsPart(Part):
    """[settings]"""

    weightings: list[Annotated[str, AfterValidator(_a_weighting)]] = list(DEFAULTS.weightings)
    calibration_source: Literal["certificate", "field_checks"] = "certificate"
    field_check_tolerance_db: NotNegative = DEFAULTS.field_check_tolerance_db
    censor_below_snr_db: float = DEFAULTS.censor_below_snr_db
    window_max_s: Annotated[float, Field(ge=0.2, le=5)] = DEFAULTS.window_max_s
    equivalence_margin_db: Positive = DEFAULTS.equivalence_margin_db


class CampaignToml(Part):
    """campaign.toml"""

    format_version: Annotated[int, BeforeValidator(_version_1)]
    campaign: CampaignPart
    systems: Annotated[list[SystemPart], Field(min_length=1)]
    stations: Annotated[list[StationPart], Field(min_length=1)]
    recordings: RecordingsPart = RecordingsPart()
    settings: SettingsPart = SettingsPart()


PARTS: dict[tuple[str, ...], type[Part]] = {
    (): CampaignToml,
    ("campaign",): CampaignPart,
    ("systems",): SystemPart,
    ("systems", "checks"): CheckPart,
    ("stations",): StationPart,
    ("recordings",): RecordingsPart,
    ("settings",): SettingsPart,
}
