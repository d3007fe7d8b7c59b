"""The list of strikes: filters, doubts, and the order in which they are looked at."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pandas as pd
import pytest

from reconcile.review.doubt import doubtful_in_order, next_doubtful
from reconcile.review.strike_list import COLUMNS, Filters, filtered, lines, listed, nearest
from reconcile.vocabulary.tables import REJECTED

START = pd.Timestamp("2025-05-01T08:00:00Z")


def table(*rows: dict[str, Any], rejected: list[dict[str, Any]] | None = None) -> pd.DataFrame:
    """`listed` of strikes that are clear unless a row says otherwise."""
    usual = {
        "pile_id": "P1",
        "blow_number": 1,
        "station_id": "A",
        "range_m": 750.0,
        "energy_kj": 1000.0,
        "peak_level_db": 190.0,
        "exposure_level_db": 165.0,
        "exposure_censoring": "none",
        "signal_to_noise_db": 30.0,
        "noise_level_db": 110.0,
        "pulse_duration_s": 0.1,
        "window_s": 0.4,
        "recording": "a.wav",
        "start_sample": 0,
        "flags": [],
    }
    full = [
        {**usual, "strike_id": f"P1-{k:05d}", "time_utc": START + pd.Timedelta(seconds=2 * k), **row}
        for k, row in enumerate(rows)
    ]
    strikes = pd.DataFrame(full).astype({"blow_number": "Int32"})
    lost = pd.DataFrame(rejected or [], columns=REJECTED.column_names)
    return listed(strikes, lost, 3.0)


def doubts(frame: pd.DataFrame) -> list[list[str]]:
    return [list(own) for own in frame["doubts"]]


def test_flags_and_signal_to_noise() -> None:
    found = table(
        {},
        {"flags": ["cable_knock", "clipped"]},
        {"signal_to_noise_db": 5.9},
        {"signal_to_noise_db": 6.1},
        {"signal_to_noise_db": 0.1},
        {"flags": ["not_in_log"], "blow_number": None},
    )
    assert doubts(found) == [[], ["cable_knock"], ["near_censoring"], [], ["near_censoring"], ["not_in_log"]]


def test_what_is_decided_is_not_doubtful() -> None:
    decided = ("accepted", "rejected", "excluded", "added", "moved")
    found = table(*({"flags": ["cable_knock", f"{word}_by_decision"]} for word in decided))
    assert (found["doubt"] == 0).all()


def test_stations_that_disagree() -> None:
    """Four stations that differ by a constant; one strike is 8 dB louder at one of them alone, one everywhere."""
    rows = []
    for k in range(9):
        for n, station in enumerate("ABCD"):
            louder = 8.0 if k == 4 and station == "B" else 10.0 if k == 6 else 0.0
            rows.append(
                {
                    "strike_id": f"P1-{k:05d}",
                    "station_id": station,
                    "time_utc": START + pd.Timedelta(seconds=2 * k + 0.1 * n),
                    "exposure_level_db": 165.0 - 5.0 * n + louder,
                }
            )
    found = table(*rows)
    off = found[found["doubt"] > 0]
    assert list(zip(off["strike_id"], off["station_id"], doubts(off), strict=True)) == [
        ("P1-00004", "B", ["stations_disagree"])
    ]


def test_one_place_only() -> None:
    same = {"strike_id": "P1-u00001"}
    found = table({**same}, {**same, "station_id": "B", "flags": ["not_heard"]}, {})
    assert doubts(found) == [["one_place_only"], [], []]


def test_rejected_for_two_reasons() -> None:
    lost = {"station_id": "A", "pile_id": "P1", "recording": "a.wav", "start_sample": 7, "peak_level_db": 150.0,
            "exposure_level_db": 120.0, "pulse_duration_s": 0.02}  # fmt: skip
    found = table(
        {},
        rejected=[
            {**lost, "time_utc": START + pd.Timedelta(seconds=9), "reasons": ["off_rhythm", "one_place_only"]},
            {**lost, "time_utc": START - pd.Timedelta(seconds=9), "reasons": ["a", "b", "c"]},
        ],
    )
    assert found["kind"].tolist() == ["rejected", "strike", "rejected"]
    assert doubts(found) == [[], [], ["rejected_for_few_reasons"]]


def test_the_most_doubtful_first_and_round_again() -> None:
    found = table({"flags": ["not_in_log"]}, {}, {"flags": ["cable_knock"]}, {"flags": ["not_in_log"]})
    order = doubtful_in_order(found)
    assert order.index.tolist() == [2, 0, 3]
    at = [int(t.value // 1000) for t in order["time_utc"]]
    assert next_doubtful(order, "A", at[0]) == 1
    assert next_doubtful(order, "A", at[2]) == 0
    assert next_doubtful(order, "A", at[0], done=[1]) == 2
    assert next_doubtful(order, "A", 0) == 0
    assert next_doubtful(order, "A", at[0], done=[1, 2]) is None
    assert next_doubtful(order.iloc[:0], "A", 0) is None


@pytest.mark.parametrize(
    ("filters", "rows"),
    [
        (Filters(), [0, 1, 2]),
        (Filters(flags=("clipped",)), [1]),
        (Filters(stations=("B",)), [2]),
        (Filters(piles=("P2", "P3")), [1]),
        (Filters(level_from_db=160.0), [0, 2]),
        (Filters(level_to_db=160.0), [1]),
        (Filters(snr_from_db=10.0, snr_to_db=30.0), [0, 1]),
        (Filters(doubtful=True), [2]),
        (Filters(stations=("B",), level_to_db=160.0), []),
    ],
)
def test_filters(filters: Filters, rows: list[int]) -> None:
    found = table(
        {},
        {"flags": ["clipped"], "pile_id": "P2", "exposure_level_db": 150.0},
        {"station_id": "B", "signal_to_noise_db": 4.0},
    )
    assert filtered(found, filters).index.tolist() == rows


def test_what_a_decision_means() -> None:
    found = table({}, {})
    at = datetime(2025, 5, 1, 8, 0, 2, 49_000, tzinfo=UTC)
    assert nearest(found, "A", at) == 1
    assert nearest(found, "B", at) is None
    assert nearest(found, "A", at.replace(microsecond=51_000)) is None


def test_as_text() -> None:
    found = table({"flags": ["clipped", "spike"], "energy_kj": None})
    head, row = lines(found, as_json=False)
    assert head == ",".join((*COLUMNS, "doubts", "doubt"))
    cells = dict(zip(head.split(","), row.split(","), strict=True))
    assert (cells["flags"], cells["energy_kj"], cells["exposure_level_db"]) == ("clipped;spike", "", "165.00")
    assert cells["time_utc"] == "2025-05-01T08:00:00.000000Z"
    (record,) = (json.loads(line) for line in lines(found, as_json=True))
    assert (record["flags"], record["energy_kj"], record["blow_number"]) == (["clipped", "spike"], None, 1)
