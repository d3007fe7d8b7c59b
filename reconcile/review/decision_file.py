"""Appends decisions to decisions.csv: a line at a time, under a lock, on the disk before it is said to be written.

Earlier lines are never written again. A last line that a crash cut short is taken off before a new one goes in, and
kept beside the file in decisions.torn.txt. Who appends may say which state of the file they saw: where it is another
by now, nothing is written (`ConflictError`), so that no two people overrule each other unseen.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from reconcile.campaign.decisions import FILE, header_line, read_decisions, without_torn_line
from reconcile.campaign.faults import Findings
from reconcile.campaign.times import epoch_us
from reconcile.review.file_lock import locked
from reconcile.vocabulary.documents.decisions import ACTIONS, DECISION_COLUMNS, REACH_US, Decision
from reconcile.vocabulary.errors import Fault, InputError, MachineError, ReconcileError, suggestion

LOCK, TORN = ".decisions.csv.lock", "decisions.torn.txt"
LONGEST_TEXT = 500  # characters of who and reason
_STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")  # in spreadsheets
_EARLIEST, _LATEST = datetime(1000, 1, 1, tzinfo=UTC), datetime(3000, 1, 1, tzinfo=UTC)  # years of the input's times


class ConflictError(ReconcileError):
    """The file is not as it was seen: somebody else has decided since. `version` is that of the file now."""

    def __init__(self, version: str) -> None:
        self.version = version
        super().__init__("somebody else has decided since this was looked at: look again, then decide")


@dataclass(frozen=True, slots=True)
class NewDecision:
    """A decision as a person gives it; `new_time_utc` for `move` alone. Times are UTC."""

    who: str
    station_id: str
    time_utc: datetime
    action: str
    reason: str
    new_time_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class Written:
    """The line that was written, the version of the file with it, and what was recovered from a torn line before it."""

    line: int
    version: str
    recovered: str = ""


def version(campaign: Path) -> str:
    """What the decisions are now, in short: another text for another content; empty where there is no file."""
    content = _content(campaign / FILE)
    return hashlib.sha256(content).hexdigest()[:24] if content is not None else ""


def decisions_of(campaign: Path) -> tuple[Decision, ...]:
    """The decisions of a campaign folder, in order. Raises InputError with every fault of the file."""
    path = campaign / FILE
    if not path.exists():
        return ()
    findings = Findings()
    decisions = read_decisions(path, None, findings)
    findings.raise_if_any()
    return decisions


def append_decision(
    campaign: Path, decision: NewDecision, seen: str | None = None, decided_utc: datetime | None = None
) -> Written:
    """Append one decision to the campaign's file; it is on the disk when this returns.

    `seen`: the `version` that the person saw (None: not checked). `decided_utc`: now, unless given. Raises InputError
    with all that is wrong with the decision (or the file), ConflictError, MachineError.
    """
    path = campaign / FILE
    check_decision(decision)
    with locked(campaign / LOCK):
        if seen is not None and version(campaign) != seen:
            raise ConflictError(version(campaign))
        before = decisions_of(campaign)
        _check_known(decision, before)
        moment = (decided_utc or datetime.now(UTC)).astimezone(UTC)
        newest = max((d.decided_utc for d in before), default=moment)
        line = _line(decision, max(moment, newest), _columns(path, decision))
        try:
            recovered = _append(path, line.encode("utf-8"))
        except OSError as error:
            raise MachineError(str(path), error.strerror or str(error)) from error
        content = _content(path) or b""
        return Written(content.count(b"\n"), version(campaign), recovered)


def check_decision(decision: NewDecision) -> None:
    """Raises InputError with all that is wrong with a decision by itself."""
    faults = []

    def fault(where: str, found: str, needed: str, hint: str = "") -> None:
        faults.append(Fault("the decision", where, found, needed, hint))

    if decision.action not in ACTIONS:
        hint = suggestion(decision.action, ACTIONS)
        fault("action", repr(decision.action[:80]), f"one of {', '.join(ACTIONS)}", hint)
    for name in ("who", "reason"):
        text = safe_text(getattr(decision, name))
        if not text:
            fault(name, "nothing", "who decided" if name == "who" else "why it is decided so (a note is its text)")
        elif len(text) > LONGEST_TEXT:
            fault(name, f"{len(text)} characters", f"at most {LONGEST_TEXT}")
    if not decision.station_id or not decision.station_id.isprintable():
        fault("station_id", repr(decision.station_id[:80]), "the id of a station")
    for name in ("time_utc", "new_time_utc"):
        moment = getattr(decision, name)
        if moment is not None and (moment.tzinfo is None or not _EARLIEST <= moment < _LATEST):
            fault(name, str(moment), "a time in UTC")
    if (decision.new_time_utc is not None) != (decision.action == "move"):
        found = "none" if decision.new_time_utc is None else f"one, with the action {decision.action[:80]}"
        fault("new_time_utc", found, "a new time for a move, and for nothing else")
    if faults:
        raise InputError(faults)


def _check_known(decision: NewDecision, before: tuple[Decision, ...]) -> None:
    """What is undone is there."""
    same = [d for d in before if (d.station_id, d.time_utc) == (decision.station_id, decision.time_utc)]
    n_left = sum(1 if d.action != "undo" else -1 for d in same)
    if decision.action == "undo" and n_left <= 0:
        found = f"no decision at {decision.station_id}, {rfc_3339(decision.time_utc)}"
        needed = "the station and time_utc of a line that is not undone yet, exactly"
        near = [d for d in before if d.station_id == decision.station_id and _apart_us(d, decision) <= REACH_US]
        hint = f"is the line of {rfc_3339(near[-1].time_utc)} meant?" if near else ""
        raise InputError([Fault(FILE, "", found, needed, hint)])


def _apart_us(one: Decision, other: NewDecision) -> int:
    return abs(epoch_us(one.time_utc) - epoch_us(other.time_utc))


def safe_text(text: str) -> str:
    """Free text as one cell of one line: without control characters, and never a formula to a spreadsheet."""
    plain = " ".join("".join(char if char.isprintable() else " " for char in text).split())
    return f"'{plain}" if plain.startswith(_STARTS_FORMULA) else plain


def rfc_3339(moment: datetime) -> str:
    """A time as the files have it, to the microsecond: `2025-05-01T08:00:00.123456Z`."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _columns(path: Path, decision: NewDecision) -> list[str]:
    """The columns of the file, in its own order; a column that is not known stays empty in new lines."""
    content, _ = without_torn_line(_content(path) or b"")
    if not content:
        return list(DECISION_COLUMNS)
    header = next(csv.reader(io.StringIO(content.decode("utf-8-sig").split("\n", 1)[0])))
    names = [name.strip() for name in header]
    if decision.new_time_utc is not None and "new_time_utc" not in names:
        raise InputError([Fault(FILE, "header", "no column new_time_utc", "the column new_time_utc, for a move")])
    return names


