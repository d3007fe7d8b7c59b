"""Reads driving_log.csv: blow counts and mean energies by increment, where single blows were not logged."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from reconcile.campaign.csv_tables import Column, Table, check_known, read_table
from reconcile.campaign.faults import CellFault, Findings, id_needed, plain, shown
from reconcile.vocabulary.documents.campaign import DrivingIncrement

FILE = "driving_log.csv"
COLUMNS = (
    Column("pile_id", filled=True, needed=id_needed),
    Column("start_utc", "time"),
    Column("end_utc", "time"),
    Column("from_penetration_m", "number"),
    Column("to_penetration_m", "number"),
    Column("n_blows", "count", filled=True, at_least=0),
    Column("mean_energy_kj", "number", above=0),
)
_TIMES, _DEPTHS = ("start_utc", "end_utc"), ("from_penetration_m", "to_penetration_m")
_SAME_M = 1e-6  # penetrations are written with a few decimals


def read_driving_log(path: Path, pile_ids: Iterable[str] | None, findings: Findings) -> tuple[DrivingIncrement, ...]:
    """Read and check driving_log.csv: by pile in the order of driving. `pile_ids`: None if not known."""
    table = read_table(path, COLUMNS, findings)
    if table is None:
        return ()
    if pile_ids is not None:
        check_known(table, "pile_id", pile_ids, "a pile_id of piles.csv", findings)
    _check_pairs(table, findings)
    _check_order(table, findings)
    increments = [DrivingIncrement(line=line, **values) for line, values in table.records()]
    in_order: list[DrivingIncrement] = []
    for pile_id in dict.fromkeys(increment.pile_id for increment in increments):
        in_order += _of_pile([i for i in increments if i.pile_id == pile_id], findings)
    _check_overlaps(table, in_order, findings)
    return tuple(in_order)


def _check_pairs(table: Table, findings: Findings) -> None:
    """Both ends of an increment or neither; and times or penetrations."""
    time = [~np.isnat(table.times[name]) for name in _TIMES]
    depth = [np.isfinite(table.numbers[name]) for name in _DEPTHS]
    for names, (first, last) in ((_TIMES, time), (_DEPTHS, depth)):
        rows = [row for row in table.good_rows(*names) if first[row] != last[row]]
        faults = {row: CellFault(table.lines[row], "only one of the two", "both, or neither") for row in rows}
        table.add_faults(" and ".join(names), faults, findings)
    nothing = ~(time[0] | time[1] | depth[0] | depth[1])
    rows = [row for row in table.good_rows(*_TIMES, *_DEPTHS) if nothing[row]]
    needed = "start_utc and end_utc, or from_penetration_m and to_penetration_m"
    faults = {row: CellFault(table.lines[row], "neither times nor penetrations", needed) for row in rows}
    table.add_faults("", faults, findings)


def _check_order(table: Table, findings: Findings) -> None:
    start, end = (table.times[name] for name in _TIMES)
    rows = np.flatnonzero(end < start).tolist()
    faults = {row: CellFault(table.lines[row], f"{end[row]}Z", f"not before start_utc, {start[row]}Z") for row in rows}
    table.add_faults("end_utc", faults, findings)
    above, below = (table.numbers[name] for name in _DEPTHS)
    rows = np.flatnonzero(below < above - _SAME_M).tolist()
    faults = {
        row: CellFault(table.lines[row], f"{below[row]:g}", f"not above from_penetration_m, {above[row]:g}")
        for row in rows
    }
    table.add_faults("to_penetration_m", faults, findings)


def _of_pile(increments: list[DrivingIncrement], findings: Findings) -> list[DrivingIncrement]:
    """One pile's increments in order: by time where all have one, else as they stand; half-known times are dropped."""
    name = plain(increments[0].pile_id)
    timed = [i.start_utc for i in increments if i.start_utc is not None]
    if len(timed) < len(increments):
        if timed:
            findings.note(f"{FILE}: only some increments of pile {name} have times; their order and counts are used")
        return [i.model_copy(update={"start_utc": None, "end_utc": None}) for i in increments]
    if timed != sorted(timed):
        findings.note(f"{FILE}: the increments of pile {name} are not in order of time; they were sorted")
    return sorted(increments, key=lambda i: (i.start_utc, i.end_utc, i.line))


def _check_overlaps(table: Table, increments: Iterable[DrivingIncrement], findings: Findings) -> None:
    """Increments of a pile follow each other, in time and in penetration."""
    row_of = {line: row for row, line in enumerate(table.lines)}
    last: dict[str, DrivingIncrement] = {}
    faults: dict[str, dict[int, CellFault]] = {"start_utc": {}, "from_penetration_m": {}}
    for now in increments:
        before = last.get(now.pile_id)
        last[now.pile_id] = now
        if before is None:
            continue
        of = f"an increment of {shown(now.pile_id)}"
        if now.start_utc is not None and before.end_utc is not None and now.start_utc < before.end_utc:
            found = f"{of} that overlaps the one on line {before.line}"
            faults["start_utc"][row_of[now.line]] = CellFault(now.line, found, "increments that follow each other")
        depth, reached = now.from_penetration_m, before.to_penetration_m
        if depth is not None and reached is not None and depth < reached - _SAME_M:
            found = f"{depth:g}, {of} above where the one on line {before.line} ended"
            needed = f"{reached:g} or more: penetration does not decrease"
            faults["from_penetration_m"][row_of[now.line]] = CellFault(now.line, found, needed)
    for column, found_there in faults.items():
        table.add_faults(column, found_there, findings)


def n_counted(increments: Iterable[DrivingIncrement]) -> dict[str, int]:
    """Blows counted by pile; a pile without increments is not in it."""
    counts: dict[str, int] = {}
    for increment in increments:
        counts[increment.pile_id] = counts.get(increment.pile_id, 0) + increment.n_blows
    return counts
