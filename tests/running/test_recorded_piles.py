"""Hours that are wrong in the tables are said, by `check` and at the end of a run."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.running.levels_stage import levels
from reconcile.running.pipeline import check
from tests.small_campaign import write_small_campaign


@pytest.fixture
def campaign(tmp_path: Path) -> Path:
    return write_small_campaign(tmp_path / "campaign", files=1).folder


def replaced(path: Path, old: str, new: str) -> None:
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")


def notes(lines: list[str]) -> list[str]:
    return [line for line in lines if line.startswith("Note:") and "gap of" not in line]


def test_times_that_meet_are_not_mentioned(campaign: Path) -> None:
    assert notes(check(campaign, None).lines) == []


def test_a_pile_outside_all_recordings(campaign: Path) -> None:
    for name in ("piles.csv", "blows.csv"):
        replaced(campaign / name, "2025-05-01T08:", "2025-05-01T10:")
    found = [*notes(check(campaign, None).lines), *notes(levels(campaign, campaign / "results").lines)]
    assert len(found) == 2
    assert all("pile P1" in note and "no recording of any station" in note and "local time" in note for note in found)


def test_a_pile_that_one_station_did_not_record(campaign: Path) -> None:
    for path in (campaign / "recordings" / "FAR").glob("*20250502*"):
        path.unlink()
    found = notes(check(campaign, None).lines)
    assert len(found) == 1
    assert "pile P2" in found[0]
    assert found[0].endswith("no recording of FAR")


def test_a_hammer_log_in_local_time(campaign: Path) -> None:
    replaced(campaign / "blows.csv", "2025-05-01T08:", "2025-05-01T10:")
    found = notes(check(campaign, None).lines)
    assert len(found) == 1
    assert "of pile P1 lie outside its times" in found[0]
    assert "2.0 h after its end_utc" in found[0]
    said = notes(levels(campaign, campaign / "results").lines)
    assert any("none of its" in note and "P1" in note for note in said)
