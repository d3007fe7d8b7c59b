"""Counts by increment: values, order, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from reconcile.campaign import read_campaign
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.errors import Fault

Faults = Callable[[], tuple[Fault, ...]]
HEADER = "pile_id,start_utc,end_utc,from_penetration_m,to_penetration_m,n_blows,mean_energy_kj\n"
TIMED = (
    "P1,2025-05-01T08:00:00Z,2025-05-01T08:05:00Z,2.0,2.5,120,450\n"
    "P1,2025-05-01T08:05:00Z,2025-05-01T08:09:00Z,2.5,3.0,98,\n"
    "P1,2025-05-01T08:20:00Z,2025-05-01T08:25:00Z,3.0,3.5,0,900\n"
)
BY_DEPTH = "P2,,,2.0,2.5,31,200\nP2,,,2.5,3.0,40,210.5\n"


def write(folder: Path, rows: str) -> Campaign:
    (folder / "driving_log.csv").write_text(HEADER + rows)
    return read_campaign(folder)[0]


def test_values(folder: Path) -> None:
    campaign = write(folder, BY_DEPTH + TIMED)
    assert [i.line for i in campaign.driving_log] == [2, 3, 4, 5, 6]
    depth, timed = campaign.driving_log[1], campaign.driving_log[3]
    assert (depth.pile_id, depth.start_utc, depth.from_penetration_m, depth.n_blows) == ("P2", None, 2.5, 40)
    assert depth.mean_energy_kj == 210.5
    assert timed.start_utc == datetime(2025, 5, 1, 8, 5, tzinfo=UTC)
    assert (timed.n_blows, timed.mean_energy_kj) == (98, None)
    assert campaign.notes == ()


def test_single_blows_win_over_counts(folder: Path) -> None:
    assert write(folder, BY_DEPTH + TIMED).n_logged == {"P1": 3, "P2": 71}
    (folder / "blows.csv").unlink()
    assert read_campaign(folder)[0].n_logged == {"P1": 218, "P2": 71}


def test_out_of_order_is_sorted_and_half_known_times_are_not_used(folder: Path) -> None:
    rows = TIMED.splitlines(keepends=True)
    campaign = write(folder, rows[2] + rows[0] + rows[1])
    assert [i.line for i in campaign.driving_log] == [3, 4, 2]
    assert campaign.notes == ("driving_log.csv: the increments of pile P1 are not in order of time; they were sorted",)
    campaign = write(folder, rows[0] + "P1,,,2.5,3.0,98,\n")
    assert {i.start_utc for i in campaign.driving_log} == {None}
    assert "only some increments of pile P1 have times" in campaign.notes[0]


@pytest.mark.parametrize(
    ("old", "new", "where", "part"),
    [
        ("P1,2025-05-01T08:05", "P3,2025-05-01T08:05", "line 3, column pile_id", "a pile_id of piles.csv"),
        (",98,", ",98.5,", "line 3, column n_blows", "a whole number, at least 0"),
        (",98,", ",-1,", "line 3, column n_blows", "a whole number, at least 0"),
        (",98,", ",,", "line 3, column n_blows", "an empty cell"),
        (",450", ",0", "line 2, column mean_energy_kj", "above 0"),
        ("2025-05-01T08:09:00Z", "2025-05-01T08:04:00Z", "line 3, column end_utc", "not before start_utc"),
        ("2025-05-01T08:09:00Z", "", "line 3, column start_utc and end_utc", "only one of the two"),
        ("Z,2.5,", "Z,,", "line 3, column from_penetration_m and to_penetration_m", "only one of the two"),
        ("Z,2.5,3.0", "Z,2.5,2.4", "line 3, column to_penetration_m", "not above from_penetration_m, 2.5"),
        ("Z,2.5,3.0", "Z,2.3,3.0", "line 3, column from_penetration_m", "above where the one on line 2 ended"),
        ("2025-05-01T08:05:00Z,2.0", "2025-05-01T08:05:01Z,2.0", "line 3, column start_utc", "overlaps the one on"),
        ("2025-05-01T08:05:00Z,2025-05-01T08:09:00Z,2.5,3.0", ",,,", "line 3", "neither times nor penetrations"),
        ("n_blows", "blows", "header", "no column n_blows"),
    ],
)
def test_refusals(folder: Path, faults: Faults, old: str, new: str, where: str, part: str) -> None:
    text = HEADER + TIMED
    assert old in text
    (folder / "driving_log.csv").write_text(text.replace(old, new, 1))
    found = [fault for fault in faults() if fault.file == "driving_log.csv"]
    assert len(found) == 1
    assert found[0].where == where
    assert part in str(found[0])
