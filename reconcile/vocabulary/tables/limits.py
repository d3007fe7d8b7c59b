"""`limits`: measured levels held against thresholds and limits."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import RECORDED_FRACTION, Column, Kind, Table

_LEVEL = "dB re 1 µPa (peak, rms, 125 ms) or 1 µPa² s (exposure)"

LIMITS = Table(
    "limits",
    "criterion and pile (or period) and station",
    (
        Column("criteria_set", Kind.TEXT, "", "published set, set of the criteria file, or id of a limit"),
        Column("kind", Kind.TEXT, "", "limit, or threshold (of an effect on animals)"),
        Column("subject", Kind.TEXT, "", "animals, country or permit"),
        Column("effect", Kind.TEXT, "", "effect on animals, in the words of the source; empty for none"),
        Column("source_type", Kind.TEXT, "", "sound that it is for: impulsive, non_impulsive or any"),
        Column("quantity", Kind.TEXT, "", "quantity that is compared"),
        Column("weighting", Kind.TEXT, "", "none, or set and group as in nmfs-2024:LF"),
        Column("statistic", Kind.TEXT, "", "statistic over the strikes (seconds) of a pile; null for a sum"),
        Column("pile_id", Kind.TEXT, "", "pile; null for a period over several, and where nothing was compared"),
        Column("station_id", Kind.TEXT, "", "station; null for a receptor that flees, and where nothing was compared"),
        Column("period", Kind.TEXT, "", "what a sum is taken over, as in exposure; else null"),
        Column("start_utc", Kind.TIME, "UTC", "start of the pile's strikes, or of the period"),
        Column("end_utc", Kind.TIME, "UTC", "end of them"),
        Column("range_m", Kind.LEVEL, "m", "distance from pile to hydrophone, median over the strikes"),
        Column("limit_range_m", Kind.LEVEL, "m", "distance at which the limit holds; null for wherever was measured"),
        Column("n_strikes", Kind.COUNT, "1", "strikes (seconds, for other methods) that were compared"),
        RECORDED_FRACTION,
        Column("measured_as_recorded_db", Kind.LEVEL, _LEVEL, "measured level where the hydrophone was"),
        Column("measured_db", Kind.LEVEL, _LEVEL, "brought to limit_range_m; of sums, with what gaps hid"),
        Column("limit_db", Kind.LEVEL, _LEVEL, "the threshold or limit"),
        Column("margin_db", Kind.LEVEL, "dB", "limit_db less measured_db: positive where the measured level is below"),
        Column("standard_uncertainty_db", Kind.LEVEL, "dB", "one standard deviation of measured_db, all parts"),
        Column("margin_with_uncertainty_db", Kind.LEVEL, "dB", "margin_db less 1.645 standard uncertainties (95 %)"),
        Column("censoring", Kind.TEXT, "", "of measured_db: none, at_least or at_most"),
        Column("outcome", Kind.TEXT, "", "below, above, cannot_be_shown or not_compared"),
        Column(
            "can_fail",
            Kind.TRUTH,
            "",
            "a limit (not a threshold, nor one poorly recalled): `--fail-over-limit` heeds it",
        ),
        Column("statement", Kind.TEXT, "", "what can be said, in words"),
        Column("note", Kind.TEXT, "", "what to know of the criterion or of the comparison"),
        Column("source", Kind.TEXT, "", "where the criterion stands"),
        Column("date", Kind.TEXT, "", "date of that source"),
        Column("standing", Kind.TEXT, "", "read, memory-high, memory-medium or stated by the user"),
    ),
)
