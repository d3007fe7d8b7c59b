"""`phases`: how long, how often and how loud each phase of a pile's activities was at each station."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import EXPOSURE_LEVEL, PRESSURE_LEVEL, Column, Kind, Table

PHASES = Table(
    "phases",
    "pile, station, activity and phase",
    (
        Column("pile_id", Kind.TEXT, "", "pile"),
        Column("station_id", Kind.TEXT, "", "station"),
        Column("activity_id", Kind.TEXT, "", "activity of activities.csv; null where none holds"),
        Column(
            "phase",
            Kind.TEXT,
            "",
            "soft_start, full_drive, restrike, test_blow or other, as stated or recognised; null where neither",
        ),
        Column("installation_method", Kind.TEXT, "", "installation method in that phase"),
        Column("abatement", Kind.TEXT, "", "abatement in that phase"),
        Column("first_utc", Kind.TIME, "UTC", "first strike (second), by the station's stated clock"),
        Column("last_utc", Kind.TIME, "UTC", "last strike (second)"),
        Column("n_strikes", Kind.COUNT, "1", "strikes (seconds, where not driven by impact), censored ones included"),
        Column("n_censored", Kind.COUNT, "1", "those with a censored exposure level"),
        Column("median_energy_kj", Kind.LEVEL, "kJ", "median strike energy; null where none is known"),
        Column("median_db", Kind.LEVEL, EXPOSURE_LEVEL, "median of the exposure levels (of one second, if not impact)"),
        Column(
            "median_lower_db",
            Kind.LEVEL,
            EXPOSURE_LEVEL,
            "lower end of its interval (95 %, by blocks of neighbouring strikes; null for fewer than 30)",
        ),
        Column("median_upper_db", Kind.LEVEL, EXPOSURE_LEVEL, "upper end of it"),
        Column("energy_mean_db", Kind.LEVEL, EXPOSURE_LEVEL, "level of the mean exposure"),
        Column("exceeded_5_db", Kind.LEVEL, EXPOSURE_LEVEL, "exposure level exceeded by 5 %"),
        Column("exceeded_5_lower_db", Kind.LEVEL, EXPOSURE_LEVEL, "lower end of its interval, likewise"),
        Column("exceeded_5_upper_db", Kind.LEVEL, EXPOSURE_LEVEL, "upper end of it"),
        Column("exceeded_50_db", Kind.LEVEL, EXPOSURE_LEVEL, "exposure level exceeded by 50 %"),
        Column("exceeded_90_db", Kind.LEVEL, EXPOSURE_LEVEL, "exposure level exceeded by 90 %"),
        Column("exceeded_95_db", Kind.LEVEL, EXPOSURE_LEVEL, "exposure level exceeded by 95 %"),
        Column(
            "maximum_peak_level_db",
            Kind.LEVEL,
            PRESSURE_LEVEL,
            "largest peak level; null where a clipped strike could be louder, and for other methods than impact",
        ),
        Column(
            "cumulative_exposure_level_db",
            Kind.LEVEL,
            EXPOSURE_LEVEL,
            "exposure summed over these strikes (seconds)",
        ),
    ),
)
