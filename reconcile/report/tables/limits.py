"""Tables of limits and thresholds: what was measured against each, and where nothing could be compared."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import count, decibels, instant, metres, percent, signed
from reconcile.report.tables.table import Body, Head, Record, Table, number, one_body, text, words
from reconcile.report.words import STATISTICS, quantity_words, sentence_case

_SOUND = {"impulsive": "impact driving", "non_impulsive": "other methods", "any": "all methods"}


def limit_sets(evidence: Evidence) -> tuple[str, ...]:
    """Sets of criteria and limits that anything was compared with, in the campaign's order."""
    return tuple(dict.fromkeys(_compared(evidence)["criteria_set"]))


def limit_table(evidence: Evidence, criteria_set: str) -> Table:
    """One set: a body for each criterion; of a limit every pile and station, of a threshold each station's loudest."""
    head = (
        Head("Station", numeric=False),
        Head("Pile or period", numeric=False),
        Head("Distance", "m"),
        Head("n"),
        Head("Recorded share"),
        Head("As recorded", "dB"),
        Head("Compared", "dB"),
        Head("Level of the criterion", "dB"),
        Head("Margin", "dB"),
        Head("With uncertainty (95 %)", "dB"),
        Head("What can be said", numeric=False, wide=True),
    )
    rows = _compared(evidence)
    own = rows[rows["criteria_set"] == criteria_set]
    keys = ["subject", "effect", "source_type", "quantity", "weighting", "limit_db"]
    bodies = []
    for _, group in own.groupby(keys, sort=False):
        shown = group if group["kind"].iloc[0] == "limit" else _loudest(group)
        records = shown.to_dict("records")
        bodies.append(Body(tuple(_row(r) for r in records), _title(records[0]), _note(records[0])))
    return Table(head, tuple(bodies))


def not_compared_table(evidence: Evidence) -> Table:
    """Criteria with which nothing was compared, and why."""
    head = text("Set", "Subject", "Effect", "Quantity", "Pile", "Why")
    if evidence.limits is None:
        return Table(head, ())
    rows = evidence.limits[evidence.limits["outcome"] == "not_compared"]
    return one_body(head, list(_not_compared(rows)))


def _not_compared(rows: pd.DataFrame) -> Iterator[tuple[str, ...]]:
    for r in rows.to_dict("records"):
        quantity = quantity_words(str(r["quantity"]), str(r["weighting"]))
        pile = words(r, "pile_id") or ""
        yield str(r["criteria_set"]), str(r["subject"]), str(r["effect"]), quantity, pile, str(r["statement"])


def _compared(evidence: Evidence) -> pd.DataFrame:
    rows = evidence.limits
    return pd.DataFrame(columns=["criteria_set"]) if rows is None else rows[rows["outcome"] != "not_compared"]


def _loudest(group: pd.DataFrame) -> pd.DataFrame:
    """The row of least margin at each station; rows whose margin is not known come first."""
    return group.sort_values("margin_db", kind="stable", na_position="first").drop_duplicates("station_id")


def _title(record: Record) -> str:
    effect = f", {record['effect']}" if record["effect"] else ""
    quantity = quantity_words(str(record["quantity"]), str(record["weighting"]))
    return f"{sentence_case(str(record['subject']))}{effect}: {quantity}"


def _note(record: Record) -> str:
    statistic = words(record, "statistic")
    parts = [_SOUND[str(record["source_type"])]]
    if statistic is not None:
        parts.append(STATISTICS.get(statistic, statistic))
    if (range_m := number(record, "limit_range_m")) is not None:
        parts.append(f"at {metres(range_m)} m")
    source = f"{record['source']} ({record['date']}; {str(record['standing']).replace('memory-', 'from memory, ')})"
    return "; ".join(part for part in (", ".join(parts), source, str(record["note"])) if part)


def _row(record: Record) -> tuple[str, ...]:
    start = words(record, "pile_id")
    return (
        words(record, "station_id") or "",
        start or instant(pd.Timestamp(record["start_utc"]).to_pydatetime()),
        metres(number(record, "range_m")),
        count(number(record, "n_strikes")),
        percent(number(record, "recorded_fraction")),
        decibels(number(record, "measured_as_recorded_db")),
        decibels(number(record, "measured_db")),
        decibels(number(record, "limit_db")),
        signed(number(record, "margin_db")),
        signed(number(record, "margin_with_uncertainty_db")),
        str(record["statement"]),
    )
