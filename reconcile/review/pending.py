"""Decisions as the page shows them: which still stand, and which strikes they are about until a run applies them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from reconcile.campaign.decisions import undone_by
from reconcile.review.decision_file import rfc_3339
from reconcile.review.strike_list import nearest
from reconcile.vocabulary.documents.decisions import Decision

ABOUT_NO_STRIKE = frozenset({"note", "undo", "unusable_from", "unusable_to"})


def shown(decisions: Sequence[Decision], n_applied: int, table: pd.DataFrame) -> list[dict[str, Any]]:
    """All lines for the page: as they stand, `applied` (in the results), `undone_by`, and the `place` of the strike."""
    undone = undone_by(decisions)
    lines = []
    for k, decision in enumerate(decisions):
        moved = decision.new_time_utc
        place = None if decision.action in ABOUT_NO_STRIKE - {"note"} else _place(decision, table)
        lines.append(
            {
                "line": decision.line,
                "decided_utc": rfc_3339(decision.decided_utc),
                "who": decision.who,
                "station_id": decision.station_id,
                "time_utc": rfc_3339(decision.time_utc),
                "action": decision.action,
                "reason": decision.reason,
                "new_time_utc": None if moved is None else rfc_3339(moved),
                "applied": k < n_applied,
                "undone_by": undone.get(decision.line),
                "place": place,
            }
        )
    return lines


def _place(decision: Decision, table: pd.DataFrame) -> int | None:
    return nearest(table, decision.station_id, decision.time_utc)


def decided_places(lines: Sequence[dict[str, Any]]) -> set[int]:
    """Rows of the table that standing decisions are about which no run has applied yet (notes do not count)."""
    return {
        line["place"]
        for line in lines
        if line["place"] is not None
        and not line["applied"]
        and line["undone_by"] is None
        and line["action"] not in ABOUT_NO_STRIKE
    }
