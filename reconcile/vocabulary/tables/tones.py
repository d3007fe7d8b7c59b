"""`tones`: tonal lines of vibratory work, a fundamental and its harmonics against time."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import PRESSURE_LEVEL, Column, Kind, Table

TONES = Table(
    "tones",
    "station, stretch of ten seconds and line",
    (
        Column("station_id", Kind.TEXT, "", "station"),
        Column("pile_id", Kind.TEXT, "", "pile that was being installed"),
        Column("activity_id", Kind.TEXT, "", "activity of activities.csv; null where none holds"),
        Column("start_utc", Kind.TIME, "UTC", "start of the stretch, by the station's stated clock"),
        Column("duration_s", Kind.LEVEL, "s", "length of the stretch: 10, or 5 to 9 at the end of the work"),
        Column("harmonic", Kind.COUNT, "1", "number of the line: 1 is the fundamental"),
        Column("frequency_hz", Kind.LEVEL, "Hz", "mean frequency: that multiple of the series' fundamental"),
        Column("frequency_uncertainty_hz", Kind.LEVEL, "Hz", "one standard deviation of it, from frame to frame"),
        Column("level_db", Kind.LEVEL, PRESSURE_LEVEL, "mean-square level of the line, its surroundings subtracted"),
        Column(
            "standard_uncertainty_db",
            Kind.LEVEL,
            "dB",
            "one standard deviation of level_db by the surroundings' noise and by what the line scatters from frame to "
            "frame; null for a limit",
        ),
        Column("prominence_db", Kind.LEVEL, "dB", "level in the line's width over that of its surroundings there"),
        Column("censoring", Kind.TEXT, "", "none; at_most where the line stands out by less than 3 dB"),
        Column("flags", Kind.FLAGS, "", "flags of the seconds; see the table of flags"),
    ),
)
