"""What a person's decisions mean: lines of decisions.csv held against the strikes that were found.

Lines are taken in the order of the file. A line means the strike nearest to its time at its station, within 50 ms, as
the lines before it have left it; the later of two lines about one strike wins. `undo` takes a line out before anything
else is read. A line that meets nothing is named and left unused.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.decisions import undone_by
from reconcile.campaign.times import epoch_us
from reconcile.strikes.pulses import RecordedInterval
from reconcile.vocabulary.documents.decisions import REACH_US, Decision, DecisionEntry

Verdict = Literal["rejected", "accepted", "excluded"]
_VERDICTS: dict[str, Verdict] = {"reject": "rejected", "accept": "accepted", "exclude_from_statistics": "excluded"}
_FOREVER_US = 2**62


@dataclass(slots=True)
class Mark:
    """A strike that decisions are about.

    `row` is its row of the strikes given (-1: none, it was added), `time_us` its time there, `measure_us` where it has
    to be measured, `place` the time at which later lines find it.
    """

    station_id: str
    time_us: int
    row: int
    place: int
    verdict: Verdict | None = None
    verdict_line: int = 0
    measure_us: int | None = None
    kind: Literal["added", "moved"] | None = None
    measure_line: int = 0


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of a station's recordings that cannot be used, [start_us, end_us), UTC microseconds since 1970."""

    station_id: str
    start_us: int
    end_us: int
    lines: tuple[int, ...] = ()


@dataclass(slots=True)
class Resolved:
    """Decisions as they apply: strikes they are about, stretches, and what became of each line."""

    marks: list[Mark] = field(default_factory=list)
    stretches: tuple[Stretch, ...] = ()
    entries: dict[int, DecisionEntry] = field(default_factory=dict)

    def unuse(self, line: int, why: str) -> None:
        """Say that a line met nothing."""
        self.entries[line] = self.entries[line].model_copy(
            update={"applied": False, "effect": "left unused", "unused": why}
        )

    def say(self, line: int, effect: str, *, applied: bool = True) -> None:
        """Say what a line did."""
        self.entries[line] = self.entries[line].model_copy(update={"applied": applied, "effect": effect})


def resolve(decisions: Sequence[Decision], strikes: pd.DataFrame) -> Resolved:
    """What decisions mean for `strikes`: rows `station_id`, `time_us`, `heard`, those rejected by rule among them."""
    found = Resolved()
    for decision in decisions:
        found.entries[decision.line] = DecisionEntry(**decision.model_dump(), applied=True, effect="")
    standing = _without_undone(decisions, found)
    places = _Places(strikes)
    for decision in standing:
        if decision.action in _VERDICTS:
            _judge(decision, places, found)
        elif decision.action == "add":
            _add(decision, places, found)
        elif decision.action == "move":
            _move(decision, places, found)
        elif decision.action == "note":
            found.say(decision.line, "noted; no level is changed by it")
    found.marks = places.marks
    found.stretches = _stretches(standing, found)
    return found


def _without_undone(decisions: Sequence[Decision], found: Resolved) -> list[Decision]:
    """The lines that are left when each `undo` has taken out its own."""
    undone = undone_by(decisions)
    taken_out = {undo: line for line, undo in undone.items()}
    for undo in (decision.line for decision in decisions if decision.action == "undo"):
        if undo not in taken_out:
            found.unuse(undo, "no line before it has this station and this time")
            continue
        found.say(taken_out[undo], f"undone by line {undo}", applied=False)
        found.say(undo, f"undoes line {taken_out[undo]}")
    return [decision for decision in decisions if decision.action != "undo" and decision.line not in undone]


class _Places:
    """Where strikes are, as the lines read so far have left them."""

    def __init__(self, strikes: pd.DataFrame) -> None:
        self.time_us = strikes["time_us"].to_numpy(dtype=np.int64)
        self.heard = strikes["heard"].to_numpy(dtype=bool)
        self.rows = {
            str(name): np.asarray(rows)[np.argsort(self.time_us[rows], kind="stable")]
            for name, rows in strikes.groupby("station_id").indices.items()
        }
        self.marks: list[Mark] = []
        self.of_row: dict[int, Mark] = {}

    def nearest(self, decision: Decision, *, heard_only: bool = False) -> Mark | None:
        """The strike that a line means; None where there is none within 50 ms."""
        at = epoch_us(decision.time_utc)
        own = self.rows.get(decision.station_id, np.zeros(0, dtype=np.int64))
        low, high = np.searchsorted(self.time_us[own], (at - REACH_US, at + REACH_US + 1))
        near = [int(row) for row in own[low:high] if self.heard[row] or not heard_only]
        places = [(abs(int(self.time_us[row]) - at), 0, row) for row in near if row not in self.of_row]
        places += [
            (abs(mark.place - at), 1, k)
            for k, mark in enumerate(self.marks)
            if mark.station_id == decision.station_id
            and abs(mark.place - at) <= REACH_US
            and (not heard_only or mark.measure_us is not None or self.heard[mark.row])
        ]
        if not places:
            return None
        _, marked, k = min(places)
        if marked:
            return self.marks[k]
        time_us = int(self.time_us[k])
        return self.take(Mark(decision.station_id, time_us, k, time_us))

    def take(self, mark: Mark) -> Mark:
        """Keep a strike that a line is about."""
        self.marks.append(mark)
        if mark.row >= 0:
            self.of_row[mark.row] = mark
        return mark


