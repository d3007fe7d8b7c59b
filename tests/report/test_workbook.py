"""The workbook, read back by another library: every value, names as text, honest cuts, the same bytes."""

from __future__ import annotations

import io
import zipfile

import openpyxl
import pandas as pd
import pyarrow as pa
import pytest

from reconcile.report import workbook as module
from reconcile.report.workbook import Sheet, workbook
from reconcile.running.store import to_arrow
from tests.report.test_csv_tables import FRAME, TABLE

EVIL = "=HYPERLINK(\"http://x\",'<script>alert(1)</script>')"


def sheet(table: pa.Table, name: str = "things") -> Sheet:
    return Sheet(name, table.schema, len(table), lambda n: table.slice(0, n))


def opened(content: bytes) -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(content))


def test_one_sheet_a_table_and_two_that_explain() -> None:
    table = to_arrow(FRAME, TABLE)
    book = opened(workbook("Bank", ["The prediction was too loud."], [sheet(table), sheet(table, "others")]))
    assert book.sheetnames == ["about", "columns", "things", "others"]
    about = [[cell for cell in row if cell is not None] for row in book["about"].values]
    assert about[:2] == [["Bank"], ["The prediction was too loud."]]
    assert ["things", "thing", 3, 3, "the whole table"] in about
    columns = list(book["columns"].values)
    assert columns[0] == ("Sheet", "Column", "Type", "Unit", "Meaning")
    declared = [("things", c.name, c.unit or None, c.meaning) for c in TABLE.columns]
    assert [(r[0], r[1], r[3], r[4]) for r in columns[1 : 1 + len(declared)]] == declared


def test_every_value_comes_back() -> None:
    rows = list(opened(workbook("Bank", [], [sheet(to_arrow(FRAME, TABLE))]))["things"].values)
    assert rows[0] == TABLE.column_names
    assert rows[1] == (FRAME["thing_id"][0], "2025-05-01T08:00:00.000001Z", -3.25, 100.1, 1, True, "a;b")
    assert rows[2][:4] == (FRAME["thing_id"][1], "2025-05-02T00:00:00.000000Z", 170.123456789012, None)
    assert rows[3] == (None, None, None, -0.25, 3, True, "=1+1")


def test_no_name_becomes_a_formula_or_a_link() -> None:
    frame = FRAME.assign(thing_id=[EVIL, "+1", "http://example.com/x"], flags=[[EVIL], ["@x"], []])
    content = workbook(EVIL, [EVIL], [sheet(to_arrow(frame, TABLE))])
    book = opened(content)
    cells = [cell for page in book.worksheets for row in page.iter_rows() for cell in row]
    assert {cell.data_type for cell in cells} <= {"s", "n", "b"}  # no "f"
    assert not any(cell.hyperlink for cell in cells)
    assert [row[0].value for row in book["things"].iter_rows(min_row=2)] == [EVIL, "+1", "http://example.com/x"]
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        texts = [archive.read(name).decode() for name in archive.namelist()]
    assert not any("<script>" in text or "<f>" in text or "<hyperlink" in text for text in texts)


def test_long_tables_are_cut_and_that_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_MOST_CELLS", 5 * len(TABLE.columns))
    frame = pd.concat([FRAME] * 4, ignore_index=True)
    book = opened(workbook("Bank", [], [sheet(to_arrow(frame, TABLE))]))
    rows = list(book["things"].values)
    assert len([row for row in rows[1:] if row[4] is not None or row[1] is not None]) == 5
    said = "the first 5 of 12 rows; the whole table is things.parquet"
    assert rows[-1][0] == said
    assert any(row[-1] == said and row[2:4] == (12, 5) for row in book["about"].values)


def test_the_same_bytes_and_no_time_of_writing() -> None:
    first, second = (workbook("Bank", [], [sheet(to_arrow(FRAME, TABLE))]) for _ in range(2))
    assert first == second
    assert opened(first).properties.created.year == 2000
    with zipfile.ZipFile(io.BytesIO(first)) as archive:
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_a_table_without_rows_and_a_very_long_text() -> None:
    frame = FRAME.assign(thing_id=["x" * 40_000, "\x00\x1b[31m", None])
    book = opened(workbook("", [], [sheet(to_arrow(FRAME.iloc[:0], TABLE), "empty"), sheet(to_arrow(frame, TABLE))]))
    assert list(book["empty"].values) == [TABLE.column_names]
    assert len(str(book["things"]["A2"].value)) == 32_767
