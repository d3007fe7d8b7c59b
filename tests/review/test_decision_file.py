"""Appending to decisions.csv: nothing is lost, nothing is overwritten, nothing becomes a formula."""

from __future__ import annotations

import csv
import os
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from multiprocessing import get_context
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.review import decision_file
from reconcile.review.decision_file import (
    TORN,
    ConflictError,
    NewDecision,
    append_decision,
    check_decision,
    decisions_of,
    safe_text,
    version,
)
from reconcile.vocabulary.errors import InputError, MachineError

TIME = datetime(2025, 5, 1, 8, 0, 3, 400842, tzinfo=UTC)


def decision(reason: str = "a chain", action: str = "reject", who: str = "A. Person") -> NewDecision:
    return NewDecision(who, "S750", TIME, action, reason, TIME if action == "move" else None)


def test_a_file_of_its_own_and_a_line_each(tmp_path: Path) -> None:
    assert version(tmp_path) == ""
    first = append_decision(tmp_path, decision(), decided_utc=datetime(2025, 6, 1, tzinfo=UTC))
    second = append_decision(tmp_path, decision("it moved, late", "move"), seen=first.version)
    text = (tmp_path / "decisions.csv").read_text(encoding="utf-8")
    assert text.splitlines()[:2] == [
        "decided_utc,who,station_id,time_utc,action,reason,new_time_utc",
        "2025-06-01T00:00:00.000000Z,A. Person,S750,2025-05-01T08:00:03.400842Z,reject,a chain,",
    ]
    assert (first.line, second.line) == (2, 3)
    read = decisions_of(tmp_path)
    assert [(d.line, d.action, d.reason) for d in read] == [(2, "reject", "a chain"), (3, "move", "it moved, late")]
    assert read[1].new_time_utc == TIME


def test_who_has_seen_another_file_writes_nothing(tmp_path: Path) -> None:
    seen = append_decision(tmp_path, decision()).version
    append_decision(tmp_path, decision("one tab"), seen=seen)
    before = (tmp_path / "decisions.csv").read_bytes()
    with pytest.raises(ConflictError) as caught:
        append_decision(tmp_path, decision("the other tab"), seen=seen)
    assert caught.value.version == version(tmp_path)
    assert (tmp_path / "decisions.csv").read_bytes() == before


def test_every_torn_last_line_is_recovered_and_earlier_ones_stay(tmp_path: Path) -> None:
    """Whatever a crash leaves of the last line, the next append keeps all before it to the byte."""
    for n in range(2):
        append_decision(tmp_path, decision(f"reason {n}"))
    path = tmp_path / "decisions.csv"
    kept = path.read_bytes()
    append_decision(tmp_path, decision('with a "quote", a comma', "move"))
    whole = path.read_bytes()
    for length in range(len(kept) + 1, len(whole)):
        path.write_bytes(whole[:length])
        (tmp_path / TORN).unlink(missing_ok=True)
        written = append_decision(tmp_path, decision("after the crash"))
        now = path.read_bytes()
        assert now.startswith(kept)
        lines = decisions_of(tmp_path)
        assert lines[-1].reason == "after the crash"
        torn = whole[len(kept) : length]
        if len(lines) == 4:  # the line was whole but for its end
            assert length == len(whole) - 1
            assert now.startswith(whole)
        else:
            assert len(lines) == 3
            assert (tmp_path / TORN).read_bytes() == torn + b"\n"
            assert written.recovered == torn.decode()


def test_a_file_that_got_no_further_than_its_header(tmp_path: Path) -> None:
    path = tmp_path / "decisions.csv"
    append_decision(tmp_path, decision())
    whole = path.read_bytes()
    for length in range(whole.index(b"\n") + 1):
        path.write_bytes(whole[:length])
        assert decisions_of(tmp_path) == ()
        append_decision(tmp_path, decision())
        assert len(decisions_of(tmp_path)) == 1


