"""Documents as single values: every one of them, by places that a reader finds again."""

from __future__ import annotations

from reconcile.vocabulary.documents.flat import flat, flat_json
from reconcile.vocabulary.documents.manifest import Clocks, LogClockEntry, Manifest

CLOCK = LogClockEntry(
    pile_id="P1", offset_s=1.5, drift_ppm=0.0, residual_sd_s=None, n_blows=3, n_matched=2, ambiguous=False
)


def test_entries_go_by_their_identifier() -> None:
    found = flat(Manifest(complete=True, clocks=Clocks(hammer_logs=(CLOCK,), station_offsets_s={"S1": 0.25})))
    assert found["complete"] is True
    assert found["clocks.hammer_logs[P1].offset_s"] == 1.5
    assert found["clocks.hammer_logs[P1].residual_sd_s"] is None
    assert found["clocks.station_offsets_s.S1"] == 0.25


def test_entries_without_one_or_with_one_twice_go_by_their_number() -> None:
    assert flat_json({"a": [{"id": "x", "v": 1}, {"id": "x", "v": 2}]})["a[1].v"] == 2
    assert flat_json({"a": [[1, 2], [3, 4]]}) == {"a[0][0]": 1, "a[0][1]": 2, "a[1][0]": 3, "a[1][1]": 4}
    assert flat_json({"a": [], "b": {}}) == {}
