"""What a run says of the decisions that it applied."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from reconcile.campaign.decisions import FILE
from reconcile.vocabulary.documents.decisions import ACTIONS, DecisionEntry


def decision_lines(entries: Sequence[DecisionEntry]) -> list[str]:
    """How many decisions changed what: a line for each action, and one for those that changed nothing."""
    if not entries:
        return []
    applied = [entry for entry in entries if entry.applied]
    lines = [f"{len(entries)} lines of {FILE}, {len(applied)} of them applied"]
    counted = Counter(entry.action for entry in applied)
    for action in ACTIONS:
        own = [entry for entry in applied if entry.action == action]
        if counted[action]:  # type: ignore[index]
            rows, seconds = sum(e.n_strikes for e in own), sum(e.n_seconds for e in own)
            of = f"{rows} {'row' if rows == 1 else 'rows'} of strikes"
            of += f", {seconds} s of continuous levels" if seconds else ""
            lines.append(f"  {action}: {len(own)}, which changed {of}")
    overruled = sum(not entry.applied and not entry.unused for entry in entries)
    if overruled:
        lines.append(f"  undone or overruled by a later line: {overruled}")
    return lines


def unused_decisions(entries: Sequence[DecisionEntry]) -> dict[str, str]:
    """Lines that met nothing, by name, with the reason."""
    return {
        f"{FILE}, line {e.line}": f"{e.action} at {e.station_id}, {e.time_utc.isoformat()}: {e.unused}; left unused"
        for e in entries
        if e.unused
    }