def test_a_file_written_by_hand(tmp_path: Path) -> None:
    """Windows line ends, other order of columns, a line break in quotes, no line break at the end."""
    path = tmp_path / "decisions.csv"
    head = "\ufeffstation_id,action,time_utc,new_time_utc,decided_utc,who,reason,mine\r\n"
    line = 'S750,reject,2025-05-01T08:00:03Z,,2025-05-02T00:00:00Z,AB,"two\nlines",7'
    path.write_bytes((head + line).encode("utf-8"))
    append_decision(tmp_path, decision())
    assert path.read_bytes().startswith((head + line + "\n").encode("utf-8"))
    assert [d.reason for d in decisions_of(tmp_path)] == ["two\nlines", "a chain"]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=cmd|' /C calc'!A0"])
def test_no_text_is_a_formula(tmp_path: Path, text: str) -> None:
    append_decision(tmp_path, decision(text, who=text))
    with (tmp_path / "decisions.csv").open(newline="", encoding="utf-8") as stream:
        row = list(csv.reader(stream))[1]
    assert row[1].startswith("'")
    assert row[5].startswith("'")


@given(st.text(min_size=1, max_size=200))
@settings(max_examples=200, deadline=None)
def test_any_text_stays_one_line_of_one_cell(text: str) -> None:
    safe = safe_text(text)
    assert all(char.isprintable() for char in safe)
    assert not safe.startswith(("=", "+", "-", "@"))
    assert safe_text(safe) == safe


@pytest.mark.parametrize(
    ("wrong", "fields"),
    [
        (NewDecision("", "S750", TIME, "reject", ""), ["who", "reason"]),
        (NewDecision("A", "S750", TIME, "rejct", "x"), ["action"]),
        (NewDecision("A", "S750", TIME, "move", "x"), ["new_time_utc"]),
        (NewDecision("A", "S750", TIME, "reject", "x", TIME), ["new_time_utc"]),
        (NewDecision("A", "", datetime(2025, 5, 1), "reject", "x" * 501), ["station_id", "time_utc", "reason"]),
    ],
)
def test_all_that_is_wrong_with_a_decision_is_said_at_once(
    tmp_path: Path, wrong: NewDecision, fields: list[str]
) -> None:
    with pytest.raises(InputError) as caught:
        check_decision(wrong)
    assert {fault.where for fault in caught.value.faults} == set(fields)
    with pytest.raises(InputError):
        append_decision(tmp_path, wrong)
    assert not (tmp_path / "decisions.csv").exists()


def test_undo_needs_something_to_undo(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no decision at S750"):
        append_decision(tmp_path, decision(action="undo"))
    append_decision(tmp_path, decision())
    append_decision(tmp_path, decision(action="undo"))
    with pytest.raises(InputError):
        append_decision(tmp_path, decision(action="undo"))


def _write_ten(folder: Path, who: str) -> int:
    for n in range(10):
        append_decision(folder, NewDecision(who, "S750", TIME, "note", f"note {n}"))
    return 10


def test_writers_at_one_time_lose_no_line(tmp_path: Path) -> None:
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        done = sum(pool.map(_write_ten, [tmp_path] * 2, ["a", "b"]))
    lines = decisions_of(tmp_path)
    assert len(lines) == done == 20
    for who in "ab":
        assert [line.reason for line in lines if line.who == who] == [f"note {n}" for n in range(10)]


def test_a_line_is_on_the_disk_before_it_is_said_to_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    write, sync = os.write, os.fsync
    monkeypatch.setattr(decision_file.os, "write", lambda handle, data: (order.append("write"), write(handle, data))[1])
    monkeypatch.setattr(decision_file.os, "fsync", lambda handle: (order.append("fsync"), sync(handle))[1])
    append_decision(tmp_path, decision())
    assert order[:2] == ["write", "fsync"]


def test_a_folder_that_may_not_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(MachineError):
        append_decision(tmp_path / "nowhere", decision())
