"""`continuous`: percentiles of continuous levels, by activity that is not impact driving, and by hour."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import EXPOSURE_LEVEL, PRESSURE_LEVEL, Column, Kind, Table

_OF = "of the intervals, linear interpolation"

CONTINUOUS = Table(
    "continuous",
    "station, activity or hour, interval, weighting and band",
    (
        Column("station_id", Kind.TEXT, "", "station"),
        Column(
            "pile_id",
            Kind.TEXT,
            "",
            "pile that was being installed, or next to whose work it is; null for hours without work",
        ),
        Column("activity_id", Kind.TEXT, "", "activity of activities.csv; null where none holds"),
        Column(
            "over",
            Kind.TEXT,
            "",
            "activity (not impact driving); utc_hour (1 s: work that is not impact driving; 10 s and 60 s: "
            "intervals whose middle lies in the work on pile_id, and with null those without work, from 2 s before it "
            "to 30 s after it, and without vessels: what is neither is in no row); ambient_before, ambient_between, "
            "ambient_after the work on a pile, within an hour; "
            "floor_before_strikes, the quiet stretches that are subtracted from strikes",
        ),
        Column(
            "abatement",
            Kind.TEXT,
            "",
            "of the strikes, or of the work before and after ambient sound; null where these differ, and for the rest",
        ),
        Column("start_utc", Kind.TIME, "UTC", "start of the first interval"),
        Column("end_utc", Kind.TIME, "UTC", "end of the last"),
        Column("interval_s", Kind.LEVEL, "s", "length of the intervals: 1, 10 or 60; of quiet stretches 0.2"),
        Column("weighting", Kind.TEXT, "", "none, or set and group as in nmfs-2024:LF"),
        Column("band_hz", Kind.LEVEL, "Hz", "nominal decidecade centre; null for the full band"),
        Column("n_intervals", Kind.COUNT, "1", "intervals; none that lost samples"),
        Column("energy_mean_db", Kind.LEVEL, PRESSURE_LEVEL, "level of the mean square over all intervals"),
        Column("minimum_db", Kind.LEVEL, PRESSURE_LEVEL, "smallest level"),
        Column("exceeded_95_db", Kind.LEVEL, PRESSURE_LEVEL, f"level exceeded by 95 % {_OF}"),
        Column("exceeded_90_db", Kind.LEVEL, PRESSURE_LEVEL, f"level exceeded by 90 % {_OF}"),
        Column("exceeded_50_db", Kind.LEVEL, PRESSURE_LEVEL, f"level exceeded by 50 % {_OF}"),
        Column("exceeded_10_db", Kind.LEVEL, PRESSURE_LEVEL, f"level exceeded by 10 % {_OF}"),
        Column("exceeded_5_db", Kind.LEVEL, PRESSURE_LEVEL, f"level exceeded by 5 % {_OF}"),
        Column("maximum_db", Kind.LEVEL, PRESSURE_LEVEL, "largest level"),
        Column(
            "exposure_level_db",
            Kind.LEVEL,
            EXPOSURE_LEVEL,
            "sound exposure level over recorded_s: over an activity of all its seconds, in rows of 10 s and 60 s too",
        ),
        Column(
            "recorded_s",
            Kind.LEVEL,
            "s",
            "seconds that exposure_level_db is summed over: those of the activity that were recorded and lost no "
            "samples, by hour those of the intervals; null for quiet stretches",
        ),
        Column("n_kurtosis", Kind.COUNT, "1", "minutes whose kurtosis is known, in rows of 60 s in the full band"),
        Column("kurtosis_median", Kind.LEVEL, "1", "median kurtosis of these minutes"),
        Column("kurtosis_exceeded_5", Kind.LEVEL, "1", f"kurtosis exceeded by 5 % {_OF}"),
        Column("kurtosis_maximum", Kind.LEVEL, "1", "largest kurtosis of a minute"),
        Column("censoring", Kind.TEXT, "", "none; at_least where an interval was clipped"),
    ),
)
