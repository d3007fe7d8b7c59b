"""Decisions of a person about strikes (`decisions.csv`), and what became of each in a run."""

from __future__ import annotations

from datetime import datetime
from typing import Literal, get_args

from reconcile.vocabulary.documents.document import Document

Action = Literal[
    "reject",
    "accept",
    "add",
    "exclude_from_statistics",
    "unusable_from",
    "unusable_to",
    "move",
    "undo",
    "note",
]
ACTIONS: tuple[str, ...] = get_args(Action)
DECISION_COLUMNS = ("decided_utc", "who", "station_id", "time_utc", "action", "reason", "new_time_utc")
REACH_US = 50_000  # a line means the strike nearest to its time, within this


class Decision(Document):
    """One line of decisions.csv; `line` is its number in the file, `new_time_utc` is of `move` alone."""

    line: int
    decided_utc: datetime
    who: str
    station_id: str
    time_utc: datetime
    action: Action
    reason: str
    new_time_utc: datetime | None = None


class DecisionEntry(Decision):
    """A decision and what it did.

    `applied` is false for a line that was undone, overruled or met nothing; `unused` says why a line met nothing.
    `n_strikes` and `n_seconds` count the rows of `strikes` and the 1 s rows of `background` that it holds for.
    """

    applied: bool
    effect: str
    unused: str = ""
    n_strikes: int = 0
    n_seconds: int = 0
