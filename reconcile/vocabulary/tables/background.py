"""`background`: continuous levels in intervals of 1 s and 60 s; `background_10s` the same in intervals of 10 s."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.vocabulary.decidecades import label, nominal_hz
from reconcile.vocabulary.tables.column import PRESSURE_LEVEL, Column, Kind, Table
from reconcile.vocabulary.weightings import column_part


def band_column(band: int) -> str:
    """Name of the column with the mean-square level in a band, for example `level_31_5hz_db`."""
    return f"level_{label(band)}_db"


def weighted_column(weighting: str) -> str:
    """Name of the column with a weighted level, for example `level_nmfs_2024_lf_db`."""
    return f"level_{column_part(weighting)}_db"


def background_table(bands: Sequence[int], weightings: Sequence[str], name: str = "background") -> Table:
    """The table for some decidecade bands (by number) and weightings (by name): `background`, or `background_10s`."""
    return Table(
        name,
        "station and time interval",
        (
            Column("station_id", Kind.TEXT, "", "station"),
            Column(
                "pile_id",
                Kind.TEXT,
                "",
                "pile that was being installed in the middle of the interval; null for none then: the flag partly_work "
                "says where work reached into it all the same",
            ),
            Column("activity_id", Kind.TEXT, "", "activity of activities.csv; null where none holds"),
            Column("start_utc", Kind.TIME, "UTC", "start of the interval, by the station's stated clock"),
            Column("duration_s", Kind.LEVEL, "s", "length of the interval: 1 or 60; 10 in background_10s"),
            Column("level_db", Kind.SHORT_LEVEL, PRESSURE_LEVEL, "mean-square sound pressure level"),
            Column(
                "kurtosis",
                Kind.SHORT_LEVEL,
                "1",
                "Pearson's kurtosis of the pressure over 60 s, mean removed (Gaussian noise 3); null for 1 and 10 s",
            ),
            *(
                Column(
                    band_column(n),
                    Kind.SHORT_LEVEL,
                    PRESSURE_LEVEL,
                    f"level in the {nominal_hz(n):g} Hz decidecade",
                )
                for n in bands
            ),
            *(
                Column(weighted_column(w), Kind.SHORT_LEVEL, PRESSURE_LEVEL, f"level weighted by {w}")
                for w in weightings
            ),
            Column("flags", Kind.FLAGS, "", "see the table of flags"),
        ),
    )
