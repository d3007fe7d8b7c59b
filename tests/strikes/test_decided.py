"""What lines of decisions.csv mean: the nearest strike, later lines, undo, stretches."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from reconcile.strikes.decided import Resolved, Stretch, resolve, usable, within
from reconcile.strikes.pulses import RecordedInterval
from reconcile.vocabulary.documents.decisions import Decision

START = datetime(2025, 5, 1, 8, tzinfo=UTC)
START_US = round(START.timestamp()) * 1_000_000


def lines(*given: tuple[str, float] | tuple[str, float, float], station: str = "A") -> list[Decision]:
    found = []
    for k, (action, *times) in enumerate(given):
        at = [START + timedelta(seconds=s) for s in times] + [None]
        found.append(
            Decision(
                line=k + 2,
                decided_utc=datetime(2025, 6, 1, tzinfo=UTC) + timedelta(hours=k),
                who="somebody",
                station_id=station,
                time_utc=at[0] or START,
                action=action,  # type: ignore[arg-type]
                reason="why",
                new_time_utc=at[1],
            )
        )
    return found


def strikes(*seconds: float, station: str = "A") -> pd.DataFrame:
    time_us = [START_US + round(s * 1e6) for s in seconds]
    return pd.DataFrame({"station_id": station, "time_us": time_us, "heard": True})


def verdicts(found: Resolved) -> dict[int, str | None]:
    return {mark.row: mark.verdict for mark in found.marks}


def test_the_nearest_within_50_ms() -> None:
    found = resolve(lines(("reject", 1.049), ("reject", 2.0501), ("accept", 3.03)), strikes(1.0, 2.0, 3.0, 3.05))
    assert verdicts(found) == {0: "rejected", 3: "accepted"}
    assert found.entries[3].unused
    assert not found.entries[3].applied


def test_another_station_has_other_strikes() -> None:
    found = resolve(lines(("reject", 1.0), station="B"), strikes(1.0))
    assert found.entries[2].unused


def test_later_lines_win() -> None:
    found = resolve(lines(("reject", 1.0), ("accept", 1.0), ("exclude_from_statistics", 1.01)), strikes(1.0))
    assert verdicts(found) == {0: "excluded"}
    assert [found.entries[n].applied for n in (2, 3, 4)] == [False, False, True]
    assert found.entries[2].effect == "overruled by line 3"


def test_undo_takes_the_newest_line_with_that_station_and_time() -> None:
    given = lines(("reject", 1.0), ("exclude_from_statistics", 1.0), ("undo", 1.0))
    assert verdicts(resolve(given, strikes(1.0))) == {0: "rejected"}
    twice = lines(("reject", 1.0), ("exclude_from_statistics", 1.0), ("undo", 1.0), ("undo", 1.0))
    assert verdicts(resolve(twice, strikes(1.0))) == {}
    newest_first = [given[0].model_copy(update={"decided_utc": datetime(2026, 1, 1, tzinfo=UTC)}), *given[1:]]
    assert verdicts(resolve(newest_first, strikes(1.0))) == {0: "excluded"}
    nothing = resolve(lines(("reject", 1.0), ("undo", 1.01)), strikes(1.0))
    assert nothing.entries[3].unused
    assert verdicts(nothing) == {0: "rejected"}


def test_what_was_added_or_moved_is_found_where_it_is_then() -> None:
    given = lines(("add", 5.0), ("reject", 5.02), ("move", 1.0, 1.5), ("exclude_from_statistics", 1.5), ("reject", 1.0))
    found = resolve(given, strikes(1.0))
    added, moved = sorted(found.marks, key=lambda mark: mark.row)
    assert (added.kind, added.verdict, added.measure_us) == ("added", "rejected", START_US + 5_000_000)
    assert (moved.kind, moved.verdict, moved.measure_us) == ("moved", "excluded", START_US + 1_500_000)
    assert found.entries[6].unused  # it is not there any more


def test_adding_what_is_there_accepts_it_and_what_was_not_heard_is_measured() -> None:
    found = resolve(lines(("add", 1.01)), strikes(1.0))
    assert (found.marks[0].verdict, found.marks[0].kind) == ("accepted", None)
    silent = strikes(1.0).assign(heard=False)
    assert resolve(lines(("add", 1.01)), silent).marks[0].kind == "added"


def test_stretches_close_at_the_next_end_and_run_to_the_last_where_none_comes() -> None:
    given = lines(("unusable_from", 4.0), ("unusable_from", 1.0), ("unusable_to", 2.0), ("unusable_to", 3.0))
    found = resolve(given, strikes())
    spans = [(s.start_us - START_US, s.end_us - START_US > 10**12) for s in found.stretches]
    assert spans == [(1_000_000, False), (4_000_000, True)]
    assert found.entries[5].unused


def test_within_and_usable() -> None:
    stretch = Stretch("A", 10, 20)
    station = np.array(["A", "A", "A", "B"], dtype=object)
    assert within([stretch], station, np.array([9, 10, 20, 15])).tolist() == [False, True, False, False]
    assert within([stretch], station, np.array([5, 6, 19, 6]), 5).tolist() == [False, True, True, False]
    left = usable([RecordedInterval("A", 0, 100), RecordedInterval("B", 0, 100)], [stretch, Stretch("A", 90, 2**62)])
    assert [(i.station_id, i.start_us, i.end_us) for i in left] == [("A", 0, 10), ("A", 20, 90), ("B", 0, 100)]
