"""Tables of what surrounds the work (ambient sound, floors before strikes) and of the kurtosis of minutes."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import MISSING, count, decibels, instant, significant
from reconcile.report.tables.table import Body, Head, Record, Table, number, text, words

_UNIT = "dB re 1 µPa"
_NAMES = {
    "ambient_before": "Ambient before the work",
    "ambient_between": "Ambient between work",
    "ambient_after": "Ambient after the work",
    "floor_before_strikes": "Floor before strikes",
}
_SHOWN = ("exceeded_5_db", "exceeded_50_db", "exceeded_95_db", "energy_mean_db")
_KURTOSIS = ("kurtosis_median", "kurtosis_exceeded_5", "kurtosis_maximum")


def surroundings_table(evidence: Evidence, station_id: str) -> Table:
    """Percentiles in the full band at one station: a body for each pile."""
    head = (
        *text("What", "Activity", "Abatement"),
        Head("Interval", "s"),
        Head("n"),
        Head("Exceeded by 5 %", _UNIT),
        Head("Exceeded by 50 %", _UNIT),
        Head("Exceeded by 95 %", _UNIT),
        Head("Mean square over all", _UNIT),
    )
    rows = _full_band(evidence)
    own = rows[rows["over"].isin(list(_NAMES)) & (rows["station_id"] == station_id)]
    places = {name: k for k, name in enumerate(_NAMES)}
    ordered = own.assign(place=own["over"].map(places)).sort_values(["place", "start_utc"], kind="stable")
    return Table(head, _bodies(evidence, ordered, _surroundings_row))


def kurtosis_table(evidence: Evidence, station_id: str) -> Table:
    """Kurtosis of the minutes of each hour in which a pile was worked on, at one station: a body for each pile."""
    head = (
        *text("Activity", "First minute (UTC)"),
        Head("Minutes"),
        Head("Median"),
        Head("Exceeded by 5 %"),
        Head("Highest"),
    )
    rows = _full_band(evidence)
    own = rows[(rows["over"] == "utc_hour") & (rows["station_id"] == station_id) & rows["kurtosis_median"].notna()]
    return Table(head, _bodies(evidence, own.sort_values("start_utc", kind="stable"), _kurtosis_row))


def _full_band(evidence: Evidence) -> pd.DataFrame:
    table = evidence.continuous
    if table is None or "kurtosis_median" not in table:
        return pd.DataFrame(columns=["over", "station_id", "pile_id", "start_utc", "kurtosis_median"])
    return table[(table["weighting"] == "none") & table["band_hz"].isna()]


def _bodies(evidence: Evidence, rows: pd.DataFrame, row: Callable[[Record], tuple[str, ...]]) -> tuple[Body, ...]:
    bodies = []
    for pile in evidence.piles:
        cells = tuple(row(record) for record in rows[rows["pile_id"] == pile.pile_id].to_dict("records"))
        if cells:
            bodies.append(Body(cells, pile.pile_id))
    return tuple(bodies)


def _surroundings_row(record: Record) -> tuple[str, ...]:
    return (
        _NAMES[str(record["over"])],
        words(record, "activity_id") or MISSING,
        words(record, "abatement") or MISSING,
        significant(number(record, "interval_s")),
        count(number(record, "n_intervals")),
        *(decibels(number(record, name)) for name in _SHOWN),
    )


def _kurtosis_row(record: Record) -> tuple[str, ...]:
    return (
        words(record, "activity_id") or MISSING,
        instant(pd.Timestamp(record["start_utc"]).to_pydatetime()),
        count(number(record, "n_kurtosis")),
        *(significant(number(record, name)) for name in _KURTOSIS),
    )
