"""Table of what a person decided about strikes: who, when, what, why, and what it did."""

from __future__ import annotations

from datetime import UTC, datetime

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import instant
from reconcile.report.tables.table import Table, one_body, text
from reconcile.vocabulary.documents.decisions import DecisionEntry


def decision_table(evidence: Evidence) -> Table:
    """The lines of decisions.csv in their order."""
    head = text("Line", "Decided", "By", "Station", "Strike or stretch at", "Decision", "Reason", "What it did")
    return one_body(head, [_row(entry) for entry in evidence.manifest.decisions])


def _row(entry: DecisionEntry) -> tuple[str, ...]:
    moved = f", to {_to_millisecond(entry.new_time_utc)}" if entry.new_time_utc is not None else ""
    did = f"left unused: {entry.unused}" if entry.unused else entry.effect
    rows = f"{entry.n_strikes} {'row' if entry.n_strikes == 1 else 'rows'}"
    changed = [told for n, told in ((entry.n_strikes, rows), (entry.n_seconds, f"{entry.n_seconds} s of sound")) if n]
    return (
        str(entry.line),
        instant(entry.decided_utc),
        entry.who,
        entry.station_id,
        _to_millisecond(entry.time_utc) + moved,
        entry.action.replace("_", " "),
        entry.reason,
        did + (f" ({', '.join(changed)})" if changed and entry.applied else ""),
    )


def _to_millisecond(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(" ", "milliseconds").replace("+00:00", "")
