"""`blow_counts`: how many blows were logged, heard, missed and extra, for each pile and station."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import Column, Kind, Table

BLOW_COUNTS = Table(
    "blow_counts",
    "impact pile and station",
    (
        Column("pile_id", Kind.TEXT, "", "pile"),
        Column("station_id", Kind.TEXT, "", "station; null: all stations together"),
        Column("n_logged", Kind.COUNT, "1", "blows in the pile's log, singly or as counts; null without a log"),
        Column(
            "n_recorded",
            Kind.COUNT,
            "1",
            "logged blows whose sound arrived while the station was recording; null where the log's clock is not known",
        ),
        Column("n_heard", Kind.COUNT, "1", "strikes of the pile that were heard"),
        Column("n_matched", Kind.COUNT, "1", "strikes heard that are a logged blow; null where only counts are logged"),
        Column(
            "n_missed",
            Kind.COUNT,
            "1",
            "n_recorded less n_matched: blows not heard, or not known which of two they are",
        ),
        Column("n_extra", Kind.COUNT, "1", "n_heard less n_matched: strikes that the log does not have"),
        Column("n_rejected", Kind.COUNT, "1", "pulses that were rejected as no strikes, from the time of the pile"),
    ),
)
