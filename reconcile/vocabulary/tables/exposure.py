"""`exposure`: cumulative sound exposure."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import EXPOSURE_LEVEL, Column, Kind, Table

EXPOSURE = Table(
    "exposure",
    "station, period and weighting",
    (
        Column("station_id", Kind.TEXT, "", "station"),
        Column("pile_id", Kind.TEXT, "", "pile, for the period of a pile; else null"),
        Column("start_utc", Kind.TIME, "UTC", "start of the period"),
        Column("end_utc", Kind.TIME, "UTC", "end of the period"),
        Column("period", Kind.TEXT, "", "pile, utc_day, local_day, 24_h_from_first_strike or stated"),
        Column("period_name", Kind.TEXT, "", "id of a stated period; else null"),
        Column("weighting", Kind.TEXT, "", "none, or set and group as in nmfs-2024:LF"),
        Column("installation_method", Kind.TEXT, "", "impact and other methods are apart"),
        Column("n_piles", Kind.COUNT, "1", "piles in the period"),
        Column("n_logged", Kind.COUNT, "1", "blows of the hammer log in the period; null without a log"),
        Column("n_strikes", Kind.COUNT, "1", "strikes (seconds, for other methods) summed"),
        Column(
            "recorded_fraction",
            Kind.LEVEL,
            "1",
            "share of the logged blows that were recorded; null without a log; of other methods than "
            "impact, share of the seconds of their activities in the period",
        ),
        Column("measured_db", Kind.LEVEL, EXPOSURE_LEVEL, "sum of what was above its background"),
        Column("upper_db", Kind.LEVEL, EXPOSURE_LEVEL, "the same with the limits of the rest added"),
        Column(
            "completed_db",
            Kind.LEVEL,
            EXPOSURE_LEVEL,
            "with what gaps hid added, at the mean energy of the blows (seconds) that were recorded",
        ),
        Column(
            "censoring",
            Kind.TEXT,
            "",
            "none; at_least where a clipped strike is in the sum; at_most where nothing was above its background",
        ),
        Column(
            "above_quiet_db",
            Kind.LEVEL,
            EXPOSURE_LEVEL,
            "measured_db without strikes below effective_quiet_db; null where that is not set, and for weighted sums",
        ),
        Column("n_above_quiet", Kind.COUNT, "1", "strikes in above_quiet_db"),
    ),
)
