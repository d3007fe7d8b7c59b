"""decisions.csv read: every fault at once, and a torn last line left out with a word."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.campaign.decisions import read_decisions, without_torn_line
from reconcile.campaign.faults import Findings
from reconcile.vocabulary.documents.decisions import Decision

HEAD = "decided_utc,who,station_id,time_utc,action,reason,new_time_utc\n"
GOOD = "2025-06-01T00:00:00Z,AB,S750,2025-05-01T08:00:03.400842Z,reject,a chain,\n"
MOVE = "2025-06-01T00:00:00Z,AB,S750,2025-05-01T08:00:03Z,move,late,2025-05-01T08:00:03.1Z\n"


def read(folder: Path, text: str) -> tuple[tuple[Decision, ...], Findings]:
    path = folder / "decisions.csv"
    path.write_bytes(text.encode("utf-8"))
    findings = Findings()
    return read_decisions(path, {"S750", "S1500"}, findings), findings


def test_lines_in_their_order(tmp_path: Path) -> None:
    decisions, findings = read(tmp_path, HEAD + GOOD + MOVE)
    assert [(d.line, d.action) for d in decisions] == [(2, "reject"), (3, "move")]
    assert decisions[0].time_utc.microsecond == 400842
    assert not findings.faults
    assert not findings.notes


def test_every_fault_at_once(tmp_path: Path) -> None:
    wrong = [
        "yesterday,AB,S750,2025-05-01T08:00:03Z,reject,a chain,",
        "2025-06-01T00:00:00Z,,S750,2025-05-01T08:00:03,reject,,",
        "2025-06-01T00:00:00Z,AB,S75,2025-05-01T08:00:03Z,rejct,a chain,",
        "2025-06-01T00:00:00Z,AB,S750,2025-05-01T08:00:03Z,move,late,",
        "2025-06-01T00:00:00Z,AB,S750,2025-05-01T08:00:03Z,note,late,2025-05-01T08:00:03Z",
    ]
    decisions, findings = read(tmp_path, HEAD + "\n".join(wrong) + "\n")
    assert decisions == ()
    where = sorted(fault.where for fault in findings.faults)
    assert where == [
        "line 2, column decided_utc",
        "line 3, column reason",
        "line 3, column time_utc",
        "line 3, column who",
        "line 4, column action",
        "line 4, column station_id",
        "line 5, column new_time_utc",
        "line 6, column new_time_utc",
    ]
    hints = {fault.where: fault.hint for fault in findings.faults}
    assert "'reject'" in hints["line 4, column action"]
    assert "S750" in hints["line 4, column station_id"]


@pytest.mark.parametrize("missing", ["who", "reason", "time_utc", "action", "station_id", "decided_utc"])
def test_a_missing_column(tmp_path: Path, missing: str) -> None:
    _, findings = read(tmp_path, HEAD.replace(missing, "other", 1) + GOOD)
    assert any(f"no column {missing}" in fault.found for fault in findings.faults)


@pytest.mark.parametrize("cut", [1, 10, 30, 60, len(MOVE) - 2])
def test_a_torn_last_line_is_left_out_and_said(tmp_path: Path, cut: int) -> None:
    decisions, findings = read(tmp_path, HEAD + GOOD + MOVE[:cut])
    assert [d.line for d in decisions] == [2]
    assert not findings.faults
    assert findings.notes == ["decisions.csv: line 3, the last one, was cut short while it was written: it is not used"]


def test_a_last_line_without_its_line_break_is_whole() -> None:
    content = (HEAD + GOOD + MOVE.rstrip("\n")).encode()
    assert without_torn_line(content) == (content, b"")
    quoted = (HEAD + GOOD.replace("a chain", '"a\nchain"').rstrip("\n")).encode()
    assert without_torn_line(quoted) == (quoted, b"")
