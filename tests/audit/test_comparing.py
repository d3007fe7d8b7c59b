"""Tables held against each other: rows found by what names them, not by their place; differences with their size."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from reconcile.audit.comparing import TableDifference, amount, change_in_words, changed_leaves, compare_tables

ROWS = pd.DataFrame(
    {
        "pile_id": ["P1", "P1", "P2"],
        "station_id": ["A", "B", "A"],
        "quantity": ["exposure_level"] * 3,
        "weighting": ["none"] * 3,
        "band_hz": [None, None, 63.0],
        "mean_db": [170.0, 160.0, None],
        "n_strikes": pd.array([5, 6, 7], dtype="Int32"),
        "flags": [["a"], [], ["b", "c"]],
        "seen_utc": pd.to_datetime(["2025-05-01T08:00:00Z"] * 3),
    }
)


def compared(tmp_path: Path, second: pd.DataFrame, name: str = "summary") -> TableDifference:
    for number, frame in enumerate((ROWS, second)):
        (tmp_path / str(number)).mkdir()
        frame.to_parquet(tmp_path / str(number) / f"{name}.parquet")
    return compare_tables(tmp_path / "0", tmp_path / "1", name)


def test_another_order_of_rows_is_no_difference(tmp_path: Path) -> None:
    assert not compared(tmp_path, ROWS.iloc[[2, 0, 1]]).any


def test_each_kind_of_difference(tmp_path: Path) -> None:
    second = ROWS.iloc[[1, 0, 2]].copy()
    second["mean_db"] = [160.0, 168.5, 150.0]  # of B, A, and what was null
    second["flags"] = [[], ["a"], ["b"]]
    second["seen_utc"] += pd.to_timedelta([0, 2, 0], unit="s")
    found = compared(tmp_path, second)
    by_name = {c.column: c for c in found.columns}
    assert set(by_name) == {"mean_db", "flags", "seen_utc"}
    assert (by_name["mean_db"].n_rows, by_name["mean_db"].n_null, by_name["mean_db"].largest) == (2, 1, -1.5)
    assert by_name["mean_db"].in_words == ("mean_db: 2 rows differ, by −1.5000 dB at most, 1 of them null on one side")
    assert (by_name["flags"].n_rows, by_name["flags"].largest) == (1, None)
    assert by_name["seen_utc"].largest == 2.0
    assert found.largest_db == 1.5


def test_rows_and_columns_of_one_alone(tmp_path: Path) -> None:
    second = ROWS.iloc[:2].drop(columns="n_strikes").assign(new=1)
    found = compared(tmp_path, second)
    assert (found.n_rows, found.only_first, found.only_second) == ((3, 2), 1, 0)
    assert (found.columns_only_first, found.columns_only_second) == (("n_strikes",), ("new",))
    assert found.columns == ()


def test_a_table_that_nobody_knows_goes_by_its_texts(tmp_path: Path) -> None:
    second = ROWS.iloc[[2, 1, 0]].assign(mean_db=[None, 160.25, 170.0])
    found = compared(tmp_path, second, "things")
    assert [(c.column, c.n_rows, c.largest) for c in found.columns] == [("mean_db", 1, 0.25)]


def test_rows_with_one_key_are_told_apart_by_their_order(tmp_path: Path) -> None:
    doubled = pd.concat([ROWS, ROWS], ignore_index=True)
    found = compared(tmp_path, doubled)
    assert (found.only_first, found.only_second, found.columns) == (0, 3, ())


def test_changes_in_words() -> None:
    changes = changed_leaves({"a_db": 1.0, "b": "x", "c": 3}, {"a_db": 1.25, "b": "x", "d": True})
    assert changes == [("a_db", 1.0, 1.25), ("c", 3, None), ("d", None, True)]
    assert change_in_words(*changes[0]) == "a_db: 1 to 1.25 (+0.2500 dB)"
    assert change_in_words(*changes[1]) == "c: 3 to nothing"
    assert change_in_words("d", True, False) == "d: True to False"
    assert amount(-1e-9, "level_db") == "−1e−09 dB"
    assert amount(12.0, "range_m") == "+12.0000 m"
