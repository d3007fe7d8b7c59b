"""Reads decisions.csv: what a person decided about strikes. Later lines win; nothing is ever taken out of the file.

A last line that a crash cut short is left out with a note: every writer ends its line with a line break, last of all.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from reconcile.campaign.csv_tables import Column, Table, check_known, decode, parse_table, read_bytes
from reconcile.campaign.faults import CellFault, Findings
from reconcile.campaign.times import parse_utc
from reconcile.vocabulary.documents.decisions import ACTIONS, DECISION_COLUMNS, Decision

FILE = "decisions.csv"
COLUMNS = (
    Column("decided_utc", "time", filled=True),
    Column("who", filled=True),
    Column("station_id", filled=True),
    Column("time_utc", "time", filled=True),
    Column("action", filled=True, words=ACTIONS),
    Column("reason", filled=True),
    Column("new_time_utc", "time", optional=True),
)


def read_decisions(path: Path, station_ids: Iterable[str] | None, findings: Findings) -> tuple[Decision, ...]:
    """Read and check decisions.csv, in the order of its lines. `station_ids`: None if not known."""
    content = read_bytes(path, findings)
    if content is None:
        return ()
    whole, torn = without_torn_line(content)
    if torn:
        n = whole.count(b"\n") + 1
        findings.note(f"{FILE}: line {n}, the last one, was cut short while it was written: it is not used")
    if not whole:  # not even the header: whoever began the file was interrupted
        return ()
    text = decode(whole, FILE, findings)
    table = None if text is None else parse_table(text, FILE, COLUMNS, findings)
    if table is None:
        return ()
    if station_ids is not None:
        check_known(table, "station_id", station_ids, "an id of [[stations]]", findings)
    _check_new_times(table, findings)
    return tuple(Decision(line=line, **values) for line, values in table.records())


def without_torn_line(content: bytes) -> tuple[bytes, bytes]:
    """The content up to where it is whole, and the rest of a last line that was cut short (empty where none was).

    A last line without a line break is whole where all its cells are there and its times are times.
    """
    end = content.rfind(b"\n") + 1
    while content.count(b'"', 0, end) % 2:  # a line break within quotes ends no line
        end = content.rfind(b"\n", 0, end - 1) + 1
    tail = content[end:]
    if not end:
        header_begun = header_line().rstrip("\n").encode()
        return (b"", tail) if header_begun.startswith(tail) and tail != header_begun else (content, b"")
    if not tail.strip():
        return content, b""
    header = next(csv.reader([content[:end].decode("utf-8-sig", "replace").splitlines()[0]]), [])
    return (content, b"") if _is_whole(tail, [name.strip() for name in header]) else (content[:end], tail)


def _is_whole(tail: bytes, header: list[str]) -> bool:
    try:
        rows = list(csv.reader(io.StringIO(tail.decode("utf-8"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error):
        return False
    if len(rows) != 1 or len(rows[0]) != len(header):
        return False
    cells = dict(zip(header, (cell.strip() for cell in rows[0]), strict=True))
    times = [cells[c.name] for c in COLUMNS if c.kind == "time" and cells.get(c.name)]
    complete = cells.get("action") != "move" or bool(cells.get("new_time_utc"))
    return complete and not np.isnat(parse_utc(times)).any()


def _check_new_times(table: Table, findings: Findings) -> None:
    """Moves, and moves alone, have a new time."""
    faults = {}
    for row in table.good_rows("action", "new_time_utc"):
        given, action = not np.isnat(table.times["new_time_utc"][row]), table.texts["action"][row]
        if given != (action == "move"):
            found = f"{table.times['new_time_utc'][row]}Z with the action {action}" if given else "an empty cell"
            needed = "an empty cell (it is of move alone)" if given else "the time that the strike is moved to"
            faults[row] = CellFault(table.lines[row], found, needed)
    table.add_faults("new_time_utc", faults, findings)


def header_line() -> str:
    """The first line of a new file."""
    return ",".join(DECISION_COLUMNS) + "\n"


def undone_by(decisions: Sequence[Decision]) -> dict[int, int]:
    """For each line that an `undo` has taken out the line of that `undo`.

    An `undo` takes out the newest line (by `decided_utc`) with its station and time that was not taken out before.
    """
    undone: dict[int, int] = {}
    before: list[Decision] = []
    for decision in decisions:
        if decision.action != "undo":
            before.append(decision)
            continue
        same = [
            (other.decided_utc, other.line)
            for other in before
            if other.line not in undone
            and (other.station_id, other.time_utc) == (decision.station_id, decision.time_utc)
        ]
        if same:
            undone[max(same)[1]] = decision.line
    return undone
