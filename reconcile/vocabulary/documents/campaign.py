"""`campaign.json`: the campaign as resolved, from which every later stage starts.

Everything that the user gave is here, checked, with defaults filled in and distances computed; only the hammer log and
the recordings themselves are not: what later stages need of them is in the tables.
"""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from reconcile.vocabulary.criteria import Criterion
from reconcile.vocabulary.documents.decisions import Decision
from reconcile.vocabulary.documents.document import Document

FoundationType = Literal[
    "monopile", "jacket", "tripod", "tripile", "jack_up", "suction_bucket", "gravity_base", "floating_anchor", "other"
]
InstallationMethod = Literal["impact", "vibratory", "drilled", "suction", "dredging", "other"]
Phase = Literal["soft_start", "full_drive", "restrike", "test_blow", "other"]
Statistic = Literal["mean", "energy_mean", "median", "exceeded_5", "maximum"]
QuantityName = Literal["peak_level", "exposure_level", "rms_level", "cumulative_exposure_level"]


class FieldCheck(Document):
    """A calibrator tone recorded in the field.

    `level_db` is the rms level in the coupler, dB re 1 µPa. `drift` says how the sensitivity went from this check to
    the next: in a straight line, or by a step at `step_utc`.
    """

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
    is stated. `standard_uncertainty_db` is the certificate's, `effective_standard_uncertainty_db` what field checks
    made of it (None without any).
    """

    id: str
    sensitivity_db: float | None = None
    sensitivity_curve: tuple[tuple[float, float], ...] = ()
    gain_db: float | None = None
    full_scale_v: float | None = None
    end_to_end_sensitivity_db: float | None = None
    standard_uncertainty_db: float
    effective_standard_uncertainty_db: float | None = None
    uncertainty_components_db: dict[str, float] = {}  # noqa: RUF012 - known parts of it: sensitivity, gain, ...
    valid_from_hz: float = 10.0
    valid_to_hz: float | None = None  # None: 0.45 of the sampling rate
    checks: tuple[FieldCheck, ...] = ()

    @property
    def uncertainty_db(self) -> float:
        """Standard uncertainty of levels measured with this chain: the certificate's, with what field checks showed."""
        effective = self.effective_standard_uncertainty_db
        return self.standard_uncertainty_db if effective is None else effective


class Station(Document):
    """One hydrophone at one place, as far as no deployment says otherwise.

    `mooring_id` names the place. A station with `deployed_only` shares a channel of its recordings with another one in
    turn: they are its own only within its deployments.
    """

    id: str
    system: str
    channel: int = 1
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    hydrophone_depth_m: float | None = None
    water_depth_m: float | None = None
    recordings: str
    time_pattern: str | None = None
    start_times: str | None = None  # a table of Campaign.start_times; it takes the place of the pattern
    clock_offset_s: float = 0.0
    clock_drift_ppm: float = 0.0
    mooring_id: str
    deployed_only: bool = False


class Deployment(Document):
    """What was different at a station from `from_utc` until `to_utc` (None: from then on): one row of deployments.csv.

    What is None is as the station states it. `mooring_id` is resolved: as given, or the station's own, or a name of its
    own where the row states another place. A clock stated here counts from the first sample of the deployment.
    """

    line: int
    station_id: str
    mooring_id: str
    system_id: str | None = None
    channel: int | None = None
    gain_db: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    position_uncertainty_m: float | None = None
    hydrophone_depth_m: float | None = None
    water_depth_m: float | None = None
    from_utc: datetime
    to_utc: datetime | None = None
    clock_offset_s: float | None = None
    clock_drift_ppm: float | None = None


class TrackPoint(Document):
    """Where a drifting or towed station was at a time: one row of tracks.csv."""

    station_id: str
    time_utc: datetime
    latitude_deg: float
    longitude_deg: float
    hydrophone_depth_m: float | None = None
    standard_uncertainty_m: float | None = None


class Pile(Document):
    """One foundation pile and how it was installed. `start_utc` and `end_utc` bound the work, all activities included.

    Where activities reach beyond what piles.csv lists, `listed_utc` is that.
    """

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
    listed_utc: tuple[datetime, datetime] | None = None
    prediction_id: str | None = None


class Activity(Document):
    """What was done to a pile from `start_utc` until before `end_utc`: one row of activities.csv.

    Method and abatement are resolved: where the row states none they are the pile's. `phase` is None where it is not
    stated; it is then recognised from the strikes.
    """

    line: int
    activity_id: str
    pile_id: str
    installation_method: InstallationMethod
    phase: Phase | None = None
    abatement: str
    start_utc: datetime
    end_utc: datetime


