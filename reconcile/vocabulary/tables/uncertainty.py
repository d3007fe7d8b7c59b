"""`uncertainty`: the budget of each pile's mean exposure level at each station."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import Column, Kind, Table

UNCERTAINTY = Table(
    "uncertainty",
    "pile, station, abatement and component",
    (
        Column("pile_id", Kind.TEXT, "", "pile"),
        Column("station_id", Kind.TEXT, "", "station"),
        Column("abatement", Kind.TEXT, "", "abatement; each state of a pile has a budget of its own"),
        Column("system_id", Kind.TEXT, "", "measuring chain"),
        Column("component", Kind.TEXT, "", "what is uncertain"),
        Column("common_to", Kind.TEXT, "", "strike (averages out over strikes), system or campaign (do not)"),
        Column("standard_uncertainty_db", Kind.LEVEL, "dB", "one standard deviation in the mean exposure level"),
        Column("degrees_of_freedom", Kind.LEVEL, "1", "null where it is taken as well known"),
        Column("counted", Kind.TRUTH, "", "whether it is part of summary.standard_uncertainty_db"),
        Column("source", Kind.TEXT, "", "where the number comes from"),
    ),
)
