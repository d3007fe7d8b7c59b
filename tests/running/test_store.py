"""Tables and documents: round trip with nulls and units, old files left alone when a write breaks off, paths named."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from reconcile.running.store import read_document, read_table, replacing, write_document, write_table, write_text
from reconcile.vocabulary.documents.manifest import Manifest
from reconcile.vocabulary.errors import MachineError, ResultsError
from reconcile.vocabulary.tables import Column, Kind, Table

TABLE = Table(
    "things",
    "thing",
    (
        Column("thing_id", Kind.TEXT, "", "the thing"),
        Column("seen_utc", Kind.TIME, "UTC", "when it was seen"),
        Column("level_db", Kind.LEVEL, "dB re 1 µPa", "its level"),
        Column("short_db", Kind.SHORT_LEVEL, "dB re 1 µPa", "its level in short"),
        Column("n_seen", Kind.COUNT, "1", "how often"),
        Column("start_sample", Kind.SAMPLE, "1", "where"),
        Column("counted", Kind.TRUTH, "", "whether it counts"),
        Column("flags", Kind.FLAGS, "", "flags"),
    ),
)


def frame() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "flags": [["clipped"], [], ["a", "b"]],  # the order of columns is the table's, not the frame's
            "thing_id": ["ä", None, "c"],
            "seen_utc": pd.to_datetime(["2025-05-01T08:00:00.000001Z", None, "2025-05-02T00:00:00Z"], format="ISO8601"),
            "level_db": [170.123456789012, np.nan, -3.0],
            "short_db": [100.5, np.nan, 0.25],
            "n_seen": pd.array([1, None, 3], dtype="Int32"),
            "start_sample": [0, 2**40, 5],
            "counted": [True, False, True],
        }
    )


def test_round_trip_with_nulls_and_units(tmp_path: Path) -> None:
    assert write_table(tmp_path / "new" / "folder", TABLE, [frame(), frame()]) == 6
    path = tmp_path / "new" / "folder" / "things.parquet"
    table = pq.read_table(path)
    assert table.schema.names == list(TABLE.column_names)
    assert table.schema.field("level_db").metadata[b"unit"].decode() == "dB re 1 µPa"
    assert [column.null_count for column in table.columns] == [2, 2, 2, 2, 2, 0, 0, 0]  # NaN is null in the file
    read = read_table(path.parent, "things", "levels")
    assert read["level_db"].tolist()[:1] == [170.123456789012]
    assert read["seen_utc"][0] == pd.Timestamp("2025-05-01T08:00:00.000001Z")
    assert read["start_sample"].tolist() == [0, 2**40, 5] * 2
    assert [list(flags) for flags in read["flags"]] == [["clipped"], [], ["a", "b"]] * 2
    assert read_table(path.parent, "things", "levels", ["n_seen"]).columns.tolist() == ["n_seen"]
    assert [p.name for p in path.parent.iterdir()] == ["things.parquet"]


def test_a_table_without_rows(tmp_path: Path) -> None:
    assert write_table(tmp_path, TABLE, [frame().iloc[:0]]) == 0
    assert write_table(tmp_path, TABLE, []) == 0
    assert read_table(tmp_path, "things", "levels").columns.tolist() == list(TABLE.column_names)


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError, SystemExit])
def test_an_interrupted_write_leaves_the_old_file(error: type[BaseException], tmp_path: Path) -> None:
    write_table(tmp_path, TABLE, [frame()])
    before = (tmp_path / "things.parquet").read_bytes()

    def frames() -> Iterator[pd.DataFrame]:
        yield frame()
        raise error

    with pytest.raises(error):
        write_table(tmp_path, TABLE, frames())
    assert (tmp_path / "things.parquet").read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["things.parquet"]


def test_a_folder_that_is_a_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("in the way", encoding="utf-8")
    for write in (
        lambda: write_text(tmp_path / "results" / "report.html", "x"),
        lambda: write_document(tmp_path / "results" / "manifest.json", Manifest(complete=True)),
        lambda: write_table(tmp_path / "results", TABLE, [frame()]),
    ):
        with pytest.raises(MachineError) as caught:
            write()
        assert caught.value.path.startswith(str(tmp_path / "results"))


def test_a_full_disk_is_named_and_leaves_nothing(tmp_path: Path) -> None:
    def fill() -> None:
        with replacing(tmp_path / "a.txt") as temporary:
            temporary.write_text("half", encoding="utf-8")
            raise OSError(28, "No space left on device")

    with pytest.raises(MachineError, match=r"a\.txt: No space left"):
        fill()
    assert list(tmp_path.iterdir()) == []


def test_documents_round_trip(tmp_path: Path) -> None:
    manifest = Manifest(complete=True, inputs={"ä.wav": None})
    write_document(tmp_path / "manifest.json", manifest)
    assert read_document(tmp_path / "manifest.json", Manifest, "levels") == manifest


def test_what_is_missing_or_damaged_says_which_command_makes_it(tmp_path: Path) -> None:
    with pytest.raises(ResultsError, match="run `reconcile levels` first"):
        read_document(tmp_path / "manifest.json", Manifest, "levels")
    with pytest.raises(ResultsError, match="run `reconcile levels` first"):
        read_table(tmp_path, "things", "levels")
    for text in ("{", '{"complete": "perhaps"}', '{"complete": true, "unknown": 1}'):
        (tmp_path / "manifest.json").write_text(text, encoding="utf-8")
        with pytest.raises(ResultsError, match="a file that `reconcile levels` wrote"):
            read_document(tmp_path / "manifest.json", Manifest, "levels")
    (tmp_path / "things.parquet").write_bytes(b"PAR1 but no more than that")
    with pytest.raises(ResultsError, match="damaged table"):
        read_table(tmp_path, "things", "levels")
