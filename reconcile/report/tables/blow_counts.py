"""Tables of blows logged and heard, and of pulses that were rejected as no strikes."""

from __future__ import annotations

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import count
from reconcile.report.tables.table import Body, Head, Table, number, text
from reconcile.vocabulary.tables import REASONS

_COUNTS = ("n_logged", "n_recorded", "n_heard", "n_matched", "n_missed", "n_extra", "n_rejected")


def blow_count_table(evidence: Evidence) -> Table:
    """Blows logged, recorded, heard, matched, missed and extra: a body for each pile, its stations from near to far."""
    head = (
        Head("Station", numeric=False),
        Head("Blows logged"),
        Head("of these recorded"),
        Head("Strikes heard"),
        Head("of these matched"),
        Head("Blows missed"),
        Head("Strikes extra"),
        Head("Rejected"),
    )
    counts = evidence.blow_counts
    if counts is None:
        return Table(head, ())
    bodies = []
    for pile in evidence.piles:
        own = counts[counts["pile_id"] == pile.pile_id]
        rows = [("all stations", *row) for row in _rows(own[own["station_id"].isna()])]
        for station in evidence.station_ids:
            rows += [(station, *row) for row in _rows(own[own["station_id"] == station])]
        if rows:
            bodies.append(Body(tuple(rows), pile.pile_id))
    return Table(head, tuple(bodies))


def _rows(own: pd.DataFrame) -> list[tuple[str, ...]]:
    return [tuple(count(number(record, name)) for name in _COUNTS) for record in own.to_dict("records")]


def rejected_table(evidence: Evidence) -> Table:
    """How many pulses were rejected for each reason, at each station; a pulse may have several."""
    found = evidence.rejected
    if found is None or found.empty:
        return Table(text("Reason"), ())
    stations = [name for name in evidence.station_ids if (found["station_id"] == name).any()]
    head = (
        *text("Reason"),
        *(Head(name) for name in stations),
        Head("together"),
        Head("Meaning", numeric=False, wide=True),
    )
    each = found[["station_id", "reasons"]].explode("reasons").rename(columns={"reasons": "reason"})
    rows = []
    for reason, meaning in REASONS.items():
        own = each[each["reason"] == reason]
        if len(own):
            by_station = [count(int((own["station_id"] == name).sum())) for name in stations]
            rows.append((reason.replace("_", " "), *by_station, count(len(own)), meaning))
    by_station = [count(int((found["station_id"] == name).sum())) for name in stations]
    rows.append(("pulses rejected", *by_station, count(len(found)), ""))
    return Table(head, (Body(tuple(rows)),))


def unclear_logs(evidence: Evidence) -> tuple[str, ...]:
    """Piles whose log could not be matched with what was heard."""
    return tuple(dict.fromkeys(entry.pile_id for entry in evidence.manifest.clocks.hammer_logs if entry.ambiguous))