_NONE_NEAR = "no strike within 50 ms of that time at that station"


def _judge(decision: Decision, places: _Places, found: Resolved) -> None:
    mark = places.nearest(decision)
    if mark is None:
        found.unuse(decision.line, _NONE_NEAR)
        return
    if mark.verdict_line:
        found.say(mark.verdict_line, f"overruled by line {decision.line}", applied=False)
    mark.verdict, mark.verdict_line = _VERDICTS[decision.action], decision.line


def _add(decision: Decision, places: _Places, found: Resolved) -> None:
    mark = places.nearest(decision, heard_only=True)
    at = epoch_us(decision.time_utc)
    if mark is None:
        places.take(Mark(decision.station_id, at, -1, at, measure_us=at, kind="added", measure_line=decision.line))
        return
    if mark.verdict_line:
        found.say(mark.verdict_line, f"overruled by line {decision.line}", applied=False)
    mark.verdict, mark.verdict_line = "accepted", decision.line


def _move(decision: Decision, places: _Places, found: Resolved) -> None:
    mark = places.nearest(decision)
    if mark is None:
        found.unuse(decision.line, _NONE_NEAR)
        return
    assert decision.new_time_utc is not None
    if mark.kind == "moved":
        found.say(mark.measure_line, f"overruled by line {decision.line}", applied=False)
    mark.place = mark.measure_us = epoch_us(decision.new_time_utc)
    mark.kind, mark.measure_line = mark.kind or "moved", decision.line


def _stretches(standing: Sequence[Decision], found: Resolved) -> tuple[Stretch, ...]:
    """Stretches by station: from an `unusable_from` (or several) to the next `unusable_to` in time, else to the end."""
    ends: defaultdict[str, list[tuple[int, str, int]]] = defaultdict(list)
    for decision in standing:
        if decision.action in ("unusable_from", "unusable_to"):
            ends[decision.station_id].append((epoch_us(decision.time_utc), decision.action, decision.line))
    stretches = []
    for station_id, given in sorted(ends.items()):
        open_at: list[tuple[int, int]] = []
        for at, action, line in sorted(given):
            if action == "unusable_from":
                open_at.append((at, line))
            elif open_at:
                stretches.append(Stretch(station_id, open_at[0][0], at, (*(n for _, n in open_at), line)))
                open_at = []
            else:
                found.unuse(line, "no unusable_from before it at that station")
        if open_at:
            stretches.append(Stretch(station_id, open_at[0][0], _FOREVER_US, tuple(n for _, n in open_at)))
    return tuple(stretches)


def within(
    stretches: Sequence[Stretch], station_id: NDArray[np.object_], start_us: NDArray[np.int64], length_us: int = 0
) -> NDArray[np.bool_]:
    """Whether moments, or intervals of a length that begin at them, touch a stretch of their station."""
    inside = np.zeros(len(start_us), dtype=bool)
    for stretch in stretches:
        reached = (start_us + max(length_us - 1, 0) >= stretch.start_us) & (start_us < stretch.end_us)
        inside |= reached & (station_id == stretch.station_id)
    return inside


def usable(recorded: Sequence[RecordedInterval], stretches: Sequence[Stretch]) -> tuple[RecordedInterval, ...]:
    """When stations were recording, less the stretches that cannot be used."""
    left = list(recorded)
    for stretch in stretches:
        kept = []
        for one in left:
            if one.station_id != stretch.station_id or stretch.end_us <= one.start_us or stretch.start_us >= one.end_us:
                kept.append(one)
                continue
            if one.start_us < stretch.start_us:
                kept.append(replace(one, end_us=stretch.start_us))
            if stretch.end_us < one.end_us:
                kept.append(replace(one, start_us=stretch.end_us))
        left = kept
    return tuple(left)