class DrivingIncrement(Document):
    """How many blows a stretch of driving took: one row of driving_log.csv.

    Times (by the log's clock) are None in all increments of a pile, or in none. `mean_energy_kj` is None where not
    logged.
    """

    line: int
    pile_id: str
    start_utc: datetime | None = None
    end_utc: datetime | None = None
    from_penetration_m: float | None = None
    to_penetration_m: float | None = None
    n_blows: int
    mean_energy_kj: float | None = None


class LoggedDriving(Document):
    """What the hammer log says of a whole pile: single blows where there are any, else the counts of increments.

    What the log does not hold is None. Energies in kJ over the blows that have one, `total_energy_kj` their sum.
    """

    pile_id: str
    n_blows: int
    first_utc: datetime | None = None  # by the hammer's clock
    last_utc: datetime | None = None
    from_penetration_m: float | None = None
    to_penetration_m: float | None = None
    n_with_energy: int = 0
    median_energy_kj: float | None = None  # None where increments alone are logged
    maximum_energy_kj: float | None = None
    total_energy_kj: float | None = None


class PileStationRange(Document):
    """Horizontal distance from a pile to a station, with its standard uncertainty, and where it came from.

    For a station that was moved or drifted it is that in the middle of the pile's time; strikes have their own.
    """

    pile_id: str
    station_id: str
    range_m: float
    standard_uncertainty_m: float | None = None
    source: Literal["positions", "ranges.csv", "tracks.csv"]


class Prediction(Document):
    """One row of predictions.csv. An empty `model_id` is `unnamed`; `line` is the row's line in the file.

    `n_strikes` of a cumulative level is the number of all strikes in it, `n_piles` that of the piles of one day that
    they belong to (one where not stated).
    """

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
    n_piles: int | None = None
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


class StatedPeriod(Document):
    """A period over which the campaign asks for the cumulative exposure."""

    id: str
    start_utc: datetime
    end_utc: datetime


class VesselPassage(Document):
    """A vessel passed: at one station, or (None) at all of them; `note` says which, or how it is known."""

    station_id: str | None = None
    from_utc: datetime
    to_utc: datetime
    note: str = ""


class Settings(Document):
    """The settings of campaign.toml, resolved. `weightings` includes those named in predictions and criteria.

    Single-strike exposure levels below `effective_quiet_db` are left out of a sum of its own. `local_time_zone` adds
    the exposure of local days, `oversampled_peak` the peak between samples. With `robust_fits` what is left of a fit is
    Student's t.
    """

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
    criteria: tuple[str, ...] = ()
    criteria_file: str | None = None
    effective_quiet_db: float | None = None
    local_time_zone: str | None = None
    oversampled_peak: bool = False
    tones_of: tuple[InstallationMethod, ...] = ("vibratory",)
    robust_fits: bool = False


class Campaign(Document):
    """The whole campaign. `sound_speed_m_s` is resolved (stated, or from temperature and salinity, or 1500)."""

    format_version: Literal[1] = 1
    name: str
    water_depth_m: float | None = None
    sound_speed_m_s: float
    temperature_c: float | None = None  # of the water, with practical salinity and pH: None where not stated
    salinity: float | None = None
    acidity_ph: float | None = None
    common_uncertainty_db: float = 0.0
    recordings_time_zone: str = "UTC"
    settings: Settings
    systems: tuple[System, ...]
    stations: tuple[Station, ...]
    piles: tuple[Pile, ...]
    ranges: tuple[PileStationRange, ...]
    deployments: tuple[Deployment, ...] = ()  # by station, in order of time; those of one station do not overlap
    tracks: tuple[TrackPoint, ...] = ()  # by station, in order of time
    activities: tuple[Activity, ...] = ()  # by pile, in order of time; those of one pile do not overlap
    driving_log: tuple[DrivingIncrement, ...] = ()  # by pile, in order of driving
    decisions: tuple[Decision, ...] = ()  # in the order of their lines
    logged_driving: tuple[LoggedDriving, ...] = ()  # of the piles that have a log
    start_times: dict[str, dict[str, datetime]] = {}  # noqa: RUF012 - by table and recording: recorder time, first sample
    predictions: tuple[Prediction, ...] = ()
    predicted_ranges: tuple[PredictedRange, ...] = ()
    criteria: tuple[Criterion, ...] = ()  # the sets that the settings name, and [[limits]]
    periods: tuple[StatedPeriod, ...] = ()
    vessel_passages: tuple[VesselPassage, ...] = ()
    n_logged: dict[str, int] | None = None  # logged blows by pile: single ones, else the counts; None without a log
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
        """Horizontal distance in metres (in the middle of the pile's time), or None where it is not known."""
        return next((r.range_m for r in self.ranges if (r.pile_id, r.station_id) == (pile_id, station_id)), None)
