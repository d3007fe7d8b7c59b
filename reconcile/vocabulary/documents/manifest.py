"""`manifest.json`: what a results folder was made from, with what, and whether it is complete."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from reconcile.vocabulary.documents.campaign import Settings
from reconcile.vocabulary.documents.decisions import DecisionEntry
from reconcile.vocabulary.documents.document import Document


class LogClockEntry(Document):
    """How a pile's hammer log lies against the stations' mean stated clock: log = station time + offset + drift.

    The offset is that at the pile's first matched blow; errors are standard errors. It is known relative to the
    stations only: nothing here tells what time it was. `confidence`: the probability of this alignment among all that
    were tried. `resolution_s`: the step of the log's times, 0 where finer than 0.01 s.
    """

    pile_id: str
    offset_s: float
    drift_ppm: float
    residual_sd_s: float | None
    n_blows: int
    n_matched: int
    ambiguous: bool
    offset_standard_error_s: float | None = None
    drift_standard_error_ppm: float | None = None
    confidence: float | None = None
    resolution_s: float = 0.0


class RecorderClockEntry(Document):
    """What a recorder's clock was off beyond what is stated, against the mean of the stations: station less mean.

    The offset is that at `at_utc`. Without a value where no alignment with the other stations could be decided. A
    station whose stated clock begins anew with a deployment has an entry for each.
    """

    station_id: str
    at_utc: datetime | None
    offset_s: float | None
    offset_standard_error_s: float | None
    drift_ppm: float | None
    drift_standard_error_ppm: float | None
    residual_sd_s: float | None
    n_strikes: int
    n_piles: int
    ambiguous: bool


class Clocks(Document):
    """Clock faults that were found: used for matching, not applied to `time_utc`.

    All are relative to the mean of the stations' stated clocks. `station_offsets_s` are means over the piles.
    """

    hammer_logs: tuple[LogClockEntry, ...] = ()
    station_offsets_s: dict[str, float] = {}  # noqa: RUF012 - pydantic copies defaults
    recorders: tuple[RecorderClockEntry, ...] = ()


class ChainStageEntry(Document):
    """One stage of a measuring chain, with the units on either side."""

    name: str
    value: float
    unit: str
    from_unit: str
    to_unit: str


class ChainEntry(Document):
    """A measuring chain as applied. `pascals_per_unit`: Pa of the sample value 1.0.

    A system whose gain was changed by a deployment has an entry for each gain. `sensitivity_curve` holds frequency (Hz)
    and sensitivity (dB re 1 V/µPa); it corrects the pressure itself, so that `pascals_per_unit` is only its reference.
    `effective_standard_uncertainty_db` is the certificate's with what field checks showed; None without any.
    """

    system_id: str
    pascals_per_unit: float
    standard_uncertainty_db: float
    effective_standard_uncertainty_db: float | None = None
    valid_from_hz: float
    valid_to_hz: float | None
    sensitivity_curve: tuple[tuple[float, float], ...] = ()
    stages: tuple[ChainStageEntry, ...]


class FieldCheckEntry(Document):
    """A calibrator tone of the field, measured, and held against the chain as stated.

    Sensitivities are end to end, dB re (full scale)/µPa at the tone's frequency; `difference_db` is derived minus
    stated. `tone_level_db` is the rms level of the tone, dB re full scale. Where `problem` says why the check cannot be
    used, the measured values are None.
    """

    system_id: str
    file: str
    channel: int
    when: Literal["before", "after"] | None
    time_utc: datetime | None
    drift: Literal["linear", "step"]
    step_utc: datetime | None
    frequency_hz: float
    level_db: float
    stated_sensitivity_db: float
    measured_frequency_hz: float | None = None
    tone_level_db: float | None = None
    tone_from_s: float | None = None
    tone_to_s: float | None = None
    distortion: float | None = None
    sensitivity_db: float | None = None
    difference_db: float | None = None
    standard_uncertainty_db: float | None = None
    hint: str = ""
    problem: str = ""


class RecordingEntry(Document):
    """A recording that was used."""

    recording: str
    rate_hz: int
    channels: int
    frames: int
    sample_format: str


class StreamEntry(Document):
    """A run of abutting recordings of one station, one chain and one place; times by the station's stated clock."""

    station_id: str
    system_id: str | None = None
    mooring_id: str | None = None
    start_utc: datetime
    end_utc: datetime
    recordings: tuple[str, ...]


class Stage(Document):
    """One command that changed the folder."""

    stage: str
    started_utc: datetime
    ended_utc: datetime
    counts: dict[str, int] = {}  # noqa: RUF012 - pydantic copies defaults


class Manifest(Document):
    """The manifest. `complete` is false while a command is changing the folder, or was interrupted.

    `digest` is the SHA-256 of the manifest itself (its text with a null in this place), None while it is not complete.
    """

    format_version: int = 1
    complete: bool
    inputs: dict[str, str | None] = {}  # noqa: RUF012 - pydantic copies defaults
    outputs: dict[str, str | None] = {}  # noqa: RUF012
    settings: Settings | None = None
    clocks: Clocks = Clocks()
    chains: tuple[ChainEntry, ...] = ()
    field_checks: tuple[FieldCheckEntry, ...] = ()
    decisions: tuple[DecisionEntry, ...] = ()  # of decisions.csv, and what each did
    recordings: tuple[RecordingEntry, ...] = ()
    streams: tuple[StreamEntry, ...] = ()
    refused: dict[str, str] = {}  # noqa: RUF012
    damaged: dict[str, str] = {}  # noqa: RUF012
    warnings: tuple[str, ...] = ()
    versions: dict[str, str] = {}  # noqa: RUF012
    stages: tuple[Stage, ...] = ()
    digest: str | None = None
