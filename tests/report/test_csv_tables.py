"""Tables as CSV, read back by the standard library: every value, nulls, no formulas."""

from __future__ import annotations

import csv
import io

import pandas as pd
import pyarrow as pa

from reconcile.report.csv_tables import csv_chunks
from reconcile.running.store import to_arrow
from reconcile.vocabulary.tables import Column, Kind, Table

TABLE = Table(
    "things",
    "thing",
    (
        Column("thing_id", Kind.TEXT, "", "the thing"),
        Column("seen_utc", Kind.TIME, "UTC", "when"),
        Column("level_db", Kind.LEVEL, "dB re 1 µPa", "level"),
        Column("short_db", Kind.SHORT_LEVEL, "dB re 1 µPa", "level in short"),
        Column("n_seen", Kind.COUNT, "1", "how often"),
        Column("counted", Kind.TRUTH, "", "whether it counts"),
        Column("flags", Kind.FLAGS, "", "flags"),
    ),
)
FRAME = pd.DataFrame(
    {
        "thing_id": ["=CMD|' /C calc'!A0", '<script>"quoted",\nsecond line', None],
        "seen_utc": pd.to_datetime(["2025-05-01T08:00:00.000001Z", "2025-05-02T00:00:00Z", None], format="ISO8601"),
        "level_db": [-3.25, 170.123456789012, float("nan")],
        "short_db": [100.1, float("nan"), -0.25],
        "n_seen": pd.array([1, None, 3], dtype="Int32"),
        "counted": [True, False, True],
        "flags": [["a", "b"], [], ["=1+1"]],
    }
)


def read_back(table: pa.Table) -> list[list[str]]:
    text = b"".join(csv_chunks(table.schema, table.to_batches(max_chunksize=2))).decode("utf-8")
    return list(csv.reader(io.StringIO(text, newline="")))


def test_every_value_comes_back() -> None:
    rows = read_back(to_arrow(FRAME, TABLE))
    assert rows[0] == list(TABLE.column_names)
    assert rows[1] == ["'=CMD|' /C calc'!A0", "2025-05-01T08:00:00.000001Z", "-3.25", "100.1", "1", "true", "a;b"]
    assert rows[2][0] == '<script>"quoted",\nsecond line'
    assert float(rows[2][2]) == 170.123456789012
    assert rows[2][3:] == ["", "", "false", ""]
    assert rows[3] == ["", "", "", "-0.25", "3", "true", "'=1+1"]


def test_a_table_without_rows_is_its_header() -> None:
    assert read_back(to_arrow(FRAME.iloc[:0], TABLE)) == [list(TABLE.column_names)]
