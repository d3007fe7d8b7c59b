"""Whether a decision meets what it is about, before it is written: a line that meets nothing helps nobody."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from reconcile.campaign.decisions import FILE
from reconcile.campaign.times import epoch_us
from reconcile.review.decision_file import NewDecision, rfc_3339
from reconcile.review.strike_list import nearest
from reconcile.strikes.exposure_periods import microseconds
from reconcile.vocabulary.documents.decisions import REACH_US, Decision
from reconcile.vocabulary.errors import Fault, InputError, suggestion

ABOUT_A_STRIKE = frozenset({"reject", "accept", "exclude_from_statistics", "move"})


def check_station(decision: NewDecision, station_ids: Iterable[str]) -> None:
    """Raises InputError where no station has the decision's id."""
    known = sorted(station_ids)
    if decision.station_id not in known:
        hint = suggestion(decision.station_id, known)
        needed = f"one of {', '.join(known)}"
        raise InputError([Fault("the decision", "station_id", repr(decision.station_id), needed, hint)])


def met(decision: NewDecision, table: pd.DataFrame | None, before: Sequence[Decision]) -> str:
    """What a decision is about, in a few words: the strike of `strike_list.listed`, or one that a line has placed.

    Raises InputError where a decision about a strike meets none. `before` are the lines of the file, of which some may
    not be applied yet; `table` None where there are no results.
    """
    place = None if table is None else nearest(table, decision.station_id, decision.time_utc)
    if place is not None and table is not None:
        row = table.iloc[place]
        name = row["strike_id"] if isinstance(row["strike_id"], str) else "a pulse that a rule rejected"
        return f"{name} at {decision.station_id}, {rfc_3339(row['time_utc'].to_pydatetime())}"
    placed = [line for line in before if line.station_id == decision.station_id and _places(line, decision)]
    if placed:
        return f"the strike of line {placed[-1].line} of {FILE}, which the next run measures"
    if decision.action not in ABOUT_A_STRIKE:
        return f"{decision.station_id}, {rfc_3339(decision.time_utc)}"
    found = f"no strike within 50 ms of {rfc_3339(decision.time_utc)} at {decision.station_id}"
    raise InputError(
        [Fault("the decision", "time_utc", found, "the time_utc of a strike there", _hint(decision, table))]
    )


def _places(line: Decision, decision: NewDecision) -> bool:
    """Whether an earlier line puts a strike where a decision looks for one."""
    at = {"add": line.time_utc, "move": line.new_time_utc}.get(line.action)
    return at is not None and abs(epoch_us(at) - epoch_us(decision.time_utc)) <= REACH_US


def _hint(decision: NewDecision, table: pd.DataFrame | None) -> str:
    if table is None:
        return "there are no results yet"
    times = table[table["station_id"] == decision.station_id]["time_utc"]
    if times.empty:
        return ""
    at = microseconds(times)
    closest = times.iloc[int(np.argmin(np.abs(at - epoch_us(decision.time_utc))))]
    return f"the nearest one is at {rfc_3339(closest.to_pydatetime())}"
