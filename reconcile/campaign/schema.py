"""What campaign.toml may hold: every key, its type and its bounds. What keys mean together is checked in `settings`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from reconcile.campaign.criteria_schema import LimitPart
from reconcile.campaign.schema_fields import (
    Channel,
    Id,
    NotNegative,
    Part,
    Parts,
    Positive,
    RecordingPath,
    RelativePath,
    Time,
    a_time_pattern,
    a_time_zone,
    a_weighting,
    in_order,
    version_1,
)
from reconcile.vocabulary.documents.campaign import Settings

DEFAULTS = Settings()
ContinuousMethod = Literal["vibratory", "drilled", "suction", "dredging", "other"]
WeightingName = Annotated[str, AfterValidator(a_weighting)]


class CampaignPart(Part):
    """[campaign]"""

    name: Annotated[str, Field(min_length=1, max_length=1000)]
    water_depth_m: Positive | None = None
    sound_speed_m_s: Annotated[float, Field(ge=1300, le=1700)] | None = None
    temperature_c: Annotated[float, Field(ge=-3, le=45)] | None = None
    salinity: Annotated[float, Field(ge=0, le=60)] | None = None
    acidity_ph: Annotated[float, Field(ge=7, le=9)] | None = None
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
    checks: list[CheckPart] = Field(default_factory=list)


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
    time_pattern: Annotated[str, AfterValidator(a_time_pattern)] | None = None
    start_times: RelativePath | None = None
    mooring_id: Id | None = None
    clock_offset_s: float = 0.0
    clock_drift_ppm: float = 0.0


class RecordingsPart(Part):
    """[recordings]"""

    time_zone: Annotated[str, AfterValidator(a_time_zone)] = "UTC"


class SettingsPart(Part):
    """[settings]"""

    weightings: list[WeightingName] = Field(default_factory=lambda: list(DEFAULTS.weightings))
    calibration_source: Literal["certificate", "field_checks"] = "certificate"
    field_check_tolerance_db: NotNegative = DEFAULTS.field_check_tolerance_db
    censor_below_snr_db: float = DEFAULTS.censor_below_snr_db
    window_max_s: Annotated[float, Field(ge=0.2, le=5)] = DEFAULTS.window_max_s
    equivalence_margin_db: Positive = DEFAULTS.equivalence_margin_db
    criteria: list[str] = Field(default_factory=list)
    criteria_file: RelativePath | None = None
    effective_quiet_db: float | None = None
    local_time_zone: Annotated[str, AfterValidator(a_time_zone)] | None = None
    oversampled_peak: bool = DEFAULTS.oversampled_peak
    robust_fits: bool = DEFAULTS.robust_fits
    tones_of: list[ContinuousMethod] = Field(default_factory=lambda: list[ContinuousMethod](["vibratory"]))


class PeriodPart(Part):
    """[[periods]]: a stretch of time over which exposure is summed."""

    id: Id
    start_utc: Time
    end_utc: Time

    @model_validator(mode="after")
    def _in_order(self) -> PeriodPart:
        in_order(self, "start_utc", "end_utc")
        return self


class VesselPassagePart(Part):
    """[[vessel_passages]]: a vessel passed."""

    station_id: Id | None = None
    from_utc: Time
    to_utc: Time
    note: Annotated[str, Field(max_length=1000)] = ""

    @model_validator(mode="after")
    def _in_order(self) -> VesselPassagePart:
        in_order(self, "from_utc", "to_utc")
        return self


class CampaignToml(Part):
    """campaign.toml"""

    format_version: Annotated[int, BeforeValidator(version_1)]
    campaign: CampaignPart
    systems: Annotated[list[SystemPart], Field(min_length=1)]
    stations: Annotated[list[StationPart], Field(min_length=1)]
    recordings: RecordingsPart = RecordingsPart()
    settings: SettingsPart = SettingsPart()
    limits: list[LimitPart] = Field(default_factory=list)
    periods: list[PeriodPart] = Field(default_factory=list)
    vessel_passages: list[VesselPassagePart] = Field(default_factory=list)


PARTS: Parts = {
    (): CampaignToml,
    ("campaign",): CampaignPart,
    ("systems",): SystemPart,
    ("systems", "checks"): CheckPart,
    ("stations",): StationPart,
    ("recordings",): RecordingsPart,
    ("settings",): SettingsPart,
    ("limits",): LimitPart,
    ("periods",): PeriodPart,
    ("vessel_passages",): VesselPassagePart,
}