def _line(decision: NewDecision, decided_utc: datetime, columns: list[str]) -> str:
    moved = decision.new_time_utc
    cells = {
        "decided_utc": rfc_3339(decided_utc),
        "who": safe_text(decision.who),
        "station_id": decision.station_id,
        "time_utc": rfc_3339(decision.time_utc),
        "action": decision.action,
        "reason": safe_text(decision.reason),
        "new_time_utc": "" if moved is None else rfc_3339(moved),
    }
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\n").writerow([cells.get(name, "") for name in columns])
    return text.getvalue()


def _append(path: Path, line: bytes) -> str:
    """Write a line behind what is whole of the file and wait until it is on the disk; returns what was torn."""
    content = _content(path)
    whole, torn = without_torn_line(content) if content else (b"", b"")
    if torn:
        with (path.parent / TORN).open("ab") as beside:
            _put(beside.fileno(), torn + b"\n")
    start = b"" if whole else header_line().encode()
    if whole and not whole.endswith(b"\n"):
        start = b"\n"  # a line that was written by hand, whole but for its end
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        if torn:
            os.ftruncate(handle, len(whole))
        os.lseek(handle, 0, os.SEEK_END)
        _put(handle, start + line)
    finally:
        os.close(handle)
    if content is None:
        _sync_folder(path.parent)
    return torn.decode("utf-8", "replace")


def _put(handle: int, data: bytes) -> None:
    while data:
        data = data[os.write(handle, data) :]
    os.fsync(handle)


def _sync_folder(folder: Path) -> None:
    """A new file is there after a crash only once its folder is on the disk, too."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise MachineError(str(path), error.strerror or str(error)) from error
