"""`strikes`: one row for each strike and station."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.vocabulary.tables.column import EXPOSURE_LEVEL, PRESSURE_LEVEL, Column, Kind, Table
from reconcile.vocabulary.weightings import column_part

_COLUMNS = (
    Column("strike_id", Kind.TEXT, "", "the strike; the same at all stations"),
    Column("pile_id", Kind.TEXT, "", "pile that was struck; null where no pile was being driven"),
    Column("blow_number", Kind.COUNT, "1", "blow of the hammer log; null where none was matched"),
    Column("activity_id", Kind.TEXT, "", "activity of activities.csv that held the strike; null where none did"),
    Column(
        "phase",
        Kind.TEXT,
        "",
        "soft_start, full_drive, restrike, test_blow or other, as stated or recognised; null without a pile",
    ),
    Column("station_id", Kind.TEXT, "", "station that recorded it"),
    Column("system_id", Kind.TEXT, "", "measuring chain of the station at that time"),
    Column("mooring_id", Kind.TEXT, "", "place of the hydrophone; the same for hydrophones of one mooring"),
    Column(
        "time_utc",
        Kind.TIME,
        "UTC",
        "when 5 % of the pulse's energy has arrived, by the station's stated clock",
    ),
    Column("range_m", Kind.LEVEL, "m", "horizontal distance from pile to hydrophone at that time"),
    Column("range_standard_uncertainty_m", Kind.LEVEL, "m", "standard uncertainty of range_m; null where not stated"),
    Column(
        "energy_kj",
        Kind.LEVEL,
        "kJ",
        "strike energy of the hammer log, or its increment's mean (energy_of_increment); null where neither is known",
    ),
    Column(
        "penetration_m", Kind.LEVEL, "m", "penetration of the pile by the hammer log; null where no blow was matched"
    ),
    Column("recording", Kind.TEXT, "", "recording, relative to the campaign folder"),
    Column("start_sample", Kind.SAMPLE, "1", "first sample of the pulse interval in the recording, from 0"),
    Column("peak_level_db", Kind.LEVEL, PRESSURE_LEVEL, "zero-to-peak sound pressure level"),
    Column("peak_compression_level_db", Kind.LEVEL, PRESSURE_LEVEL, "level of the largest pressure above zero"),
    Column("peak_rarefaction_level_db", Kind.LEVEL, PRESSURE_LEVEL, "level of the largest fall of pressure below zero"),
    Column(
        "oversampled_peak_level_db",
        Kind.LEVEL,
        PRESSURE_LEVEL,
        "zero-to-peak level at four times the sampling rate, around the largest sample; null unless oversampled_peak",
    ),
    Column("peak_to_peak_level_db", Kind.LEVEL, PRESSURE_LEVEL, "peak-to-peak sound pressure level"),
    Column(
        "exposure_level_db",
        Kind.LEVEL,
        EXPOSURE_LEVEL,
        "single-strike sound exposure level, background subtracted",
    ),
    Column(
        "exposure_level_lower_95_db",
        Kind.LEVEL,
        EXPOSURE_LEVEL,
        "lower end of the 95 % interval of the energy, by its background alone; null where that is none, or censored",
    ),
    Column(
        "exposure_level_upper_95_db",
        Kind.LEVEL,
        EXPOSURE_LEVEL,
        "upper end of the 95 % interval of the energy, by its background alone; null where censored",
    ),
    Column("rms_level_db", Kind.LEVEL, PRESSURE_LEVEL, "mean-square level from 5 % to 95 % of the energy"),
    Column("pulse_duration_s", Kind.LEVEL, "s", "time from 5 % to 95 % of the pulse's energy"),
    Column("effective_duration_s", Kind.LEVEL, "s", "square of the energy over the energy of the squared pressure"),
    Column("rise_time_s", Kind.LEVEL, "s", "time from the 5 % point to the peak"),
    Column(
        "kurtosis",
        Kind.LEVEL,
        "1",
        "Pearson's kurtosis over the pulse interval, mean removed (Gaussian noise 3)",
    ),
    Column("max_125ms_level_db", Kind.LEVEL, PRESSURE_LEVEL, "largest mean-square level over 125 ms"),
    Column(
        "noise_level_db",
        Kind.LEVEL,
        PRESSURE_LEVEL,
        "mean-square level of the quiet stretch before the strike",
    ),
    Column(
        "noise_peak_level_db",
        Kind.LEVEL,
        PRESSURE_LEVEL,
        "largest background peak in a stretch as long as the window",
    ),
    Column(
        "signal_to_noise_db",
        Kind.LEVEL,
        "dB",
        "subtracted energy over the background's in the 5-95 % duration",
    ),
    Column("window_s", Kind.LEVEL, "s", "length of the pulse interval"),
    Column(
        "unsubtracted_exposure_level_db",
        Kind.LEVEL,
        EXPOSURE_LEVEL,
        "exposure level of the interval as it is",
    ),
    Column(
        "strike_interval_s",
        Kind.LEVEL,
        "s",
        "time since the pile's strike before, at the station; null for the first and after a pause of more than 30 s",
    ),
    Column("peak_censoring", Kind.TEXT, "", "none, at_least or at_most"),
    Column("peak_compression_censoring", Kind.TEXT, "", "none, at_least or at_most"),
    Column("peak_rarefaction_censoring", Kind.TEXT, "", "none, at_least or at_most"),
    Column("exposure_censoring", Kind.TEXT, "", "none, at_least or at_most"),
    Column("flags", Kind.FLAGS, "", "see the table of flags"),
)


def strikes_table(weightings: Sequence[str]) -> Table:
    """The table for some weightings, named as `nmfs-2024:LF`: a level and a censoring column for each."""
    extra: list[Column] = []
    for name in weightings:
        part = column_part(name)
        extra += [
            Column(f"exposure_level_{part}_db", Kind.LEVEL, EXPOSURE_LEVEL, f"exposure level weighted by {name}"),
            Column(f"exposure_censoring_{part}", Kind.TEXT, "", f"censoring of the level weighted by {name}"),
        ]
    return Table("strikes", "strike and station", (*_COLUMNS[:-1], *extra, _COLUMNS[-1]))
