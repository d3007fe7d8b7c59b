"""Table of continuous sound: percentiles of levels over each activity that is not impact driving."""

from __future__ import annotations

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import count, decibels
from reconcile.report.tables.table import Body, Head, Record, Table, number, words

_UNIT = "dB re 1 µPa"
_SHOWN = ("energy_mean_db", "exceeded_5_db", "exceeded_50_db", "exceeded_95_db", "maximum_db")


def activity_weightings(evidence: Evidence) -> tuple[str, ...]:
    """Weightings of the percentiles by activity: none first, then those of the settings."""
    rows = _activities(evidence)
    found = set(rows["weighting"]) if rows is not None else set()
    return tuple(w for w in ("none", *evidence.campaign.settings.weightings) if w in found)


def activity_table(evidence: Evidence, weighting: str) -> Table:
    """Percentiles in the full band or through a weighting: a body for each pile and activity, rows by station."""
    head = (
        Head("Station", numeric=False),
        Head("Interval", "s"),
        Head("n"),
        Head("Mean square over all", _UNIT),
        Head("Exceeded by 5 %", _UNIT),
        Head("Exceeded by 50 %", _UNIT),
        Head("Exceeded by 95 %", _UNIT),
        Head("Highest", _UNIT),
        Head("Exposure level", "dB re 1 µPa² s"),
        Head("Censoring", numeric=False),
    )
    rows = _activities(evidence)
    if rows is None:
        return Table(head, ())
    own = rows[(rows["weighting"] == weighting) & rows["band_hz"].isna()]
    places = {name: i for i, name in enumerate(evidence.station_ids)}
    bodies = []
    for _, group in own.groupby(["pile_id", "activity_id"], dropna=False, sort=False):
        ordered = group.assign(place=group["station_id"].map(places)).sort_values(["place", "interval_s"])
        records = ordered.to_dict("records")
        activity = words(records[0], "activity_id")
        title = str(records[0]["pile_id"]) + (f", {activity}" if activity else "")
        bodies.append(Body(tuple(_row(record) for record in records), title))
    return Table(head, tuple(bodies))


def _activities(evidence: Evidence) -> pd.DataFrame | None:
    table = evidence.continuous
    return None if table is None else table[table["over"] == "activity"]


def _row(record: Record) -> tuple[str, ...]:
    return (
        str(record["station_id"]),
        count(number(record, "interval_s")),
        count(number(record, "n_intervals")),
        *(decibels(number(record, name)) for name in _SHOWN),
        decibels(number(record, "exposure_level_db")),
        str(record["censoring"]).replace("_", " "),
    )
