"""`campaign.json`: the campaign as resolved, from which every later stage starts.

Everything that the user gave is here, checked, with defaults filled in and distances computed; only the hammer log and
the recordings themselves are not: what later stages need of them is in the tables.
"""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from reconcile.vocabulary.documents.document import Document

FoundationType = Literal[
    "monopile", "jacket", "tripod", "tripile", "jack_up", "suction_bucket", "gravity_base", "floating_anchor", "other"
]
InstallationMethod = Literal["impact", "vibratory", "drilled", "suction", "dredging", "other"]
Statistic = Literal["mean", "energy_mean", "median", "exceeded_5", "maximum"]
QuantityName = Literal["peak_level", "exposure_level", "rms_level", "cumulative_exposure_level"]


class FieldCheck(Document):
    """A calibrator tone recorded in the field (read and checked; not yet evaluated)."""

    file: str
    channel: int = 1
    level_db: float
    frequency_hz: float
    when: Literal["before", "after"] | None = None
    time_utc: datetime | None = None
    standard_uncertainty_db: float
    drift: Literal["linear", "step"] = "linear"
    step_utc: datetime | None = None


class System(Document):
    """One measuring chain. Either the three stages are stated, or one end-to-end sensitivity.

    Levels are in dB: `sensitivity_db` re 1 V/µPa, `end_to_end_sensitivity_db` re (full scale)/µPa. A curve holds pairs
    of frequency (Hz) and sensitivity (dB re 1 V/µPa) and replaces `sensitivity_db`, which is then only where the chain
    is stated.
    """

    id: str
    sensitivity_db: float | None = None
    sensitivity_curve: tuple[tuple[float, float], ...] = ()
    gain_db: float | None = None
    full_scale_v: float | None = None
    end_to_end_sensitivity_db: float | None = None
    standard_uncertainty_db: float
    valid_from_hz: float = 10.0
    valid_to_hz: float | None = None  # None: 0.45 of the sampling rate
    checks: tuple[FieldCheck, ...] = ()


class Station(Document):
    """One hydrophone at one place. `mooring_id` names the place; it is the station's own id in this version."""

    id: str
    system: str
    channel: int = 1
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    hydrophone_depth_m: float | None = None
    water_depth_m: float | None = None
    recordings: str
    time_pattern: str | None = None
    clock_offset_s: float = 0.0
    clock_drift_ppm: float = 0.0
    mooring_id: str


class Pile(Document):
    """One foundation pile and how it was installed. `start_utc` and `end_utc` bound the activity."""

    pile_id: str
    foundation_type: FoundationType
    installation_method: InstallationMethod
    diameter_m: float | None = None
    water_depth_m: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    rated_energy_kj: float | None = None
    abatement: str
    start_utc: datetime
    end_utc: datetime
    prediction_id: str | None = None


class PileStationRange(Document):
    """Horizontal distance from a pile to a station, with its standard uncertainty, and where it came from."""

    pile_id: str
    station_id: str
    range_m: float
    standard_uncertainty_m: float | None = None
    source: Literal["positions", "ranges.csv"]


class Prediction(Document):
    """One row of predictions.csv. An empty `model_id` is `unnamed`; `line` is the row's line in the file."""

    line: int
    prediction_id: str
    quantity: QuantityName
    weighting: str = "none"
    band_hz: float | None = None
    range_m: float
    level_db: float
    standard_deviation_db: float | None = None
    statistic: Statistic | None = None
    energy_kj: float | None = None
    model_id: str = "unnamed"
    abatement: str | None = None
    receiver: str | None = None
    n_strikes: int | None = None
    bearing_deg: float | None = None
    foundation_type: str | None = None
    installation_method: str | None = None
    diameter_m: float | None = None
    water_depth_m: float | None = None


class PredictedRange(Document):
    """One row of predicted_ranges.csv: predicted distance in metres to a level."""

    line: int
    prediction_id: str
    quantity: QuantityName
    weighting: str = "none"
    threshold_db: float
    range_m: float
    model_id: str = "unnamed"
    abatement: str | None = None
    receiver: str | None = None
    statistic: Statistic | None = None
    range_statistic: Literal["mean", "r95", "maximum"] | None = None
    energy_kj: float | None = None
    n_strikes: int | None = None


class Settings(Document):
    """The settings of campaign.toml, resolved. `weightings` includes those named in the predictions."""

    weightings: tuple[str, ...] = (
        "nmfs-2024:LF",
        "nmfs-2024:HF",
        "nmfs-2024:VHF",
        "nmfs-2024:PW",
        "nmfs-2024:OW",
    )
    calibration_source: Literal["certificate", "field_checks"] = "certificate"
    field_check_tolerance_db: float = 0.5
    censor_below_snr_db: float = 3.0
    window_max_s: float = 0.75
    equivalence_margin_db: float = 3.0


class Campaign(Document):
    """The whole campaign. `sound_speed_m_s` is resolved (stated, or from temperature and salinity, or 1500)."""

    format_version: Literal[1] = 1
    name: str
    water_depth_m: float | None = None
    sound_speed_m_s: float
    common_uncertainty_db: float = 0.0
    recordings_time_zone: str = "UTC"
    settings: Settings
    systems: tuple[System, ...]
    stations: tuple[Station, ...]
    piles: tuple[Pile, ...]
    ranges: tuple[PileStationRange, ...]
    predictions: tuple[Prediction, ...] = ()
    predicted_ranges: tuple[PredictedRange, ...] = ()
    n_logged: dict[str, int] | None = None  # blows of the hammer log by pile; None without a log
    n_recordings: dict[str, int] = {}  # noqa: RUF012 - files of each station when the campaign was read
    notes: tuple[str, ...] = ()  # oddities of the input that lose nothing

    def system(self, system_id: str) -> System:
        """The measuring chain with this id."""
        return next(s for s in self.systems if s.id == system_id)

    def station(self, station_id: str) -> Station:
        """The station with this id."""
        return next(s for s in self.stations if s.id == station_id)

    def pile(self, pile_id: str) -> Pile:
        """The pile with this id."""
        return next(p for p in self.piles if p.pile_id == pile_id)

    def range_m(self, pile_id: str, station_id: str) -> float | None:
        """Horizontal distance in metres, or None where it is not known."""
        return next((r.range_m for r in self.ranges if (r.pile_id, r.station_id) == (pile_id, station_id)), None)
